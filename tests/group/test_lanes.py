"""Lanes with a microphone each: whose landing is it? Simulated halls, two to eight lanes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from drilltimer.group import lanes
from drilltimer.group.crosstalk import Bleed, onset_growth
from drilltimer.group.lanes import LaneListener
from drilltimer.hear.picture import BANDS
from drilltimer.model import Block, Expectation
from tests.accuracy.lanes import LaneCase, hear_lanes, measure_lanes, perform

pytestmark = pytest.mark.long


def kept(case):
    """A case's first seed, simulated once, to be heard several times."""
    performance = perform(case, case.seeds[0])
    return [replace(performance, blocks=list(performance.blocks))]


@pytest.mark.parametrize(
    "case",
    [LaneCase(2, -12.0, seeds=(1,), reps=25), LaneCase(3, -20.0, seeds=(1,), reps=18)],
    ids=lambda case: case.label,
)
def test_landings_are_told_in_their_own_lane_and_no_other(case):
    figures = measure_lanes(case)
    told = figures.found + figures.doubled + figures.made_up
    assert figures.landings >= 25
    assert figures.found >= 0.8 * figures.landings
    assert figures.found >= 0.95 * told
    assert figures.doubled <= 0.025 * figures.landings  # 1 in 224 over all of the accuracy table's lanes
    assert np.median(np.abs(figures.errors_ms)) < 1.0


def test_what_masks_and_claims_are_good_for(monkeypatch):
    """A hall in which the next lane is 3 dB softer, heard without one or the other: neighbours are counted twice."""
    performance = kept(LaneCase(3, -3.0, seeds=(2,), reps=25))
    shipped = hear_lanes(performance)
    assert shipped.doubled <= 3
    assert shipped.doubled <= shipped.by_chance + 2.0  # no more often than times that know nothing of the neighbours
    with monkeypatch.context() as patch:
        patch.setattr(lanes, "OWN_NEPERS", -np.inf)
        unclaimed = hear_lanes(performance)
    assert unclaimed.doubled >= max(shipped.doubled, unclaimed.by_chance) + 10
    monkeypatch.setattr(LaneListener, "_settle", lambda self, take, expected, opinions: opinions)
    unmasked = hear_lanes(performance)
    assert unmasked.doubled >= max(shipped.doubled, unmasked.by_chance) + 20


def test_a_lane_too_far_from_the_loudspeaker_is_lent_another_s_contact(monkeypatch):
    """Seed 6: one lane cannot locate its contacts by itself."""
    performance = kept(LaneCase(2, -12.0, seeds=(6,), reps=20))
    assert hear_lanes(performance).void <= 5
    monkeypatch.setattr(LaneListener, "_lend_line", lambda self, lane, at: None)
    assert hear_lanes(performance).void >= 10


def test_lanes_agree_on_a_contact_that_none_is_sure_of(monkeypatch):
    """Seed 2: three lanes so far from the loudspeaker that none locates a contact by itself."""
    performance = kept(LaneCase(3, -12.0, seeds=(2,), reps=12))
    assert hear_lanes(performance).found >= 24
    monkeypatch.setattr(LaneListener, "_agree", lambda self, take, expected, lanes: None)
    assert hear_lanes(performance).found <= 8


def test_a_lent_contact_comes_later_by_the_greater_distance():
    listener = LaneListener(48_000, [0, 1], speakers_m=[1.0, 4.432])
    listener.ears[0].line.put((frame, 4_800.0) for frame in (1, 2, 3))
    listener._lend_line(1, 100_000)
    assert listener.ears[1].line.lag(100_000) == pytest.approx(4_800 + 480, abs=0.5)  # 3.432 m are 10 ms at 20 degrees
    assert 20 < listener.ears[1].line.spread < 120  # half a millisecond to two and a half
    listener.ears[1].line.put([(150_000, 5_300.0)])  # heard by itself: from now on nothing is lent
    listener._lend_line(1, 200_000)
    assert len(listener.ears[1].line) == 4


def test_an_onset_s_share_is_learned_and_starts_out_too_loud():
    rng = np.random.default_rng(4)
    bleed = Bleed(apart_m=3.432)
    assert bleed.onset_shares == pytest.approx(np.full(BANDS, 10 ** (-4 / 10)))
    for _ in range(9):
        there = rng.exponential(1.0, BANDS)
        bleed.learn_onset(0.06 * there * rng.lognormal(0.0, 0.3, BANDS), there)
    assert bleed.onset_shares == pytest.approx(np.full(BANDS, 0.06), rel=0.5)


def test_growth_is_what_an_onset_brought_and_never_nothing():
    powers = np.full((BANDS, 200), 2.0)
    powers[:, 100:130] = 10.0
    assert onset_growth(powers, 0.101, 0.001) == pytest.approx(np.full(BANDS, 8.0))
    assert onset_growth(powers, 0.103, 0.001) == pytest.approx(np.full(BANDS, 8.0))
    assert onset_growth(powers, 0.060, 0.001) == pytest.approx(np.full(BANDS, 0.1))
    assert onset_growth(powers, 0.098, 0.001, wander_s=0.0) == pytest.approx(np.full(BANDS, 0.1))
    assert onset_growth(powers, 0.098, 0.001, wander_s=0.004) == pytest.approx(np.full(BANDS, 8.0))
    assert onset_growth(powers, 0.5, 0.001).shape == (BANDS,)  # beyond the take


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
    assert [(each.lane, each.rep, each.void) for each in heard] == [(lane, 4, "digital_silence") for lane in (0, 1)]


def test_a_rep_is_answered_by_its_own_lanes_only():
    listener = LaneListener(48_000, [0, 0])
    listener.expect(Expectation(0, 48_000, 100, 40_000, 90_000), [1])
    listener.expect(Expectation(1, 148_000, 100, 140_000, 190_000), [0])
    assert [(each.rep, each.lane) for each in listener.finish()] == [(0, 1), (1, 0)]
