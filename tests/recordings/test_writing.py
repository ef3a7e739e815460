"""Sound written while it happens is exact, and what was written outlives whatever stops the writing."""

import os
import subprocess
import sys

import numpy as np
import pytest
import soundfile
from recorded import read_audio
from words import refused

from drilltimer.errors import RecordingError
from drilltimer.recordings import writing
from drilltimer.recordings.audio_file import AudioFile
from drilltimer.recordings.writing import AudioWriter

RATE_HZ = 48_000
posix = pytest.mark.skipif(os.name != "posix", reason="kill -9 and limits on file size are POSIX's")


def noise(frames, channels=1):
    return np.random.default_rng(2).uniform(-1, 1, (frames, channels)).astype(np.float32)


@pytest.mark.parametrize("ending", ["wav", "flac"])
@pytest.mark.parametrize("channels", [1, 2, 3])
def test_what_is_written_in_blocks_is_read_back(tmp_path, ending, channels):
    samples = noise(10_001, channels)  # an odd number of bytes in WAV
    with AudioWriter(tmp_path / f"a.{ending}", RATE_HZ, channels) as writer:
        for block in np.split(samples, [3, 500, 7000]):
            writer.write(block)
        assert writer.frames == 10_001
    got, rate_hz = read_audio(tmp_path / f"a.{ending}")
    assert rate_hz == RATE_HZ
    np.testing.assert_allclose(got, samples, atol=2**-23)
    assert soundfile.info(tmp_path / f"a.{ending}").subtype == "PCM_24"


def test_wav_and_flac_hold_the_same_numbers(tmp_path):
    for ending in ("wav", "flac"):
        with AudioWriter(tmp_path / f"a.{ending}", RATE_HZ, 1) as writer:
            writer.write(noise(1000)[:, 0])
    np.testing.assert_array_equal(read_audio(tmp_path / "a.wav")[0], read_audio(tmp_path / "a.flac")[0])


def test_a_wav_file_ends_on_an_even_byte(tmp_path):
    with AudioWriter(tmp_path / "a.wav", RATE_HZ, 1) as writer:
        writer.write(noise(1))
    assert (tmp_path / "a.wav").stat().st_size == 44 + 3 + 1
    raw = (tmp_path / "a.wav").read_bytes()
    assert int.from_bytes(raw[4:8], "little") == len(raw) - 8  # RIFF counts the byte of padding, the data do not
    assert int.from_bytes(raw[40:44], "little") == 3


@pytest.mark.parametrize("ending", ["wav", "flac"])
def test_the_session_stands_in_the_recording_itself_and_costs_no_sound(tmp_path, ending):
    samples = noise(60_001)
    writers = [
        AudioWriter(tmp_path / f"{uid or 'none'}.{ending}", RATE_HZ, 1, session=uid) for uid in ("", "abc1", "abc")
    ]
    for writer in writers:
        for block in np.split(samples, [3, 50_000]):  # more than a second: the header is written again
            writer.write(block)
        writer.close()
        with AudioFile(writer.path, salvage=True) as recording:
            assert (recording.session, recording.damage) == (writer.path.stem.replace("none", ""), None)
        np.testing.assert_array_equal(read_audio(writer.path)[0], read_audio(writers[0].path)[0])
        if ending == "wav":
            raw = writer.path.read_bytes()
            assert int.from_bytes(raw[4:8], "little") == len(raw) - 8
            assert len(raw) % 2 == 0


def test_what_is_too_loud_is_cut_off_and_does_not_wrap(tmp_path):
    with AudioWriter(tmp_path / "a.wav", RATE_HZ, 1) as writer:
        writer.write(np.array([1.5, -1.5, 1.0, -1.0], np.float32))
    np.testing.assert_allclose(read_audio(tmp_path / "a.wav")[0][:, 0], [1, -1, 1, -1], atol=2**-22)


