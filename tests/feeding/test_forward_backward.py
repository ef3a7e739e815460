"""Sums over all readings of a sequence, beside every reading written out, and beside themselves from the other end."""

from __future__ import annotations

import math
from itertools import product

import numpy as np
import pytest

from drilltimer.feeding import forward_backward as chain
from drilltimer.feeding.forward_backward import PAUSE_TAUS_S, REACH, Chain

LEAST_S = 0.8


def made(n, size, seed, length_s=4.0):
    rng = np.random.default_rng(seed)
    times_s = np.sort(rng.uniform(0.0, length_s, n))
    steps = np.zeros((n, size, REACH, size))
    for i in range(n):
        behind = min(i, REACH)
        steps[i, :, REACH - behind :, :] = rng.exponential(0.7, (size, behind, size))
    emissions = rng.lognormal(0.0, 1.5, (size, n))
    ends = rng.uniform(0.0, 0.3, size)
    begins = np.eye(size)[0] * 0.6 + np.eye(size)[-1] * 0.4
    return Chain(times_s, emissions, steps, begins, ends, LEAST_S)


def pause(lasted_s):
    if lasted_s < LEAST_S:
        return 0.0
    return sum(share / tau * math.exp(-(lasted_s - LEAST_S) / tau) for share, tau in PAUSE_TAUS_S)


def opening(since_s, begins):
    waited = sum(share / tau * math.exp(-since_s / tau) for share, tau in PAUSE_TAUS_S)
    return waited * (begins + (0.1 if since_s < 2.0 else 0.0))


def weight_of(made_chain, states):
    """One reading, written out: each impact is a state's number, or None for background."""
    times_s = made_chain.times_s
    weight, before = 1.0, None
    for i, state in enumerate(states):
        if state is None:
            continue
        if before is None:
            into = opening(times_s[i] - times_s[0], made_chain.begins[state])
        else:
            j, last = before
            into = made_chain.steps[i, state, REACH - (i - j), last]
            into += made_chain.ends[last] * pause(times_s[i] - times_s[j]) * made_chain.begins[state]
        weight *= into * made_chain.emissions[state, i]
        before = i, state
    left_s = times_s[-1] - (times_s[0] if before is None else times_s[before[0]])
    since = sum(share * math.exp(-left_s / tau) for share, tau in PAUSE_TAUS_S)
    return weight * since * (1.0 if before is None else made_chain.ends[before[1]] + (left_s < 3.0))


@pytest.mark.parametrize("seed", range(6))
def test_every_reading_written_out_gives_the_same_sums(seed):
    tried = made(5, 3, seed)
    joint, total = np.zeros((3, 5)), 0.0
    for states in product((None, 0, 1, 2), repeat=5):
        weight = weight_of(tried, states)
        total += weight
        for i, state in enumerate(states):
            if state is not None:
                joint[state, i] += weight
    sums = np.exp(tried.forward()) * tried.closing
    assert float(sums.sum()) + math.exp(tried.nothing()) == pytest.approx(total, rel=1e-12)
    assert np.exp(tried.forward() + tried.backward()) == pytest.approx(joint, rel=1e-12)


def test_what_grows_beyond_all_numbers_is_still_told(monkeypatch):
    """700 impacts that all fit: weights no number can hold. From both ends they come to the same."""
    tried = made(700, 4, 1, length_s=60.0)
    forward, backward = tried.forward(), tried.backward()
    total = np.logaddexp.reduce((forward + np.log(tried.closing)).ravel())
    assert total > 1000.0  # e to that power is infinite
    since_s = tried.times_s - tried.times_s[0]
    openings = np.array([[opening(s, begins) for s in since_s] for begins in tried.begins])
    with np.errstate(divide="ignore"):
        from_behind = np.logaddexp.reduce((np.log(openings) + np.log(tried.emissions) + backward).ravel())
    assert from_behind == pytest.approx(total, rel=1e-12)
    monkeypatch.setattr(chain, "GREAT", 1e3)  # divided hundreds of times instead of a few
    assert tried.forward() == pytest.approx(forward, abs=1e-9)
    assert tried.backward() == pytest.approx(backward, abs=1e-9)
