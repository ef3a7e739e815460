"""`render`: loudness, takes, signature, the card, and flat memory."""

from __future__ import annotations

import json
import re
import subprocess
import sys

import numpy as np
import pyloudnorm
import pytest
import soundfile
from browser import browse, needs_chromium
from calling import call

from drilltimer.app.plan import make_plan
from drilltimer.model import Placement
from drilltimer.recordings.cuesheet import code_of_reps, sheet_from_json
from drilltimer.recordings.rendering import render_plan
from drilltimer.recordings.signature import LENGTH_S, PAUSE_S, code_of, find_signatures
from drilltimer.units import db_from_ratio

RATE_HZ = 48_000
BARE = "name: Bare\ndescription: Contacts alone.\nreps: 6\nrhythm: {interval_s: 2.0}\n"


@pytest.fixture
def drill(tmp_path):
    path = tmp_path / "bare.yaml"
    path.write_text(BARE)
    return path


def sheet_at(path):
    return sheet_from_json(path.read_text(encoding="utf-8"), path.name)


@pytest.mark.parametrize("target_lufs", [-23.0, -30.0])
def test_the_loudness_asked_for_is_the_loudness_written(drill, tmp_path, target_lufs):
    out = tmp_path / "out.wav"
    text = call("render", drill, out, "--seed", 1, "--loudness-lufs", target_lufs).stdout
    assert f"{target_lufs:.1f} LUFS" in text
    sound, rate_hz = soundfile.read(out)
    measured = pyloudnorm.Meter(rate_hz, filter_class="DeMan").integrated_loudness(sound)
    assert measured == pytest.approx(target_lufs, abs=0.1)


def test_peaks_bound_the_loudness_and_it_is_told(drill, tmp_path):
    out = tmp_path / "out.wav"
    text = call("render", drill, out, "--seed", 1, "--loudness-lufs", -14).stdout
    assert "its peaks allow no more" in text
    peak_db = db_from_ratio(float(np.max(np.abs(soundfile.read(out)[0]))))
    assert peak_db == pytest.approx(-1.0, abs=0.3)  # the mixer's limiter bends what is above -0.9 dBFS


@pytest.mark.long
def test_takes_are_other_draws_of_the_same_drill(tmp_path):
    call("render", "random-contact", tmp_path / "t.flac", "--seed", 7, "--takes", 3, "--no-card")
    sheets = [sheet_at(tmp_path / f"t-{n}.cues.json") for n in (1, 2, 3)]
    assert [sheet.seed for sheet in sheets] == [7, 8, 9]
    assert [sheet.audio for sheet in sheets] == ["t-1.flac", "t-2.flac", "t-3.flac"]
    assert len({sheet.signature.code for sheet in sheets}) == 3
    assert not (tmp_path / "t.flac").exists()
    assert not list(tmp_path.glob("*.card.*"))
    again = make_plan("random-contact", 8)
    assert f"{code_of_reps(again.drill.name, again.reps):06x}" == sheets[1].signature.code


def test_the_sound_begins_with_the_sheets_own_signature(drill, tmp_path):
    out = tmp_path / "out.flac"
    call("render", drill, out, "--seed", 4, "--rate-hz", 44_100)
    sheet = sheet_at(tmp_path / "out.cues.json")
    sound = soundfile.read(out)[0].mean(axis=1)

    def read(start, frames):
        return np.pad(sound, (0, start + frames))[start : start + frames]

    found = list(find_signatures(read, len(sound), 44_100))
    assert [(f"{code_of(each.bits):06x}", round(each.at_s, 2)) for each in found if code_of(each.bits)] == [
        (sheet.signature.code, 0.0)
    ]
    first_s = make_plan(str(drill), 4).reps[0].start_s
    assert sheet.reps[0].start_s == pytest.approx(LENGTH_S + PAUSE_S + first_s, abs=1e-4)
    assert min(cue.at_s for rep in sheet.reps for cue in rep.cues) > LENGTH_S


def test_distances_that_nobody_told_are_not_in_the_sheet(drill, tmp_path):
    call("render", drill, tmp_path / "a.wav", "--seed", 4)
    call("render", drill, tmp_path / "b.wav", "--seed", 4, "--speaker-to-player", 5, "--air-c", 30)
    call("render", drill, tmp_path / "c.wav", "--seed", 4, "--distance", 3)
    places = [json.loads((tmp_path / f"{name}.cues.json").read_text())["placement"] for name in "abc"]
    assert places[0] == {"air_c": 20.0}
    assert places[1] == {"speaker_to_player_m": 5.0, "air_c": 30.0}
    assert places[2] == {"speaker_to_player_m": 3.0, "player_to_mic_m": 3.0, "speaker_to_mic_m": 0.0, "air_c": 20.0}
    assert sheet_at(tmp_path / "b.cues.json").placement.unknown == {"player_to_mic_m", "speaker_to_mic_m"}


