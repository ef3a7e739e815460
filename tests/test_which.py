"""Which sheet belongs to a recording, several drills in one, and the wrong sheet told as such."""

from __future__ import annotations

import json
import shutil

import numpy as np
import pytest
import soundfile
from jsonschema import Draft202012Validator
from test_cli import call

from drilltimer.app.which import find_sheets, score_with
from drilltimer.drill.cuesheet import sheet_from_json
from drilltimer.errors import RecordingError, SheetError
from drilltimer.score.distance import Told
from drilltimer.score.document import score_schema

RATE_HZ = 48_000
DRILL = "name: Bare\ndescription: Contacts.\nreps: 7\nrhythm: {interval_s: 2.0, jitter_cv: 0.15}\n"


@pytest.fixture(scope="module")
def club(tmp_path_factory):
    """A folder with three rendered takes of a drill."""
    folder = tmp_path_factory.mktemp("club")
    (folder / "bare.yaml").write_text(DRILL)
    call("render", folder / "bare.yaml", folder / "take.flac", "--seed", 1, "--takes", 3, "--no-card", "--distance", 3)
    return folder


def sound_of(club, take):
    return soundfile.read(club / f"take-{take}.flac")[0].mean(axis=1)


def record(path, *parts, noise=2e-3, rate_hz=RATE_HZ):
    """A recording that holds parts of sound (arrays) and pauses (seconds) one after the other."""
    rng = np.random.default_rng(3)
    joined = np.concatenate([np.zeros(round(part * rate_hz)) if np.isscalar(part) else part for part in parts])
    soundfile.write(path, 0.5 * joined + noise * rng.standard_normal(len(joined)), rate_hz)
    return path


def names(scored):
    return [each.sheet_file.name for each in scored]


def test_the_signature_finds_the_sheet_among_others(club, tmp_path):
    recording = record(tmp_path / "r.wav", 4.0, sound_of(club, 2))
    assert names(score_with(recording, find_sheets(club))) == ["take-2.cues.json"]


def test_without_the_signature_all_sheets_are_tried(club, tmp_path):
    recording = record(tmp_path / "r.wav", sound_of(club, 3)[round(3.0 * RATE_HZ) :])
    (found,) = score_with(recording, find_sheets(club))
    assert found.sheet_file.name == "take-3.cues.json"
    assert found.clock.offset_s == pytest.approx(-3.0, abs=1e-3)


def test_several_drills_in_one_recording_are_told_apart(club, tmp_path):
    recording = record(tmp_path / "r.wav", 2.0, sound_of(club, 1), 5.0, sound_of(club, 3), 3.0)
    found = score_with(recording, find_sheets(club))
    assert sorted(names(found)) == ["take-1.cues.json", "take-3.cues.json"]
    offsets_s = {each.sheet_file.name: each.clock.offset_s for each in found}
    assert offsets_s["take-1.cues.json"] == pytest.approx(2.0, abs=1e-3)
    assert offsets_s["take-3.cues.json"] == pytest.approx(7.0 + len(sound_of(club, 1)) / RATE_HZ, abs=1e-3)


def test_the_command_prints_one_document_with_the_other_drills_in_it(club, tmp_path):
    recording = record(tmp_path / "r.wav", 2.0, sound_of(club, 1), 5.0, sound_of(club, 3))
    value = json.loads(call("score", recording, "--sheet", club, "--json").stdout)
    Draft202012Validator(score_schema()).validate(value)
    assert {value["sheet"], value["more"][0]["sheet"]} == {"take-1.cues.json", "take-3.cues.json"}
    text = call("score", recording, "--sheet", club).stdout
    assert "(1 of 2 in this recording)" in text
    assert text.count("rep  call") == 2


def test_sheets_beside_the_recording_are_found_without_asking(club, tmp_path):
    for name in ("take-1.flac", "take-1.cues.json"):
        shutil.copy(club / name, tmp_path / name)
    recording = record(tmp_path / "r.wav", 1.0, sound_of(club, 1))
    assert json.loads(call("score", recording, "--json").stdout)["sheet"] == "take-1.cues.json"


