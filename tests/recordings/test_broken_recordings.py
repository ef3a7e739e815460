"""Everything that comes back from a court broken: one clear error each, saying what, where, and what to do."""

from __future__ import annotations

import json
import re
import shutil
import struct

import numpy as np
import pytest
import soundfile
from calling import call
from films import write_film
from test_sheet_choice import DRILL, RATE_HZ, record


@pytest.fixture(autouse=True)
def _home(tmp_path, monkeypatch):
    monkeypatch.setenv("DRILLTIMER_HOME", str(tmp_path / "home"))


@pytest.fixture(scope="module")
def rendered(tmp_path_factory):
    place = tmp_path_factory.mktemp("rendered")
    (place / "bare.yaml").write_text(DRILL)
    call("render", place / "bare.yaml", place / "take.flac", "--seed", 1, "--takes", 2, "--no-card", "--distance", 3)
    call("render", place / "bare.yaml", place / "slow.wav", "--seed", 9, "--rate-hz", 8000, "--no-card")
    record(place / "good.wav", 1.0, soundfile.read(place / "take-1.flac")[0].mean(axis=1))
    return place


def header(*, rate_hz=RATE_HZ, channels=1, bits=16, data_bytes=8000, form=1):
    """A WAV file's 44 bytes of header, whatever they say."""
    frame_bytes = max(channels * bits // 8, 1)
    head = struct.pack("<4sI4s", b"RIFF", 36 + data_bytes & 0xFFFFFFFF, b"WAVE")
    head += struct.pack("<4sIHHIIHH", b"fmt ", 16, form, channels, rate_hz, rate_hz * frame_bytes, frame_bytes, bits)
    return head + struct.pack("<4sI", b"data", data_bytes & 0xFFFFFFFF)


def written(samples, rate_hz=RATE_HZ, **options):
    return lambda path, place: soundfile.write(path, samples, rate_hz, **options)


def raw(content):
    return lambda path, place: path.write_bytes(content)


def cut(share):
    return lambda path, place: path.write_bytes((place / "take-1.flac").read_bytes()[:share])


NOISE = 0.05 * np.random.default_rng(1).standard_normal(10 * RATE_HZ)
NOISE_AND_NAN = np.where(np.arange(len(NOISE)) == RATE_HZ // 2, np.nan, NOISE)
BROKEN = {
    "missing.wav": (lambda path, place: None, "no such file"),
    "folder-in-its-place.wav": (lambda path, place: path.mkdir(), "no recording in this folder|no cue sheet"),
    "empty.wav": (raw(b""), "is empty"),
    "text.wav": (raw(b"Dear coach, here is my recording.\n" * 99), "is not a sound file"),
    "picture.mp3": (raw(b"\x89PNG\r\n\x1a\n" + bytes(5000)), "is not a sound file"),
    "header-alone.wav": (raw(header(data_bytes=0)), "there is no sound in it"),
    "zero-hertz.wav": (raw(header(rate_hz=0) + bytes(8000)), "0 Hz|is not a sound file"),
    "one-hertz.wav": (raw(header(rate_hz=1) + bytes(8000)), "1 Hz"),
    "huge-rate.wav": (raw(header(rate_hz=4_000_000) + bytes(8000)), "4000000 Hz"),
    "no-channels.wav": (raw(header(channels=0) + bytes(8000)), "is not a sound file"),
    "channels.wav": (raw(header(channels=900) + bytes(1_800_000)), "900 channels"),
    "huge-header.wav": (raw(header(data_bytes=0x70000000) + bytes(8000)), "its header promises"),
    "one-sample.wav": (written(np.array([0.5])), "0.00 s long"),
    "zeros.wav": (written(np.zeros(10 * RATE_HZ)), "nothing but digital silence"),
    "nan.wav": (written(np.full(RATE_HZ, np.nan), subtype="FLOAT"), "none of its samples is a finite number"),
    "infinite.wav": (written(np.full(RATE_HZ, np.inf), subtype="DOUBLE"), "none of its samples is a finite number"),
    "nan-noise.wav": (written(NOISE_AND_NAN, subtype="FLOAT"), r"The recording is damaged 0\.5 s .* \(samples: 1\)"),
    "noise.wav": (written(NOISE), "no contact cue"),
    "constant.wav": (written(np.full(10 * RATE_HZ, 0.7)), "no contact cue"),
    "cut.flac": (cut(20_000), "cut short|ends after"),
    "cut-to-nothing.flac": (cut(60), "is not a sound file|no sound|damaged"),
    "empty-film.mp4": (raw(b"\0\0\0\x18ftypmp42" + bytes(2000)), "no sound can be decoded from it"),
    "mono-32-bit-nonsense.wav": (raw(header(form=0x4321) + bytes(8000)), "is not a sound file"),
}  # fmt: skip


def told(answer, *names):
    """One refusal, in words, on stderr alone."""
    assert answer.stdout == ""
    assert answer.stderr.count("drilltimer: ") == 1
    for name in names:
        assert name in answer.stderr
    return answer.stderr


@pytest.mark.parametrize("name", BROKEN)
def test_a_broken_recording_is_told_by_name_with_one_reason(name, rendered, tmp_path):
    make, words = BROKEN[name]
    path = tmp_path / name
    make(path, rendered)
    answer = call("score", path, "--sheet", rendered / "take-1.cues.json", "--json", code=2)
    text = told(answer, name)
    assert re.search(words, text), text
    assert len(text.splitlines()) <= 4


# ---------------------------------------------------------------- what can be read of a damaged one is scored


def of_good(name, share, **options):
    """So much of `good.wav`, turned into another format first."""

    def make(path, place):
        whole = path.with_name(f"whole-{name}")
        write = soundfile.write if name.endswith((".wav", ".flac", ".ogg", ".mp3")) else write_film
        write(whole, *soundfile.read(place / "good.wav"), **options)
        content = whole.read_bytes()
        whole.unlink()
        path.write_bytes(content[: round(share * len(content))])

    return make


def holed(path, place):
    of_good(path.name, 1.0)(path, place)
    content = bytearray(path.read_bytes())
    middle = len(content) // 2
    content[middle : middle + 20_000] = bytes(20_000)
    path.write_bytes(content)


def without_numbers(path, place):
    samples, rate_hz = soundfile.read(place / "good.wav", dtype="float32")
    middle = len(samples) // 2
    samples[middle : middle + 10] = np.nan
    samples[middle + 5] = np.inf
    soundfile.write(path, samples, rate_hz, "FLOAT")


EARLY = r"ends early: \d+\.\d s can be read; the decoder says"
DAMAGED = {
    "nan.wav": (without_numbers, r"damaged \d+\.\d s after its beginning: what is no finite number .* silence", 7),
    "cut.wav": (of_good("a.wav", 0.8), r"ends after \d+\.\d s, its header promises", 4),
    "cut.flac": (of_good("a.flac", 0.8), r"ends after \d+\.\d s, its header promises", 4),
    "cut.mp3": (of_good("a.mp3", 0.8), r"ends after \d+\.\d s, its header promises", 4),
    "cut.ogg": (of_good("a.ogg", 0.8), "its file is shorter than it says itself", 4),
    "hole.flac": (holed, r"damaged \d+\.\d s after its beginning: 0\.\d s of it are silence", 6),
    "cut.m4a": (of_good("a.m4a", 0.8, options={"movflags": "faststart"}), EARLY, 4),
    "cut.mkv": (of_good("a.mkv", 0.8), EARLY, 4),
    "cut.avi": (of_good("a.avi", 0.8), "its file is shorter than it says itself", 4),
}


@pytest.fixture(scope="module")
def whole(rendered):
    """The result of the recording that is not damaged."""
    return json.loads(call("score", rendered / "good.wav", "--sheet", rendered / "take-1.cues.json", "--json").stdout)


def test_distances_that_nobody_told_are_a_doubt_not_zero(rendered, tmp_path):
    sheet = json.loads((rendered / "take-1.cues.json").read_text()) | {"audio": str(rendered / "take-1.flac")}
    for places, doubted in (sheet["placement"], False), ({}, True):
        (tmp_path / "sheet.json").write_text(json.dumps(sheet | {"placement": places}))
        told = " ".join(call("score", rendered / "good.wav", "--sheet", tmp_path / "sheet.json").stderr.split())
        assert bool(re.search(r"distances not told: \d+ ms of doubt in each touchdown; --distance", told)) == doubted
        assert ("m from the loudspeaker" in told) != doubted


@pytest.mark.parametrize(
    "name", ["cut.wav", *(pytest.param(n, marks=pytest.mark.long) for n in DAMAGED if n != "cut.wav")]
)
def test_what_can_be_read_of_a_damaged_recording_is_scored_and_the_damage_told(name, rendered, whole, tmp_path):
    make, words, least = DAMAGED[name]
    make(tmp_path / name, rendered)
    ask = ("score", tmp_path / name, "--sheet", rendered / "take-1.cues.json")
    answer = call(*ask, "--json", "--player", "Kim", code=2)
    assert re.search(rf"{name}: the recording .*{words}", answer.stderr)
    assert len(answer.stderr.splitlines()) <= 4
    value = json.loads(answer.stdout)
    assert any(re.search(words, note) for note in value["health"]["notes"])
    heard_s = {rep["rep"]: rep["contact_heard_s"] for rep in value["reps"] if rep["contact_heard_s"] is not None}
    assert least <= len(heard_s) <= 7
    first_s, first = min((at_s, rep) for rep, at_s in heard_s.items())
    late_s = first_s - whole["reps"][first]["contact_heard_s"]
    assert abs(late_s) < 0.1  # a codec puts silence before the sound
    for rep, at_s in heard_s.items():
        assert at_s - late_s == pytest.approx(whole["reps"][rep]["contact_heard_s"], abs=2e-3)
    assert "there is no history yet" in call("history", "Kim", code=2).stderr  # a better copy would count once more
    assert "note: the recording" in call(*ask, code=2).stdout


@pytest.mark.long
def test_a_damaged_recording_in_a_folder_is_scored_told_and_tried_again(rendered, tmp_path):
    for name in ("take-1.flac", "take-1.cues.json", "good.wav"):
        shutil.copy(rendered / name, tmp_path / name)
    of_good("cut.wav", 0.6)(tmp_path / "cut.wav", rendered)
    for _ in range(2):
        answer = call("score", tmp_path, "--jobs", 1, "--player", "Kim", code=2)
        assert "2 scored (1 damaged), 0 not" in answer.stdout
        assert "cut.wav: the recording ends after" in answer.stderr
        rows = json.loads((tmp_path / "scores" / "summary.json").read_text())["recordings"]
        assert [(row["recording"], row["result"] is None, row["fault"] is None) for row in rows] == [
            ("cut.wav", False, False),
            ("good.wav", False, True),
        ]
    shutil.copy(rendered / "good.wav", tmp_path / "cut.wav")  # copied again, to its end
    answer = call("score", tmp_path, "--jobs", 1, "--player", "Kim")
    assert "scored before, and did not change: 1 of 2 recordings" in answer.stderr
    assert "2 scored, 0 not" in answer.stdout


@pytest.mark.long
def test_a_damaged_copy_leaves_the_result_of_the_whole_recording(rendered, tmp_path):
    for name in ("take-1.flac", "take-1.cues.json"):
        shutil.copy(rendered / name, tmp_path / name)
    recording, result = tmp_path / "r.wav", tmp_path / "scores" / "r.wav.score.json"
    shutil.copy(rendered / "good.wav", recording)
    ask = ("score", tmp_path, "--jobs", 1, "--annotate", tmp_path / "pictures")
    call(*ask)
    whole = result.read_text()
    drawn = {path.name: path.read_text() for path in (tmp_path / "pictures" / "r.wav").iterdir()}
    of_good("r.wav", 0.6)(recording, rendered)
    for _ in range(2):
        answer = call(*ask, code=2)
        assert "r.wav: the recording ends after" in answer.stderr
        assert f"An earlier result of it, when it was whole, stays: {result}. Delete it to have" in answer.stderr
        assert "1 scored (1 damaged), 0 not" in answer.stdout
        assert result.read_text() == whole
    row = json.loads((tmp_path / "scores" / "summary.json").read_text())["recordings"][0]
    assert row["drills"][0]["scores"] == json.loads(whole)["scores"]
    assert {path.name: path.read_text() for path in (tmp_path / "pictures" / "r.wav").iterdir()} == drawn
    result.unlink()
    assert "An earlier result" not in call(*ask, code=2).stderr
    assert "made_from" not in json.loads(result.read_text())
    shutil.copy(rendered / "good.wav", recording)
    assert "1 scored, 0 not" in call(*ask).stdout
    assert json.loads(result.read_text())["scores"] == json.loads(whole)["scores"]


def sheet_with(rendered, tmp_path, **changes):
    for name in ("take-1.flac", "take-2.flac"):
        shutil.copy(rendered / name, tmp_path / name)
    value = json.loads((rendered / "take-1.cues.json").read_text()) | changes
    (tmp_path / "s.cues.json").write_text(json.dumps(value))
    return tmp_path / "s.cues.json"


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"rate_hz": 44_100}, "rate_hz is 44100, but take-1.flac has 48000 Hz"),
        ({"audio": "lost.flac"}, "its sound 'lost.flac' is missing"),
        ({"audio": "s.cues.json"}, "s.cues.json: the sound that was played cannot be read"),
        ({"reps": []}, "reps"),
        ({"reps": [{"cues": [{"role": "contact", "at_s": 5000.0}]}]}, "has any sound"),
        ({"signature": {"code": "zz", "at_s": 0.0}}, "signature.code"),
        ({"placement": {"air_c": 400.0}}, "placement.air_c"),
    ],
)
def test_a_broken_sheet_is_told_by_name_with_one_reason(changes, words, rendered, tmp_path):
    sheet = sheet_with(rendered, tmp_path, **changes)
    text = told(call("score", rendered / "good.wav", "--sheet", sheet, "--json", code=2))
    assert words in text


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("good.wav", "--sheet", "good.wav"), "good.wav: the cue sheet cannot be read: it is not even text"),
        (("take-1.cues.json",), "is a cue sheet, not a recording"),
        (("",), "a name is empty"),
        (("good.wav", "--sheet", ""), "a name is empty"),
        (("good.wav", "--out", "results"), "--out, --jobs and --scheduler are for a folder"),
    ],
)
def test_what_is_no_recording_or_no_sheet_is_told_as_such(arguments, words, rendered, monkeypatch):
    monkeypatch.chdir(rendered)
    answer = call("score", *arguments, code=2)
    assert words in answer.stderr
    assert answer.stdout == ""
    assert not (rendered / "scores").exists()


def test_the_wrong_sheet_is_told_as_such(rendered):
    answer = call("score", rendered / "good.wav", "--sheet", rendered / "take-2.cues.json", "--json", code=2)
    assert "take-2.cues.json is the wrong sheet" in told(answer)
    assert "take-1.cues.json's: use it" in answer.stderr


@pytest.mark.long
def test_a_sheet_rendered_at_another_rate_than_the_recordings_is_no_fault(rendered, tmp_path):
    sound, rate_hz = soundfile.read(rendered / "slow.wav")
    assert rate_hz == 8000
    recording = record(tmp_path / "r.wav", 1.0, np.repeat(sound.mean(axis=1), 6))
    value = json.loads(call("score", recording, "--sheet", rendered / "slow.cues.json", "--json").stdout)
    assert value["pieces"][0]["offset_s"] == pytest.approx(1.0, abs=2e-3)
