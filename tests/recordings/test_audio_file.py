"""Recordings of every kind are read exactly, and broken ones are refused with the reason."""

import os
import re
import struct
import subprocess
import sys

import numpy as np
import pytest
import soundfile
from films import write_film
from hypothesis import given, settings
from hypothesis import strategies as st
from recorded import read_audio
from words import say

from drilltimer.errors import RecordingError
from drilltimer.recordings.audio_file import AudioFile

RATE_HZ = 16_000


def tone(frames=2 * RATE_HZ, channels=1):
    """A rising sweep, another one in each channel; float64, shape (frames, channels)."""
    t = np.arange(frames) / RATE_HZ
    return np.column_stack([0.4 * np.sin(2 * np.pi * (200 + 300 * k + 400 * t) * t) for k in range(channels)])


def written(path, samples, **options):
    soundfile.write(path, samples, RATE_HZ, **options)
    return path


@pytest.mark.parametrize(
    ("ending", "options", "within"),
    [
        ("wav", {"subtype": "PCM_16"}, 2**-15),
        ("wav", {"subtype": "PCM_24"}, 2**-23),
        ("wav", {"subtype": "FLOAT"}, 1e-7),
        ("flac", {"subtype": "PCM_16"}, 2**-15),
        ("ogg", {}, 0.1),
        ("mp3", {}, 0.1),
    ],
)
def test_every_format_gives_its_samples_and_rate(tmp_path, ending, options, within):
    samples = tone(channels=2)
    got, rate_hz = read_audio(written(tmp_path / f"a.{ending}", samples, **options))
    assert (rate_hz, got.dtype, got.shape[1]) == (RATE_HZ, np.float32, 2)
    assert abs(len(got) - len(samples)) <= (1152 if ending == "mp3" else 0)
    np.testing.assert_allclose(got[2000:30_000], samples[2000:30_000], atol=within)


@pytest.mark.parametrize("ending", ["wav", "flac", "ogg", "mp3"])
def test_reading_from_anywhere_equals_reading_the_whole(tmp_path, ending):
    path = written(tmp_path / f"a.{ending}", tone())
    whole, _ = read_audio(path)
    with AudioFile(path) as recording:

        @settings(max_examples=20)
        @given(st.integers(0, len(whole) + 10), st.integers(0, 5000))
        def anywhere(start, frames):
            np.testing.assert_allclose(recording.read(start, frames), whole[start : start + frames], atol=1e-4)

        anywhere()


def test_a_place_before_the_beginning_is_a_mistake_of_the_caller(tmp_path):
    with AudioFile(written(tmp_path / "a.wav", tone())) as recording, pytest.raises(ValueError, match="from frame -1"):
        recording.read(-1, 10)


def header(rate_hz=RATE_HZ, channels=1, data_bytes=64_000):
    align = 2 * channels
    form = struct.pack("<4sI4s", b"RIFF", 36 + min(data_bytes, 2**31), b"WAVE")
    layout = struct.pack("<4sIHHIIHH", b"fmt ", 16, 1, channels, rate_hz, (rate_hz * align) % 2**32, align, 16)
    return form + layout + struct.pack("<4sI", b"data", data_bytes)


SOUND = (tone()[:, 0] * 2**15).astype("<i2").tobytes()


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"", r"is empty \(0 bytes\)"),
        (b"no sound at all, just words" * 10, "is not a sound file"),
        (header(data_bytes=0), "no sound in it"),
        (header(rate_hz=3) + SOUND, "header says 3 Hz"),
        (header(rate_hz=800_000) + SOUND, "header says 800000 Hz"),
        (header(channels=1000) + SOUND, "header says 1000 channels"),
        (header() + SOUND[:32_000], r"ends after 1\.0 s, its header promises 2\.0 s"),
        (header(data_bytes=64_000), "no sound in it"),
    ],
)
def test_a_broken_file_is_one_clear_error(tmp_path, content, message):
    path = tmp_path / "a.wav"
    path.write_bytes(content)
    with pytest.raises(RecordingError, match=message) as refusal:
        read_audio(path)
    assert str(refusal.value).startswith(f"{path}: ")


