"""Which rise is the landing: every reading of a rep is weighed, none is guessed.

A reading says that one rise is the touchdown, or that there was none. Its log weight adds up what speaks for it: the
rise's own strength, its strength and level beside this player's usual ones, its likeness to landings heard before, and
its neighbours (a rise shortly before takes the part of the first foot, a rise shortly after that of the second, one
half a second later that of the first step). The reading with the greatest weight wins when it leads clearly; two
readings that weigh the same are no answer.

The weights were fitted by maximum likelihood (a conditional logit) to readings of simulated and of development
recordings; DEVELOPERS.md, "Decisions", tells how well they carry over to recordings that were left out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from drilltimer.hear.onsets import Rise
from drilltimer.hear.profile import Profile

MOST_RISES = 28  # the strongest of a rep; more are noise
RANGE_S = (-0.35, 1.3)  # rises that matter, from the contact
LANDING_S = (-0.3, 0.7)  # and those that may be a touchdown
SECOND_FOOT_S = (0.005, 0.095)
FIRST_STEP_S = (0.15, 0.62)

# What one unit of each kind of evidence is worth, in nepers of likelihood.
STRENGTH = 1.81  # of strength, up to STRONG
STRONG = 2.5
SALIENCE = 1.56  # of log(1 + strength over the noise's own scale)
LEVEL_LACK = -1.05  # of the squared shortfall from the usual level, in units of 10 dB
LIKENESS = 0.95  # of the log likelihood ratio of its colour
STRONGER = -0.45  # of log strength above the usual
WEAKER = -2.15  # of log strength below the usual
FIRST_FOOT_BEFORE = -7.27  # of a rise 5-95 ms earlier: that one is the first foot
SOUND_BEFORE = 0.77  # of a rise 95-150 ms earlier
LANDING_BEFORE = -1.83  # of a rise 150-620 ms earlier: this one may be the step after it
SECOND_FOOT_AFTER = 5.79
STEP_AFTER = 1.38
EARLY = -4.0  # touchdown more than 160 ms before the contact
LATE = -3.0  # of each 100 ms later than 420 ms after it
NO_LANDING = 3.68
NEVER_LANDED = 1.2  # more, until this player was heard to land: noise must not teach what a landing is

RIVAL_SLOPE = 1.5  # how much stronger a neighbour must be to take a part away
RIVAL_LEAST = 0.75  # and how strong at all

STEP_STRENGTH, STEP_SALIENCE, STEP_LEVEL_LACK, NO_STEP = 1.11, 2.97, -0.44, 6.18
STEP_LEVEL_DB = -4.5  # a first step is softer than the landing


@dataclass(frozen=True, slots=True)
class Reading:
    """The best reading of a rep, and its lead in log weight over the best reading that differs."""

    touchdown: Rise | None
    step: Rise | None
    lead: float
    rivals: tuple[tuple[Rise, float], ...] = ()  # other touchdowns, each with its share of the likelihood


def decide(rises: Sequence[Rise], contact: float, closes: float, rate_hz: float, profile: Profile, rep: int) -> Reading:
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
    rep : int
        What the profile learned from this very rep does not speak for it.
    """
    heard = _strongest(rises, contact, closes, rate_hz)
    if not heard:
        return Reading(None, None, NO_LANDING)
    times_s = np.array([(rise.at - contact) / rate_hz for rise in heard])
    strength = np.array([rise.strength for rise in heard])
    weights = _own_weights(heard, profile, rep) + _neighbour_weights(times_s, strength) + _time_weights(times_s)
    best = int(np.argmax(weights))
    none = NO_LANDING + (0.0 if profile.knows_landings(rep) else NEVER_LANDED)
    others = np.append(weights[np.arange(len(heard)) != best], none)
    if weights[best] <= none:
        return Reading(None, None, none - float(weights[best]))
    step = _first_step(heard, times_s, best, profile)
    shares = np.exp(weights - np.logaddexp.reduce(weights))
    rivals = tuple((heard[i], float(shares[i])) for i in range(len(heard)) if i != best and shares[i] > 1e-3)
    return Reading(heard[best], step, float(weights[best] - others.max()), rivals)


