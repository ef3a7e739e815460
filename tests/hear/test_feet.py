"""Both feet of a landing, in made-up takes whose second foot is where it was put."""

import numpy as np
import pytest

from drilltimer.hear import feet
from drilltimer.hear.feet import cut_pattern, find_second_foot, second_foot_evidence
from drilltimer.hear.onsets import find_candidates

RATE_HZ = 16_000
AT = 16_000


def thud(seed, length_s=0.08):
    """A knock that dies away: a few tones and some noise."""
    rng = np.random.default_rng(seed)
    t = np.arange(round(length_s * RATE_HZ)) / RATE_HZ
    tones = sum(
        np.sin(2 * np.pi * hz * t + rng.uniform(0, 6)) * np.exp(-t / 0.012) for hz in rng.uniform(150.0, 2500.0, 6)
    )
    return tones + rng.normal(size=len(t)) * np.exp(-t / 0.006)


def segment(noise_seed, first, second=None, lag_s=0.03, snr_db=24.0):
    """Two seconds of noise with one landing in it, found rises and the rise that the landing is."""
    signal = np.random.default_rng(noise_seed).normal(size=2 * RATE_HZ)
    gain = 10.0 ** (snr_db / 20.0) / np.abs(first).max()
    signal[AT : AT + len(first)] += gain * first
    if second is not None:
        at = AT + round(lag_s * RATE_HZ)
        signal[at : at + len(second)] += gain * second
    found = find_candidates(signal, (), RATE_HZ)
    return signal, found, min(found.candidates, key=lambda candidate: abs(candidate.at - AT))


def others(*shapes):
    """Other landings of these feet."""
    patterns = []
    for seed in range(50, 56):
        signal, _, candidate = segment(seed, shapes[seed % len(shapes)])
        patterns.append(cut_pattern(signal, candidate.at, RATE_HZ))
    return patterns


@pytest.mark.parametrize("lag_s", [0.014, 0.03, 0.055])
@pytest.mark.parametrize("other_foot", [False, True])
def test_a_second_foot_is_found_where_it_lands_like_the_first_or_like_other_landings(lag_s, other_foot):
    right = 0
    for seed in range(5):
        first = thud(seed)
        second = thud(seed + 20) if other_foot else first
        _, found, candidate = segment(seed, first, second, lag_s)
        told = find_second_foot(found, candidate.at, others(first, second), RATE_HZ)
        right += told is not None and abs((told - candidate.at) / RATE_HZ - lag_s) < 0.003
    assert right >= 4


def test_one_impact_has_no_second_foot():
    made_up = 0
    for seed in range(10):
        first = thud(seed)
        _, found, candidate = segment(seed, first)
        made_up += find_second_foot(found, candidate.at, others(first), RATE_HZ) is not None
    assert made_up <= 1


def test_every_piece_of_evidence_has_a_weight_and_a_value_for_every_place():
    first = thud(1)
    _, found, candidate = segment(1, first, first)
    places, evidence = second_foot_evidence(found, candidate.at, others(first), RATE_HZ)
    assert set(evidence) == set(feet.SECOND_FOOT)
    assert {column.shape for column in evidence.values()} == {places.shape}
    assert np.isfinite(np.array(list(evidence.values()))).all()


def test_a_landing_at_the_end_of_a_take_has_no_second_foot_told():
    signal, _, candidate = segment(1, thud(1))
    short = find_candidates(signal[: AT + 800], (), RATE_HZ)
    at_end = min(short.candidates, key=lambda each: abs(each.at - candidate.at))
    assert find_second_foot(short, at_end.at, [], RATE_HZ) is None
