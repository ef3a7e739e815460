"""Seeded draws. All of them use `random.Random.random()` alone, which is stable across Python versions."""

from __future__ import annotations

import math
from collections.abc import Sequence
from random import Random
from statistics import NormalDist

SEED_SPAN = 2**53  # random() has 53 bits


def split_seed(seed: int, count: int) -> tuple[Random, ...]:
    """Independent generators from one seed, so that a change in one kind of draw leaves the others as they were."""
    root = Random(seed)
    return tuple(Random(int(root.random() * SEED_SPAN)) for _ in range(count))


def draw_between(draws: Random, low: float, high: float) -> float:
    """Evenly from `low` to `high`."""
    return low + (high - low) * draws.random()


def draw_index(draws: Random, weights: Sequence[float]) -> int:
    """Index of one weight, with probability proportional to it. At least one must be positive."""
    mark = draws.random() * math.fsum(weights)
    last_positive = 0
    for index, weight in enumerate(weights):
        if weight <= 0.0:
            continue
        last_positive = index
        mark -= weight
        if mark < 0.0:
            return index
    return last_positive  # rounding ate the last sliver


def draw_wait_s(draws: Random, min_s: float, mean_extra_s: float, max_s: float) -> float | None:
    """Wait that does not age: `min_s + Exp(mean_extra_s)`; None when it exceeds `max_s`.

    A constant chance per moment gives nothing to count down to. Redrawing or clamping a long wait would bring a
    rising chance back (Nickerson and Burnham 1969, J Exp Psychol 79:452-457; from memory).
    """
    wait_s = min_s - mean_extra_s * math.log1p(-draws.random())
    return wait_s if wait_s <= max_s else None


def draw_interval_s(draws: Random, mean_s: float, cv: float, least_s: float) -> float:
    """Interval of exact mean and coefficient of variation that never falls to `least_s`.

    `least_s` plus a log-normal: bounded below with no clamping, so no interval is more likely than its neighbours.

    Raises
    ------
    ValueError
        When the mean leaves no room above `least_s`.
    """
    if cv == 0.0:
        return mean_s
    if mean_s <= least_s:
        raise ValueError(f"a mean of {mean_s} s leaves no room above {least_s} s")
    spare_s = mean_s - least_s
    variance = math.log1p((cv * mean_s / spare_s) ** 2)
    # random() may be 0, the normal's inverse may not
    normal = NormalDist().inv_cdf(max(draws.random(), 1.0 / SEED_SPAN))
    return least_s + spare_s * math.exp(math.sqrt(variance) * normal - variance / 2.0)


def counts_from_weights(draws: Random, weights: Sequence[float], total: int) -> list[int]:
    """Whole counts that add up to `total`, each within one of its exact share; who gets the remainder is drawn."""
    whole = math.fsum(weights)
    exact = [total * weight / whole for weight in weights]
    counts = [math.floor(share + 1e-9) for share in exact]
    while sum(counts) < total:
        rest = [max(share - count, 0.0) for share, count in zip(exact, counts, strict=True)]
        counts[draw_index(draws, rest)] += 1
    return counts


def draw_calls(draws: Random, weights: Sequence[float], total: int, longest_run: int) -> list[int]:
    """Sequence of word indices: balanced counts, no run longer than `longest_run`, otherwise by chance.

    Raises
    ------
    ValueError
        When a word is so heavy that no order keeps the limit.
    """
    left = counts_from_weights(draws, weights, total)
    if len(weights) == 1:
        return [0] * total
    if not _can_be_ordered(left, longest_run):
        raise ValueError(f"{left} cannot be ordered with runs of at most {longest_run}")
    calls: list[int] = []
    run = 0
    for _ in range(total):
        barred = calls[-1] if calls and run == longest_run else None
        chances = [
            count if count and index != barred and _can_be_ordered(_less_one(left, index), longest_run) else 0
            for index, count in enumerate(left)
        ]
        index = draw_index(draws, chances)
        run = run + 1 if calls and index == calls[-1] else 1
        left[index] -= 1
        calls.append(index)
    return calls


def _less_one(left: list[int], index: int) -> list[int]:
    return [count - (other == index) for other, count in enumerate(left)]


def _can_be_ordered(left: list[int], longest_run: int) -> bool:
    """Each word needs enough others between its runs: `others` of them part it into `others + 1` runs.

    A run already begun needs no place here: it began from counts that could be ordered, and takes from its own word.
    """
    total = sum(left)
    return all(count <= longest_run * (total - count + 1) for count in left)