def test_the_wrong_sheet_is_told_with_the_right_ones_name(club, tmp_path):
    recording = record(tmp_path / "r.wav", 1.0, sound_of(club, 1))
    codes = [sheet_from_json((club / f"take-{n}.cues.json").read_text(), "s").signature.code for n in (1, 2)]
    with pytest.raises(RecordingError, match=r"take-2\.cues\.json is the wrong sheet") as refusal:
        score_with(recording, [club / "take-2.cues.json"])
    assert codes[0] in str(refusal.value)
    assert codes[1] in str(refusal.value)
    assert "take-1.cues.json's: use it" in str(refusal.value)


def test_a_recording_of_none_of_the_sheets_tells_the_code_that_is_missing(club, tmp_path):
    for take in (2, 3):
        for name in (f"take-{take}.flac", f"take-{take}.cues.json"):
            shutil.copy(club / name, tmp_path / name)
    recording = record(tmp_path / "r.wav", 1.0, sound_of(club, 1))
    code = sheet_from_json((club / "take-1.cues.json").read_text(), "s").signature.code
    with pytest.raises(RecordingError, match=f"any of the 2 cue sheets.*\n.*{code}"):
        score_with(recording, find_sheets(tmp_path))


def test_a_pause_and_a_new_start_are_pieces_of_one_document(club, tmp_path):
    sound = sound_of(club, 2)
    sheet = sheet_from_json((club / "take-2.cues.json").read_text(), "s")
    cut = round((sheet.reps[3].cues[0].at_s - 0.5) * RATE_HZ)
    recording = record(tmp_path / "r.wav", 3.0, sound[:cut], 4.0, sound[cut:])
    value = json.loads(call("score", recording, "--sheet", club / "take-2.cues.json", "--json").stdout)
    assert [(piece["first_rep"], piece["last_rep"]) for piece in value["pieces"]] == [(0, 2), (3, 6)]
    first, second = value["pieces"]
    assert second["offset_s"] - first["offset_s"] == pytest.approx(4.0, abs=2e-3)
    assert any("2 pieces" in note for note in value["health"]["notes"])
    heard_s = [rep["contact_heard_s"] for rep in value["reps"]]
    by_hand_s = [rep.cues[0].at_s + (3.0 if rep.rep < 3 else 7.0) for rep in sheet.reps]
    assert heard_s == pytest.approx(by_hand_s, abs=1e-3)


def test_what_is_told_now_goes_over_every_sheet(club, tmp_path):
    recording = record(tmp_path / "r.wav", 1.0, sound_of(club, 1))
    (plain,) = score_with(recording, [club / "take-1.cues.json"])
    (told,) = score_with(recording, [club / "take-1.cues.json"], Told(speaker_to_player_m=5.0, player_to_mic_m=4.0))
    assert plain.standing.doubt_ms == 0.0
    assert (told.standing.placement.speaker_to_player_m, told.standing.placement.player_to_mic_m) == (5.0, 4.0)


def test_a_folder_without_sheets_is_told(tmp_path):
    with pytest.raises(SheetError, match="no cue sheet"):
        find_sheets(tmp_path)


def test_broken_sheets_among_good_ones_do_not_stop_the_search(club, tmp_path):
    for name in ("take-1.flac", "take-1.cues.json"):
        shutil.copy(club / name, tmp_path / name)
    (tmp_path / "a.cues.json").write_text("{")
    recording = record(tmp_path / "r.wav", 1.0, sound_of(club, 1))
    assert names(score_with(recording, find_sheets(tmp_path))) == ["take-1.cues.json"]
    (tmp_path / "b.cues.json").write_text("{}")
    with pytest.raises(SheetError, match="none of the 2 cue sheets can be read"):
        score_with(recording, [tmp_path / "a.cues.json", tmp_path / "b.cues.json"])