KILLED = """
import os, sys, numpy as np
from drilltimer.recordings.writing import AudioWriter
writer = AudioWriter(sys.argv[1], 48000, 1)
noise = np.random.default_rng(2).uniform(-1, 1, (240000, 1)).astype(np.float32)
for start in range(0, 230400, 1920):
    writer.write(noise[start:start + 1920])
os.kill(os.getpid(), 9)
"""


@posix
def test_a_killed_recording_is_a_valid_file_but_for_its_last_second(tmp_path):
    done = subprocess.run([sys.executable, "-c", KILLED, str(tmp_path / "a.wav")], check=False)
    assert done.returncode == -9
    got, _ = read_audio(tmp_path / "a.wav")
    assert 230_400 - RATE_HZ - 1920 <= len(got) <= 230_400
    np.testing.assert_allclose(got, noise(240_000)[: len(got)], atol=2**-23)


FULL = """
from drilltimer.ui.wording import english
import resource, sys, numpy as np
from drilltimer.recordings.writing import AudioWriter
from drilltimer.errors import RecordingError
writer = AudioWriter(sys.argv[1], 48000, 1)
resource.setrlimit(resource.RLIMIT_FSIZE, (200_000, resource.RLIM_INFINITY))
told = 0
for _ in range(100):
    try:
        writer.write(np.random.default_rng(2).uniform(-1, 1, (1920, 1)).astype(np.float32))
    except RecordingError as refusal:
        told += 1
        print(english().tell(refusal.what))
writer.close()
print(told, writer.fault is not None)
"""


@posix
@pytest.mark.parametrize("ending", ["wav", "flac"])
def test_a_full_disk_is_told_once_and_the_session_goes_on(tmp_path, ending):
    done = subprocess.run(
        [sys.executable, "-c", FULL, str(tmp_path / f"a.{ending}")], capture_output=True, text=True, check=True
    )
    told, counted = done.stdout.splitlines()
    assert "recording ended after 1 s" in told
    assert counted == "1 True"
    assert done.stderr == ""


@posix
def test_a_full_disk_keeps_what_was_written(tmp_path):
    subprocess.run([sys.executable, "-c", FULL, str(tmp_path / "a.wav")], capture_output=True, check=True)
    got, _ = read_audio(tmp_path / "a.wav")
    assert len(got) == (200_000 - 44) // 3


def test_a_file_too_long_for_its_format_ends_in_time(tmp_path, monkeypatch):
    monkeypatch.setattr(writing, "MOST_WAV_BYTES", 3_000)
    writer = AudioWriter(tmp_path / "a.wav", RATE_HZ, 1)
    writer.write(noise(1000))
    with refused(RecordingError, "largest size allowed"):
        writer.write(noise(1))
    assert len(read_audio(tmp_path / "a.wav")[0]) == 1000


@pytest.mark.parametrize(
    ("name", "message"),
    [
        ("a.ogg", r"as \.wav or \.flac, not as \.ogg"),
        ("a", r"written as \.wav or \.flac"),
        ("none/a.wav", "cannot be written: No such file or directory"),
        ("none/a.flac", "cannot be written: No such file or directory"),
        ("folder.wav", "cannot be written: Is a directory"),
    ],
)
def test_an_impossible_place_is_one_clear_error(tmp_path, name, message):
    (tmp_path / "folder.wav").mkdir()
    with refused(RecordingError, message):
        AudioWriter(tmp_path / name, RATE_HZ, 1)


@pytest.mark.parametrize("ending", ["wav", "flac"])
def test_a_recording_can_be_kept_from_being_written_over(tmp_path, ending):
    path = tmp_path / f"a.{ending}"
    path.write_bytes(b"precious")
    with pytest.raises(RecordingError, match="exists already"):
        AudioWriter(path, RATE_HZ, 1, overwrite=False)
    assert path.read_bytes() == b"precious"


def test_a_flac_of_too_many_channels_is_refused(tmp_path):
    with pytest.raises(RecordingError, match="FLAC does not take 48000 Hz with 9 channels"):
        AudioWriter(tmp_path / "a.flac", RATE_HZ, 9)
