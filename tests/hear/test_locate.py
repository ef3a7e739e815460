"""Arrivals of a known sound against delays put there by a phase ramp of our own."""

from __future__ import annotations

import numpy as np
import pytest
from bursts import burst

from drilltimer.hear.locate import NEAR_SHARE, Arrival, locate_cue

TEMPLATE = burst()


def placed(at, gain=1.0, frames=6000, template=TEMPLATE):
    """The template delayed by `at` samples, whole or not, in silence."""
    padded = np.zeros(2 * frames)
    padded[: len(template)] = gain * template
    ramp = np.exp(-2j * np.pi * np.fft.rfftfreq(len(padded)) * at)
    return np.fft.irfft(np.fft.rfft(padded) * ramp)[:frames]


def noise(level, seed, frames=6000):
    return level * np.random.default_rng(1000 + seed).standard_normal(frames)  # never the burst's own numbers


def test_a_far_louder_copy_beyond_reach_hides_nothing():
    signal = placed(1000.3) + placed(4000.6, gain=10.0)
    assert locate_cue(signal, TEMPLATE, expected=900.0, within=300.0).lag == pytest.approx(1000.3, abs=0.05)


@pytest.mark.parametrize("at", [40.0, 1000.0, 1234.25, 2000.5, 3333.71, 5400.999])
def test_a_delay_is_found_to_a_fraction_of_a_sample(at):
    arrival = locate_cue(placed(at), TEMPLATE)
    assert arrival.heard()
    assert arrival.lag == pytest.approx(at, abs=0.05)  # 3 us


def test_delaying_by_whole_samples_moves_the_arrival_by_as_many():
    signal = placed(1000.37) + noise(0.02, 5)
    here = locate_cue(signal, TEMPLATE).lag
    there = locate_cue(np.concatenate([np.zeros(77), signal]), TEMPLATE).lag
    assert there - here == pytest.approx(77.0, abs=1e-3)


@pytest.mark.parametrize("gain", [1e-4, 1.0, 1e3])
def test_loudness_does_not_matter(gain):
    arrival = locate_cue(gain * (placed(900.6) + noise(0.02, 3)), TEMPLATE)
    assert arrival.lag == pytest.approx(locate_cue(placed(900.6) + noise(0.02, 3), TEMPLATE).lag, abs=1e-6)


@pytest.mark.parametrize("reflection", [0.5, 1.0, 1.6])
def test_the_first_arrival_counts_though_a_reflection_be_stronger(reflection):
    signal = placed(1500.4) + placed(1561.0, reflection) + placed(1640.2, 0.7 * reflection)
    assert locate_cue(signal, TEMPLATE).lag == pytest.approx(1500.4, abs=0.3)


def test_what_is_far_weaker_than_the_strongest_is_no_first_arrival():
    assert locate_cue(placed(1500.0, 0.3) + placed(1700.0), TEMPLATE).lag == pytest.approx(1700.0, abs=0.1)


def test_an_expected_place_on_a_reflection_does_not_make_it_the_first_arrival():
    signal = placed(1500.4) + placed(1561.0, 1.6)
    assert locate_cue(signal, TEMPLATE, expected=1561.0).lag == pytest.approx(1500.4, abs=0.3)


@pytest.mark.parametrize(
    ("ratio", "share", "heard", "heard_near"),
    [(5.5, 0.3, True, True), (5.4, 0.3, False, False), (5.5, 0.29, False, True), (99.0, 0.05, False, False)],
)
def test_a_cue_is_heard_by_both_its_peak_and_its_share_of_the_power(ratio, share, heard, heard_near):
    arrival = Arrival(0.0, ratio, share, 1.0)
    assert (arrival.heard(), arrival.heard(NEAR_SHARE)) == (heard, heard_near)


def test_of_two_equal_cues_the_one_near_the_expected_place_is_ours():
    signal = placed(1000.3) + placed(4000.6)
    assert locate_cue(signal, TEMPLATE, expected=900.0).lag == pytest.approx(1000.3, abs=0.05)
    assert locate_cue(signal, TEMPLATE, expected=4100.0).lag == pytest.approx(4000.6, abs=0.05)


def test_noise_alone_is_not_heard():
    ratios = [locate_cue(noise(1.0, seed), TEMPLATE).ratio for seed in range(60)]
    assert not any(locate_cue(noise(1.0, seed), TEMPLATE).heard() for seed in range(60))
    assert 2.0 < max(ratios) < 5.5  # and the limit is not far off: it would be useless at a hundred


def test_another_sound_is_not_heard_as_ours():
    other = burst(seed=9)
    signal = placed(2000.0, template=other) + noise(0.2 * np.std(other), 4)
    right = locate_cue(signal, other)
    wrong = locate_cue(signal, TEMPLATE)
    assert right.heard()
    assert right.ratio > 2 * wrong.ratio


def test_the_stated_uncertainty_is_the_real_one():
    """Scatter over 150 noises, against the sigma that each arrival states for itself, at several noise levels."""
    for level in (0.05, 0.15):
        errors, sigmas = [], []
        for seed in range(150):
            arrival = locate_cue(placed(2000.5) + noise(level * np.abs(TEMPLATE).max(), seed), TEMPLATE)
            errors.append(arrival.lag - 2000.5)
            sigmas.append(arrival.uncertainty)
        assert abs(float(np.mean(errors))) < 0.1
        assert 0.5 < float(np.std(errors)) / float(np.median(sigmas)) < 2.0


@pytest.mark.parametrize(
    ("signal", "template"),
    [
        (np.zeros(2000), TEMPLATE),
        (placed(100.0), np.zeros(300)),
        (TEMPLATE, TEMPLATE),
        (TEMPLATE[:100], TEMPLATE),
        (np.zeros(0), np.zeros(0)),
    ],
    ids=["silence", "silent cue", "no room to slide", "too short", "nothing"],
)
def test_where_nothing_can_be_told_nothing_is(signal, template):
    assert locate_cue(signal, template) is None
