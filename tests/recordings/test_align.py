"""A recording meets its sheet: clocks made by hand, and the played sound resampled against sines."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
from bursts import burst

from drilltimer.hear.locate import ClockLine
from drilltimer.recordings.segments import TRACE_RATE_HZ, Contact
from drilltimer.recordings.sheet_search import Trace, align
from drilltimer.recordings.warp import ClockMap, warp_played

RATE_HZ = 16_000
CUE = burst(seed=21)


def fractional(cue, part):
    """`cue` with room around it, delayed by a part of a sample."""
    padded = np.zeros(1024)
    padded[100 : 100 + len(cue)] = cue
    return np.fft.irfft(np.fft.rfft(padded) * np.exp(-2j * np.pi * np.fft.rfftfreq(1024) * part))


def sounding(times_s, seconds, noise, seed=1):
    signal = noise * np.random.default_rng(seed).standard_normal(round(seconds * RATE_HZ))
    for time_s in times_s:
        whole, part = divmod(time_s * RATE_HZ, 1.0)
        first = int(whole) - 100
        if first >= 0 and first + 1024 <= len(signal):
            signal[first : first + 1024] += fractional(CUE, part)
    return signal


def trace_of(signal):
    trace = Trace(RATE_HZ, [CUE])
    for start in range(0, len(signal), 5 * RATE_HZ):
        trace.feed(signal[start : start + 5 * RATE_HZ])
    trace.feed(np.zeros(RATE_HZ))
    return trace.values()


def uneven(count, seed, mean_s=3.0):
    return 1.0 + np.cumsum(np.random.default_rng(seed).uniform(0.6 * mean_s, 1.4 * mean_s, count))


@dataclass
class Practice:
    contacts_s: np.ndarray
    recording: np.ndarray

    def align(self, trace=None):
        def read(start, frames):
            out = np.zeros(frames)
            first, last = max(start, 0), min(start + frames, len(self.recording))
            out[first - start : last - start] = self.recording[first:last] if last > first else 0.0
            return out

        contacts = [Contact(float(at_s), CUE) for at_s in self.contacts_s]
        seconds = len(self.recording) / RATE_HZ
        return align(trace_of(self.recording) if trace is None else trace, contacts, read, RATE_HZ, seconds)


def recorded(contacts_s, offset_s, skew_ppm, *, noise=0.1, seconds=None):
    heard_s = (contacts_s + offset_s) * (1.0 + skew_ppm * 1e-6)
    return Practice(contacts_s, sounding(heard_s, seconds or heard_s[-1] + 3.0, noise))


@pytest.mark.parametrize(("offset_s", "skew_ppm"), [(0.2, 300.0), (61.5, -300.0)])
def test_offset_and_skew_are_found(offset_s, skew_ppm):
    found = recorded(uneven(30, 4), offset_s, skew_ppm).align()
    assert found.clock.offset_s == pytest.approx(offset_s, abs=2e-4)
    assert found.clock.skew_ppm == pytest.approx(skew_ppm, abs=1.0)
    assert (found.inside, found.found) == (30, 30)


def test_a_recording_that_began_late_holds_the_rest():
    contacts_s = uneven(30, 5)
    found = recorded(contacts_s, -40.0, 100.0).align()
    assert found.clock.offset_s == pytest.approx(-40.0, abs=2e-4)
    assert found.clock.skew_ppm == pytest.approx(100.0, abs=2.0)
    assert found.inside == int(np.sum(contacts_s > 40.0))
    assert found.found >= found.inside - 1


def test_a_recording_that_ended_early_holds_the_beginning():
    contacts_s = uneven(30, 6)
    found = recorded(contacts_s, 5.0, -200.0, seconds=50.0).align()
    assert found.clock.offset_s == pytest.approx(5.0, abs=3e-4)
    assert found.inside == int(np.sum((contacts_s + 5.0) * (1 - 2e-4) < 50.0))
    assert found.found >= found.inside - 1


def test_contacts_nobody_heard_do_not_matter():
    contacts_s = uneven(30, 7)
    practice = recorded(contacts_s, 12.0, 80.0)
    for at_s in contacts_s[3::4]:
        frame = round((at_s + 12.0) * RATE_HZ)
        practice.recording[frame - 800 : frame + 1600] = 0.1 * np.random.default_rng(1).standard_normal(2400)
    found = practice.align()
    assert found.clock.offset_s == pytest.approx(12.0, abs=2e-4)
    assert found.clock.skew_ppm == pytest.approx(80.0, abs=1.0)
    assert found.found == 30 - len(contacts_s[3::4])


@pytest.mark.parametrize("which", ["noise", "another sheet", "silence"])
def test_the_wrong_sheet_does_not_fit(which):
    contacts_s = uneven(25, 8)
    practice = recorded(contacts_s, 2.0, 0.0)
    if which == "noise":
        practice.recording = 0.1 * np.random.default_rng(3).standard_normal(80 * RATE_HZ)
    elif which == "silence":
        practice.recording = np.zeros(80 * RATE_HZ)
    else:
        practice.contacts_s = uneven(25, 99)
    assert practice.align() is None


# ---------------------------------------------------------------- one clock line


def test_the_clock_line_shrugs_off_strays():
    line = ClockLine()
    rng = np.random.default_rng(2)
    times = np.arange(40) * 100_000.0
    lags = 7200.0 + 50e-6 * times + rng.normal(0.0, 0.2, 40)
    lags[[5, 11, 30]] += [900.0, -1500.0, 400.0]
    line.put(zip(times, lags, strict=True))
    assert line.slope * 1e6 == pytest.approx(50.0, abs=0.2)
    assert line.lag(2_000_000.0) == pytest.approx(7300.0, abs=0.2)
    assert line.spread == pytest.approx(0.2, abs=0.05)


def test_the_clock_line_knows_when_it_knows_nothing():
    line = ClockLine()
    assert line.lag(0.0) is None
    line.put([(0.0, 10.0), (5.0, 10.0)])
    assert line.lag(100.0) == pytest.approx(10.0)
    assert not line.settled
    line.put([(10.0, 10.0)])
    assert line.settled
    line.restart()
    assert line.lag(0.0) is None


# ---------------------------------------------------------------- two clocks made one


@pytest.mark.parametrize("clock", [ClockMap(3.25, 180.0), ClockMap(-12.0, -300.0), ClockMap(0.0, 0.0)])
def test_a_clock_map_goes_there_and_back(clock):
    for time_s in (0.0, 1.5, 3600.0):
        assert clock.played_s(clock.recorded_s(time_s)) == pytest.approx(time_s, abs=1e-9)
    by_hand = (100.0 + clock.offset_s) * (1.0 + clock.skew_ppm / 1e6)
    assert clock.recorded_s(100.0) == pytest.approx(by_hand, abs=1e-12)


@pytest.mark.parametrize(
    ("played_rate_hz", "rate_hz"), [(48_000, 48_000), (48_000, 44_100), (22_050, 48_000), (48_000, 16_000)]
)
@pytest.mark.parametrize("skew_ppm", [300.0, -120.0])
def test_a_played_sine_is_the_same_sine_on_the_recordings_clock(played_rate_hz, rate_hz, skew_ppm):
    clock = ClockMap(0.7321, skew_ppm)
    first, frames = 2 * rate_hz + 17, 4000
    times_s = np.arange(first, first + frames) / rate_hz

    def read(start, count):
        wave = np.sin(2 * np.pi * frequency_hz * np.arange(start, start + count) / played_rate_hz)
        return np.column_stack([0.25 * wave, 0.75 * wave]).astype(np.float32)

    for frequency_hz in (200.0, 1000.0, 4000.0):
        warped = warp_played(read, played_rate_hz, first, frames, rate_hz, clock)
        assert warped.shape == (frames, 1)
        by_hand = np.sin(2 * np.pi * frequency_hz * (times_s / (1 + skew_ppm * 1e-6) - 0.7321))
        np.testing.assert_allclose(warped[200:-200, 0], by_hand[200:-200], atol=0.01)


@pytest.mark.parametrize(("frequency_hz", "left"), [(6000.0, 1.0), (9000.0, 0.0), (10_000.0, 0.0)])
def test_what_a_recording_s_rate_cannot_hold_does_not_come_back_as_another_tone(frequency_hz, left):
    def read(start, count):
        return np.sin(2 * np.pi * frequency_hz * np.arange(start, start + count) / 48_000)[:, None].astype(np.float32)

    warped = warp_played(read, 48_000, 32_017, 4000, 16_000, ClockMap(0.7321, 120.0))
    assert np.abs(warped[200:-200]).max() == pytest.approx(left, abs=0.005)


def test_a_coarse_played_sound_is_interpolated_up_to_where_contacts_reach():
    def read(start, count):
        return np.sin(2 * np.pi * 7000.0 * np.arange(start, start + count) / 22_050)[:, None].astype(np.float32)

    warped = warp_played(read, 22_050, 96_017, 4000, 48_000, ClockMap(0.0, 0.0))
    by_hand = np.sin(2 * np.pi * 7000.0 * np.arange(96_017, 100_017) / 48_000)
    np.testing.assert_allclose(warped[200:-200, 0], by_hand[200:-200], atol=0.005)


def test_pieces_of_a_warped_sound_join_without_a_seam():
    clock = ClockMap(1.3, 250.0)
    sound = np.random.default_rng(1).standard_normal((200_000, 1)).astype(np.float32)

    def read(start, count):
        out = np.zeros((count, 1), np.float32)
        first, last = max(start, 0), min(start + count, len(sound))
        if first < last:
            out[first - start : last - start] = sound[first:last]
        return out

    whole = warp_played(read, 48_000, 100_000, 6000, 44_100, clock)
    parts = [warp_played(read, 48_000, 100_000 + at, 1500, 44_100, clock) for at in range(0, 6000, 1500)]
    np.testing.assert_allclose(np.concatenate(parts), whole, atol=1e-3)


def test_outside_of_the_played_sound_is_silence():
    warped = warp_played(
        lambda start, count: np.zeros((count, 2), np.float32), 48_000, 0, 500, 44_100, ClockMap(9.0, 0.0)
    )
    assert warped.shape == (500, 1)
    assert not warped.any()


def test_an_echo_that_stands_out_more_is_not_taken_for_the_contacts():
    contacts_s, late_s = uneven(15, 9), 0.081
    practice = recorded(contacts_s, 2.0, 0.0)
    signal = practice.recording
    signal += 0.4 * sounding(contacts_s[:11] + 2.0 + late_s, len(signal) / RATE_HZ, 0.0)
    trace = trace_of(signal)
    cells = np.round((contacts_s + 2.0) * TRACE_RATE_HZ).astype(int)
    later = np.round((contacts_s + 2.0 + late_s) * TRACE_RATE_HZ).astype(int)
    for shift in (-1, 0, 1):  # as where a loud noise lies under the first arrivals
        trace[cells + shift] = np.minimum(trace[cells + shift], 4.0)
        trace[later + shift] = 6.0
    found = practice.align(trace)
    assert found.found == 15
    assert found.clock.recorded_s(10.0) == pytest.approx(12.0, abs=1e-4)