def test_a_length_that_a_recorder_could_not_know_is_no_fault(tmp_path):
    (tmp_path / "a.wav").write_bytes(header(data_bytes=0xFFFF_FFFF) + SOUND)
    samples, _ = read_audio(tmp_path / "a.wav")
    assert len(samples) == 2 * RATE_HZ


def test_more_sound_than_the_header_knows_is_no_fault(tmp_path):
    (tmp_path / "a.wav").write_bytes(header(data_bytes=32_000) + SOUND)
    assert len(read_audio(tmp_path / "a.wav")[0]) == RATE_HZ


@pytest.mark.parametrize("ending", ["flac", "mp3"])
def test_half_a_file_is_refused_where_it_ends(tmp_path, ending, capfd):
    path = written(tmp_path / f"a.{ending}", np.random.default_rng(5).uniform(-0.3, 0.3, 6 * RATE_HZ))
    raw = path.read_bytes()
    path.write_bytes(raw[: len(raw) // 2])
    with pytest.raises(RecordingError, match=r"cut short|ends after"):
        read_audio(path)
    assert capfd.readouterr().err == ""  # decoders like to comment


def test_a_header_that_promises_the_moon_takes_no_memory(tmp_path):
    path = written(tmp_path / "a.flac", tone())
    raw = bytearray(path.read_bytes())
    raw[21] |= 0x0F  # FLAC keeps 36 bits of frames here (RFC 9639, 8.2): now 2^36 - 1, 256 GiB of float32
    raw[22:26] = b"\xff" * 4
    path.write_bytes(raw)
    with pytest.raises(RecordingError, match="damaged or cut short"):
        read_audio(path)


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf])
def test_a_sample_that_is_no_number_is_refused_with_its_place(tmp_path, value):
    samples = tone(channels=2)
    samples[24_000, 1] = value
    with pytest.raises(RecordingError, match=r"sample at 1\.500 s is not a finite number"):
        read_audio(written(tmp_path / "a.wav", samples, subtype="FLOAT"))


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda path: None, "no such file"),
        (lambda path: path.mkdir(), "is a folder"),
        (lambda path: os.mkfifo(path), "is not a regular file"),
        (lambda path: path.symlink_to(path), "cannot be read"),
    ],
)
def test_what_is_no_file_is_said(tmp_path, make, message):
    make(tmp_path / "a.wav")
    with pytest.raises(RecordingError, match=message):
        AudioFile(tmp_path / "a.wav")


@pytest.mark.parametrize("name", ["a.raw", "a.m4a", "a"])
def test_the_ending_does_not_matter_and_never_ends_in_a_traceback(tmp_path, name):
    (tmp_path / name).write_bytes(b"\0" * 5000)
    with pytest.raises(RecordingError, match="not a sound file"):
        read_audio(tmp_path / name)


# ---------------------------------------------------------------- what can be read of a damaged file

NOISE = np.random.default_rng(5).uniform(-0.3, 0.3, 6 * RATE_HZ)


def read_salvaged(path):
    with AudioFile(path, salvage=True) as recording:
        return np.concatenate([*recording.blocks(5000), np.zeros((0, 1), np.float32)])[:, 0], say(recording.damage)


@pytest.mark.parametrize("ending", ["wav", "flac", "mp3", "ogg", "aiff"])
def test_a_whole_file_has_no_damage_and_the_same_samples(tmp_path, ending):
    path = written(tmp_path / f"a.{ending}", NOISE)
    got, damage = read_salvaged(path)
    assert damage == ""
    np.testing.assert_allclose(got, read_audio(path)[0][:, 0], atol=2e-7)


