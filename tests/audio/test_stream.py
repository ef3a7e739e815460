"""The sound card: through a stand-in for PortAudio's Python module, then (marked `audio`) through PortAudio itself."""

import contextlib
import os
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from room_player import make_thud
from words import refused, say

from drilltimer.audio import stream
from drilltimer.audio.stream import SoundCard
from drilltimer.errors import DeviceError
from drilltimer.model import Cue, Sound
from drilltimer.sound.mixer import Mixer

RATE_HZ = 48_000
CUE = Cue("contact", "click", 0.0)


def click(rate_hz=RATE_HZ):
    """10 ms of noise: its autocorrelation has one peak, one sample wide."""
    return Sound("click", np.random.default_rng(3).uniform(-0.5, 0.5, rate_hz // 100).astype(np.float32), rate_hz)


class StandIn:
    """As much of the module `sounddevice` as the card uses; `stream` is the one opened, driven by the test."""

    class PortAudioError(Exception):
        pass

    class CallbackAbort(Exception):
        pass

    def __init__(self):
        self.stream = None
        self.calls = []
        self.refused_rates = set()
        self.on_abort = lambda: None

    def query_devices(self, kind=None):
        device = {
            "name": "desk", "index": 0, "hostapi": 0, "max_input_channels": 2, "max_output_channels": 2,
            "default_samplerate": 44_100.0,
        }  # fmt: skip
        return device if kind else [device]

    def query_hostapis(self):
        return [{"name": "Core"}]

    def _check(self, *, device, channels, dtype, samplerate):
        if samplerate in self.refused_rates:
            raise self.PortAudioError("Invalid sample rate")

    check_input_settings = check_output_settings = _check

    def _terminate(self):
        self.calls.append("terminate")

    def _initialize(self):
        self.calls.append("initialize")

    def Stream(self, **options):
        self.stream = SimpleNamespace(
            options=options,
            active=True,
            start=lambda: self.calls.append("start"),
            stop=lambda: pytest.fail("stop() waits for a device that may be gone"),
            abort=lambda ignore_errors: (self.calls.append("abort"), self.on_abort()),
            close=lambda ignore_errors: self.calls.append("close"),
        )
        return self.stream

    def deliver(self, heard, adc_s, **flags):
        """One callback, as PortAudio's thread would make it; returns what is played."""
        names = ("input_overflow", "input_underflow", "output_underflow", "output_overflow", "priming_output")
        status = Flags(**{name: flags.get(name, False) for name in names})
        channels = self.stream.options["channels"][1]
        out = np.full((len(heard), channels), np.nan, np.float32)
        stamps = SimpleNamespace(inputBufferAdcTime=adc_s, outputBufferDacTime=adc_s + 0.1)
        self.stream.options["callback"](heard, out, len(heard), stamps, status)
        return out


class Flags(SimpleNamespace):
    def __bool__(self):
        return any(vars(self).values())


@pytest.fixture
def portaudio(monkeypatch):
    stand_in = StandIn()
    monkeypatch.setitem(sys.modules, "sounddevice", stand_in)
    monkeypatch.setattr(stream, "_open_cards", 0)
    return stand_in


@pytest.fixture
def quick(card, monkeypatch):
    """Waits for a callback cost no time and find none."""
    monkeypatch.setattr(card._fresh, "wait", lambda timeout: card._fresh.is_set())


@pytest.fixture
def card(portaudio):
    card = SoundCard()
    card.start()
    yield card
    card.close()


BLOCK_S = 0.02


def deliver(portaudio, card, count, *, first=0, shift_s=0.0, level=0.25, **flags):
    frames = round(BLOCK_S * card.rate_hz)
    heard = np.full((frames, card.input_channels), level, np.float32)
    return [portaudio.deliver(heard, 7.0 + k * BLOCK_S + shift_s, **flags) for k in range(first, first + count)]


def test_the_device_gives_its_own_rate_and_channels(portaudio, card):
    assert (card.rate_hz, card.input_channels, card.output_channels) == (44_100, 1, 2)
    assert portaudio.stream.options["blocksize"] == 0
    assert portaudio.stream.options["latency"] == pytest.approx(0.1)


def test_a_rate_that_one_side_refuses_is_passed_over(portaudio):
    portaudio.refused_rates = {44_100}
    card = SoundCard()
    assert card.rate_hz == 48_000
    card.close()


def test_latency_that_would_lose_blocks_is_refused(portaudio):
    with pytest.raises(DeviceError, match=r"latency of 0\.01 s"):
        SoundCard(latency_s=0.01)


def test_what_is_played_is_what_the_mixer_says(portaudio, card):
    sound = click(card.rate_hz)
    card.play(1000, sound, Cue("call", "left", 0.0, pan=-1.0, gain_db=-6.0))
    out = np.concatenate(deliver(portaudio, card, 4))
    mixer = Mixer(card.rate_hz, 2)
    mixer.add(1000, sound, pan=-1.0, gain_db=-6.0)
    np.testing.assert_array_equal(out, mixer.mix(0, len(out)))
    assert out[1000:1441, 0].any()
    played = np.concatenate([card.read().played for _ in range(4)])
    np.testing.assert_array_equal(played, out)


def test_frames_are_counted_from_zero_without_a_gap(portaudio, card):
    deliver(portaudio, card, 3)
    blocks = [card.read() for _ in range(3)]
    assert [block.start for block in blocks] == [0, 882, 1764]
    assert [block.xrun for block in blocks] == [False] * 3
    assert card.health().blocks == 3
    assert card.health().xruns == 0


@pytest.mark.parametrize("flag", ["input_overflow", "input_underflow", "output_underflow", "output_overflow"])
def test_a_flag_marks_its_block_and_is_counted(portaudio, card, flag):
    deliver(portaudio, card, 1)
    deliver(portaudio, card, 1, first=1, **{flag: True})
    deliver(portaudio, card, 1, first=2)
    assert [card.read().xrun for _ in range(3)] == [False, True, False]
    assert card.health().xruns == 1


def test_output_that_is_only_being_primed_loses_nothing(portaudio, card):
    deliver(portaudio, card, 1, priming_output=True)
    assert not card.read().xrun
    assert card.health().xruns == 0


def test_a_step_of_the_stamps_without_a_flag_marks_the_block_after_it(portaudio, card):
    deliver(portaudio, card, 2)
    deliver(portaudio, card, 2, first=2, shift_s=0.021)
    assert [card.read().xrun for _ in range(4)] == [False, False, True, False]
    assert card.health().xruns == 1


def test_a_reader_too_slow_is_told_which_frames_it_lost(portaudio, card):
    count = round(12.0 / BLOCK_S)  # 10 s fit
    deliver(portaudio, card, count)
    blocks = [card.read() for _ in range(500)]
    assert not any(block.xrun for block in blocks)
    deliver(portaudio, card, 1, first=count)
    blocks += [card.read() for _ in range(2 * (count - 500) + 1)]  # what is lost comes as silence, 10 ms at a time
    assert [block.start for block in blocks[:501]] == [882 * k for k in range(501)]
    assert [block.start for block in blocks[500:]] == [441 * k for k in range(2 * 500, 2 * count + 1)]
    assert all(block.xrun for block in blocks[500:])
    assert not blocks[500].samples.any()
    assert blocks[-1].samples.all()
    assert card.health().xruns == count - 500
    assert any(
        say(note).startswith("blocks dropped") and say(note).endswith(f": {count - 500}")
        for note in card.health().notes
    )


def test_small_blocks_are_read_together(portaudio, card):
    for k in range(10):
        portaudio.deliver(np.ones((100, 1), np.float32), 7.0 + k * 100 / card.rate_hz)
    assert len(card.read().samples) == 500  # 10 ms and what is left of the last one


def test_a_stream_that_stops_calling_back_is_lost(portaudio, card, quick):
    deliver(portaudio, card, 1)
    assert card.read().start == 0
    with refused(DeviceError, r"no sound came for 0\.5 s"):
        card.read()


def test_a_stream_that_never_begins_is_lost_later(portaudio, card, quick):
    with refused(DeviceError, "delivered nothing within 3 s"):
        card.read()


def test_a_stream_that_ended_gives_its_last_frames_first(portaudio, card, quick):
    deliver(portaudio, card, 1)
    portaudio.deliver(np.ones((5, 1), np.float32), 7.02)
    portaudio.stream.options["finished_callback"]()
    assert [len(card.read().samples) for _ in range(2)] == [882, 5]
    with refused(DeviceError, "ended by itself"):
        card.read()


def test_an_input_that_the_driver_reports_missing_is_lost(portaudio, card):
    deliver(portaudio, card, 30, level=0.0, input_underflow=True)
    with refused(DeviceError, "microphone delivers nothing"):
        gather(card, 31 * 882)


def test_zeros_are_reported_and_not_refused(portaudio, card):
    deliver(portaudio, card, 170, level=0.0)
    for _ in range(170):
        card.read()
    assert any("exact zeros" in say(note) for note in card.health().notes)


def test_three_seconds_of_sound_leave_no_note(portaudio, card):
    deliver(portaudio, card, 170, level=1e-6)
    for _ in range(170):
        card.read()
    assert card.health().notes == ()


def test_a_fault_of_ours_in_the_callback_is_not_blamed_on_the_device(portaudio, card, monkeypatch):
    def broken(*_):
        raise ZeroDivisionError("in the mixer")

    monkeypatch.setattr(card._mixer, "mix", broken)
    with pytest.raises(StandIn.CallbackAbort):
        deliver(portaudio, card, 1)
    with pytest.raises(ZeroDivisionError, match="in the mixer"):
        card.read()


def test_close_aborts_never_stops_and_does_so_once(portaudio):
    card = SoundCard()
    card.close()
    card.close()
    assert portaudio.calls == ["terminate", "initialize", "abort", "close"]
    with pytest.raises(DeviceError, match="closed"):
        card.read()


def test_close_does_not_wait_for_a_stuck_device_and_leaves_portaudio_alone_then(portaudio, monkeypatch):
    monkeypatch.setattr(stream, "CLOSE_LIMIT_S", 0.05)
    stuck, returned = threading.Event(), []
    portaudio.on_abort = lambda: returned.append(stuck.wait(60.0))
    SoundCard().close()
    assert not returned
    SoundCard().close()
    assert portaudio.calls.count("terminate") == 1  # restarting PortAudio under a stuck stream could hang for good
    stuck.set()


def test_a_device_that_does_not_open_is_one_error(portaudio, monkeypatch, capfd):
    def refuse(**_):
        raise StandIn.PortAudioError("Device unavailable")

    monkeypatch.setattr(portaudio, "Stream", refuse)
    with pytest.raises(DeviceError, match=r"cannot open 'Core: desk'.*Device unavailable"):
        SoundCard()
    os.write(2, b"descriptor 2 leads to the terminal again")
    assert capfd.readouterr().err == "descriptor 2 leads to the terminal again"


# --- real PortAudio on the virtual sound card ----------------------------------------------------------------------


@contextlib.contextmanager
def opened(*names, **options):
    card = SoundCard(*(names or ("dt_room", "dt_room")), **{"output_channels": 1} | options)
    try:
        card.start()
        yield card
    finally:
        card.close()


def gather(card, frames):
    """Blocks of at least `frames` frames, joined: heard, played, whether sound was lost."""
    blocks = []
    while sum(len(block.samples) for block in blocks) < frames:
        blocks.append(card.read())
    return (
        np.concatenate([block.samples for block in blocks]),
        np.concatenate([block.played for block in blocks]),
        any(block.xrun for block in blocks),
    )


def arrival(heard, sound, after, within):
    """Frame at which `sound` arrives, searched `within` frames from frame `after`."""
    match = np.correlate(heard[after : after + within + len(sound.samples), 0], sound.samples, "valid")
    return after + int(np.argmax(match))


@pytest.mark.audio
def test_a_click_is_heard_at_one_constant_lag(sound_card):
    starts = [12_000, 31_001, 50_007, 77_777]
    for _ in range(3):  # a busy machine may lose sound; the stream says so, and then the lag may step
        with opened() as card:
            for start in starts:
                card.play(start, click(), CUE)
            heard, played, lost = gather(card, 100_000)
        if not lost:
            break
    assert not lost
    mixer = Mixer(RATE_HZ, 1)
    for start in starts:
        mixer.add(start, click())
    np.testing.assert_array_equal(played, mixer.mix(0, len(played)))
    lags = [arrival(heard, click(), start, 18_000) - start for start in starts]
    assert max(lags) == min(lags)
    assert 2_000 < lags[0] < 18_000


@pytest.mark.audio
@pytest.mark.parametrize("rate_hz", [44_100, 96_000])
def test_other_rates_open_and_hear(sound_card, rate_hz):
    t = np.arange(rate_hz // 50) / rate_hz
    sweep = 0.5 * np.hanning(t.size) * np.sin(2 * np.pi * (500 + 80_000 * t) * t)  # 0.5 to 3.7 kHz: passes resampling
    sound = Sound("sweep", sweep.astype(np.float32), rate_hz)
    with opened(rate_hz=rate_hz) as card:
        assert card.rate_hz == rate_hz
        card.play(rate_hz // 2, sound, CUE)
        heard, _, _ = gather(card, rate_hz + rate_hz // 2)
    at = arrival(heard, sound, rate_hz // 2, rate_hz // 2)
    part = heard[at : at + len(sound.samples), 0]
    assert np.corrcoef(part, sound.samples)[0, 1] > 0.98


@pytest.mark.audio
def test_both_sides_of_a_stereo_output_are_heard(sound_card):
    with opened(output_channels=2) as card:
        card.play(12_000, click(), Cue("call", "left", 0.0, pan=-1.0))
        card.play(40_000, click(), Cue("call", "right", 0.0, pan=1.0))
        heard, played, _ = gather(card, 72_000)
    assert np.abs(played[12_000:12_480]).max(axis=0) == pytest.approx([0.5 * 2**0.5 * 10 ** (-5 / 20), 0], rel=0.02)
    assert np.abs(played[40_000:40_480]).max(axis=0) == pytest.approx([0, 0.5 * 2**0.5 * 10 ** (-5 / 20)], rel=0.02)
    left, right = (np.abs(heard[a : a + 28_000]).max() for a in (12_000, 40_000))
    assert left == pytest.approx(right, rel=0.05)
    assert left > 0.02


@pytest.mark.audio
@pytest.mark.parametrize(
    ("accident", "reason"),
    [
        (("crash",), "ended by itself"),
        (("freeze",), "no sound came"),
        (("unplug", "speaker"), "no sound came"),
        (("unplug", "mic"), "microphone delivers nothing"),
    ],
)
def test_a_lost_device_is_noticed_and_comes_back(sound_card, accident, reason):
    with opened() as card:
        gather(card, 24_000)
        sound_card(*accident)
        with refused(DeviceError, reason):
            gather(card, 5 * RATE_HZ)
    sound_card("restart")
    with opened() as card:
        card.play(9_600, click(), CUE)
        heard, _, _ = gather(card, 36_000)
    assert np.abs(heard).max() > 0.02


@pytest.mark.audio
def test_a_microphone_gone_silent_is_noted(sound_card):
    with opened() as card:
        card.play(4_800, click(), CUE)
        gather(card, 24_000)
        assert card.health().notes == ()
        sound_card("unplug", "cable")
        gather(card, 200_000)
        assert any("exact zeros" in say(note) for note in card.health().notes)


@pytest.mark.audio
def test_a_server_that_dies_leaves_the_terminal_clean(sound_card):
    program = """
import sys
from drilltimer.audio.stream import SoundCard
from drilltimer.errors import DeviceError
from drilltimer.ui.wording import english
card = SoundCard("dt_room", "dt_room")
card.start()
card.read()
print("runs", flush=True)
try:
    while True:
        card.read()
except DeviceError as lost:
    print(english().tell(lost.what), file=sys.stderr)
card.close()
print("end", file=sys.stderr)
"""
    process = subprocess.Popen(
        [sys.executable, "-c", program], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=os.environ
    )
    try:
        assert process.stdout.readline() == "runs\n"
        sound_card("crash")
        _, errors = process.communicate(timeout=15)
    finally:
        process.kill()
    first, second = errors.splitlines()
    assert first.startswith("lost the sound device")
    assert second == "end"


@pytest.mark.audio
def test_ctrl_c_ends_a_wait_and_the_stream_still_closes(sound_card):
    program = """
from drilltimer.audio.stream import SoundCard
card = SoundCard("dt_room", "dt_room")
card.start()
try:
    while True:
        block = card.read()
        if block.start == 0:
            print("runs", flush=True)
except KeyboardInterrupt:
    card.close()
    print("closed after", card.health().blocks > 0, flush=True)
"""
    process = subprocess.Popen(
        [sys.executable, "-c", program], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=os.environ
    )
    try:
        assert process.stdout.readline() == "runs\n"
        time.sleep(0.2)
        process.send_signal(signal.SIGINT)
        out, errors = process.communicate(timeout=5)
    finally:
        process.kill()
    assert (out, errors, process.returncode) == ("closed after True\n", "", 0)


def play_with_player(starts, *delays_ms):
    """One run with a player process in the room: what was heard, whether sound was lost, the player's last word."""
    player = subprocess.Popen(
        [sys.executable, str(Path(__file__).parents[1] / "room_player.py"), *delays_ms, "--second-foot", "60"],
        stdout=subprocess.PIPE,
        text=True,
    )
    try:
        assert player.stdout.readline() == "ready\n"
        with opened() as card:
            for start in starts:
                card.play(start, click(), CUE)
            heard, _, lost = gather(card, starts[-1] + 40_000)
    finally:
        player.terminate()
        said, _ = player.communicate(timeout=5)
    return heard, lost, said


@pytest.mark.audio
def test_the_player_in_the_room_lands_when_told(sound_card):
    starts = [24_000, 60_000, 96_000, 132_000]
    for _ in range(3):  # see above
        heard, lost, said = play_with_player(starts, "150", "210")
        if not lost:
            break
    assert (lost, said) == (False, "heard 4\n")
    thud = Sound("thud", make_thud(), RATE_HZ)
    feet_ms = []
    for start in starts:
        contact = arrival(heard, click(), start, 14_000)
        first = arrival(heard, thud, contact + 2_400, 14_000)
        second = arrival(heard, thud, first + 1_440, 4_800)
        feet_ms.append([(foot - contact) / RATE_HZ * 1e3 for foot in (first, second)])
    np.testing.assert_allclose(feet_ms, [[150, 210], [210, 270], [150, 210], [210, 270]], atol=1.0)
