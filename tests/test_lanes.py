"""Lanes with a microphone each: whose landing is it? Simulated halls, two to eight lanes."""

from __future__ import annotations

import numpy as np
import pytest

from drilltimer.hear.lanes import Bleed, LaneListener
from drilltimer.hear.onsets import BANDS
from drilltimer.model import Block, Expectation
from tests.accuracy.lanes import LaneCase, measure_lanes


@pytest.mark.parametrize(
    "case", [LaneCase(2, -12.0, reps=25), LaneCase(3, -20.0, reps=20)], ids=lambda case: case.label
)
def test_landings_are_told_in_their_own_lane_and_no_other(case):
    figures = measure_lanes(case)
    told = figures.found + figures.doubled + figures.made_up
    assert figures.landings >= 25
    assert figures.found >= 0.75 * figures.landings
    assert figures.found >= 0.93 * told
    assert figures.doubled <= 0.03 * figures.landings
    assert np.median(np.abs(figures.errors_ms)) < 1.0


def test_without_masks_neighbours_are_counted_twice(monkeypatch):
    """What the masks are good for: the same hall heard without them."""
    case = LaneCase(2, -6.0, reps=25)
    with_masks = measure_lanes(case)
    monkeypatch.setattr(LaneListener, "_settle", lambda self, take, expected, opinions: opinions)
    without = measure_lanes(case)
    assert without.doubled >= with_masks.doubled + 3


def test_bleed_is_learned_from_what_is_heard_next_door():
    rng = np.random.default_rng(3)
    bleed = Bleed(apart_m=3.432)
    assert bleed.delay_s == pytest.approx(0.010, abs=1e-5)
    assert bleed.shares == pytest.approx(np.full(BANDS, 10 ** (-10 / 10)))
    for _ in range(6):
        there = rng.exponential(1e-8, (BANDS, 300))
        there[:, 100:160] += rng.exponential(1.0, (BANDS, 60))
        due = bleed.due(there, hop_s=0.001)
        assert due[:, 110:160] == pytest.approx(there[:, 100:150])
        here = 0.05 * due + rng.exponential(1e-8, (BANDS, 300))
        bleed.learn(here, due)
    assert bleed.shares == pytest.approx(np.full(BANDS, 0.05), rel=0.1)


def test_a_lane_without_sound_says_so_for_itself_alone():
    listener = LaneListener(48_000, [0, 1])
    listener.expect(Expectation(4, 48_000, 100, 40_000, 90_000))
    silence = np.zeros((200_000, 2), np.float32)
    heard = listener.feed(Block(0, silence, np.zeros((200_000, 1), np.float32)))
    assert [(each.lane, each.rep, each.void) for each in heard] == [
        (lane, 4, "the microphone gave digital silence") for lane in (0, 1)
    ]


def test_a_rep_is_answered_by_its_own_lanes_only():
    listener = LaneListener(48_000, [0, 0])
    listener.expect(Expectation(0, 48_000, 100, 40_000, 90_000), [1])
    listener.expect(Expectation(1, 148_000, 100, 140_000, 190_000), [0])
    assert [(each.rep, each.lane) for each in listener.finish()] == [(0, 1), (1, 0)]
