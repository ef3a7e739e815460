"""Programme loudness against EBU Tech 3341, a library, and itself cut into other blocks."""

from __future__ import annotations

import numpy as np
import pyloudnorm
import pytest

from drilltimer.sound.loudness import LoudnessMeter, k_weighting, loudness_lufs
from drilltimer.units import ratio_from_db


def lufs(samples, rate_hz=48_000, block=4800):
    meter = LoudnessMeter(rate_hz, samples.shape[1])
    for start in range(0, len(samples), block):
        meter.feed(samples[start : start + block])
    return meter.lufs()


def tone(*steps, rate_hz=48_000):
    """1 kHz in both channels, at (level in dBFS, seconds) one after the other."""
    frames = sum(round(seconds * rate_hz) for _, seconds in steps)
    level = np.concatenate([np.full(round(s * rate_hz), ratio_from_db(db)) for db, s in steps])
    wave = level * np.sin(2 * np.pi * 1000 * np.arange(frames) / rate_hz)
    return np.column_stack([wave, wave]).astype(np.float32)


@pytest.mark.parametrize(
    ("steps", "expected"),
    [  # EBU Tech 3341 (2016), table 1, test signals 1 to 5 (from memory); tolerance +-0.1 LU
        ([(-23.0, 20)], -23.0),
        ([(-33.0, 20)], -33.0),
        ([(-36.0, 10), (-23.0, 60), (-36.0, 10)], -23.0),
        ([(-72.0, 10), (-36.0, 10), (-23.0, 60), (-36.0, 10), (-72.0, 10)], -23.0),
        ([(-26.0, 20), (-20.0, 20.1), (-26.0, 20)], -23.0),
    ],
)
def test_the_ebus_test_signals_read_what_they_must(steps, expected):
    assert lufs(tone(*steps)) == pytest.approx(expected, abs=0.1)


def test_a_997_hz_sine_at_full_scale_in_one_channel_reads_minus_3_01():
    """ITU-R BS.1770-4, annex 1."""
    wave = np.sin(2 * np.pi * 997 * np.arange(48_000 * 5) / 48_000)[:, None].astype(np.float32)
    assert lufs(wave) == pytest.approx(-3.01, abs=0.02)


def test_the_standards_own_coefficients_come_out_at_48_khz():
    """ITU-R BS.1770-4, annex 1, tables 1 and 2."""
    shelf, low_cut = k_weighting(48_000)
    assert shelf == pytest.approx(
        [1.53512485958697, -2.69169618940638, 1.19839281085285, 1.0, -1.69065929318241, 0.73248077421585], abs=1e-6
    )
    assert low_cut == pytest.approx([1.0, -2.0, 1.0, 1.0, -1.99004745483398, 0.99007225036621], abs=1e-6)


@pytest.mark.parametrize("rate_hz", [8000, 22_050, 44_100, 48_000, 96_000])
@pytest.mark.parametrize("channels", [1, 2])
def test_a_library_agrees_on_noise_that_swells(rate_hz, channels):
    rng = np.random.default_rng(5)
    envelope = np.repeat([0.001, 0.1, 0.3, 0.02, 0.2, 0.0], 2 * rate_hz)
    samples = (envelope[:, None] * rng.standard_normal((len(envelope), channels))).astype(np.float32)
    theirs = pyloudnorm.Meter(rate_hz, filter_class="DeMan").integrated_loudness(samples.astype(np.float64))
    assert lufs(samples, rate_hz) == pytest.approx(theirs, abs=0.05)


def test_blocks_of_any_length_give_the_same_figure():
    samples = (0.1 * np.random.default_rng(1).standard_normal((100_000, 2))).astype(np.float32)
    assert lufs(samples, block=777) == pytest.approx(lufs(samples, block=100_000), abs=1e-9)


@pytest.mark.parametrize("length_s", [0.2, 0.39, 0.4, 0.9, 3.0])
def test_a_word_of_any_length_has_the_loudness_that_a_library_gives_it(length_s):
    frames = round(48_000 * length_s)
    wave = np.hanning(frames) * 0.3 * np.random.default_rng(3).standard_normal(frames)
    block_s = min(0.4, 0.999 * length_s)
    theirs = pyloudnorm.Meter(48_000, filter_class="DeMan", block_size=block_s).integrated_loudness(wave)
    assert loudness_lufs(wave, 48_000) == pytest.approx(theirs, abs=0.05)


def test_silence_and_short_sounds_have_no_loudness():
    assert lufs(np.zeros((48_000, 2), np.float32)) == -np.inf
    assert lufs(tone((-20.0, 0.3))) == -np.inf


def test_the_peak_is_the_greatest_sample():
    meter = LoudnessMeter(48_000, 2)
    meter.feed(np.array([[0.1, -0.7], [0.2, 0.3]], np.float32))
    meter.feed(np.zeros((0, 2), np.float32))
    assert meter.peak == pytest.approx(0.7)
