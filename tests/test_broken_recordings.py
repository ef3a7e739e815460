"""Everything that comes back from a court broken: one clear error each, saying what, where, and what to do."""

from __future__ import annotations

import json
import re
import shutil
import struct

import numpy as np
import pytest
import soundfile
from test_cli import call
from test_which import DRILL, RATE_HZ, record


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


def damaged(path, place):
    content = bytearray((place / "take-1.flac").read_bytes())
    middle = len(content) // 2
    content[middle : middle + 40_000] = bytes(40_000)
    path.write_bytes(content)


def not_a_number(path, place):
    samples = np.full(RATE_HZ, 0.1, np.float32)
    samples[24_000] = np.nan
    soundfile.write(path, samples, RATE_HZ, "FLOAT")


def infinite(path, place):
    samples = np.full(RATE_HZ, 0.1, np.float32)
    samples[12_000] = np.inf
    soundfile.write(path, samples, RATE_HZ, "FLOAT")


NOISE = 0.05 * np.random.default_rng(1).standard_normal(10 * RATE_HZ)
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
    "nan.wav": (not_a_number, r"0\.500 s is not a finite number"),
    "infinite.wav": (infinite, r"0\.250 s is not a finite number"),
    "noise.wav": (written(NOISE), "no contact cue"),
    "constant.wav": (written(np.full(10 * RATE_HZ, 0.7)), "no contact cue"),
    "cut.flac": (cut(20_000), "cut short|ends after"),
    "cut-to-nothing.flac": (cut(60), "is not a sound file|no sound|damaged"),
    "damaged.flac": (damaged, "damaged or cut short|ends after"),
    "empty-film.mp4": (raw(b"\0\0\0\x18ftypmp42" + bytes(2000)), "ffmpeg"),
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


def test_the_wrong_sheet_is_told_as_such(rendered):
    answer = call("score", rendered / "good.wav", "--sheet", rendered / "take-2.cues.json", "--json", code=2)
    assert "take-2.cues.json is the wrong sheet" in told(answer)
    assert "take-1.cues.json's: use it" in answer.stderr


def test_a_sheet_rendered_at_another_rate_than_the_recordings_is_no_fault(rendered, tmp_path):
    sound, rate_hz = soundfile.read(rendered / "slow.wav")
    assert rate_hz == 8000
    recording = record(tmp_path / "r.wav", 1.0, np.repeat(sound.mean(axis=1), 6))
    value = json.loads(call("score", recording, "--sheet", rendered / "slow.cues.json", "--json").stdout)
    assert value["pieces"][0]["offset_s"] == pytest.approx(1.0, abs=2e-3)
