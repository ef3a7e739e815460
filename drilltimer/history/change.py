"""What changed over a player's tests, with a 95 % interval, and whether it is more than chance.

Notes
-----
Each figure of each test is an `Estimate`; a weighted straight line through them, in the order of the tests, tells the
change. Times are 20 % trimmed means with the standard error of Yuen 1974 (Biometrika 61:165-170): one misheard landing,
or one stumble, moves neither. Trimming a fifth is usual (Wilcox, Introduction to Robust Estimation and Hypothesis
Testing, from memory). Scatter is the distances from the test's own median, the idea of Brown & Forsythe 1974 (J Am Stat
Assoc 69:364-367, from memory), scaled so that normal errors give their standard deviation. Shares have one success and
one failure added (Agresti & Caffo 2000, Am Stat 54:280-288, from memory), which holds near 0 and 100 %.

A player also differs from day to day. Three or four tests cannot tell by how much: their scatter around the line has
one or two degrees of freedom. So what is taken to be usual counts as `DAYS_WEIGHT` further ones, the moderated variance
of Smyth 2004 (Stat Appl Genet Mol Biol 3:3, from memory). An improvement is no scatter: it is the line.

One figure is primary. Its question is asked beforehand, "is it better?", so most of the 5 % lie on that side
(`BETTER`), some on the other (`WORSE`), and the rest is left to the other figures together. When the primary one has
changed they share all 5 % (Bretz, Maurer, Brannath & Posch 2009, Stat Med 28:586-604, from memory), by Holm's steps
(Holm 1979, Scand J Stat 6:65-70, from memory). For the constant error, better is nearer to the target, as told by
the mean of all tests, which is independent of their slope.

Measured (`tests/history/test_compare_players.py`): a habit from +80 to +10 ms over four tests is found in 84 of 100;
scatter taken between tests, where an improvement counts as scatter, found 15 of 60; Student's t of two degrees of
freedom 30 of 100; with all variances known it would be 82. The ear's uncertainty is taken as shared by all reps of a
test, the worst case. No bootstrap: no draws, and scipy's to 1e-6.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import median
from typing import Literal

from drilltimer.score.stats import constant_error_ms, sample_sd_ms

TRIM_SHARE = 0.2
FEWEST_REPS = 20  # no claims with fewer (our choice: with a scatter of 40 ms, 20 reps resolve 25 ms)
BASELINE_TESTS = 2  # the first is partly habituation (common practice, no source)
DAYS_WEIGHT = 16.0
BETTER, WORSE, OTHERS = 0.04, 0.005, 0.005
# Mean of |z| between its 20th and 80th percentile, z standard normal: 2 (phi(0.25335) - phi(1.28155)) / 0.6
HALF_NORMAL_TRIMMED = 0.70281

Finding = Literal["changed", "no change shown", "too few reps to say", "too few tests to say"]
Better = Literal["nearer zero", "less", "more"]


@dataclass(frozen=True, slots=True)
class Estimate:
    """A figure of one test: its value, its standard error within the test, and how many reps it is of."""

    value: float
    error: float
    reps: int


@dataclass(frozen=True, slots=True)
class Change:
    """From one test to another, in the figure's own unit (ms, or a share of 1). None where there is too little.

    Parameters
    ----------
    before, after : float | None
        What the two tests came to by themselves.
    change, low, high : float | None
        Along the line through all tests from the one to the other, with its 95 % interval. The primary figure's holds
        5 % divided as above: it excludes zero just where the finding is "changed".
    typical_error : float | None
        Scatter of one test's figure around that line.
    minimal_change : float | None
        Smallest change for the better that is more than chance, other figures not counted.
    finding : {"changed", "no change shown", "too few reps to say", "too few tests to say"}
        Whether the change is more than chance allows, or why that cannot be said.
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
    primary: bool = False


@dataclass(frozen=True, slots=True)
class Trend:
    """A line through tests: its change from the first to the last, and how sure that is.

    `mean` is the tests' own, `typical_error` the scatter of one of them around the line.
    """

    change: float
    error: float
    freedom: float
    mean: float
    typical_error: float


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
    return Estimate(mean, math.hypot(error, systematic), count)


