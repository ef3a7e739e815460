"""Published examples through the whole product: landings as sound in, figures of `score --json` out."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from click.testing import CliRunner
from recorded import simulate_recording

from drilltimer.audio.files import load_word
from drilltimer.cli import main
from drilltimer.drill.language import load_drill
from drilltimer.drill.schedule import schedule
from drilltimer.model import Placement, Rep
from drilltimer.session import place_cues
from drilltimer.sim.player import SKILLS, PlannedLanding, SimulatedPlayer
from drilltimer.sim.settings import PRESETS
from drilltimer.sound.bank import build_bank

PUBLISHED = tomllib.loads((Path(__file__).parent / "data" / "published.toml").read_text(encoding="utf-8"))
RATE_HZ = 48_000
HEARD_MS = 0.6  # to which one touchdown in a quiet room is heard; figures of several are nearer
DRILL = (
    "name: Published\nreps: {reps}\nsituation: {situation}\nlevel: {level}\nlead_in: {{kind: swing, length_s: 0.4}}\n"
    "rhythm: {{interval_s: 2.2, jitter_cv: 0.1, rally: {reps}}}\n"
)


class Replay(SimulatedPlayer):
    """Lands where it is told, both feet together or so far apart."""

    def __init__(self, touchdowns_ms: Sequence[float], stagger_ms: float = 0.0, step_ms: float | None = None) -> None:
        super().__init__(SKILLS["metronome"], 1)
        self._touchdowns_ms, self._stagger_ms, self._step_ms = touchdowns_ms, stagger_ms, step_ms

    def answer(self, rep: Rep) -> PlannedLanding:
        at_ms = self._touchdowns_ms[rep.index]
        return PlannedLanding(at_ms, self._stagger_ms, self._step_ms, 0.0, 0.0, 0.0)


class Recorded:
    """A recording of such a player in a quiet room, beside the sound that was played."""

    def __init__(
        self,
        folder: Path,
        player: Replay,
        reps: int,
        situation: str = "return",
        stands: Placement = PRESETS["quiet"].placement,
    ) -> None:
        self._heard, self._played, self._sheet = (folder / n for n in ("heard.flac", "played.flac", "played.cues.json"))
        self._reps, self._situation, self._stands = reps, situation, stands
        laid_out = self._laid_out("club")
        self._bank = build_bank((cue for rep in laid_out for cue in rep.cues), RATE_HZ, load_word)
        made = simulate_recording(laid_out, self._bank, replace(PRESETS["quiet"], placement=stands), 1, player=player)
        soundfile.write(self._heard, np.clip(made.recorded, -1.0, 1.0), made.recorder_rate_hz)
        soundfile.write(self._played, np.clip(made.played, -1.0, 1.0), RATE_HZ)

    def _laid_out(self, level: str) -> tuple[Rep, ...]:
        text = DRILL.format(reps=self._reps, situation=self._situation, level=level)
        return schedule(load_drill(text, "published"), 1)

    def scored(self, level: str = "club", told: Placement | None = None) -> Any:
        """Scores and reps as `score --json` prints them: by that level's window, with the distances that are told."""
        placed = told or self._stands
        laid_out = self._laid_out(level)
        document = {
            "schema": 1,
            "audio": self._played.name,
            "rate_hz": RATE_HZ,
            "placement": placed.known(),
            "window": {name: getattr(laid_out[0].window, name) for name in ("open_ms", "centre_ms", "close_ms")},
            "reps": [
                {
                    "cues": [
                        {"role": play.cue.role, "sound": play.cue.sound, "at_s": play.start / RATE_HZ}
                        for play in place_cues(rep, self._bank, RATE_HZ)
                    ]
                }
                for rep in laid_out
            ],
        }
        self._sheet.write_text(json.dumps(document), encoding="utf-8")
        answer = CliRunner().invoke(main, ["score", str(self._heard), "--sheet", str(self._sheet), "--json"])
        assert answer.exit_code == 0, answer.output
        return json.loads(answer.stdout)


@pytest.mark.parametrize(
    "row", [row for row in PUBLISHED["errors"] if row["target"] < 200], ids=lambda row: row["name"]
)
def test_worked_examples_of_errors_come_out_of_their_sound(row: dict[str, Any], tmp_path: Path) -> None:
    """Their values as touchdowns in ms after the contact: 100 is the target at the net, 133 of a return."""
    situation = {100: "net", 133: "return"}[row["target"]]
    scores = Recorded(tmp_path, Replay(row["values"]), len(row["values"]), situation).scored()["scores"]
    assert scores["timed"] == len(row["values"])
    assert scores["constant_error_ms"] == pytest.approx(row["constant"], abs=HEARD_MS)
    assert scores["variable_error_ms"] == pytest.approx(row["variable"], abs=HEARD_MS)
    assert scores["absolute_error_ms"] == pytest.approx(row["absolute"], abs=HEARD_MS)
    whole = scores["constant_error_ms"] ** 2 + scores["variable_error_ms"] ** 2
    assert scores["rmse_ms"] ** 2 == pytest.approx(whole, rel=2e-3)  # printed rounded


