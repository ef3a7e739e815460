"""A change between two tests, with its 95 % interval, and whether it is more than chance.

Notes
-----
Times in milliseconds are compared by 20 % trimmed means and Yuen's interval (Yuen 1974, Biometrika 61:165-170), which
is Welch's with the earliest and the latest fifth of the reps set aside: one misheard landing, or one stumble, moves
neither the mean nor the interval. A bootstrap was the other choice: with 20 to 30 reps its percentile interval covers
less than it says, and two runs of it differ. Trimming a fifth is usual (Wilcox, Introduction to Robust Estimation and
Hypothesis Testing, from memory).

Scatter is compared the same way: the distances from the test's own median, which is the idea of Brown & Forsythe 1974
(J Am Stat Assoc 69:364-367, from memory), scaled so that normal errors give their standard deviation.

Shares are compared by the hybrid score interval (Newcombe 1998, Stat Med 17:873-890, method 10), which holds near 0 and
100 %, where the textbook interval does not.

The minimal detectable change is `stats.mdc95_ms` of the typical error (Hopkins 2000, Sports Med 30:1-15). A change is
told only where it exceeds that *and* its interval excludes zero.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median
from typing import Literal

from drilltimer.score.stats import NORMAL_975, constant_error_ms, mdc95_ms, sample_sd_ms

TRIM_SHARE = 0.2
FEWEST_REPS = 20  # no claims with fewer (our choice: with a scatter of 40 ms, 20 reps resolve 25 ms)
# Mean of |z| between its 20th and 80th percentile, z standard normal: 2 (phi(0.25335) - phi(1.28155)) / 0.6
HALF_NORMAL_TRIMMED = 0.70281

Finding = Literal["changed", "no change shown", "too few reps to say"]


@dataclass(frozen=True, slots=True)
class Estimate:
    """A figure of one test: its value, its standard error with degrees of freedom, and how many reps it is of."""

    value: float
    error: float
    freedom: float
    reps: int


@dataclass(frozen=True, slots=True)
class Change:
    """From one test to another, in the figure's own unit (ms, or a share of 1). None where there is too little.

    Parameters
    ----------
    before, after, change, low, high : float | None
        `low` and `high`: 95 % interval of the change.
    typical_error : float | None
        Scatter of one test's figure, as far as it is known.
    minimal_change : float | None
        Smallest change that is more than chance.
    reps_before, reps_after : int
    finding : {"changed", "no change shown", "too few reps to say"}
    """

    before: float | None
    after: float | None
    change: float | None
    low: float | None
    high: float | None
    typical_error: float | None
    minimal_change: float | None
    reps_before: int
    reps_after: int
    finding: Finding


def trimmed(values: Sequence[float], systematic: float = 0.0) -> Estimate:
    """20 % trimmed mean with its standard error by the winsorized variance.

    Parameters
    ----------
    values : sequence of float
        At least five.
    systematic : float
        One standard deviation of an error that all values share and that no averaging removes.
    """
    ordered = sorted(values)
    count = len(ordered)
    cut = int(TRIM_SHARE * count)
    kept = count - 2 * cut
    if kept < 2:
        raise ValueError(f"{count} values are too few to be trimmed")
    mean = constant_error_ms(ordered[cut : count - cut])
    winsorized = [min(max(value, ordered[cut]), ordered[count - cut - 1]) for value in ordered]
    error = math.sqrt((count - 1) * sample_sd_ms(winsorized) ** 2 / (kept * (kept - 1)))
    return Estimate(mean, math.hypot(error, systematic), kept - 1.0, count)


def scatter(values: Sequence[float]) -> Estimate:
    """Scatter about the median, robust, on the scale of a standard deviation."""
    middle = median(values)
    # Distances from a sample's own middle are too short by about this factor, as for the sample form of an SD.
    scale = math.sqrt(len(values) / (len(values) - 1)) / HALF_NORMAL_TRIMMED
    return trimmed([scale * abs(value - middle) for value in values])


@dataclass(frozen=True, slots=True)
class DayToDay:
    """Typical error of a figure over repeated tests, and the degrees of freedom that it was estimated with."""

    typical_error: float
    freedom: float

    @property
    def minimal_change(self) -> float:
        """As `stats.mdc95_ms`, with Student's quantile in place of 1.96: from a few tests the error is known badly."""
        return _student_975(self.freedom) / NORMAL_975 * mdc95_ms(self.typical_error)


def change_of(before: Estimate | None, after: Estimate | None, day_to_day: DayToDay | None = None) -> Change:
    """Change between two estimates.

    Parameters
    ----------
    before, after : Estimate | None
        None where nothing could be estimated.
    day_to_day : DayToDay | None
        Where repeated tests tell it; the greater minimal change counts.
    """
    reps = (before.reps if before else 0, after.reps if after else 0)
    if before is None or after is None:
        return Change(_value(before), _value(after), None, None, None, None, None, *reps, "too few reps to say")
    change, error = after.value - before.value, math.hypot(before.error, after.error)
    if error:
        squares = before.error**4 / before.freedom + after.error**4 / after.freedom
        half = _student_975(error**4 / squares) * error
    else:
        half = 0.0
    typical = error / math.sqrt(2.0)
    least = mdc95_ms(typical)
    if day_to_day and day_to_day.minimal_change > least:
        typical, least = day_to_day.typical_error, day_to_day.minimal_change
    finding = _finding(change, change - half, change + half, least, reps)
    return Change(before.value, after.value, change, change - half, change + half, typical, least, *reps, finding)


def share_change(before: tuple[int, int], after: tuple[int, int]) -> Change:
    """Change of a share, from two pairs of (how many, out of how many)."""
    if not before[1] or not after[1]:
        return Change(
            _share(before), _share(after), None, None, None, None, None, before[1], after[1], "too few reps to say"
        )
    first, second = before[0] / before[1], after[0] / after[1]
    low_1, high_1 = wilson(*before)
    low_2, high_2 = wilson(*after)
    change = second - first
    low = change - math.hypot(second - low_2, high_1 - first)
    high = change + math.hypot(high_2 - second, first - low_1)
    pooled = (before[0] + after[0]) / (before[1] + after[1])
    typical = math.sqrt(pooled * (1.0 - pooled) * (1.0 / before[1] + 1.0 / after[1]) / 2.0)
    least = mdc95_ms(typical)
    finding = _finding(change, low, high, least, (before[1], after[1]))
    return Change(first, second, change, low, high, typical, least, before[1], after[1], finding)


def wilson(count: int, total: int) -> tuple[float, float]:
    """95 % score interval of a share (Wilson 1927, J Am Stat Assoc 22:209-212)."""
    share, square = count / total, NORMAL_975**2
    middle = (share + square / (2 * total)) / (1 + square / total)
    half = NORMAL_975 * math.sqrt(share * (1 - share) / total + square / (4 * total**2)) / (1 + square / total)
    return max(0.0, middle - half), min(1.0, middle + half)


def _finding(change: float, low: float, high: float, least: float, reps: tuple[int, int]) -> Finding:
    if min(reps) < FEWEST_REPS:
        return "too few reps to say"
    return "changed" if abs(change) > least and (low > 0 or high < 0) else "no change shown"


def _student_975(freedom: float) -> float:
    from scipy.special import stdtrit  # a quarter of a second to import

    return float(stdtrit(freedom, 0.975))


def _value(estimate: Estimate | None) -> float | None:
    return estimate.value if estimate else None


def _share(pair: tuple[int, int]) -> float | None:
    return pair[0] / pair[1] if pair[1] else None
