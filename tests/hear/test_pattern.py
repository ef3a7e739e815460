"""Likeness of sounds: the same sound again is found where it is, and noise is like nothing."""

import numpy as np
import pytest

from drilltimer.hear.feet import cut_pattern, keep_landing, likeness_to_itself, likeness_to_others
from drilltimer.hear.picture import PREDICTOR

RATE_HZ = 16_000.0
START, LAG = 5000, 480
LAGS = np.arange(96, 1472)
PLAIN = np.array([1.0])


@pytest.fixture
def thud():
    times_s = np.arange(800) / RATE_HZ
    noise = np.random.default_rng(1).standard_normal(800)
    return noise * np.exp(-times_s / 0.012)


def segment(thud, *places, noise=0.05, seed=2):
    signal = noise * np.random.default_rng(seed).standard_normal(12_000)
    for place in places:
        signal[place : place + len(thud)] += thud
    return signal


def test_the_same_thud_again_is_most_like_the_first(thud):
    scores = likeness_to_itself(segment(thud, START, START + LAG), START, LAGS, RATE_HZ)
    assert LAGS[np.argmax(scores)] == LAG
    assert scores.max() > 3.0 * np.delete(scores, np.s_[LAG - 116 : LAG - 76]).max()


def test_nothing_is_like_a_thud_alone(thud):
    scores = likeness_to_itself(segment(thud, START), START, LAGS, RATE_HZ)
    assert scores.max() < 0.6


def test_another_landing_shows_where_the_second_foot_is(thud):
    signal = segment(thud, START, START + LAG)
    other = cut_pattern(segment(thud, 700, seed=3), 700.0, RATE_HZ)
    scores = likeness_to_others(signal, START, LAGS, [other], PLAIN, RATE_HZ)
    assert LAGS[np.argmax(scores)] == LAG


def test_likeness_to_others_is_the_plain_normalised_correlation(thud):
    signal = segment(thud, START, START + LAG)
    other = cut_pattern(segment(thud, 700, seed=3), 700.0, RATE_HZ)[PREDICTOR:].astype(float)
    lengths = [round(s * RATE_HZ) for s in (0.008, 0.016, 0.030)]
    want = np.zeros(len(LAGS))
    for length in lengths:
        piece = signal[START + LAGS[0] : START + LAGS[-1] + length]
        windows = np.lib.stride_tricks.sliding_window_view(piece, length)
        norms = np.linalg.norm(windows, axis=1) * np.linalg.norm(other[:length])
        alike = windows @ other[:length] / norms
        z = np.arctanh(np.clip(alike, -0.99, 0.99)) * np.sqrt(length / (0.008 * RATE_HZ))
        want = np.maximum(want, z)
    raw = cut_pattern(segment(thud, 700, seed=3), 700.0, RATE_HZ)
    np.testing.assert_allclose(likeness_to_others(signal, START, LAGS, [raw], PLAIN, RATE_HZ), want, atol=1e-6)


def test_without_others_there_is_no_likeness(thud):
    assert not likeness_to_others(segment(thud, START), START, LAGS, [], PLAIN, RATE_HZ).any()


def test_a_take_that_ends_too_soon_says_nothing(thud):
    signal = segment(thud, START)[: START + 900]
    assert not likeness_to_itself(signal, START, LAGS, RATE_HZ).any()
    assert not likeness_to_others(signal, START, LAGS, [np.ones(504)], PLAIN, RATE_HZ).any()


def test_a_pattern_is_not_cut_at_an_edge(thud):
    signal = segment(thud, START)
    assert cut_pattern(signal, PREDICTOR - 1.0, RATE_HZ) is None
    assert cut_pattern(signal, len(signal) - 100.0, RATE_HZ) is None
    kept = cut_pattern(signal, float(START), RATE_HZ)
    np.testing.assert_allclose(kept[PREDICTOR:], signal[START : START + 480], rtol=1e-6)


def test_the_frequencies_of_the_landing_are_kept_and_the_others_lowered():
    times_s = np.arange(800) / RATE_HZ
    tone = 4.0 * np.sin(2 * np.pi * 400.0 * times_s) * np.exp(-times_s / 0.03)
    signal = segment(tone, START, noise=0.3)
    clean = keep_landing(signal, START, RATE_HZ)
    power, before = (np.abs(np.fft.rfft(x[START : START + 800])) ** 2 for x in (clean, signal))
    hz = np.fft.rfftfreq(800, 1.0 / RATE_HZ)
    at_tone, above = (hz > 350) & (hz < 450), hz > 2500
    assert 0.7 < power[at_tone].sum() / before[at_tone].sum() < 1.02
    assert power[above].sum() < 0.3 * before[above].sum()
    together = np.correlate(clean, signal[20:-20], "valid")
    assert np.argmax(together) == 20  # zero phase: nothing moves
