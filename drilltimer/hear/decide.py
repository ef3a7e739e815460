"""Which rise is the landing: every reading of a rep is weighed, none is guessed.

A reading says that one rise is the touchdown, or that there was none. Its log weight adds up what speaks for it: the
rise's own strength, its strength and level beside this player's usual ones, its likeness to landings heard before (by
colour, and wave by wave), and its neighbours: a rise shortly before takes the part of the first foot, a rise shortly
after that of the second, one half a second later that of the first step. The reading with the greatest weight wins when
it leads clearly; two readings that weigh the same are no answer.

The weights were fitted by maximum likelihood (a conditional logit, `evidence`); DEVELOPERS.md, "Decisions", tells how
well they carry over to recordings that were left out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from drilltimer.hear.evidence import Evidence, weigh
from drilltimer.hear.onsets import Rise, Rises
from drilltimer.hear.pattern import likeness_of_places
from drilltimer.hear.profile import ENOUGH, Profile

MOST_RISES = 28  # the strongest of a rep; more are noise
RANGE_S = (-0.35, 1.3)  # rises that matter, from the contact
LANDING_S = (-0.3, 0.7)  # and those that may be a touchdown
SECOND_FOOT_S = (0.005, 0.095)
FIRST_STEP_S = (0.15, 0.62)
IMPOSSIBLE = -60.0  # log weight of a touchdown at any other time

LANDING = {
    "strength": 1.34,  # up to STRONG
    "salience": 1.48,  # log(1 + strength over the noise's own scale)
    "level_lack": -1.02,  # squared shortfall from the usual level, in units of 10 dB
    "colour": 0.71,  # log likelihood ratio of its colour
    "stronger": -0.48,  # log strength above the usual
    "weaker": -2.1,  # log strength below the usual
    "foot_before": -6.27,  # a rise 5-95 ms earlier: that one is the first foot
    "sound_before": 1.77,  # a rise 95-150 ms earlier
    "landing_before": -2.51,  # a rise 150-620 ms earlier: this one may be the step after it
    "foot_after": 5.23,
    "step_after": 1.26,
    "early": -6.56,  # touchdown more than 160 ms before the contact
    "late": -4.84,  # each 100 ms later than 420 ms after it
    "alike": 2.24,  # likeness wave by wave beyond what noise reaches, ...
    "alike_at_all": -0.8,  # ... and its first part
    "usual_time": 1.0,  # a log density already; not fitted
}
NO_LANDING = 3.18
NEVER_LANDED = 1.2  # more, until this player was heard to land: noise must not teach what a landing is
STRONG = 2.5
NOISE_LIKENESS, LITTLE_LIKENESS, MUCH_LIKENESS = 0.4, 0.4, 1.6
RIVAL_SLOPE = 1.5  # how much stronger a neighbour must be to take a part away
RIVAL_LEAST = 0.75  # and how strong at all

STEP = {"strength": 1.11, "salience": 2.97, "level_lack": -0.44}
NO_STEP = 6.18
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
    heard = strongest_rises(found.rises, opens, contact, closes, rate_hz)
    if not heard:
        return Reading(None, None, NO_LANDING)
    times_s = np.array([(rise.at - contact) / rate_hz for rise in heard])
    weights = weigh(landing_evidence(found, heard, times_s, rate_hz, profile, rep), LANDING)
    best = int(np.argmax(weights))
    none = NO_LANDING + (0.0 if profile.knows_landings(rep) else NEVER_LANDED)
    others = np.append(weights[np.arange(len(heard)) != best], none)
    if weights[best] <= none:
        return Reading(None, None, none - float(weights[best]))
    step = _first_step(heard, times_s, best, profile)
    shares = np.exp(weights - np.logaddexp.reduce(weights))
    rivals = tuple((heard[i], float(shares[i])) for i in range(len(heard)) if i != best and shares[i] > 1e-3)
    return Reading(heard[best], step, float(weights[best] - others.max()), rivals)


def strongest_rises(rises: Sequence[Rise], opens: float, contact: float, closes: float, rate_hz: float) -> list[Rise]:
    """Rises that matter for a rep, in time order."""
    first, last = max(opens, contact + RANGE_S[0] * rate_hz), min(closes, contact + RANGE_S[1] * rate_hz)
    within = [rise for rise in rises if first <= rise.at < last]
    strongest = sorted(within, key=lambda rise: -rise.strength)[:MOST_RISES]
    return sorted(strongest, key=lambda rise: rise.at)


def landing_evidence(
    found: Rises, heard: Sequence[Rise], times_s: np.ndarray, rate_hz: float, profile: Profile, rep: int
) -> Evidence:
    """What speaks for each rise in `heard`, `times_s` after the contact, being this player's touchdown."""
    strength = np.array([rise.strength for rise in heard])
    return {
        **_own_evidence(heard, strength, profile, rep),
        **_neighbour_evidence(times_s, strength),
        **_time_evidence(times_s),
        **_alike_evidence(found, heard, _may_be_landings(times_s), rate_hz, profile, rep),
    }


