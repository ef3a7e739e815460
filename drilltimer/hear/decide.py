"""Which rise is the landing: every reading of a rep is weighed, none is guessed.

A reading names a touchdown, perhaps a second foot (5-90 ms later) and a first step (150-620 ms later), or says that
there was no landing; every other rise must then be noise, a part of a sound already named, or clutter (a ball, a
racket, another player). The log-likelihoods of the readings are added up; readings that name the same touchdown are
taken together.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from drilltimer.hear.onsets import Rise
from drilltimer.hear.profile import Profile

SECOND_FOOT_S = (0.005, 0.090)  # domain practice: two feet this far apart are one landing
FIRST_STEP_S = (0.150, 0.620)
LAST_LANDING_S = 0.7
MISS_SHARE = 0.12
SECOND_FOOT_SHARE = 0.6
FIRST_STEP_SHARE = 0.5
NOISE_RATE_HZ = 8.0  # local maxima of the strength per second that are only noise
CLUTTER_RATE_HZ = 0.25
AFTERSOUND_RATE_HZ = 4.0  # further rises within one sound: heel after toe, floor, reflections
AFTERSOUND_S = 0.12
STRONG = 4.0  # log-likelihood ratio from which a rise is certainly a sound
POSSIBLE = -3.0  # below which a rise is not worth naming
CERTAIN = 9.0  # and beyond which more strength proves nothing more
COLOUR_WEIGHT = 0.4  # bands are not independent
STEP_LEVEL_DB = -4.0  # a first step is softer than the landing


@dataclass(frozen=True, slots=True)
class Reading:
    """The best reading of a rep and its log-likelihood lead over the best different one."""

    touchdown: Rise | None
    second: Rise | None
    step: Rise | None
    lead: float


def decide(rises: Sequence[Rise], contact: float, closes: float, rate_hz: float, profile: Profile) -> Reading:
    """Best reading of a rep.

    Parameters
    ----------
    rises : sequence of Rise
        In time order.
    contact : float
        Sample at which the contact cue arrived.
    closes : float
        Sample after which sounds belong to the next rep.
    rate_hz : float
    profile : Profile
    """
    middle, scale = profile.noise()
    heard = [rise for rise in rises if rise.strength > middle and rise.at < closes]
    times = np.array([(rise.at - contact) / rate_hz for rise in heard])
    sure = [_evidence(rise.strength, middle, scale) for rise in heard]
    landing, step = _likeness(heard, profile)
    rest = _rest(times, np.array(sure))
    readings: list[tuple[float, int | None, int | None, int | None]] = [
        (math.log(MISS_SHARE) + rest(()), None, None, None)
    ]
    for i in range(len(heard)):
        when = _log_density(times[i])
        if when < -9.0 or sure[i] < POSSIBLE:
            continue
        first = math.log(1.0 - MISS_SHARE) + when + sure[i] + landing[i]
        seconds = [None, *(j for j in _between(times, i, SECOND_FOOT_S) if sure[j] > POSSIBLE)]
        steps = [None, *(k for k in _between(times, i, FIRST_STEP_S) if sure[k] > POSSIBLE)]
        for j in seconds:
            foot = _share(SECOND_FOOT_SHARE, SECOND_FOOT_S, None if j is None else sure[j] + landing[j])
            for k in steps:
                move = _share(FIRST_STEP_SHARE, FIRST_STEP_S, None if k is None else sure[k] + step[k])
                readings.append((first + foot + move + rest((i, j, k)), i, j, k))
    together: dict[int | None, float] = {}
    for score, first_foot, _, _ in readings:
        together[first_foot] = float(np.logaddexp(together.get(first_foot, -math.inf), score))
    best = max(together, key=lambda first_foot: together[first_foot])
    lead = together[best] - max((score for other, score in together.items() if other != best), default=-math.inf)
    top = max((reading for reading in readings if reading[1] == best), key=lambda reading: reading[0])
    named = [None if index is None else heard[index] for index in top[1:]]
    return Reading(named[0], named[1], named[2], lead)


def _rest(times: np.ndarray, sure: np.ndarray) -> Callable[[tuple[int | None, ...]], float]:
    """Log-likelihood, against noise, of all rises that a reading does not name, as a function of those it names."""
    apart = times[:, None] - times[None, :]
    after = np.where(
        (apart > 0.0) & (apart < 2 * AFTERSOUND_S), AFTERSOUND_RATE_HZ * np.exp(-apart / AFTERSOUND_S), 0.0
    )
    strong = sure > STRONG
    base_hz = CLUTTER_RATE_HZ + after[:, strong].sum(axis=1)

    def rest(named: tuple[int | None, ...]) -> float:
        indices = [i for i in named if i is not None]
        weak = [i for i in indices if not strong[i]]
        rates_hz = base_hz + after[:, weak].sum(axis=1) if weak else base_hz
        explained = np.logaddexp(0.0, sure + np.log(rates_hz))
        return float(explained.sum() - explained[indices].sum())

    return rest


def _evidence(strength: float, middle: float, scale: float) -> float:
    """Log-likelihood ratio of a sound against noise at this strength (exponential tail of noise, flat for sounds)."""
    return min(math.log(0.35 * scale / NOISE_RATE_HZ) + (strength - middle) / scale, CERTAIN)


def _likeness(rises: Sequence[Rise], profile: Profile) -> tuple[list[float], list[float]]:
    """Log-likelihood ratios, against clutter, that each rise is a landing and that it is a first step."""
    middle, spread = profile.colour()

    def fit(colour_db: np.ndarray, shift_db: float, sigma_db: np.ndarray) -> float:
        scaled = (colour_db - middle - shift_db) / sigma_db
        return COLOUR_WEIGHT * float(np.sum(-0.5 * scaled**2 - np.log(sigma_db)))

    landing, step = [], []
    for rise in rises:
        clutter = fit(rise.colour_db, -3.0, np.maximum(spread, 9.0))
        landing.append(float(np.clip(fit(rise.colour_db, 0.0, spread) - clutter, -5.0, 3.0)))
        step.append(float(np.clip(fit(rise.colour_db, STEP_LEVEL_DB, np.hypot(spread, 5.0)) - clutter, -5.0, 3.0)))
    return landing, step


def _log_density(time_s: float) -> float:
    """Log density (1/s) of touchdowns around the contact: flat from 200 ms before to 480 ms after, soft shoulders."""
    if not -0.3 <= time_s <= LAST_LANDING_S:
        return -20.0
    early, late = max(-0.2 - time_s, 0.0), max(time_s - 0.48, 0.0)
    return math.log(1.3) - 0.5 * (early / 0.04) ** 2 - 0.5 * (late / 0.08) ** 2


def _between(times: np.ndarray, i: int, span_s: tuple[float, float]) -> list[int]:
    return [j for j in range(i + 1, len(times)) if span_s[0] < times[j] - times[i] < span_s[1]]


def _share(share: float, span_s: tuple[float, float], likelihood: float | None) -> float:
    if likelihood is None:
        return math.log(1.0 - share)
    return math.log(share / (span_s[1] - span_s[0])) + likelihood
