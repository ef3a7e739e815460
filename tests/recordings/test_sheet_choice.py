"""Which sheet belongs to a recording, several drills in one, and the wrong sheet told as such."""

from __future__ import annotations

import json
import os
import shutil

import numpy as np
import pytest
import soundfile
from calling import call
from jsonschema import Draft202012Validator
from schemas import score_schema
from words import say

from drilltimer.errors import DistanceError, RecordingError, SheetError
from drilltimer.recordings.cuesheet import sheet_from_json
from drilltimer.recordings.sheet_choice import find_sheets, score_with

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


@pytest.mark.long
def test_without_the_signature_all_sheets_are_tried(club, tmp_path):
    recording = record(tmp_path / "r.wav", sound_of(club, 3)[round(3.0 * RATE_HZ) :])
    (found,) = score_with(recording, find_sheets(club))
    assert found.sheet_file.name == "take-3.cues.json"
    assert found.clock.offset_s == pytest.approx(-3.0, abs=1e-3)


@pytest.mark.long
def test_several_drills_in_one_recording_are_told_apart(club, tmp_path):
    recording = record(tmp_path / "r.wav", 2.0, sound_of(club, 1), 5.0, sound_of(club, 3), 3.0)
    found = score_with(recording, find_sheets(club))
    assert sorted(names(found)) == ["take-1.cues.json", "take-3.cues.json"]
    offsets_s = {each.sheet_file.name: each.clock.offset_s for each in found}
    assert offsets_s["take-1.cues.json"] == pytest.approx(2.0, abs=1e-3)
    assert offsets_s["take-3.cues.json"] == pytest.approx(7.0 + len(sound_of(club, 1)) / RATE_HZ, abs=1e-3)


@pytest.mark.long
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


@pytest.mark.long
def test_a_pause_and_a_new_start_are_pieces_of_one_document(club, tmp_path):
    sound = sound_of(club, 2)
    sheet = sheet_from_json((club / "take-2.cues.json").read_text(), "s")
    cut = round((sheet.reps[3].cues[0].at_s - 0.5) * RATE_HZ)
    recording = record(tmp_path / "r.wav", 3.0, sound[:cut], 4.0, sound[cut:])
    value = json.loads(call("score", recording, "--sheet", club / "take-2.cues.json", "--json").stdout)
    assert [(piece["first_rep"], piece["last_rep"]) for piece in value["pieces"]] == [(0, 2), (3, 6)]
    first, second = value["pieces"]
    assert second["offset_s"] - first["offset_s"] == pytest.approx(4.0, abs=2e-3)
    assert any("2 pieces" in say(note) for note in value["health"]["notes"])
    heard_s = [rep["contact_heard_s"] for rep in value["reps"]]
    by_hand_s = [rep.cues[0].at_s + (3.0 if rep.rep < 3 else 7.0) for rep in sheet.reps]
    assert heard_s == pytest.approx(by_hand_s, abs=1e-3)


@pytest.mark.long
def test_what_is_told_now_goes_over_every_sheet(club, tmp_path):
    recording = record(tmp_path / "r.wav", 1.0, sound_of(club, 1))
    (plain,) = score_with(recording, [club / "take-1.cues.json"])
    (told,) = score_with(recording, [club / "take-1.cues.json"], {"speaker_to_player_m": 5.0, "player_to_mic_m": 4.0})
    assert not plain.placement.unknown
    assert (told.placement.speaker_to_player_m, told.placement.player_to_mic_m) == (5.0, 4.0)


def test_a_folder_without_sheets_is_told(tmp_path):
    with pytest.raises(SheetError, match="no cue sheet"):
        find_sheets(tmp_path)


@pytest.mark.long
def test_broken_sheets_among_good_ones_do_not_stop_the_search(club, tmp_path):
    for name in ("take-1.flac", "take-1.cues.json"):
        shutil.copy(club / name, tmp_path / name)
    (tmp_path / "a.cues.json").write_text("{")
    recording = record(tmp_path / "r.wav", 1.0, sound_of(club, 1))
    assert names(score_with(recording, find_sheets(tmp_path))) == ["take-1.cues.json"]
    (tmp_path / "b.cues.json").write_text("{}")
    with pytest.raises(SheetError, match="none of the 2 cue sheets can be read"):
        score_with(recording, [tmp_path / "a.cues.json", tmp_path / "b.cues.json"])


# ---------------------------------------------------------------- many sheets, some of which fit as well as others


@pytest.fixture
def even(tmp_path):
    """Five unsigned sheets of a drill whose contacts come evenly: each fits a recording of any other."""
    (tmp_path / "even.yaml").write_text("name: Even\nreps: 7\nrhythm: {interval_s: 2.0}\n")
    call("render", tmp_path / "even.yaml", tmp_path / "e.flac", "--seed", 1, "--takes", 5, "--no-card", "--distance", 3)
    for take in range(1, 6):
        path = tmp_path / f"e-{take}.cues.json"
        sheet = json.loads(path.read_text())
        del sheet["signature"]
        path.write_text(json.dumps(sheet))
        os.utime(path, (take * 86_400, take * 86_400))
    return tmp_path