def _strongest(rises: Sequence[Rise], contact: float, closes: float, rate_hz: float) -> list[Rise]:
    within = [rise for rise in rises if RANGE_S[0] < (rise.at - contact) / rate_hz < RANGE_S[1] and rise.at < closes]
    strongest = sorted(within, key=lambda rise: -rise.strength)[:MOST_RISES]
    return sorted(strongest, key=lambda rise: rise.at)


def _own_weights(heard: Sequence[Rise], profile: Profile, rep: int) -> np.ndarray:
    """What each rise says for itself being this player's landing; shape (n,)."""
    strength = np.array([rise.strength for rise in heard])
    beside_usual = np.log(np.clip(strength, 0.05, 9.0) / profile.usual_strength(rep))
    lack = np.minimum(profile.level_beside_usual_db(heard, rep) / 10.0, 0.0)
    return np.asarray(
        STRENGTH * np.minimum(strength, STRONG)
        + SALIENCE * _salience(strength, profile)
        + LEVEL_LACK * lack**2
        + LIKENESS * profile.likeness(heard, rep)
        + STRONGER * np.maximum(beside_usual, 0.0)
        + WEAKER * np.maximum(-beside_usual, 0.0)
    )


def _salience(strength: np.ndarray, profile: Profile) -> np.ndarray:
    middle, scale = profile.noise()
    return np.asarray(np.log1p(np.clip((strength - middle) / scale, 0.0, 25.0)))


def _neighbour_weights(times_s: np.ndarray, strength: np.ndarray) -> np.ndarray:
    """What each rise's neighbours say about it being the touchdown; shape (n,)."""
    later_s = times_s[None, :] - times_s[:, None]  # [i, j]: how much later than i its neighbour j is
    rival = _logistic(RIVAL_SLOPE * (strength[None, :] - strength[:, None]))
    rival = rival * _logistic(6.0 * (strength[None, :] - RIVAL_LEAST))

    def strongest(low_s: float, high_s: float) -> np.ndarray:
        return np.asarray(np.where((later_s > low_s) & (later_s < high_s), rival, 0.0).max(axis=1))

    return (
        FIRST_FOOT_BEFORE * strongest(-SECOND_FOOT_S[1], -0.003)
        + SOUND_BEFORE * strongest(-FIRST_STEP_S[0], -SECOND_FOOT_S[1])
        + LANDING_BEFORE * strongest(-FIRST_STEP_S[1] - 0.03, -FIRST_STEP_S[0])
        + SECOND_FOOT_AFTER * strongest(*SECOND_FOOT_S)
        + STEP_AFTER * strongest(*FIRST_STEP_S)
    )


def _time_weights(times_s: np.ndarray) -> np.ndarray:
    """How usual a touchdown at that time after the contact is: flat over what players do, soft shoulders."""
    shoulders = -0.5 * (np.maximum(-0.2 - times_s, 0.0) / 0.04) ** 2
    shoulders -= 0.5 * (np.maximum(times_s - 0.48, 0.0) / 0.08) ** 2
    usual = EARLY * (times_s < -0.16) + LATE * np.maximum(times_s - 0.42, 0.0) / 0.1
    possible = (times_s >= LANDING_S[0]) & (times_s <= LANDING_S[1])
    return np.where(possible, shoulders + usual, -50.0)


def _first_step(heard: Sequence[Rise], times_s: np.ndarray, touchdown: int, profile: Profile) -> Rise | None:
    """The first step after a touchdown; None where nothing stands out."""
    best, best_weight = None, NO_STEP
    salience = _salience(np.array([rise.strength for rise in heard]), profile)
    for k in range(touchdown + 1, len(heard)):
        if not FIRST_STEP_S[0] < times_s[k] - times_s[touchdown] < FIRST_STEP_S[1]:
            continue
        lack = min((heard[k].level_db - heard[touchdown].level_db - STEP_LEVEL_DB) / 5.0, 0.0)
        weight = STEP_STRENGTH * min(heard[k].strength, STRONG) + STEP_SALIENCE * salience[k]
        weight += STEP_LEVEL_LACK * lack**2
        if weight > best_weight:
            best, best_weight = heard[k], weight
    return best


def _logistic(x: np.ndarray) -> np.ndarray:
    return np.asarray(1.0 / (1.0 + np.exp(-np.clip(x, -50.0, 50.0))))
