"""Changes against reference computations, published intervals, and simulations of what the intervals promise."""

from __future__ import annotations

import math
import random
import tomllib
from collections.abc import Callable, Sequence
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import integrate, stats

from drilltimer.score.change import (
    FEWEST_REPS,
    HALF_NORMAL_TRIMMED,
    DayToDay,
    Estimate,
    change_of,
    scatter,
    share_change,
    trimmed,
    wilson,
)
from drilltimer.score.stats import mdc95_ms, typical_error_ms

PUBLISHED = tomllib.loads((Path(__file__).parent / "data" / "published.toml").read_text(encoding="utf-8"))
values = st.lists(st.floats(-500, 500).map(lambda value: round(value, 3)), min_size=8, max_size=40)


@given(values, values)
def test_trimmed_means_and_their_interval_are_those_of_scipy(first: list[float], second: list[float]) -> None:
    before, after = trimmed(first), trimmed(second)
    assert before.value == pytest.approx(stats.trim_mean(first, 0.2), abs=1e-9)
    if math.hypot(before.error, after.error) < 1e-6:
        return
    change = change_of(before, after)
    reference = stats.ttest_ind(second, first, equal_var=False, trim=0.2).confidence_interval(0.95)
    assert change.low == pytest.approx(reference.low, abs=1e-6)
    assert change.high == pytest.approx(reference.high, abs=1e-6)


def test_scatter_of_normal_errors_is_their_standard_deviation() -> None:
    draw = random.Random(3)
    found = scatter([draw.gauss(70, 40) for _ in range(40_000)])
    assert found.value == pytest.approx(40, abs=0.5)


def test_constant_of_the_half_normal_is_its_integral() -> None:
    low, high = stats.halfnorm.ppf([0.2, 0.8])
    area, _ = integrate.quad(lambda x: x * stats.halfnorm.pdf(x), low, high)
    assert area / 0.6 == pytest.approx(HALF_NORMAL_TRIMMED, abs=1e-5)


@pytest.mark.parametrize("row", PUBLISHED["share_intervals"], ids=lambda row: row["name"])
def test_share_intervals_as_published(row: dict[str, list[float]]) -> None:
    # Newcombe takes first minus second; a change is after minus before.
    first, second = row["first"], row["second"]
    change = share_change((int(second[0]), int(second[1])), (int(first[0]), int(first[1])))
    assert change.change is not None
    assert [change.low, change.high] == pytest.approx(row["interval"], abs=row["tolerance"])


@given(st.integers(1, 60).flatmap(lambda total: st.tuples(st.integers(0, total), st.just(total))))
def test_score_interval_of_a_share_is_that_of_scipy(pair: tuple[int, int]) -> None:
    reference = stats.binomtest(*pair).proportion_ci(0.95, method="wilson")
    assert wilson(*pair) == pytest.approx((reference.low, reference.high), abs=2e-5)  # we take 1.96 for 1.95996


def test_minimal_change_of_two_equal_tests_is_the_published_one() -> None:
    # A club player's test block: standard deviation 40 ms, 30 reps, plain means: 20.2 ms.
    error = 40 / math.sqrt(30)
    change = change_of(Estimate(0, error, 29, 30), Estimate(20.3, error, 29, 30))
    assert change.minimal_change == pytest.approx(PUBLISHED["minimal_change"][2]["mdc95"], abs=0.1)
    assert change.minimal_change == pytest.approx(mdc95_ms(change.typical_error or 0.0), rel=1e-12)


Draw = Callable[[random.Random], float]


def normal(draw: random.Random) -> float:
    return draw.gauss(0, 1)


def with_outliers(draw: random.Random) -> float:
    return draw.gauss(0, 1) if draw.random() > 0.05 else draw.gauss(0, 6)


@pytest.mark.parametrize(
    ("name", "reps", "scatters_ms", "habits_ms", "shape", "shared_ms"),
    [
        ("two test blocks", (30, 30), (40, 40), (0, 0), normal, 0.0),
        ("twenty reps and thirty", (20, 30), (40, 40), (0, 0), normal, 0.0),
        ("one in twenty is an outlier", (30, 30), (40, 40), (0, 0), with_outliers, 0.0),
        ("the ear is 5 ms off, each test anew", (30, 30), (40, 40), (0, 0), normal, 5.0),
        ("late and scattered, then not", (30, 30), (90, 35), (140, 20), normal, 0.0),
    ],
)
def test_intervals_cover_and_false_changes_are_rare(
    name: str,
    reps: tuple[int, int],
    scatters_ms: tuple[float, float],
    habits_ms: tuple[float, float],
    shape: Draw,
    shared_ms: float,
) -> None:
    draw, rounds = random.Random(11), 4000
    covered, changed = {"constant": 0, "scatter": 0}, {"constant": 0, "scatter": 0}
    truth = {"constant": habits_ms[1] - habits_ms[0], "scatter": scatters_ms[1] - scatters_ms[0]}
    for _ in range(rounds):
        tests = [
            _test(draw, count, *pair, shape, shared_ms)
            for count, pair in zip(reps, zip(habits_ms, scatters_ms, strict=True), strict=True)
        ]
        found = {
            "constant": change_of(*(trimmed(test, shared_ms) for test in tests)),
            "scatter": change_of(*(scatter(test) for test in tests)),
        }
        for key, change in found.items():
            assert change.low is not None
            assert change.high is not None
            covered[key] += change.low <= truth[key] <= change.high
            changed[key] += change.finding == "changed"
    for key in covered:
        print(f"{name}, {key}: covers {covered[key] / rounds:.3f}, says changed {changed[key] / rounds:.3f}")
        # what normal errors' scatter means is not defined for outliers; equal in both tests, it is zero all the same
        assert covered[key] / rounds == pytest.approx(0.95, abs=0.015)
        if truth[key] == 0:
            assert 0.02 <= changed[key] / rounds <= 0.06
        else:
            assert changed[key] / rounds > 0.85


