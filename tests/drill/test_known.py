"""When a called direction is known: words by recognition points, tones at once, in every shipped drill in time."""

from __future__ import annotations

import json
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile

from drilltimer.app.plan import make_plan
from drilltimer.audio.files import list_drills, recognised_s
from drilltimer.drill.language import load_drill
from drilltimer.drill.schedule import schedule
from drilltimer.errors import DrillFileError
from drilltimer.history.protocol import protocol_of
from drilltimer.model import TYPICAL_RECOGNITION_S, Placement
from drilltimer.recordings.cuesheet import sheet_from_json
from drilltimer.recordings.rendering import render_plan
from drilltimer.score.match import directions_known_ms

SOUNDS = Path(__file__).parents[2] / "sounds"
CALLED = {
    entry["text"]: entry
    for entry in json.loads((SOUNDS / "manifest.json").read_text(encoding="utf-8"))["words"]
    if entry["called"]
}
NAMES = [drill.name for drill in list_drills() if not drill.own]
EASY = "name: Easy\nreps: 8\nlead_in: {kind: swing, length_s: 0.5}\nrhythm: {interval_s: 4, rally: 4, rest_s: 10}\n"


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("DRILLTIMER_HOME", str(tmp_path / "home"))
    return tmp_path / "home"


def test_every_called_word_has_a_recognition_point_against_every_other() -> None:
    points_ms = []
    for text, entry in CALLED.items():
        assert set(entry["known_ms"]) == set(CALLED) - {text}
        told = [point_ms for point_ms in entry["known_ms"].values() if point_ms is not None]
        assert all(0.0 < point_ms <= entry["length_ms"] for point_ms in told)
        points_ms += told
    assert pytest.approx(np.median(points_ms) / 1e3, abs=0.005) == TYPICAL_RECOGNITION_S


@pytest.mark.parametrize(("word", "other"), [("left", "right"), ("right", "left"), ("back", "short"), ("one", "six")])
def test_recognition_points_are_those_of_the_recogniser(word: str, other: str, monkeypatch: pytest.MonkeyPatch) -> None:
    pytest.importorskip("pocketsphinx", reason="pip install 'drilltimer[test]' brings pocketsphinx")
    monkeypatch.setattr(sys, "path", [str(SOUNDS), *sys.path])
    import recognise_words

    decoder, sound = recognise_words.open_decoder(), recognise_words.read_word(CALLED[word])
    found_ms = recognise_words.known_ms(decoder, sound, word, other)
    assert found_ms == pytest.approx(CALLED[word]["known_ms"][other], abs=2 * recognise_words.STEP_MS)
    assert recognise_words.known_ms(decoder, sound, other, word) is None  # one word is never known as the other


@pytest.mark.parametrize("name", NAMES)
def test_directions_of_shipped_drills_are_known_about_when_experts_land(name: str) -> None:
    plan = make_plan(name, 4)
    for rep in plan.reps:
        for known_ms in directions_known_ms(rep)[:1]:
            # a word that takes longer than that begins with the contact: "nine" is the slowest, 180 ms
            assert 140.0 - 1e-6 <= known_ms <= 200.0 + 1e-6


def test_tones_are_known_at_once_and_words_when_they_are_recognised(tmp_path: Path) -> None:
    file = tmp_path / "x.yaml"
    known = {}
    for tones in ("true", "false"):
        file.write_text(EASY + f"calls: {{words: [left, right], known_at_s: 0.17, tones: {tones}}}\n", encoding="utf-8")
        reps = make_plan(str(file), 1).reps
        assert [directions_known_ms(rep) for rep in reps] == [pytest.approx([170.0])] * 8
        known[tones] = {cue.sound: cue.known_s for rep in reps for cue in rep.cues if cue.role == "call"}
    assert set(known["true"].values()) == {0.0}
    assert known["false"] == {
        "left": CALLED["left"]["known_ms"]["right"] / 1e3,
        "right": CALLED["right"]["known_ms"]["left"] / 1e3,
    }


def test_calls_that_say_nothing_are_known_at_140_to_200_ms_and_old_ones_begin_when_they_say() -> None:
    unsaid = schedule(load_drill(EASY + "calls: {words: [left, right]}\n", "x"), 1)
    known_ms = [at_ms for rep in unsaid for at_ms in directions_known_ms(rep)]
    assert len(known_ms) == 8
    assert 140.0 <= min(known_ms) < max(known_ms) <= 200.0
    begun = schedule(load_drill(EASY + "calls: {words: [left, right], delay_s: 0.3}\n", "x"), 1)
    calls_s = {
        round(rep.start_s + cue.at_s - rep.contact_s, 9) for rep in begun for cue in rep.cues if cue.role == "call"
    }
    assert calls_s == {0.3}
    with pytest.raises(DrillFileError) as refused:
        load_drill(EASY + "calls: {words: [left, right], delay_s: 0.3, known_at_s: 0.2}\n", "x")
    assert "one of the two" in str(refused.value)


def test_no_word_begins_before_its_contact(tmp_path: Path) -> None:
    file = tmp_path / "x.yaml"
    file.write_text(EASY + "calls: {words: [nine, one], known_at_s: 0.05}\n", encoding="utf-8")
    for rep in make_plan(str(file), 1).reps:
        (call,) = [cue for cue in rep.cues if cue.role == "call"]
        assert rep.start_s + call.at_s == pytest.approx(rep.contact_s)
        assert directions_known_ms(rep) == [pytest.approx(1e3 * (call.known_s or 0.0))]


def test_half_of_a_coachs_own_word_is_taken_to_be_enough(home: Path) -> None:
    assert recognised_s("left", ["left", "right"]) == CALLED["left"]["known_ms"]["right"] / 1e3
    rate_hz = 16_000
    word = 0.3 * np.sin(2 * np.pi * 900 * np.arange(round(0.4 * rate_hz)) / rate_hz)
    (home / "sounds" / "en").mkdir(parents=True)
    soundfile.write(home / "sounds" / "en" / "left.wav", word, rate_hz)
    assert recognised_s("left", ["left", "right"]) == pytest.approx(0.2, abs=0.01)
    assert recognised_s("nowhere", ["nowhere"]) == TYPICAL_RECOGNITION_S


def test_a_sheet_keeps_when_directions_are_known(tmp_path: Path) -> None:
    plan = make_plan("direction", 2)
    plan = replace(plan, reps=plan.reps[:4])
    sheet = sheet_from_json(
        render_plan(plan, tmp_path / "a.wav", Placement(), 16_000, 2).sheet.read_text(encoding="utf-8"), "a"
    )
    for rep, told in zip(plan.reps, sheet.reps, strict=True):
        known_s = [cue.at_s + cue.known_s for cue in told.cues if cue.role == "call" and cue.known_s is not None]
        contact_s = [cue.at_s for cue in told.cues if cue.role == "contact"]
        assert [1e3 * (at_s - contact_s[0]) for at_s in known_s] == pytest.approx(directions_known_ms(rep), abs=0.1)


def test_how_fast_a_word_is_recognised_makes_no_other_protocol() -> None:
    drill = load_drill(EASY + "calls: {words: [left, right]}\n", "x")
    block = drill.blocks[0]
    assert block.calls is not None
    measured = replace(drill, blocks=(replace(block, calls=replace(block.calls, recognised_s=(0.1, 0.2))),))
    assert protocol_of(measured) == protocol_of(drill)
