"""Changes against reference computations and closed forms; `test_compare_players` holds what the findings promise."""

from __future__ import annotations

import math
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import integrate, stats

from drilltimer.history.change import (
    BETTER,
    DAYS_WEIGHT,
    FEWEST_REPS,
    HALF_NORMAL_TRIMMED,
    OTHERS,
    WORSE,
    Estimate,
    Trend,
    change_of,
    holm,
    p_value,
    scatter,
    share,
    trend,
    trimmed,
)

values = st.lists(st.floats(-500, 500).map(lambda value: round(value, 3)), min_size=8, max_size=40)


@given(values, values)
def test_trimmed_means_and_their_errors_are_those_of_scipy(first: list[float], second: list[float]) -> None:
    before, after = trimmed(first), trimmed(second)
    assert before.value == pytest.approx(stats.trim_mean(first, 0.2), abs=1e-9)
    error = math.hypot(before.error, after.error)
    if error < 1e-6:
        return
    reference = stats.ttest_ind(second, first, equal_var=False, trim=0.2)
    assert reference.statistic * error == pytest.approx(after.value - before.value, rel=1e-6, abs=1e-6)


def test_scatter_of_normal_errors_is_their_standard_deviation() -> None:
    draw = random.Random(3)
    found = scatter([draw.gauss(70, 40) for _ in range(40_000)])
    assert found.value == pytest.approx(40, abs=0.5)


def test_constant_of_the_half_normal_is_its_integral() -> None:
    low, high = stats.halfnorm.ppf([0.2, 0.8])
    area, _ = integrate.quad(lambda x: x * stats.halfnorm.pdf(x), low, high)
    assert area / 0.6 == pytest.approx(HALF_NORMAL_TRIMMED, abs=1e-5)


places = st.lists(st.tuples(st.floats(-200, 200), st.floats(1, 30)), min_size=3, max_size=12)


@given(places)
def test_line_is_that_of_weighted_least_squares(drawn: list[tuple[float, float]]) -> None:
    import numpy as np

    line = trend([(float(x), Estimate(value, error, 30)) for x, (value, error) in enumerate(drawn)], 15.0)
    weights = [1.0 / math.hypot(error, 15.0) for _, error in drawn]
    (slope, _), covariance = np.polyfit(range(len(drawn)), [v for v, _ in drawn], 1, w=weights, cov="unscaled")
    length = len(drawn) - 1
    assert line.change == pytest.approx(slope * length, rel=1e-6, abs=1e-6)
    assert line.error >= math.sqrt(covariance[0, 0] * DAYS_WEIGHT / (DAYS_WEIGHT + length - 1)) * length - 1e-9


def test_where_the_numbering_of_tests_begins_changes_nothing() -> None:
    found = [Estimate(80, 10, 30), Estimate(60, 12, 30), Estimate(50, 9, 30)]
    first, later = (trend([(start + place, each) for place, each in enumerate(found)], 15.0) for start in (0.0, 5.0))
    assert (later.change, later.error, later.mean) == pytest.approx((first.change, first.error, first.mean))


def test_an_even_improvement_is_no_scatter() -> None:
    found = [(float(place), Estimate(80.0 - 20.0 * place, 10.0, 30)) for place in range(4)]
    line = trend(found, 15.0)
    assert line.change == pytest.approx(-60.0, rel=1e-12)
    # no scatter at all around the line: 16 of 18 degrees of freedom say 15 ms a day, the other two say none
    assert line.typical_error == pytest.approx(math.sqrt((10**2 + 15**2) * 16 / 18), rel=1e-12)
    restless = trend([(x, Estimate(e.value + 90 * (x in (1, 2)), e.error, 30)) for x, e in found], 15.0)
    assert restless.typical_error > 1.5 * line.typical_error


