"""Every shipped drill: nothing to warn about, a sound file whose levels and gaps are measured, and a start for real."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile

from drilltimer.app.live import run_live
from drilltimer.app.open import open_room
from drilltimer.app.plan import Plan, make_plan
from drilltimer.audio.files import list_drills, load_word
from drilltimer.drills.run import examine
from drilltimer.model import Placement
from drilltimer.recordings.rendering import render_plan
from drilltimer.sound.bank import build_bank
from drilltimer.sound.loudness import LoudnessMeter, loudness_lufs
from drilltimer.sound.voice import TARGET_LUFS
from drilltimer.units import db_from_ratio, ms_from_s, ratio_from_db

NAMES = [drill.name for drill in list_drills() if not drill.own]
RATE_HZ = 16_000
SEED = 5
LEAST_GAP_S = 0.05  # between the end of a call and the first sample of the next lead-in


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("DRILLTIMER_HOME", str(tmp_path / "home"))


def begin_of(plan: Plan, reps: int) -> Plan:
    return replace(plan, reps=plan.reps[:reps])


def test_the_whole_path_and_every_sport_is_there() -> None:
    path = {
        *("first-hop", "steady-contact", "random-contact", "serve-return", "baseline-rally", "net-volley"),
        *(
            "doubles-net-pair",
            "direction",
            "switched-call",
            "feints",
            "reaction",
            "test-block",
            "club-warm-up",
            "fatigue-set",
            "step-in",
            "transfer-block",
        ),
        *("catch", "badminton-rally", "squash-rally", "padel-rally", "table-tennis-rally", "pickleball-rally"),
    }
    assert path <= set(NAMES)


def test_nothing_practises_the_lead_ins_of_the_transfer_block() -> None:
    def lead_ins(name: str) -> set[tuple[str, float, float]]:
        blocks = make_plan(name, SEED).drill.blocks
        found = [each for block in blocks for each in (block.lead_in, block.opening) if each is not None]
        return {(each.kind, each.length_s * (1.0 - each.spread), each.longest_s) for each in found}

    new = lead_ins("transfer-block")
    assert len({kind for kind, _, _ in new}) >= 3
    practised = set().union(*(lead_ins(name) for name in NAMES if name != "transfer-block"))
    for kind, low_s, high_s in new:
        for other, other_low_s, other_high_s in practised:
            assert kind != other or high_s < other_low_s or low_s > other_high_s, (kind, low_s, other_low_s)
    test, transfer = make_plan("test-block", SEED), make_plan("transfer-block", SEED)
    assert {rep.window for rep in test.reps} == {rep.window for rep in transfer.reps}
    for plan in (test, transfer):
        assert sum(not rep.withheld and not rep.warm_up for rep in plan.reps) == 30


@pytest.mark.parametrize("name", NAMES)
def test_there_is_nothing_to_warn_about(name: str) -> None:
    examined = examine(name)
    assert [str(problem) for problem in examined.cautions] == []
    assert examined.load.landings == examined.plan.landings > 0


@pytest.mark.parametrize("name", NAMES)
def test_every_number_has_a_source_or_is_our_choice(name: str) -> None:
    """Each line that sets a number of the rhythm carries a comment, or one stands above it."""
    path = next(drill.path for drill in list_drills() if drill.name == name)
    lines = path.read_text(encoding="utf-8").splitlines()
    assert lines[0].startswith("# ")
    for number, line in enumerate(lines):
        if line.strip().startswith(("interval_s:", "jitter_cv:", "delay_s:", "reps:", "withheld_share:")):
            above = lines[number - 1].strip()
            assert "#" in line or above.startswith("#"), f"{name}:{number + 1}: {line}"


@pytest.mark.parametrize("name", NAMES)
def test_a_rendered_drill_keeps_its_peaks_levels_and_gaps(name: str, tmp_path: Path) -> None:
    plan = begin_of(make_plan(name, SEED), 8)
    file = tmp_path / "drill.wav"
    sheet = json.loads(render_plan(plan, file, Placement(), RATE_HZ, 2).sheet.read_text(encoding="utf-8"))
    sound, rate_hz = soundfile.read(file)
    assert rate_hz == RATE_HZ
    peak_db = db_from_ratio(float(np.max(np.abs(sound))))
    assert -14.0 < peak_db <= -1.0  # a contact leaves at -6 dBFS, panned ones up to 3 dB less in a channel

    # Measured: -27.4 to -22.1 LUFS; a third of it is silence, which BS.1770's gates leave out.
    meter = LoudnessMeter(RATE_HZ, 2)
    meter.feed(sound)
    assert -29.0 < meter.lufs() < -20.0

    sounded = [cue for rep in sheet["reps"] for cue in rep["cues"]]
    bank = build_bank([cue for rep in plan.reps for cue in rep.cues], RATE_HZ, load_word)
    contacts = {rep.index: rep for rep in plan.reps}
    for rep in sheet["reps"]:
        for cue in rep["cues"]:
            samples = bank[cue["sound"], cue.get("length_s")].samples
            first = round(cue["at_s"] * RATE_HZ)
            stretch = sound[first : first + len(samples)]
            assert float(np.max(np.abs(stretch))) > ratio_from_db(-40.0), f"{cue['sound']} is not to be heard"
        contact = [cue["at_s"] for cue in rep["cues"] if cue["role"] == "contact"]
        assert len(contact) == (not rep["withheld"])
        assert contact in ([], [pytest.approx(contacts[rep["rep"]].contact_s, abs=1.0 / RATE_HZ)])

    ends = [
        (cue["at_s"], cue["at_s"] + len(bank[cue["sound"], cue.get("length_s")].samples) / RATE_HZ) for cue in sounded
    ]
    quiet = np.ones(len(sound), dtype=bool)
    for begin_s, end_s in ends:
        quiet[int(begin_s * RATE_HZ) - 1 : int(end_s * RATE_HZ) + 2] = False
    assert float(np.max(np.abs(sound[quiet]), initial=0.0)) <= ratio_from_db(-90.0)  # gaps are silent
    assert quiet[: round(0.2 * RATE_HZ)].all()  # the room's noise is measured before the first sound


@pytest.mark.parametrize("name", NAMES)
def test_no_call_runs_into_the_next_lead_in_and_contacts_follow_their_lead_in(name: str) -> None:
    plan = make_plan(name, SEED)
    bank = build_bank([cue for rep in plan.reps for cue in rep.cues], RATE_HZ, load_word)
    last_call_ends_s = -1.0
    for rep in plan.reps:
        for cue in sorted(rep.cues, key=lambda cue: cue.at_s):
            sound = bank[cue.sound, cue.length_s]
            begins_s = rep.start_s + cue.at_s - sound.anchor / RATE_HZ
            if cue.role == "precue":
                assert begins_s > last_call_ends_s
            if cue.role == "call":
                last_call_ends_s = begins_s + len(sound.samples) / RATE_HZ


def test_words_that_drills_speak_are_shipped_at_one_loudness() -> None:
    plans = [make_plan(name, SEED) for name in NAMES]
    spoken = {cue.sound for plan in plans for rep in plan.reps for cue in rep.cues if load_word(cue.sound) is not None}
    assert {"left", "right", "ready", "well done"} <= spoken
    for word in sorted(spoken):
        sound = load_word(word)
        assert sound is not None
        level_lufs = loudness_lufs(sound.samples.astype(np.float64), sound.rate_hz)
        assert level_lufs == pytest.approx(TARGET_LUFS, abs=1.0), word


def test_late_is_spoken_in_no_drill_that_calls_right() -> None:
    for name in NAMES:
        plan = make_plan(name, SEED)
        calls = {rep.call for rep in plan.reps}
        if "right" in calls:
            assert "late" not in {cue.sound for rep in plan.reps for cue in rep.cues}, name


@pytest.mark.long
@pytest.mark.parametrize("name", NAMES)
def test_a_drill_can_be_started_for_real(name: str) -> None:
    """The first reps with an expert in a simulated room, as fast as it goes: every contact answered and judged."""
    plan = begin_of(make_plan(name, SEED), 4)
    place = Placement(2.0, 2.0, 0.3)
    troubles: list[str] = []
    told = []
    outcome = run_live(
        plan,
        open_room("expert", SEED, place, speed=0),
        place,
        on_rep=lambda rep, verdict: told.append(verdict),
        on_trouble=troubles.append,
    )
    assert troubles == []
    assert outcome.fault is None
    assert [verdict.rep for verdict in told] == [rep.index for rep in plan.reps]
    touchdowns_ms = [verdict.touchdown_ms for verdict in told if verdict.touchdown_ms is not None]
    assert len(touchdowns_ms) >= 2
    limit_ms = ms_from_s(1.0)
    assert all(-limit_ms < touchdown_ms < limit_ms for touchdown_ms in touchdowns_ms)