def _test(
    draw: random.Random, count: int, habit_ms: float, scatter_ms: float, shape: Draw, shared_ms: float
) -> Sequence[float]:
    off_ms = draw.gauss(0, shared_ms)
    return [habit_ms + off_ms + scatter_ms * shape(draw) for _ in range(count)]


@pytest.mark.parametrize("share", [0.05, 0.3, 0.5, 0.7, 0.9])
def test_share_intervals_cover_and_false_changes_are_rare(share: float) -> None:
    draw, rounds, covered, changed = random.Random(12), 4000, 0, 0
    for _ in range(rounds):
        before, after = (sum(draw.random() < share for _ in range(30)) for _ in range(2))
        change = share_change((before, 30), (after, 30))
        assert change.low is not None
        assert change.high is not None
        covered += change.low <= 0 <= change.high
        changed += change.finding == "changed"
    assert 0.935 <= covered / rounds <= 1.0  # few outcomes are possible near 0 and 100 %: there it covers more
    assert changed / rounds <= 0.06


def test_one_misheard_landing_moves_nothing() -> None:
    draw = random.Random(5)
    clean = [draw.gauss(0, 40) for _ in range(30)]
    spoilt = sorted(clean)
    spoilt[-1] = 3000.0
    for figure in (trimmed, scatter):
        assert figure(spoilt).value == pytest.approx(figure(clean).value, abs=2.0)
        assert figure(spoilt).error == pytest.approx(figure(clean).error, rel=0.15)


def test_uncertainty_of_the_ear_widens_the_interval() -> None:
    draw = random.Random(6)
    errors_ms = [draw.gauss(0, 40) for _ in range(30)]
    sharp, dull = trimmed(errors_ms), trimmed(errors_ms, 12.0)
    assert dull.value == sharp.value
    assert dull.error == pytest.approx(math.hypot(sharp.error, 12.0), rel=1e-12)


def test_day_to_day_error_raises_the_minimal_change_when_it_is_the_greater() -> None:
    before, after = Estimate(0, 5, 17, 30), Estimate(25, 5, 17, 30)
    assert change_of(before, after).finding == "changed"
    assert change_of(before, after, DayToDay(2, 8)).minimal_change == pytest.approx(mdc95_ms(5), rel=1e-12)
    restless = change_of(before, after, DayToDay(10, 9))
    assert restless.typical_error == 10
    assert restless.minimal_change == pytest.approx(2.262 * math.sqrt(2) * 10, abs=0.01)  # Student's t, 9 degrees
    assert restless.finding == "no change shown"


@pytest.mark.parametrize("tests", [4, 6, 12])
def test_false_changes_are_rare_for_a_player_who_differs_from_day_to_day(tests: int) -> None:
    draw, rounds, changed, unaware = random.Random(13), 2000, 0, 0
    for _ in range(rounds):
        found = [trimmed(_test(draw, 30, 0, 40, normal, 15)) for _ in range(tests)]
        values = [each.value for each in found]
        known = DayToDay(typical_error_ms(values[:-1], values[1:]), tests - 2.0)
        changed += change_of(found[0], found[-1], known).finding == "changed"
        unaware += change_of(found[0], found[-1]).finding == "changed"
    print(f"{tests} tests: says changed {changed / rounds:.3f}; without their day-to-day error {unaware / rounds:.3f}")
    assert changed / rounds <= 0.06
    assert unaware / rounds == pytest.approx(0.36, abs=0.05)  # what two tests alone cannot know


def test_nothing_is_said_of_too_few_reps() -> None:
    huge = Estimate(500, 5, 17, FEWEST_REPS)
    assert change_of(Estimate(0, 5, 17, FEWEST_REPS - 1), huge).finding == "too few reps to say"
    assert change_of(Estimate(0, 5, 17, FEWEST_REPS), huge).finding == "changed"
    assert share_change((0, FEWEST_REPS - 1), (30, 30)).finding == "too few reps to say"
    assert share_change((0, FEWEST_REPS), (30, 30)).finding == "changed"
    assert change_of(None, huge).finding == "too few reps to say"
    assert share_change((0, 0), (30, 30)).finding == "too few reps to say"


def test_twenty_reps_are_enough_to_say_something() -> None:
    assert FEWEST_REPS == 20  # as the README promises


@pytest.mark.parametrize(("count", "tolerance_ms"), [(8, 1.0), (20, 0.7)])
def test_scatter_of_few_reps_is_on_the_scale_of_a_standard_deviation(count: int, tolerance_ms: float) -> None:
    draw = random.Random(1)
    found = [scatter([draw.gauss(0, 40) for _ in range(count)]).value for _ in range(4000)]
    assert math.fsum(found) / len(found) == pytest.approx(40.0, abs=tolerance_ms)


def test_least_change_of_a_share_by_hand() -> None:
    change = share_change((10, 30), (20, 30))  # pooled: 30 of 60
    assert change.typical_error == pytest.approx(math.sqrt(0.25 / 30), rel=1e-12)
    assert change.minimal_change == pytest.approx(1.96 * math.sqrt(2) * math.sqrt(0.25 / 30), rel=1e-12)


def test_values_that_cannot_be_trimmed_are_refused() -> None:
    with pytest.raises(ValueError, match="too few"):
        trimmed([1.0])


def test_tests_without_any_scatter_have_an_interval_without_width() -> None:
    change = change_of(trimmed([5.0] * 20), trimmed([7.0] * 20))
    assert (change.low, change.high, change.finding) == (2.0, 2.0, "changed")
