"""At which touchdown does a player's first step come soonest? What the split step is for, asked of their own reps.

Notes
-----
A curve of (first step minus direction known) over the touchdown: a parabola to either side of its lowest point, steeper
on one side or not, for landing too early costs otherwise than landing too late (Uzu, Shinya & Oda 2009, J Sports Sci
27(12):1233-1240, abstract: ten times the failures). For every place of the lowest point the curve is fitted by Huber's
loss (Huber 1964, Ann Math Stat 35:73-101, from memory): one misheard step bends nothing. The 95 % interval holds the
places that fit not significantly worse than the best one, by the likelihood ratio of M-estimates (Ronchetti 1982, from
memory). Where it reaches an end of the landings there is no lowest point to be told.

A parabola alone covers a known optimum in 42 of 100 where early costs twice as much as late, two halves in 95. No
window comes from response times: Uzu's (2009) are of the landing against the response to a light, and a mean time from
a call to a footfall, taken from the contact, was 300 ms too late.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FEWEST = 40  # answered calls: with fewer no curve is fitted (our choice)
HUBER = 1.345  # standard deviations: 95 % as efficient as least squares where errors are normal
PLACES_APART_MS = 4.0
ENDS = (0.05, 0.95)  # quantiles of the touchdowns between which the lowest point is looked for
ROUNDS = 25
UNIT_MS = 100.0  # touchdowns are counted in this, so that the solver sees numbers of one size

Values = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Soonest:
    """The touchdown after which the first step comes soonest, in ms after the contact.

    Parameters
    ----------
    answers : int
        How many answered calls it rests on.
    touchdown_ms, low_ms, high_ms : float | None
        Where the curve is lowest, and the ends of its 95 % interval; None while nothing can be said.
    missing : int
        About so many more answered calls until the interval is narrower than the window; 0 where it is.
    curve : tuple of (float, float)
        Touchdown and time from direction known to first step, along the fitted curve.
    """

    answers: int
    touchdown_ms: float | None
    low_ms: float | None
    high_ms: float | None
    missing: int
    curve: tuple[tuple[float, float], ...] = ()


def soonest_step(touchdowns_ms: Sequence[float], steps_ms: Sequence[float], window_ms: float) -> Soonest:
    """Find the touchdown after which the first step comes soonest.

    Parameters
    ----------
    touchdowns_ms : sequence of float
        After the contact.
    steps_ms : sequence of float
        First step after its direction was known, as many.
    window_ms : float
        Width of the window that a personal target would be narrower than.
    """
    count = len(steps_ms)
    if count < FEWEST:
        return Soonest(count, None, None, None, FEWEST - count)
    x, y = np.array(touchdowns_ms) / UNIT_MS, np.array(steps_ms)
    first, last = np.quantile(x, ENDS)
    places = np.arange(first, last, PLACES_APART_MS / UNIT_MS)
    if len(places) < 3:
        return Soonest(count, None, None, None, count)
    scale = _scale(x, y)
    if scale == 0.0:
        return Soonest(count, None, None, None, count)
    fits = [_fit(x, y, place, scale) for place in places]
    losses = np.array([loss for _, loss, _ in fits])
    best = int(np.argmin(losses))
    coefficients, _, left = fits[best]
    slopes = np.clip(left, -HUBER * scale, HUBER * scale)
    inside = float(np.mean(np.abs(left) < HUBER * scale))
    ratio = 2.0 * (losses - losses[best]) * inside * (count - 4) / float(np.sum(slopes**2))
    kept = np.flatnonzero(ratio <= _quantile(count - 4) ** 2)
    along = np.linspace(first, last, 61)
    curve = tuple(zip((UNIT_MS * along).tolist(), (_columns(along, places[best]) @ coefficients).tolist(), strict=True))
    if kept[0] == 0 or kept[-1] == len(places) - 1:
        return Soonest(count, None, None, None, count, curve)  # twice as many halve what they can tell, and a bit
    half_ms = PLACES_APART_MS / 2.0
    low_ms, high_ms = UNIT_MS * float(places[kept[0]]) - half_ms, UNIT_MS * float(places[kept[-1]]) + half_ms
    # an interval shrinks with the root of the number
    missing = max(0, math.ceil(count * (((high_ms - low_ms) / window_ms) ** 2 - 1.0)))
    return Soonest(count, UNIT_MS * float(places[best]), low_ms, high_ms, missing, curve)


def _columns(x: Values, place: float) -> Values:
    """Constant, and a parabola to either side of a place."""
    away = x - place
    return np.column_stack([np.ones_like(x), np.minimum(away, 0.0) ** 2, np.maximum(away, 0.0) ** 2])


def _scale(x: Values, y: Values) -> float:
    """Scatter of steps about a cubic, by their median distance."""
    columns = np.vander(x - x.mean(), 4)
    left = y - np.median(y)
    for _ in range(3):
        scale = 1.4826 * float(np.median(np.abs(left)))
        if scale == 0.0:
            return 0.0
        _, _, left = _huber(columns, y, scale)
    return 1.4826 * float(np.median(np.abs(left)))


def _fit(x: Values, y: Values, place: float, scale: float) -> tuple[Values, float, Values]:
    """Best curve whose lowest point is at a place: none of its sides goes down."""
    columns = _columns(x, place)
    fits = []
    for kept in ([0, 1, 2], [0, 1], [0, 2], [0]):
        found, loss, left = _huber(columns[:, kept], y, scale)
        whole = np.zeros(3)
        whole[kept] = found
        if (whole[1:] >= 0.0).all():
            fits.append((whole, loss, left))
            if len(kept) == 3:
                break
    return min(fits, key=lambda fit: fit[1])


def _huber(columns: Values, y: Values, scale: float) -> tuple[Values, float, Values]:
    """Coefficients by Huber's loss with a known scale, by reweighting; the loss, and what is left."""
    found = _solved(columns, y)
    edge = HUBER * scale
    for _ in range(ROUNDS):
        away = np.abs(y - columns @ found)
        weighted = columns * np.minimum(1.0, edge / np.maximum(away, 1e-9))[:, None]
        better = _solved(weighted.T @ columns, weighted.T @ y)
        moved, found = float(np.max(np.abs(better - found))), better
        if moved < 1e-4 * scale:
            break
    left = y - columns @ found
    away = np.abs(left)
    loss = float(np.sum(np.where(away <= edge, 0.5 * away**2, edge * away - 0.5 * edge**2)))
    return found, loss, left


def _solved(columns: Values, y: Values) -> Values:
    return np.asarray(np.linalg.lstsq(columns, y, rcond=None)[0], dtype=np.float64)


def _quantile(freedom: int) -> float:
    from scipy.special import stdtrit  # a quarter of a second to import

    return float(stdtrit(freedom, 0.975))