def scatter(values: Sequence[float]) -> Estimate:
    """Scatter about the median, robust, on the scale of a standard deviation."""
    middle = median(values)
    # Distances from a sample's own middle are too short by about this factor, as for the sample form of an SD.
    scale = math.sqrt(len(values) / (len(values) - 1)) / HALF_NORMAL_TRIMMED
    return trimmed([scale * abs(value - middle) for value in values])


def share(count: int, total: int) -> Estimate:
    """A share with one success and one failure added."""
    value = (count + 1) / (total + 2)
    return Estimate(value, math.sqrt(value * (1.0 - value) / (total + 2)), total)


def trend(tests: Sequence[tuple[float, Estimate]], days: float) -> Trend:
    """Weighted line through tests, each with its place in their order; the first and the last are what is compared.

    Parameters
    ----------
    tests : sequence of (float, Estimate)
        Two or more, in order.
    days : float
        Standard deviation from day to day that is taken to be usual.
    """
    places, found = [place for place, _ in tests], [each for _, each in tests]
    weights = [1.0 / (each.error**2 + days**2) for each in found]
    whole = math.fsum(weights)
    middle = math.fsum(w * x for w, x in zip(weights, places, strict=True)) / whole
    mean = math.fsum(w * each.value for w, each in zip(weights, found, strict=True)) / whole
    pulls = [w * (x - middle) for w, x in zip(weights, places, strict=True)]
    spread = math.fsum(pull * (x - middle) for pull, x in zip(pulls, places, strict=True))
    slope = math.fsum(pull * (each.value - mean) for pull, each in zip(pulls, found, strict=True)) / spread
    left = math.fsum(
        w * (each.value - mean - slope * (x - middle)) ** 2 for w, x, each in zip(weights, places, found, strict=True)
    )
    freedom = DAYS_WEIGHT + len(found) - 2
    inflation = (DAYS_WEIGHT + left) / freedom
    within = math.fsum((pull * each.error) ** 2 for pull, each in zip(pulls, found, strict=True)) / spread**2
    length = places[-1] - places[0]
    return Trend(
        slope * length,
        length * math.sqrt(max(inflation / spread, within)),
        freedom,
        mean,
        math.sqrt(inflation * len(found) / whole),
    )


def change_of(
    before: float | None, after: float | None, line: Trend, reps: tuple[int, int], *, better: Better, primary: bool
) -> Change:
    """A change along a line. Its finding is that of the primary figure; `settled` says what the others come to."""
    tails = (BETTER, WORSE) if primary else (0.025, 0.025)
    good, bad = (_quantile(1.0 - tail, line.freedom) * line.error for tail in tails)
    low, high = line.change - bad, line.change + good
    if _sign(line, better) > 0:
        low, high = line.change - good, line.change + bad
    finding: Finding = "changed" if low > 0 or high < 0 else "no change shown"
    return Change(before, after, line.change, low, high, line.typical_error, good, *reps, finding, primary)


def p_value(line: Trend) -> float:
    """Chance of a change at least as great, either way, where there is none."""
    from scipy.special import stdtr

    if not line.error:
        return 1.0 if not line.change else 0.0
    return 2.0 * float(stdtr(line.freedom, -abs(line.change) / line.error))


def holm(p_values: Mapping[str, float], level: float) -> set[str]:
    """Those of several figures that have changed, with so much chance of any error among them."""
    changed: set[str] = set()
    for index, name in enumerate(sorted(p_values, key=p_values.__getitem__)):
        if p_values[name] > level / (len(p_values) - index):
            break
        changed.add(name)
    return changed


def _sign(line: Trend, better: Better) -> float:
    if better == "nearer zero":
        return -line.mean
    return 1.0 if better == "more" else -1.0


def _quantile(chance: float, freedom: float) -> float:
    from scipy.special import stdtrit  # a quarter of a second to import

    return float(stdtrit(freedom, chance))