@pytest.mark.parametrize(
    ("ending", "words"),
    [
        ("wav", "ends after 3.0 s, its header promises 6.0 s"),
        ("aiff", "ends after 3.0 s, its header promises 6.0 s"),
        ("flac", r"ends after [23]\.\d s, its header promises 6.0 s"),
        ("mp3", r"ends after [23]\.\d s, its header promises 6\.\d s"),
        ("ogg", r"ends after [123]\.\d s: its file is shorter than it says itself"),
    ],
)
def test_half_a_file_is_read_to_where_it_ends(tmp_path, ending, words, capfd):
    path = written(tmp_path / f"a.{ending}", NOISE)
    whole = read_audio(path)[0][:, 0]
    raw = path.read_bytes()
    path.write_bytes(raw[: len(raw) // 2])
    got, damage = read_salvaged(path)
    assert (1.5 if ending == "ogg" else 2.5) * RATE_HZ < len(got) < 3.2 * RATE_HZ  # OGG's pages may last a second
    sure = len(got) - 2500  # a lossy codec's last frames lean on those that are missing
    np.testing.assert_allclose(got[:sure], whole[:sure], atol=1e-4)
    assert re.fullmatch(f"the recording {words}", damage)
    assert capfd.readouterr().err == ""


def test_beyond_a_hole_in_a_file_every_sample_is_in_its_place(tmp_path):
    samples = np.tile(NOISE, 4)
    path = written(tmp_path / "a.flac", samples)
    raw = bytearray(path.read_bytes())
    middle = len(raw) // 2
    raw[middle : middle + 20_000] = bytes(20_000)
    path.write_bytes(raw)
    got, damage = read_salvaged(path)
    assert len(got) == len(samples)
    wrong = np.flatnonzero(np.abs(got - samples) > 1e-4)
    lost_s = (wrong[-1] - wrong[0]) / RATE_HZ
    assert 0.3 < lost_s < 1.7  # the damage itself is 0.6 s long
    assert wrong[0] / RATE_HZ == pytest.approx(12.0, abs=0.5)
    assert not got[wrong].any()
    at_s, told_s = map(float, re.findall(r"\d+\.\d", damage))
    assert at_s == pytest.approx(wrong[0] / RATE_HZ, abs=0.06)
    assert told_s == pytest.approx(lost_s, abs=0.06)


def test_a_header_that_promises_the_moon_is_salvaged_without_its_memory(tmp_path):
    path = written(tmp_path / "a.flac", tone())
    raw = bytearray(path.read_bytes())
    raw[21] |= 0x0F
    raw[22:26] = b"\xff" * 4
    path.write_bytes(raw)
    got, damage = read_salvaged(path)
    np.testing.assert_allclose(got[: len(got) - 4096], tone()[: len(got) - 4096, 0], atol=2**-15)
    assert len(got) > 1.5 * RATE_HZ
    assert "its header promises 4294967.3 s" in damage


@pytest.mark.parametrize("name", ["a.flac", "a.mp3", "a.wav"])
def test_nothing_to_salvage_is_refused(tmp_path, name):
    path = written(tmp_path / name, NOISE)
    path.write_bytes(path.read_bytes()[: 44 if name == "a.wav" else 200])
    with pytest.raises(RecordingError, match=r"damaged|no sound|not a sound file|ends after"):
        read_salvaged(path)


@pytest.mark.parametrize(("ending", "subtype"), [("wav", "FLOAT"), ("wav", "DOUBLE"), ("aiff", "FLOAT")])
def test_samples_that_are_no_numbers_are_silence_and_the_rest_as_it_is(tmp_path, ending, subtype):
    samples = NOISE.astype(np.float32)
    samples[24_000], samples[70_000:70_010], samples[-1] = np.nan, np.inf, -np.inf
    got, damage = read_salvaged(written(tmp_path / f"a.{ending}", samples, subtype=subtype))
    at_s, tail = "1.5", "what is no finite number counts as silence (samples: 12)"
    assert damage == f"the recording is damaged {at_s} s after its beginning: {tail}"
    np.testing.assert_array_equal(got, np.where(np.isfinite(samples), samples, 0.0))


def test_a_channel_without_numbers_leaves_the_others(tmp_path):
    samples = np.stack([NOISE.astype(np.float32), np.full(len(NOISE), np.nan, np.float32)], axis=1)
    with AudioFile(written(tmp_path / "a.wav", samples, subtype="FLOAT"), salvage=True) as recording:
        assert f"0.0 s after its beginning: what is no finite number counts as silence (samples: {len(NOISE)})" in (
            say(recording.damage)
        )
        got = recording.read(0, 1000)
    np.testing.assert_array_equal(got[:, 0], samples[:1000, 0])
    assert not got[:, 1].any()


def test_a_file_that_ends_early_and_holds_no_numbers_besides_is_told_of_both(tmp_path):
    samples = NOISE.astype(np.float32)
    samples[5] = np.nan
    path = written(tmp_path / "a.wav", samples, subtype="FLOAT")
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    _, damage = read_salvaged(path)
    assert damage == (
        "the recording ends after 3.0 s, its header promises 6.0 s; "
        "what is no finite number counts as silence (samples: 1)"
    )


# ---------------------------------------------------------------- what libsndfile does not read alone


def without_length(path):
    """As a program leaves it that streams, or that is stopped: 36 bits of zeros (RFC 9639, 8.2)."""
    raw = bytearray(path.read_bytes())
    raw[21] &= 0xF0
    raw[22:26] = b"\0" * 4
    path.write_bytes(raw)
    return path


def test_flac_that_does_not_say_how_long_it_is_is_read_to_its_end(tmp_path):
    path = written(tmp_path / "a.flac", tone())
    whole, rate_hz = read_audio(path)
    samples, same_hz = read_audio(without_length(path))
    assert same_hz == rate_hz
    np.testing.assert_array_equal(samples, whole)


def test_of_one_that_was_cut_the_end_is_told(tmp_path):
    path = without_length(written(tmp_path / "a.flac", tone()))
    raw = path.read_bytes()
    path.write_bytes(raw[: len(raw) * 2 // 3])
    with AudioFile(path, salvage=True) as file:
        assert "s can be read; the decoder says: " in say(file.damage)
        assert 0 < file.frames < len(tone())


FULL_DISK = """
import resource, sys
from drilltimer.recordings.audio_file import AudioFile
from drilltimer.errors import RecordingError
resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, resource.RLIM_INFINITY))
try:
    with AudioFile(sys.argv[1]) as recording:
        recording.read(100_000, 1000)
        recording.read(0, 1000)
except RecordingError as refusal:
    print(refusal)
"""


@pytest.mark.skipif(os.name != "posix", reason="needs a limit on file size, which Unix has")
@pytest.mark.parametrize("name", ["a.ogg", "a.m4a"])
def test_a_full_disk_is_not_taken_for_damage_of_the_recording(tmp_path, name):
    noise = np.random.default_rng(1).uniform(-0.5, 0.5, 240_000)
    write = soundfile.write if name == "a.ogg" else write_film
    write(tmp_path / name, noise, 48_000)
    command = [sys.executable, "-c", FULL_DISK, str(tmp_path / name)]
    done = subprocess.run(command, capture_output=True, text=True, check=True, timeout=60)
    assert f"{name}: its sound cannot be kept while it is decoded" in done.stdout
    assert "The disk is probably full" in done.stdout
    assert (done.stderr, "damaged" in done.stdout) == ("", False)


@pytest.mark.parametrize("name", ["a.ogg", "a.mp3"])
def test_going_back_in_a_lossy_file_gives_the_same_samples(tmp_path, name):
    rng = np.random.default_rng(1)
    soundfile.write(tmp_path / name, 0.3 * rng.standard_normal(60_000), 48_000)
    with AudioFile(tmp_path / name) as recording:
        forth = np.concatenate([recording.read(at, 5000) for at in range(0, 60_000, 5000)])
        back = np.concatenate([recording.read(at, 5000) for at in range(55_000, -1, -5000)][::-1])
    np.testing.assert_allclose(back, forth, atol=2e-7)  # half a step of 24 bits
