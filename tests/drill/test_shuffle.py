"""Draws against closed forms, and the promises of a call sequence."""

from __future__ import annotations

import itertools
import math
import statistics
import tomllib
from collections import Counter
from pathlib import Path
from random import Random
from types import SimpleNamespace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drilltimer.drill.shuffle import (
    counts_from_weights,
    draw_between,
    draw_calls,
    draw_index,
    draw_interval_s,
    draw_wait_s,
    split_seed,
)

PUBLISHED = tomllib.loads((Path(__file__).parents[1] / "data" / "published_schedule.toml").read_text(encoding="utf-8"))
DRAWS = 100_000


@pytest.mark.parametrize("row", PUBLISHED["waits"], ids=lambda row: f"{row['min_s']}+{row['mean_extra_s']}")
def test_waits_follow_the_closed_form(row):
    draws = Random(1)
    waits_s = [draw_wait_s(draws, row["min_s"], row["mean_extra_s"], row["max_s"]) for _ in range(DRAWS)]
    kept_s = [wait_s for wait_s in waits_s if wait_s is not None]
    tolerance = PUBLISHED["wait_tolerance"]
    slack_s = tolerance["time"] * row["mean_extra_s"]

    assert 1 - len(kept_s) / DRAWS == pytest.approx(row["withheld"], abs=tolerance["withheld"])
    assert statistics.fmean(kept_s) == pytest.approx(row["mean_kept_s"], abs=slack_s)
    assert statistics.median(kept_s) == pytest.approx(row["median_kept_s"], abs=slack_s)
    assert row["min_s"] <= min(kept_s)
    assert max(kept_s) <= row["max_s"]


def test_the_chance_of_a_contact_stays_the_same_all_through_a_wait():
    row = PUBLISHED["hazard"]
    draws = Random(2)
    waits_s = [draw_wait_s(draws, row["min_s"], row["mean_extra_s"], row["max_s"]) for _ in range(DRAWS)]
    waiting = DRAWS
    bins = Counter(int((wait_s - row["min_s"]) / row["bin_s"]) for wait_s in waits_s if wait_s is not None)
    for number in range(row["bins"]):
        assert bins[number] / waiting == pytest.approx(row["expected"], abs=row["tolerance"])
        waiting -= bins[number]


def test_intervals_have_the_mean_and_the_spread_asked_for_and_respect_the_least():
    draws = Random(3)
    intervals_s = [draw_interval_s(draws, 2.5, 0.25, 1.2) for _ in range(DRAWS)]
    assert statistics.fmean(intervals_s) == pytest.approx(2.5, abs=0.01)
    assert statistics.pstdev(intervals_s) / 2.5 == pytest.approx(0.25, abs=0.005)
    assert min(intervals_s) > 1.2


def test_intervals_are_the_least_plus_a_log_normal():
    draws = Random(6)
    spare_s = sorted(draw_interval_s(draws, 2.5, 0.25, 1.2) - 1.2 for _ in range(DRAWS))
    # ln of the spare time is normal: s^2 = ln(1 + (0.25 * 2.5 / 1.3)^2), mean ln 1.3 - s^2 / 2
    sigma = math.sqrt(math.log1p((0.625 / 1.3) ** 2))
    normal = statistics.NormalDist(math.log(1.3) - sigma**2 / 2.0, sigma)
    for share in (0.01, 0.05, 0.25, 0.5, 0.75, 0.95, 0.99):
        below = sum(value < math.exp(normal.inv_cdf(share)) for value in spare_s) / DRAWS
        assert below == pytest.approx(share, abs=5.0 * math.sqrt(share * (1.0 - share) / DRAWS))


def test_an_interval_without_jitter_is_exact():
    assert draw_interval_s(Random(0), 2.5, 0.0, 2.5) == 2.5


def test_an_interval_that_leaves_no_room_is_refused():
    with pytest.raises(ValueError, match="no room"):
        draw_interval_s(Random(0), 1.0, 0.1, 1.0)