def _own_evidence(heard: Sequence[Rise], strength: np.ndarray, profile: Profile, rep: int) -> Evidence:
    """What each rise says for itself."""
    beside_usual = np.log(np.clip(strength, 0.05, 9.0) / profile.usual_strength(rep))
    lack = np.minimum(profile.level_beside_usual_db(heard, rep) / 10.0, 0.0)
    return {
        "strength": np.minimum(strength, STRONG),
        "salience": _salience(strength, profile),
        "level_lack": lack**2,
        "colour": profile.likeness(heard, rep),
        "stronger": np.maximum(beside_usual, 0.0),
        "weaker": np.maximum(-beside_usual, 0.0),
    }


def _alike_evidence(
    found: Rises, heard: Sequence[Rise], possible: np.ndarray, rate_hz: float, profile: Profile, rep: int
) -> Evidence:
    """How much each rise that is a `possible` landing sounds, wave by wave, like other landings."""
    patterns, beyond = profile.patterns(rep), np.zeros(len(heard))
    if len(patterns) >= ENOUGH:
        places = [int(rise.at) for rise, may in zip(heard, possible, strict=True) if may]
        likeness = likeness_of_places(found, places, patterns, rate_hz)
        beyond[possible] = np.maximum(likeness - NOISE_LIKENESS, 0.0)
    return {"alike": np.minimum(beyond, MUCH_LIKENESS), "alike_at_all": np.minimum(beyond, LITTLE_LIKENESS)}


def _salience(strength: np.ndarray, profile: Profile) -> np.ndarray:
    middle, scale = profile.noise()
    return np.asarray(np.log1p(np.clip((strength - middle) / scale, 0.0, 25.0)))


def _neighbour_evidence(times_s: np.ndarray, strength: np.ndarray) -> Evidence:
    """What each rise's neighbours say about it being the touchdown."""
    later_s = times_s[None, :] - times_s[:, None]  # [i, j]: how much later than i its neighbour j is
    rival = _logistic(RIVAL_SLOPE * (strength[None, :] - strength[:, None]))
    rival = rival * _logistic(6.0 * (strength[None, :] - RIVAL_LEAST))

    def strongest(low_s: float, high_s: float) -> np.ndarray:
        return np.asarray(np.where((later_s > low_s) & (later_s < high_s), rival, 0.0).max(axis=1))

    return {
        "foot_before": strongest(-SECOND_FOOT_S[1], -0.003),
        "sound_before": strongest(-FIRST_STEP_S[0], -SECOND_FOOT_S[1]),
        "landing_before": strongest(-FIRST_STEP_S[1] - 0.03, -FIRST_STEP_S[0]),
        "foot_after": strongest(*SECOND_FOOT_S),
        "step_after": strongest(*FIRST_STEP_S),
    }


def _time_evidence(times_s: np.ndarray) -> Evidence:
    """How usual a touchdown at that time after the contact is: flat over what players do, soft shoulders."""
    shoulders = -0.5 * (np.maximum(-0.2 - times_s, 0.0) / 0.04) ** 2
    shoulders -= 0.5 * (np.maximum(times_s - 0.48, 0.0) / 0.08) ** 2
    possible = _may_be_landings(times_s)
    return {
        "early": (times_s < -0.16).astype(float),
        "late": np.maximum(times_s - 0.42, 0.0) / 0.1,
        "usual_time": np.where(possible, shoulders, IMPOSSIBLE),
    }


def _may_be_landings(times_s: np.ndarray) -> np.ndarray:
    return (times_s >= LANDING_S[0]) & (times_s <= LANDING_S[1])


def _first_step(heard: Sequence[Rise], times_s: np.ndarray, touchdown: int, profile: Profile) -> Rise | None:
    """The first step after a touchdown; None where nothing stands out."""
    steps = steps_after(times_s, touchdown)
    if not len(steps):
        return None
    weights = weigh(step_evidence([heard[k] for k in steps], heard[touchdown], profile), STEP)
    best = int(np.argmax(weights))
    return heard[steps[best]] if weights[best] > NO_STEP else None


def steps_after(times_s: np.ndarray, touchdown: int) -> np.ndarray:
    """Indices of the rises that may be the first step after a touchdown."""
    after_s = times_s - times_s[touchdown]
    return np.flatnonzero((after_s > FIRST_STEP_S[0]) & (after_s < FIRST_STEP_S[1]))


def step_evidence(steps: Sequence[Rise], touchdown: Rise, profile: Profile) -> Evidence:
    """What speaks for each of `steps` being the first step after the touchdown."""
    strength = np.array([step.strength for step in steps])
    softer_db = np.array([step.level_db for step in steps]) - touchdown.level_db - STEP_LEVEL_DB
    return {
        "strength": np.minimum(strength, STRONG),
        "salience": _salience(strength, profile),
        "level_lack": np.minimum(softer_db / 5.0, 0.0) ** 2,
    }


def _logistic(x: np.ndarray) -> np.ndarray:
    return np.asarray(1.0 / (1.0 + np.exp(-np.clip(x, -50.0, 50.0))))
