"""The two feet of a landing: a softer first foot before the rise that was taken for it, and the second foot after.

Two feet of one player in the same shoes on the same floor sound alike, so besides a rise of its own the other foot
shows as a likeness of its first milliseconds: to the first foot's, and to those of the session's other landings.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from drilltimer.hear.evidence import Evidence, weigh
from drilltimer.hear.onsets import Rise, Rises
from drilltimer.hear.pattern import NEAR_S, correlate, keep_landing, likeness_to_itself, likeness_to_others

SPAN_S = (0.006, 0.092)
FIRST_SPAN_S = (0.005, 0.095)
PATTERN_S = 0.008  # of the first foot that a later rise is compared with
ALIKE = 0.15  # least likeness that proposes a second foot by itself
MOST_ALIKE = 6  # so many places, the likeliest, are proposed
OTHERS_SHARE = 0.7  # what likeness to other landings counts beside that to the first foot, when proposing

# For a foot before the landing's loudest one, ...
FIRST_FOOT = {
    "alike": 1.87,
    "salience": 3.2,
    "weaker": 0.84,
    "level_lack": -0.29,
    "colour_apart": -0.93,
    "contrast": 0.5,
}
NO_FIRST_FOOT = 3.6
# ... and for the second foot after the first.
SECOND_FOOT = {
    "alike": 3.61,
    "less_alike": -2.21,  # than at the likeliest place
    "like_others": 2.21,
    "less_like_others": 1.93,
    "salience": 0.65,
    "no_jump": -0.91,
}
NO_SECOND_FOOT = 5.56
LEAST_JUMP_DB = 3.0


def find_first_foot(found: Rises, landing: Rise, noise: tuple[float, float], rate_hz: float) -> Rise | None:
    """A foot that came down 5-95 ms before `landing`, when the latter was only the louder one of two.

    Parameters
    ----------
    found : Rises
    landing : Rise
    noise : pair of float
        Median strength of noise and its scale, as from `Profile.noise`.
    rate_hz : float
    """
    feet = feet_before(found, landing, rate_hz)
    if not feet:
        return None
    weights = weigh(first_foot_evidence(found, feet, landing, noise, rate_hz), FIRST_FOOT)
    best = int(np.argmax(weights))
    return feet[best] if weights[best] > NO_FIRST_FOOT else None


def feet_before(found: Rises, landing: Rise, rate_hz: float) -> list[Rise]:
    """Rises that may be the first foot of which `landing` is the second."""
    low, high = FIRST_SPAN_S[0] * rate_hz, FIRST_SPAN_S[1] * rate_hz
    return [rise for rise in found.rises if low < landing.at - rise.at < high]


def first_foot_evidence(
    found: Rises, feet: Sequence[Rise], landing: Rise, noise: tuple[float, float], rate_hz: float
) -> Evidence:
    """What speaks for each of `feet` being the first one of which `landing` is the second."""
    strength = np.array([foot.strength for foot in feet])
    colours_db = np.array([foot.colour_db for foot in feet])
    apart_db = colours_db - colours_db.mean(axis=1, keepdims=True) - (landing.colour_db - landing.colour_db.mean())
    lack = np.minimum((np.array([foot.level_db for foot in feet]) - landing.level_db) / 5.0, 0.0)
    contrast = np.array([foot.contrast for foot in feet])
    return {
        "alike": np.array([_alike(found.white, int(foot.at), int(landing.at), rate_hz) for foot in feet]),
        "salience": np.log1p(np.maximum((strength - noise[0]) / noise[1], 0.0)),
        "weaker": np.log(np.maximum(strength, 0.05) / max(landing.strength, 0.05)),
        "level_lack": lack**2,
        "colour_apart": np.sqrt(np.mean(apart_db**2, axis=1)) / 5.0,
        "contrast": np.log(np.clip(contrast, 0.3, 100.0)),
    }


def _alike(white: np.ndarray, one: int, other: int, rate_hz: float) -> float:
    """Greatest normalised correlation of the patterns at two samples, the second one moved a little either way."""
    length, near = round(PATTERN_S * rate_hz), round(NEAR_S * rate_hz)
    pattern = white[one : one + length]
    return float(correlate(pattern, white[max(0, other - near) : other + near + length]).max(initial=0.0))


def find_second_foot(
    found: Rises, touchdown: Rise, others: Sequence[np.ndarray], noise: tuple[float, float], rate_hz: float
) -> float | None:
    """Sample at which the second foot lands after `touchdown`, or None.

    Parameters
    ----------
    found : Rises
        Of the take, with its whitened signal.
    touchdown : Rise
    others : sequence of float arrays
        Patterns of other landings, as from `Profile.patterns`.
    noise : pair of float
        Median strength of noise and its scale, as from `Profile.noise`.
    rate_hz : float
    """
    places, evidence = second_foot_evidence(found, touchdown, others, noise, rate_hz)
    if not len(places):
        return None
    weights = weigh(evidence, SECOND_FOOT)
    best = int(np.argmax(weights))
    return float(places[best]) if weights[best] > NO_SECOND_FOOT else None


def second_foot_evidence(
    found: Rises, touchdown: Rise, others: Sequence[np.ndarray], noise: tuple[float, float], rate_hz: float
) -> tuple[np.ndarray, Evidence]:
    """Places (samples of the take) at which the second foot may lie, and what speaks for each; as `find_second_foot`.

    A thud repeats itself at its own period, so likeness counts only where the power jumps as well.
    """
    start = int(touchdown.at)
    lags = np.arange(round(SPAN_S[0] * rate_hz), round(SPAN_S[1] * rate_hz))
    clean = keep_landing(found.white, start, rate_hz)
    itself = likeness_to_itself(clean, start, lags, rate_hz)
    if not itself.any():
        return np.zeros(0, int), {}
    like_others = likeness_to_others(clean, start, lags, others, found.predictor, rate_hz)
    places = start + np.array(_proposals(found, start, lags, itself, like_others, rate_hz), int)
    near = round(NEAR_S * rate_hz)
    around = [slice(max(0, at - near), at + near + 1) for at in places - start - lags[0]]
    alike = np.array([itself[each].max(initial=0.0) for each in around])
    like_other = np.array([like_others[each].max(initial=0.0) for each in around])
    jumps_db = [_ratio_db(_power(clean, at, 0.004, rate_hz), _power(clean, at, -0.004, rate_hz)) for at in places]
    strength = np.array([found.strength_near(at, 0.020, rate_hz) for at in places])
    return places, {
        "alike": alike,
        "less_alike": alike - itself.max(),
        "like_others": like_other,
        "less_like_others": like_other - like_others.max(),
        "salience": np.log1p(np.maximum((strength - noise[0]) / noise[1], 0.0)),
        "no_jump": (np.maximum(LEAST_JUMP_DB - np.maximum(jumps_db, -5.0), 0.0) / 5.0) ** 2,
    }


def _proposals(
    found: Rises, start: int, lags: np.ndarray, itself: np.ndarray, like_others: np.ndarray, rate_hz: float
) -> list[int]:
    """Lags at which a second foot may lie: every rise, and where the sound is most like a landing again."""
    from scipy.signal import find_peaks

    near = round(NEAR_S * rate_hz)
    lags_found = {int(rise.at) - start for rise in found.rises if lags[0] < rise.at - start < lags[-1]}
    for scores in (itself, np.maximum(itself, 0.0) + OTHERS_SHARE * like_others):
        peaks, _ = find_peaks(scores, height=ALIKE, distance=max(1, round(0.002 * rate_hz)))
        for peak in peaks[np.argsort(-scores[peaks])][:MOST_ALIKE]:
            if all(abs(int(lags[peak]) - lag) > near for lag in lags_found):
                lags_found.add(int(lags[peak]))
    return sorted(lags_found)


def _power(white: np.ndarray, at: int, span_s: float, rate_hz: float) -> float:
    """Mean power of the span that begins at `at`, or ends there when negative."""
    frames = round(span_s * rate_hz)
    piece = white[max(0, at + min(frames, 0)) : at + max(frames, 0)]
    return float(np.mean(np.square(piece))) if len(piece) else 0.0


def _ratio_db(power: float, reference: float) -> float:
    return float(10.0 * np.log10((power + 1e-20) / (reference + 1e-20)))