def test_expert_returners_landings_are_on_time_at_every_level(tmp_path: Path) -> None:
    expert = PUBLISHED["expert_return"]
    step_ms = expert["touchdown_ms"] + 330.0  # a footfall; the source's 177 ms is where the movement begins
    recorded = Recorded(tmp_path, Replay([expert["touchdown_ms"]] * 6, 0.0, step_ms), 6)
    for level in ("beginner", "club", "advanced"):
        document = recorded.scored(level)
        scores = document["scores"]
        assert scores["in_window_share"] == 1.0, level
        assert scores["constant_error_ms"] == pytest.approx(0.0, abs=HEARD_MS), level
        told = [rep["grade"] for rep in document["reps"] if not rep["void"]]
        assert len(told) >= 4, level
        assert set(told) == {"on time"}, level  # none of them early


def test_feet_as_far_apart_as_published_are_one_landing_with_that_stagger(tmp_path: Path) -> None:
    row = PUBLISHED["two_feet"]
    document = Recorded(tmp_path, Replay([133.0] * 8, row["stagger_ms"]), 8).scored()
    assert document["scores"]["timed"] == 8
    assert document["scores"]["constant_error_ms"] == pytest.approx(0.0, abs=HEARD_MS)
    told_ms = [rep["stagger_ms"] for rep in document["reps"] if rep["stagger_ms"] is not None]
    assert len(told_ms) >= 3
    assert np.median(told_ms) == pytest.approx(row["stagger_ms"], abs=row["tolerance_ms"])


def test_a_landing_before_the_contact_is_heard_as_one(tmp_path: Path) -> None:
    row = PUBLISHED["before_contact"]
    document = Recorded(tmp_path, Replay([row["touchdown_ms"]] * 6), 6).scored()
    told = [rep["grade"] for rep in document["reps"] if not rep["void"]]
    assert len(told) >= 3
    assert set(told) == {row["grade"]}


def test_humid_air_moves_a_far_landing_by_less_than_a_tenth_of_a_millisecond_more(tmp_path: Path) -> None:
    """The sound travels 6 m and 6 m at the speed of Cramer 1993 for 20 °C and 50 %; we reckon with 20 °C, dry."""
    humid, way = PUBLISHED["humid_air"], PUBLISHED["way_of_sound"]
    as_warm_c = 293.15 * (humid["m_s"] / 343.2) ** 2 - 273.15  # where ISO 9613-1 has that speed
    stands = Placement(way["distance_m"] / 2, way["distance_m"] / 2, 0.0, as_warm_c)
    told = replace(stands, air_c=humid["air_c"])
    recorded = Recorded(tmp_path, Replay([133.0] * 6), 6, stands=stands)
    found = [
        recorded.scored(told=each)["scores"]["constant_error_ms"]
        for each in (stands, told, replace(told, speaker_to_player_m=0.0, player_to_mic_m=0.0))
    ]
    assert found[0] == pytest.approx(0.0, abs=HEARD_MS)
    # 12 m at 343.20 instead of 343.99 m/s: 0.08 ms too much is taken off
    shift_ms = 1e3 * way["distance_m"] * (1 / 343.2 - 1 / humid["m_s"])
    assert 0.05 < shift_ms < 0.1
    assert found[1] - found[0] == pytest.approx(-shift_ms, abs=0.01)
    assert found[2] - found[1] == pytest.approx(way["ms"], abs=way["tolerance"])


def test_smallest_change_of_a_session_is_the_published_one(tmp_path: Path) -> None:
    """Standard error 7.746 ms: ten landings 24.5 ms to either side have it, and 21.47 ms follow."""
    row = next(each for each in PUBLISHED["minimal_change"] if each["mdc95"] == 21.47)
    apart_ms = row["sem"] * np.sqrt(10.0) * np.sqrt(9.0 / 10.0)  # sample form, divisor n - 1
    scores = Recorded(tmp_path, Replay([133.0 - apart_ms, 133.0 + apart_ms] * 5), 10).scored()["scores"]
    assert scores["timed"] == 10
    assert scores["mdc95_ms"] == pytest.approx(row["mdc95"], abs=0.5)