def sound_of_even(even, take):
    return soundfile.read(even / f"e-{take}.flac")[0].mean(axis=1)


@pytest.mark.long
def test_the_sheet_named_like_the_recording_is_taken_and_no_other_one_is_tried(even):
    recording, tried = record(even / "e-4.wav", sound_of_even(even, 4)), []
    found = score_with(recording, find_sheets(even), on_tried=lambda *told: tried.append(told))
    assert names(found) == ["e-4.cues.json"]
    assert tried == [(even / "e-4.cues.json", 7, 7)]
    assert not any("fit as well" in say(note) for note in found[0].health.notes)


@pytest.mark.long
def test_the_sheet_named_like_the_recording_does_not_hide_a_second_drill(club, tmp_path):
    recording = record(tmp_path / "take-3.wav", sound_of(club, 3), 3.0, sound_of(club, 1))
    for take in (1, 2, 3):
        for name in (f"take-{take}.flac", f"take-{take}.cues.json"):
            shutil.copy(club / name, tmp_path / name)
    assert sorted(names(score_with(recording, find_sheets(tmp_path)))) == ["take-1.cues.json", "take-3.cues.json"]


@pytest.mark.long
def test_a_name_alone_does_not_make_a_sheet_fit(club, tmp_path):
    for name in ("take-1.flac", "take-1.cues.json", "take-2.flac", "take-2.cues.json"):
        shutil.copy(club / name, tmp_path / name)
    recording = record(tmp_path / "take-2.wav", 1.0, sound_of(club, 1))
    assert names(score_with(recording, find_sheets(tmp_path))) == ["take-1.cues.json"]


@pytest.mark.long
def test_of_sheets_that_fit_equally_the_one_of_that_day_is_taken_and_the_others_told(even):
    recording = record(even / "phone.wav", 2.0, sound_of_even(even, 3))
    os.utime(recording, (3 * 86_400 + 600, 3 * 86_400 + 600))
    shutil.copy(even / "e-3.cues.json", even / "copy.cues.json")  # the same sheet is no other answer
    (found,) = score_with(recording, find_sheets(even))
    assert found.sheet_file.name == "e-3.cues.json"
    assert say(found.health.notes[-1]) == (
        "e-4.cues.json, e-2.cues.json, e-5.cues.json, ... fit as well as e-3.cues.json, which was taken; "
        "--sheet names the right one"
    )


@pytest.mark.long
def test_how_far_the_search_is_comes_on_stderr_alone(even):
    recording = record(even / "phone.wav", 2.0, sound_of_even(even, 3))
    (even / "e-1.flac").unlink()
    answer = call("score", recording, "--json")
    json.loads(answer.stdout)
    told = answer.stderr.splitlines()
    assert [line.split()[0] for line in told] == ["1/5", "2/5", "3/5", "4/5", "5/5"]
    assert any(line.endswith("e-3.cues.json: 7 of 7 contacts heard") for line in told)
    assert any(line.endswith("e-1.cues.json: cannot be used") for line in told)


@pytest.mark.long
def test_how_far_the_listening_is_is_told_for_each_drill_anew(club, tmp_path):
    recording, told = record(tmp_path / "r.wav", 2.0, sound_of(club, 1), 5.0, sound_of(club, 3)), []
    score_with(recording, find_sheets(club), on_heard=lambda *far: told.append(far))
    begun = [place for place, (done, _) in enumerate(told) if done == 0]
    assert begun[0] == 0
    for drill in (told[: begun[1]], told[begun[1] :]):
        assert {total for _, total in drill} == {14}  # 7 reps, heard twice
        done = [done for done, _ in drill]
        assert done == sorted(done)
        assert done[-1] == 14
        assert len(set(done)) > 10


def test_what_is_wrong_with_the_recording_or_the_distances_is_not_laid_on_the_sheets(club, tmp_path):
    good, bad = record(tmp_path / "r.wav", 1.0, sound_of(club, 1)), tmp_path / "bad.wav"
    samples, rate_hz = soundfile.read(good)
    samples[:] = np.nan
    soundfile.write(bad, samples, rate_hz, "FLOAT")
    for name in ("take-1.flac", "take-1.cues.json", "take-2.flac", "take-2.cues.json"):
        shutil.copy(club / name, tmp_path / name.replace("take-1", "bad") if "cues" in name else tmp_path / name)
    with pytest.raises(RecordingError, match=r"bad\.wav: none of its samples is a finite number"):
        score_with(bad, find_sheets(tmp_path))
    with pytest.raises(DistanceError, match="these cannot all be true"):
        score_with(
            good,
            find_sheets(tmp_path),
            {"speaker_to_player_m": 1.0, "player_to_mic_m": 1.0, "speaker_to_mic_m": 9.0},
        )