def test_distances_that_cannot_be_are_refused(drill, tmp_path):
    options = ["--speaker-to-player", 2, "--player-to-recorder", 3, "--speaker-to-recorder", 20]
    answer = call("render", drill, tmp_path / "a.wav", *options, code=2)
    assert "No three places lie so" in answer.stderr
    assert not (tmp_path / "a.wav").exists()


# ---------------------------------------------------------------- the card


@pytest.mark.long
@pytest.mark.parametrize("name", ["serve-return", "random-contact"])
def test_the_card_tells_what_belongs_together_on_one_page(name, tmp_path):
    call("render", name, tmp_path / "p.flac", "--seed", 3, "--distance", 2.5)
    sheet = sheet_at(tmp_path / "p.cues.json")
    text = (tmp_path / "p.card.txt").read_text(encoding="utf-8")
    page = (tmp_path / "p.card.html").read_text(encoding="utf-8")
    for needed in ("p.flac", "p.cues.json", sheet.signature.code, "seed", "2.5 m", "land softly", "drilltimer score"):
        assert needed in text, needed
        assert needed in page, needed
    lines = text.splitlines()
    assert len(lines) <= 60
    assert max(map(len, lines)) <= 76
    assert not re.search(r"(?:src|href)=", page)


def test_a_drills_text_cannot_break_the_page(tmp_path):
    drill = tmp_path / "d.yaml"
    drill.write_text(BARE.replace("Bare", '"<script>alert(1)</script> & more"'))
    call("render", drill, tmp_path / "p.wav", "--seed", 3)
    page = (tmp_path / "p.card.html").read_text(encoding="utf-8")
    assert "<script" not in page
    assert "&lt;script&gt;" in page


def test_a_long_drills_card_still_fits(tmp_path):
    block = "- {name: Block, reps: 2, rhythm: {interval_s: 2.0}}\n"
    drill = tmp_path / "long.yaml"
    drill.write_text("name: Long\ndescription: Many.\nblocks:\n" + block * 40)
    call("render", drill, tmp_path / "p.wav", "--seed", 3)
    lines = (tmp_path / "p.card.txt").read_text(encoding="utf-8").splitlines()
    assert len(lines) <= 80
    assert any("tells the rest" in line for line in lines)


@needs_chromium
@pytest.mark.parametrize("name", ["serve-return", "long"])
def test_the_card_prints_on_one_sheet(name, tmp_path):
    if name == "long":
        drill = tmp_path / "long.yaml"
        block = "- {name: Block, reps: 2, rhythm: {interval_s: 2.0}}\n"
        drill.write_text(f"name: Long\ndescription: {'Many words. ' * 20}\nblocks:\n" + block * 40)
        name = drill
    call("render", name, tmp_path / "p.wav", "--seed", 3, "--rate-hz", 8000)
    paper = tmp_path / "p.pdf"
    browse(tmp_path / "p.card.html", "--no-pdf-header-footer", f"--print-to-pdf={paper}")
    assert len(re.findall(rb"/Type\s*/Page\b", paper.read_bytes())) == 1


# ---------------------------------------------------------------- memory

LONG = """
import resource, sys
from pathlib import Path
from drilltimer.app.plan import make_plan
from drilltimer.recordings.rendering import render_plan
from drilltimer.model import Placement
plan = make_plan(sys.argv[1], 1)
render_plan(plan, Path(sys.argv[2]), Placement(), 8000, 1, signature=True, loudness_lufs=-23.0)
print(plan.length_s, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)
"""


@pytest.mark.long
@pytest.mark.skipif(sys.platform == "win32", reason="the resource module is POSIX's")
def test_memory_does_not_grow_with_the_length(tmp_path):
    peaks = {}
    for reps in (20, 900):
        drill = tmp_path / f"{reps}.yaml"
        drill.write_text(BARE.replace("reps: 6", f"reps: {reps}"))
        command = [sys.executable, "-c", LONG, str(drill), str(tmp_path / "out.wav")]
        length_s, peak_kb = map(
            float, subprocess.run(command, capture_output=True, text=True, check=True).stdout.split()
        )
        peaks[length_s] = peak_kb
    (short_s, small), (long_s, large) = sorted(peaks.items())
    assert long_s > 20 * short_s
    assert large < small + 20_000, f"{(large - small) / 1000:.0f} MB more"


def test_the_plan_is_written_as_it_was_mixed_when_nothing_is_asked(drill, tmp_path):
    """Sheets and sounds of other callers stay what they were: no lead, no gain."""
    plan = make_plan(str(drill), 2)
    made = render_plan(plan, tmp_path / "out.wav", Placement(), RATE_HZ, 2)
    sheet = sheet_at(made.sheet)
    assert sheet.signature is None
    assert sheet.reps[0].start_s == plan.reps[0].start_s
    assert made.peak_db == pytest.approx(-6.0, abs=0.1)
    assert not sheet.placement.unknown