def test_even_draws_fill_their_range():
    draws = Random(4)
    values = [draw_between(draws, -1.0, 3.0) for _ in range(DRAWS)]
    assert statistics.fmean(values) == pytest.approx(1.0, abs=0.02)
    assert statistics.pstdev(values) == pytest.approx(4.0 / math.sqrt(12.0), abs=0.01)
    assert -1.0 <= min(values) < -0.999
    assert 2.999 < max(values) < 3.0


def test_what_weighs_nothing_is_not_drawn_when_rounding_eats_the_last_sliver():
    assert draw_index(SimpleNamespace(random=lambda: 1.0), [1.0, 2.0, 0.0]) == 1


def test_weights_are_chances():
    draws = Random(5)
    counts = Counter(draw_index(draws, [1.0, 0.0, 3.0]) for _ in range(DRAWS))
    assert counts[1] == 0
    assert counts[0] / DRAWS == pytest.approx(0.25, abs=0.005)


def test_split_generators_are_reproducible_and_differ():
    first, second = (tuple(draws.random() for draws in split_seed(7, 3)) for _ in range(2))
    assert first == second
    assert len(set(first)) == 3


def test_seeded_draws_are_the_same_in_every_version():
    # random() of a seeded generator is promised by Python's documentation; these are its first values for seed 1
    draws = Random(1)
    assert [draws.random(), draws.random()] == [0.13436424411240122, 0.8474337369372327]


@given(st.lists(st.floats(0.1, 10.0), min_size=1, max_size=6), st.integers(0, 200), st.integers(0, 2**32))
@settings(max_examples=60)
def test_counts_add_up_and_stay_within_one_of_their_share(weights, total, seed):
    counts = counts_from_weights(Random(seed), weights, total)
    assert sum(counts) == total
    for count, weight in zip(counts, weights, strict=True):
        assert abs(count - total * weight / math.fsum(weights)) < 1 + 1e-6


def longest_run(calls):
    longest = run = 0
    last = None
    for call in calls:
        run = run + 1 if call == last else 1
        longest, last = max(longest, run), call
    return longest


@given(
    st.lists(st.integers(1, 5), min_size=2, max_size=5), st.integers(0, 60), st.integers(1, 5), st.integers(0, 2**32)
)
@settings(max_examples=120)
def test_calls_are_balanced_and_keep_the_longest_run(weights, total, limit, seed):
    try:
        calls = draw_calls(Random(seed), weights, total, limit)
    except ValueError:
        heaviest = math.ceil(total * max(weights) / sum(weights))
        assert heaviest > limit * (total - heaviest + 1), "refused although an order exists"
        return
    assert len(calls) == total
    assert longest_run(calls) <= limit
    for word, weight in enumerate(weights):
        assert abs(calls.count(word) - total * weight / sum(weights)) < 1 + 1e-6


@pytest.mark.parametrize(("limit", "most"), [(3, 0.60), (4, 0.565)])
def test_the_best_guesser_hardly_beats_chance(limit, most):
    """A guesser who knows the last three calls, and how often each followed, over many series."""
    after: Counter[tuple[int, ...]] = Counter()
    for seed in range(500):
        calls = draw_calls(Random(seed), [1.0, 1.0], 40, limit)
        after.update(tuple(calls[at - 3 : at + 1]) for at in range(3, 40))
    best: Counter[tuple[int, ...]] = Counter()
    for context, count in after.items():
        best[context[:-1]] = max(best[context[:-1]], count)
    assert 0.5 < sum(best.values()) / after.total() < most


def test_pairs_are_nearly_balanced():
    pairs: Counter[tuple[int, int]] = Counter()
    for seed in range(500):
        calls = draw_calls(Random(seed), [1.0, 1.0], 40, 4)
        pairs.update(itertools.pairwise(calls))
    for pair in ((0, 0), (0, 1), (1, 0), (1, 1)):
        assert pairs[pair] / pairs.total() == pytest.approx(0.25, abs=0.03)


def test_a_single_word_needs_no_limit():
    assert draw_calls(Random(0), [1.0], 5, 1) == [0] * 5


def test_a_word_too_heavy_for_the_limit_is_refused():
    with pytest.raises(ValueError, match="cannot be ordered"):
        draw_calls(Random(0), [9.0, 1.0], 20, 2)