def test_interval_of_the_primary_figure_has_most_of_its_5_percent_where_better_lies() -> None:
    line = trend([(0.0, Estimate(80, 10, 30)), (1.0, Estimate(60, 10, 30)), (2.0, Estimate(50, 10, 30))], 15.0)
    change = change_of(80, 50, line, (30, 30), better="nearer zero", primary=True)
    assert change.low is not None
    assert change.high is not None
    t = stats.t(line.freedom)
    assert change.high == pytest.approx(line.change + t.ppf(1 - BETTER) * line.error, rel=1e-9)
    assert change.low == pytest.approx(line.change - t.ppf(1 - WORSE) * line.error, rel=1e-9)
    more = change_of(80, 50, line, (30, 30), better="more", primary=True)
    assert more.low == pytest.approx(line.change - t.ppf(1 - BETTER) * line.error, rel=1e-9)
    other = change_of(80, 50, line, (30, 30), better="less", primary=False)
    assert (other.high or 0.0) - line.change == pytest.approx(t.ppf(0.975) * line.error, rel=1e-9)
    assert math.isclose(BETTER + WORSE + OTHERS, 0.05)


def test_holms_steps_by_hand() -> None:
    # four figures at 5 %: 0.0125, 0.0167, 0.025, 0.05 in order of their chances; the first that fails ends it
    assert holm({"a": 0.012, "b": 0.016, "c": 0.03, "d": 0.04}, 0.05) == {"a", "b"}
    assert holm({"a": 0.013, "b": 0.001}, 0.05) == {"a", "b"}
    assert holm({"a": 0.03, "b": 0.03}, 0.05) == set()
    assert holm({}, 0.05) == set()


def test_chance_of_a_change_is_students() -> None:
    line = trend([(0.0, Estimate(0, 10, 30)), (1.0, Estimate(30, 10, 30)), (2.0, Estimate(40, 10, 30))], 15.0)
    assert p_value(line) == pytest.approx(2 * stats.t(line.freedom).sf(line.change / line.error), rel=1e-9)


@pytest.mark.parametrize(("change", "chance"), [(0.0, 1.0), (0.4, 0.0), (-0.4, 0.0)])
def test_where_nothing_scatters_every_change_is_real_and_none_is_none(change: float, chance: float) -> None:
    line = Trend(change, 0.0, 3.0, 50.0, 0.0)
    assert p_value(line) == chance
    told = change_of(50.0, 50.0 + change, line, (30, 30), better="more", primary=True)
    assert (told.low, told.high) == (change, change)
    assert told.finding == ("changed" if change else "no change shown")  # an interval that ends at zero holds it


def test_less_is_better_on_the_other_side_of_the_interval() -> None:
    line = Trend(-20.0, 5.0, 8.0, 60.0, 0.0)
    less, more = (change_of(60, 40, line, (30, 30), better=way, primary=True) for way in ("less", "more"))
    wide, narrow = (float(stats.t(8.0).ppf(1.0 - tail)) * 5.0 for tail in (WORSE, BETTER))
    assert (less.low, less.high) == pytest.approx((-20.0 - wide, -20.0 + narrow))
    assert (more.low, more.high) == pytest.approx((-20.0 - narrow, -20.0 + wide))


def test_share_and_its_error_by_hand() -> None:
    found = share(3, 8)
    assert (found.value, found.error, found.reps) == pytest.approx((0.4, math.sqrt(0.024), 8))


@pytest.mark.parametrize("true_share", [0.05, 0.3, 0.5, 0.7, 0.9])
def test_shares_of_two_equal_tests_seldom_differ(true_share: float) -> None:
    draw, rounds, apart = random.Random(12), 4000, 0
    for _ in range(rounds):
        before, after = (share(sum(draw.random() < true_share for _ in range(30)), 30) for _ in range(2))
        apart += abs(after.value - before.value) > 1.96 * math.hypot(before.error, after.error)
    assert apart / rounds <= 0.055


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


def test_twenty_reps_are_enough_to_say_something() -> None:
    assert FEWEST_REPS == 20  # as the README promises


@pytest.mark.parametrize(("count", "tolerance_ms"), [(8, 1.0), (20, 0.7)])
def test_scatter_of_few_reps_is_on_the_scale_of_a_standard_deviation(count: int, tolerance_ms: float) -> None:
    draw = random.Random(1)
    found = [scatter([draw.gauss(0, 40) for _ in range(count)]).value for _ in range(4000)]
    assert math.fsum(found) / len(found) == pytest.approx(40.0, abs=tolerance_ms)


def test_values_that_cannot_be_trimmed_are_refused() -> None:
    with pytest.raises(ValueError, match="too few"):
        trimmed([1.0])
