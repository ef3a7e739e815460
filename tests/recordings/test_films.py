"""Sound that libsndfile does not read: decoded exactly, in time, and by a program that can do nothing else."""

import http.server
import os
import signal
import subprocess
import sys
import tempfile
import threading
import time
from contextlib import suppress

import numpy as np
import pytest
from calling import call
from films import write_film
from hypothesis import given, settings
from hypothesis import strategies as st
from words import say

from drilltimer.errors import RecordingError
from drilltimer.recordings import decode
from drilltimer.recordings.audio_file import AudioFile

RATE_HZ = 44_100
CLICK_S = (1.0, 2.0)


def clicks(rate_hz=RATE_HZ, length_s=3.0, channels=2):
    """A soft tone with two clicks in each channel."""
    tone = 0.1 * np.sin(2 * np.pi * 440 * np.arange(round(length_s * rate_hz)) / rate_hz)
    for at_s in CLICK_S:
        tone[round(at_s * rate_hz)] = 0.9
    return np.column_stack([tone] * channels)


def loudest(samples, rate_hz, near_s):
    """The frame of the loudest sample within a quarter of a second of a time."""
    first = round((near_s - 0.25) * rate_hz)
    return first + int(np.argmax(np.abs(samples[first : first + rate_hz // 2, 0])))


def read(path):
    with AudioFile(path) as file:
        return file.read(0, file.frames), file.rate_hz


# ---------------------------------------------------------------- what is decoded


@pytest.mark.parametrize("name", ["a.m4a", "a.mp4", "a.mov", "a.webm", "a.caf", "renamed.wav"])
def test_a_sound_is_where_it_was_recorded_to_the_sample(name, tmp_path):
    rate_hz = 48_000 if name == "a.webm" else RATE_HZ
    path = tmp_path / ("a.m4a" if name == "renamed.wav" else name)
    write_film(path, clicks(rate_hz), rate_hz)
    with AudioFile(path.rename(tmp_path / name)) as recording:
        assert (recording.rate_hz, recording.channels) == (rate_hz, 2)
        assert recording.frames / rate_hz == pytest.approx(3.0, abs=0.1)
        samples = recording.read(0, recording.frames)
        for start in (rate_hz, rate_hz // 2):  # going back is exact
            assert np.array_equal(recording.read(start, 100), samples[start : start + 100])
    assert [loudest(samples, rate_hz, at_s) for at_s in CLICK_S] == [round(at_s * rate_hz) for at_s in CLICK_S]
    spectrum = np.abs(np.fft.rfft(samples[round(1.2 * rate_hz) : round(1.7 * rate_hz), 0]))
    assert int(np.argmax(spectrum)) == 220


@pytest.mark.parametrize(
    ("name", "options", "within"),
    [
        ("a.aac", {}, 1),
        ("a.mkv", {}, 45),  # its stamps are milliseconds; older FFmpeg does not write the delay
        ("a.ts", {}, 1),
        ("a.flv", {}, 1),
        ("a.avi", {}, 1),
        ("a.mpg", {}, 1),
        ("a.wma", {"bit_rate": 128_000}, 1),
        ("a.amr", {}, 40),  # of 8 kHz: a click is no speech
        ("a.3gp", {}, 40),
    ],
)
def test_where_a_codecs_delay_is_not_written_down_all_is_late_by_as_much(name, options, within, tmp_path):
    narrow = name in ("a.amr", "a.3gp")
    rate_hz, channels = (8_000, 1) if narrow else (RATE_HZ, 2)
    samples, same_hz = read(write_film(tmp_path / name, clicks(rate_hz, channels=channels), rate_hz, **options))
    assert (same_hz, samples.shape[1]) == (rate_hz, channels)
    late = [loudest(samples, rate_hz, at_s) - at_s * rate_hz for at_s in CLICK_S]
    assert abs(late[0] - late[1]) <= within
    assert abs(late[0]) <= 0.06 * rate_hz


@pytest.mark.parametrize("name", ["a.mp4", "a.mov", "a.mkv", "a.avi", "a.ts"])
def test_the_picture_of_a_film_and_further_tracks_are_passed_over(name, tmp_path):
    samples, _ = read(write_film(tmp_path / name, clicks(), RATE_HZ, picture=True, tracks=2))
    assert len(samples) / RATE_HZ == pytest.approx(3.0, abs=0.1)
    assert np.max(np.abs(samples)) > 0.3  # the second track is silent


@pytest.mark.parametrize("name", ["a.mov", "a.mkv", "a.ts", "a.webm"])
def test_sound_that_is_missing_between_two_stamps_is_silence_and_what_follows_keeps_its_time(name, tmp_path):
    rate_hz = 48_000 if name == "a.webm" else RATE_HZ
    path = tmp_path / name
    write_film(path, clicks(rate_hz), rate_hz, picture=name != "a.webm", begins_s=0.5, gap_s=(1.5, 0.7))
    samples, _ = read(path)
    first, second = (loudest(samples, rate_hz, at_s) for at_s in (1.0, 2.7))
    assert second - first == pytest.approx(1.7 * rate_hz, abs=0.001 * rate_hz)  # Matroska's stamps are milliseconds
    assert not samples[round(1.7 * rate_hz) : round(2.1 * rate_hz)].any()


def test_stamps_that_leap_far_or_hardly_make_no_silence(tmp_path):
    whole, _ = read(write_film(tmp_path / "a.mkv", clicks(), RATE_HZ))
    for gap_s in (0.05, 4000.0):
        samples, _ = read(write_film(tmp_path / "a.mkv", clicks(), RATE_HZ, gap_s=(1.5, gap_s)))
        np.testing.assert_array_equal(samples, whole)


@pytest.mark.parametrize(("rate_hz", "channels"), [(11_025, 1), (12_345, 3), (96_000, 5), (8_000, 8), (192_000, 2)])
def test_odd_rates_and_channels_are_decoded_exactly(rate_hz, channels, tmp_path):
    samples = np.random.default_rng(1).integers(-(2**15), 2**15, (rate_hz, channels)).astype(np.int16)
    path = write_film(tmp_path / "a.mkv", samples / 2**15, rate_hz, codec="pcm_s16le")
    decoded, same_hz = read(path)
    assert same_hz == rate_hz
    np.testing.assert_array_equal(decoded, (samples / 2**15).astype(np.float32))


def test_of_more_channels_than_can_be_kept_the_first_are(tmp_path, monkeypatch):
    samples = np.random.default_rng(1).integers(-(2**15), 2**15, (9_000, 4)) / 2**15
    monkeypatch.setattr(decode, "KEPT_CHANNELS", 3)
    decoded, _ = read(write_film(tmp_path / "a.mkv", samples, 8_000, codec="pcm_s16le"))
    np.testing.assert_array_equal(decoded, samples[:, :3].astype(np.float32))


def test_sound_that_changes_its_rate_and_channels_on_the_way_is_brought_to_the_first_ones(tmp_path):
    first = write_film(tmp_path / "a.aac", clicks(), RATE_HZ)
    second = write_film(tmp_path / "b.aac", clicks(RATE_HZ // 2, channels=1), RATE_HZ // 2)
    first.write_bytes(first.read_bytes() + second.read_bytes())
    samples, rate_hz = read(first)
    assert (rate_hz, samples.shape[1]) == (RATE_HZ, 2)
    assert len(samples) / RATE_HZ == pytest.approx(6.0, abs=0.15)
    assert loudest(samples, RATE_HZ, 5.1) - loudest(samples, RATE_HZ, 4.1) == pytest.approx(RATE_HZ, abs=2)


def test_no_temporary_file_is_left(tmp_path, monkeypatch):
    path = write_film(tmp_path / "a.m4a", clicks(), RATE_HZ)
    (tmp_path / "tmp").mkdir()
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path / "tmp"))
    with AudioFile(path) as recording:
        assert list((tmp_path / "tmp").iterdir())
        recording.read(0, 10)
    assert not list((tmp_path / "tmp").iterdir())


# ---------------------------------------------------------------- what is damaged


@pytest.mark.parametrize("name", ["a.m4a", "a.aac", "a.mkv", "a.avi", "a.wma"])
def test_a_film_that_ends_early_is_no_whole_one(name, tmp_path):
    options = {"movflags": "faststart"} if name == "a.m4a" else {}
    path = write_film(tmp_path / name, clicks(), RATE_HZ, options=options, bit_rate=128_000)
    with AudioFile(path, salvage=True) as recording:
        assert recording.damage is None
    raw = path.read_bytes()
    path.write_bytes(raw[: len(raw) * 6 // 10])
    with AudioFile(path, salvage=True) as recording:
        assert 0.8 < recording.frames / recording.rate_hz < 2.5
        assert "s can be read; the decoder says: " in say(recording.damage) or "shorter than it says" in say(
            recording.damage
        )
        assert str(path) not in say(recording.damage)
        assert recording.fault() is not None
    if name != "a.avi":  # where no decoder tells, only who salvages is told
        with pytest.raises(RecordingError, match="damaged or ends early"):
            AudioFile(path)


def test_what_follows_a_damaged_place_keeps_its_time_and_the_damage_is_told(tmp_path):
    path = write_film(tmp_path / "a.mov", clicks(), RATE_HZ, options={"movflags": "faststart"}, bit_rate=128_000)
    raw = bytearray(path.read_bytes())
    middle = raw.index(b"mdat") + (len(raw) - raw.index(b"mdat")) // 2
    raw[middle : middle + 3000] = b"\xff" * 3000
    path.write_bytes(raw)
    with AudioFile(path, salvage=True) as recording:
        assert "Invalid data found" in say(recording.damage)
        samples = recording.read(0, recording.frames)
    assert [loudest(samples, RATE_HZ, at_s) for at_s in CLICK_S] == [round(at_s * RATE_HZ) for at_s in CLICK_S]


@pytest.mark.parametrize(
    ("cut", "words"),
    [(slice(300), "no sound can be decoded"), (slice(-3000), "\nIts table of contents, which is written last")],
)
def test_a_film_without_its_table_of_contents_is_told_as_not_finished(cut, words, tmp_path):
    path = write_film(tmp_path / "a.mp4", clicks(), RATE_HZ)
    path.write_bytes(path.read_bytes()[cut])
    with pytest.raises(RecordingError, match="is an MP4, M4A, MOV or 3GP file") as refusal:
        AudioFile(path, salvage=True)
    assert words in str(refusal.value)


def test_a_film_without_sound_is_told(tmp_path):
    path = write_film(tmp_path / "a.mp4", clicks(), RATE_HZ, picture=True, tracks=0)
    with pytest.raises(RecordingError, match="there are pictures in it, but no sound"):
        AudioFile(path)


@pytest.mark.parametrize("rate_hz", [2_000, 1_000_000])
def test_a_rate_at_which_nothing_can_be_timed_is_told(rate_hz, tmp_path):
    path = write_film(tmp_path / "a.mkv", np.zeros(5000), rate_hz, codec="pcm_s16le")
    with pytest.raises(RecordingError, match=rf"its header says {rate_hz} Hz; 4000 to 384000 can be used"):
        AudioFile(path)


def test_more_sound_than_anybody_records_is_told_and_nothing_is_left(tmp_path, monkeypatch):
    path = write_film(tmp_path / "a.m4a", clicks(), RATE_HZ)
    (tmp_path / "tmp").mkdir()
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path / "tmp"))
    monkeypatch.setattr(decode, "LONGEST_S", 2)
    with pytest.raises(RecordingError, match=r"a\.m4a: holds more than 0 hours of sound"):
        AudioFile(path, salvage=True)
    assert not list((tmp_path / "tmp").iterdir())


@pytest.fixture(scope="module")
def films(tmp_path_factory):
    place = tmp_path_factory.mktemp("films")
    samples = clicks(length_s=2.5, channels=1)
    return [
        write_film(place / name, samples, RATE_HZ) for name in ("a.mov", "a.mkv", "a.ts", "a.avi", "a.aac", "a.caf")
    ]


@settings(max_examples=12)
@given(data=st.data())
def test_whatever_happens_to_a_film_it_is_read_or_told(films, data):
    film = data.draw(st.sampled_from(films))
    raw = bytearray(film.read_bytes())
    raw = raw[: data.draw(st.integers(12, len(raw)), label="length")]
    for _ in range(data.draw(st.integers(0, 5), label="places")):
        at = data.draw(st.integers(0, len(raw) - 1))
        raw[at : at + 4] = data.draw(st.binary(min_size=1, max_size=8))
    path = film.with_name(f"broken{film.suffix}")
    path.write_bytes(raw)
    told = ""
    try:
        with AudioFile(path, salvage=True) as file:
            assert np.isfinite(file.read(0, file.frames)).all()
    except RecordingError as refusal:
        told = str(refusal)
    assert not told or told.startswith(str(path))


@pytest.mark.skipif(os.name != "posix", reason="needs files with holes, which Unix has")
def test_four_gigabytes_of_nothing_that_call_themselves_a_film_are_told(tmp_path):
    path = tmp_path / "big.mp4"
    path.write_bytes(b"\0\0\0\x18ftypmp42" + bytes(12))
    os.truncate(path, 4 << 30)
    with pytest.raises(RecordingError, match="no sound can be decoded"):
        AudioFile(path, salvage=True)


# ---------------------------------------------------------------- what a decoder may do to itself

BEGINS = "import os, struct, sys, time; sys.stdout.buffer.write(struct.pack('<II', 8000, 1) + bytes({bytes}))"
ENDS = {
    "crash": ("; sys.stdout.flush(); os.kill(os.getpid(), 11)", r"it crashed \(SIGSEGV\)"),
    "kill": ("; sys.stdout.flush(); os.kill(os.getpid(), 9)", r"it crashed \(SIGKILL\)"),
    "hang": ("; sys.stdout.flush(); open('stands', 'w'); time.sleep(600)", "it stood still for"),
    "fail": ("; sys.exit('out of memory')", "out of memory"),
}


class ClockThatLeaps:
    """Stands still until a file is there; from then on more than all patience goes by between two looks."""

    def __init__(self, file):
        self._file, self._now_s = file, 0.0

    def monotonic(self):
        self._now_s += 2 * decode.PATIENCE_S * self._file.exists()
        return self._now_s


@pytest.fixture
def decoder(tmp_path, monkeypatch):
    """Answers a function that puts another program in the decoder's place."""

    def put(source):
        (tmp_path / "decoder.py").write_text(source)
        monkeypatch.setattr(decode, "PROGRAM", tmp_path / "decoder.py")
        return write_film(tmp_path / "a.m4a", clicks(), RATE_HZ)

    return put


@pytest.mark.skipif(os.name != "posix", reason="needs signals")
@pytest.mark.parametrize("name", ENDS)
@pytest.mark.parametrize("before", [0, 16_000])
def test_a_decoder_that_breaks_breaks_nothing_else(name, before, decoder, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(decode, "LOOK_S", 0.05)
    monkeypatch.setattr(decode, "time", ClockThatLeaps(tmp_path / "stands"))
    end, words = ENDS[name]
    path = decoder(BEGINS.format(bytes=before) + end)
    if before:
        with AudioFile(path, salvage=True) as file:
            assert file.frames == before // 2 // 2
            assert say(file.damage).startswith(
                "the recording is damaged or ends early: 0.5 s can be read; the decoder says"
            )
        words = f"the decoder says: {words}"
    else:
        words = f"no sound can be decoded from it\nThe decoder says: {words}"
    with pytest.raises(RecordingError, match=words):
        AudioFile(path)


@pytest.mark.skipif(os.name != "posix", reason="needs signals")
def test_ctrl_c_ends_decoding_and_the_decoder(decoder, tmp_path):
    path = decoder(f"import os, pathlib, signal, time; signal.signal(signal.SIGINT, signal.SIG_IGN)\n"
                   f"pathlib.Path({str(tmp_path / 'new')!r}).write_text(str(os.getpid()))\n"
                   f"os.rename({str(tmp_path / 'new')!r}, {str(tmp_path / 'pid')!r}); time.sleep(600)")  # fmt: skip
    told = (
        "import sys, pathlib; from drilltimer.recordings import decode; decode.PROGRAM = pathlib.Path(sys.argv[1])\n"
        "from drilltimer.cli import main; sys.argv[1:] = ['score', sys.argv[2], '--sheet', sys.argv[3]]; main()"
    )
    call("render", "steady-contact", tmp_path / "p.flac", "--seed", 1, "--no-card")
    command = [sys.executable, "-c", told, tmp_path / "decoder.py", path, tmp_path / "p.cues.json"]
    running = subprocess.Popen(
        list(map(str, command)), stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True
    )
    with running:
        try:
            while not (tmp_path / "pid").exists():
                assert running.poll() is None, running.communicate()
                time.sleep(0.01)
            os.killpg(running.pid, signal.SIGINT)
            _, said = running.communicate(timeout=60)
        finally:
            with suppress(ProcessLookupError):
                os.killpg(running.pid, signal.SIGKILL)
    assert "Traceback" not in said
    assert running.returncode == 130
    with pytest.raises(ProcessLookupError):
        os.kill(int((tmp_path / "pid").read_text()), 0)


# ---------------------------------------------------------------- what a file may not make it do


def scripts(sound, port):
    """Text that has players open a file beside it, or an address: (name, text)."""
    web = f"http://127.0.0.1:{port}/a.m4a"
    mpd = '<?xml version="1.0"?><MPD xmlns="urn:mpeg:dash:schema:mpd:2011" profiles="urn:mpeg:dash:profile:isoff-live:2011" type="static"><Period><AdaptationSet mimeType="audio/mp4"><Representation id="1" bandwidth="1"><BaseURL>{}</BaseURL></Representation></AdaptationSet></Period></MPD>'  # noqa: E501
    yield "dash", mpd.format(sound.name)
    yield "dash, web", mpd.format(web)
    yield "hls", f"#EXTM3U\n#EXT-X-TARGETDURATION:3\n#EXTINF:3,\n{sound.name}\n#EXT-X-ENDLIST\n"
    yield "hls, web", f"#EXTM3U\n#EXT-X-TARGETDURATION:3\n#EXTINF:3,\n{web}\n#EXT-X-ENDLIST\n"
    yield "concat", f"ffconcat version 1.0\nfile {sound.name}\n"
    yield "sdp", "v=0\no=- 0 0 IN IP4 127.0.0.1\ns=x\nc=IN IP4 127.0.0.1\nt=0 0\nm=audio 5004 RTP/AVP 0\n"


@pytest.fixture
def asked():
    """Addresses that were asked of a server of this machine; the first one is its port."""
    addresses = []

    class Answer(http.server.BaseHTTPRequestHandler):
        def do_GET(self):
            addresses.append(self.path)
            self.send_error(404)

        def log_message(self, *_):
            pass

    with http.server.HTTPServer(("127.0.0.1", 0), Answer) as server:
        addresses.append(server.server_address[1])
        threading.Thread(target=server.serve_forever, daemon=True).start()
        yield addresses
        server.shutdown()


def test_a_text_that_calls_itself_a_film_opens_nothing_else(tmp_path, monkeypatch, asked):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("DRILLTIMER_HOME", str(tmp_path / "home"))
    sound = write_film(tmp_path / "a.m4a", clicks(), RATE_HZ)
    call("render", "steady-contact", tmp_path / "p.flac", "--seed", 1, "--no-card")
    for _, text in scripts(sound, asked[0]):
        for disguise in (text, f"{text[:8]}AVI {text[8:]}", f"<!-- xxx AVI -->{text}"):
            evil = tmp_path / "evil.m4a"
            evil.write_text(disguise)
            answer = call("score", evil, "--sheet", tmp_path / "p.cues.json", code=2)
            assert answer.stdout == ""
            assert answer.stderr.count("drilltimer: ") == 1
            assert "evil.m4a: is not a sound file that can be read" in answer.stderr
    assert len(asked) == 1


UNCONFINED = """
import sys
from drilltimer.recordings import decoder
decoder._confine = lambda: None
try:
    decoder.main(sys.argv[1], sys.stdin.buffer, sys.stdout.buffer)
except Exception as fault:
    sys.exit(str(fault))
"""


@pytest.mark.parametrize("demuxer", ["mov", "avi", "aac"])
def test_not_even_a_decoder_that_is_given_such_a_text_opens_anything(demuxer, tmp_path, asked):
    """It is read as what it was taken for and as nothing else, also where the system sets no limits."""
    sound = write_film(tmp_path / "a.m4a", clicks(), RATE_HZ)
    for name, text in scripts(sound, asked[0]):
        marks = next(marks for marks, _, one in decode.KINDS if one == demuxer)
        raw = bytearray(text.encode("latin-1").ljust(4096))
        for offset, mark in marks if name.startswith("dash") else ():  # the others are known by their beginning alone
            raw[offset:offset] = mark
        (tmp_path / "evil.m4a").write_bytes(raw)
        with (tmp_path / "evil.m4a").open("rb") as file:
            command = [sys.executable, "-c", UNCONFINED, demuxer]
            done = subprocess.run(command, stdin=file, capture_output=True, timeout=60, cwd=tmp_path)
        assert done.stdout == b"", name
        assert b"Traceback" not in done.stderr
    assert len(asked) == 1


TRIES = """
import sys
from drilltimer.recordings import decoder
decoder._load_all()
decoder._confine()
for name in sys.argv[1:]:
    try:
        open(name)
    except OSError as fault:
        print(fault.strerror)
"""


@pytest.mark.skipif(os.name != "posix", reason="Windows has no such limits")
def test_the_system_itself_refuses_a_decoder_every_other_file(tmp_path):
    (tmp_path / "a.txt").write_text("a")
    command = [sys.executable, "-c", TRIES, str(tmp_path / "a.txt"), os.devnull]
    done = subprocess.run(command, capture_output=True, text=True, check=True, timeout=60)
    assert done.stdout == "Too many open files\n" * 2


def test_pictures_are_opened_by_nobody(tmp_path):
    path = write_film(tmp_path / "a.mov", clicks(), RATE_HZ, picture=True)
    with path.open("rb") as file:
        command = [sys.executable, decode.PROGRAM, "mov"]
        done = subprocess.run(command, stdin=file, capture_output=True, check=True, timeout=60)
    assert b"Codec (mpeg4) not on whitelist" in done.stderr


def test_a_codec_that_nobody_records_with_is_refused_by_name(tmp_path):
    path = write_film(tmp_path / "a.mkv", clicks(), RATE_HZ, codec="tta")
    with pytest.raises(RecordingError, match="its sound is coded as tta, which is not read"):
        AudioFile(path)


def test_a_module_beside_the_recording_is_not_taken_for_one_of_ours(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "av.py").write_text("raise SystemExit('taken')")
    samples, _ = read(write_film(tmp_path / "a.m4a", clicks(), RATE_HZ))
    assert len(samples)


def test_nothing_is_loaded_for_it_before_it_is_needed():
    command = [sys.executable, "-c", "import sys, drilltimer.recordings.audio_file; print('av' in sys.modules)"]
    done = subprocess.run(command, capture_output=True, text=True, check=True, timeout=60)
    assert done.stdout == "False\n"
