"""Which rise is the landing: every reading of a rep is weighed, none is guessed.

A reading says that one rise is the touchdown, or that there was none. Its log weight adds up what speaks for it: the
rise's own strength, its strength and level beside this player's usual ones, its likeness to landings heard before (by
colour, and wave by wave), and its neighbours: a rise shortly before takes the part of the first foot, a rise shortly
after that of the second, one half a second later that of the first step. The reading with the greatest weight wins when
it leads clearly; two readings that weigh the same are no answer.

The weights were fitted by maximum likelihood (a conditional logit) to readings of simulated and of development
recordings; DEVELOPERS.md, "Decisions", tells how well they carry over to recordings that were left out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from drilltimer.hear.onsets import Rise, Rises
from drilltimer.hear.pattern import likeness_of_places
from drilltimer.hear.profile import ENOUGH, Profile

MOST_RISES = 28  # the strongest of a rep; more are noise
RANGE_S = (-0.35, 1.3)  # rises that matter, from the contact
LANDING_S = (-0.3, 0.7)  # and those that may be a touchdown
SECOND_FOOT_S = (0.005, 0.095)
FIRST_STEP_S = (0.15, 0.62)

# What one unit of each kind of evidence is worth, in nepers of likelihood.
STRENGTH = 1.34  # of strength, up to STRONG
STRONG = 2.5
SALIENCE = 1.48  # of log(1 + strength over the noise's own scale)
LEVEL_LACK = -1.02  # of the squared shortfall from the usual level, in units of 10 dB
LIKENESS = 0.71  # of the log likelihood ratio of its colour
STRONGER = -0.48  # of log strength above the usual
WEAKER = -2.1  # of log strength below the usual
FIRST_FOOT_BEFORE = -6.27  # of a rise 5-95 ms earlier: that one is the first foot
SOUND_BEFORE = 1.77  # of a rise 95-150 ms earlier
LANDING_BEFORE = -2.51  # of a rise 150-620 ms earlier: this one may be the step after it
SECOND_FOOT_AFTER = 5.23
STEP_AFTER = 1.26
EARLY = -6.56  # touchdown more than 160 ms before the contact
LATE = -4.84  # of each 100 ms later than 420 ms after it
ALIKE, ALIKE_AT_ALL = 2.24, -0.8  # of likeness wave by wave beyond what noise reaches, and of its first part
NO_LANDING = 3.18
NEVER_LANDED = 1.2  # more, until this player was heard to land: noise must not teach what a landing is

NOISE_LIKENESS, LITTLE_LIKENESS, MUCH_LIKENESS = 0.4, 0.4, 1.6
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


def decide(
    found: Rises, opens: float, contact: float, closes: float, rate_hz: float, profile: Profile, rep: int
) -> Reading:
    """Best reading of a rep.

    Parameters
    ----------
    found : Rises
    opens, closes : float
        Samples before and after which sounds belong to other reps.
    contact : float
        Sample at which the contact cue arrived.
    rate_hz : float
    profile : Profile
    rep : int
        What the profile learned from this very rep does not speak for it.
    """
    heard = _strongest(found.rises, opens, contact, closes, rate_hz)
    if not heard:
        return Reading(None, None, NO_LANDING)
    times_s = np.array([(rise.at - contact) / rate_hz for rise in heard])
    strength = np.array([rise.strength for rise in heard])
    patterns = profile.patterns(rep)
    weights = _own_weights(heard, profile, rep) + _neighbour_weights(times_s, strength) + _time_weights(times_s)
    if len(patterns) >= ENOUGH:
        weights += _alike_weights(likeness_of_places(found, [int(rise.at) for rise in heard], patterns, rate_hz))
    best = int(np.argmax(weights))
    none = NO_LANDING + (0.0 if profile.knows_landings(rep) else NEVER_LANDED)
    others = np.append(weights[np.arange(len(heard)) != best], none)
    if weights[best] <= none:
        return Reading(None, None, none - float(weights[best]))
    step = _first_step(heard, times_s, best, profile)
    shares = np.exp(weights - np.logaddexp.reduce(weights))
    rivals = tuple((heard[i], float(shares[i])) for i in range(len(heard)) if i != best and shares[i] > 1e-3)
    return Reading(heard[best], step, float(weights[best] - others.max()), rivals)


def _strongest(rises: Sequence[Rise], opens: float, contact: float, closes: float, rate_hz: float) -> list[Rise]:
    first, last = max(opens, contact + RANGE_S[0] * rate_hz), min(closes, contact + RANGE_S[1] * rate_hz)
    within = [rise for rise in rises if first <= rise.at < last]
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


def _alike_weights(likeness: np.ndarray) -> np.ndarray:
    """What it says that a rise sounds, wave by wave, like other landings; shape (n,)."""
    beyond = np.maximum(likeness - NOISE_LIKENESS, 0.0)
    return np.asarray(ALIKE * np.minimum(beyond, MUCH_LIKENESS) + ALIKE_AT_ALL * np.minimum(beyond, LITTLE_LIKENESS))


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
