"""The two feet of a landing: a softer first foot before the rise that was taken for it, and the second foot after.

Two feet of one player in the same shoes on the same floor sound alike, so besides a rise of its own the other foot
shows as a likeness of its first milliseconds: to the first foot's, and to those of the session's other landings.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from drilltimer.hear.onsets import Rise, Rises
from drilltimer.hear.pattern import NEAR_S, correlate, keep_landing, likeness_to_itself, likeness_to_others

SPAN_S = (0.006, 0.092)
FIRST_SPAN_S = (0.005, 0.095)
PATTERN_S = 0.008  # of the first foot that a later rise is compared with
ALIKE = 0.15  # least likeness that proposes a second foot by itself
MOST_ALIKE = 6  # so many places, the likeliest, are proposed
OTHERS_SHARE = 0.7  # what likeness to other landings counts beside that to the first foot, when proposing

# Weights of conditional logits fitted like those of `decide`: for the first foot before a landing's loudest one, ...
FIRST_LIKENESS, FIRST_SALIENCE, FIRST_STRENGTH, FIRST_LEVEL_LACK = 1.87, 3.2, 0.84, -0.29
FIRST_UNLIKE, FIRST_CONTRAST, FIRST_NONE = -0.93, 0.5, 3.6
# ... and for the second foot after the first.
ALIKE_SCORE, NOT_MOST_ALIKE, OTHERS_SCORE, NOT_MOST_LIKE_OTHERS = 3.61, -2.21, 2.21, 1.93
SALIENCE, NO_JUMP, NONE = 0.65, -0.91, 5.56
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
    best, best_weight = None, FIRST_NONE
    for rise in found.rises:
        if not FIRST_SPAN_S[0] * rate_hz < landing.at - rise.at < FIRST_SPAN_S[1] * rate_hz:
            continue
        lack = min((rise.level_db - landing.level_db) / 5.0, 0.0)
        apart_db = (rise.colour_db - rise.colour_db.mean()) - (landing.colour_db - landing.colour_db.mean())
        weight = FIRST_LIKENESS * _alike(found.white, int(rise.at), int(landing.at), rate_hz)
        weight += FIRST_SALIENCE * float(np.log1p(max((rise.strength - noise[0]) / noise[1], 0.0)))
        weight += FIRST_STRENGTH * float(np.log(max(rise.strength, 0.05) / max(landing.strength, 0.05)))
        weight += FIRST_LEVEL_LACK * lack**2 + FIRST_UNLIKE * float(np.sqrt(np.mean(apart_db**2))) / 5.0
        weight += FIRST_CONTRAST * float(np.log(np.clip(rise.contrast, 0.3, 100.0)))
        if weight > best_weight:
            best, best_weight = rise, weight
    return best


def _alike(white: np.ndarray, one: int, other: int, rate_hz: float) -> float:
    """Greatest normalised correlation of the patterns at two samples, the second one moved a little either way."""
    length, near = round(PATTERN_S * rate_hz), round(NEAR_S * rate_hz)
    pattern = white[one : one + length]
    return float(correlate(pattern, white[max(0, other - near) : other + near + length]).max(initial=0.0))


def find_second_foot(
    found: Rises, touchdown: Rise, others: Sequence[np.ndarray], noise: tuple[float, float], rate_hz: float
) -> float | None:
    """Sample at which the second foot lands after `touchdown`, or None.

    A thud repeats itself at its own period, so likeness counts only where the power jumps as well.

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
    start = int(touchdown.at)
    lags = np.arange(round(SPAN_S[0] * rate_hz), round(SPAN_S[1] * rate_hz))
    clean = keep_landing(found.white, start, rate_hz)
    itself = likeness_to_itself(clean, start, lags, rate_hz)
    if not itself.any():
        return None
    like_others = likeness_to_others(clean, start, lags, others, found.predictor, rate_hz)
    best, best_weight = None, NONE
    for lag in _proposals(found, start, lags, itself, like_others, rate_hz):
        at, place, near = start + lag, lag - int(lags[0]), round(NEAR_S * rate_hz)
        around = slice(max(0, place - near), place + near + 1)
        alike, like_other = float(itself[around].max(initial=0.0)), float(like_others[around].max(initial=0.0))
        jump_db = _ratio_db(_power(clean, at, 0.004, rate_hz), _power(clean, at, -0.004, rate_hz))
        lack = max(LEAST_JUMP_DB - max(jump_db, -5.0), 0.0) / 5.0
        strength = found.strength_near(at, 0.020, rate_hz)
        weight = ALIKE_SCORE * alike + NOT_MOST_ALIKE * (alike - float(itself.max())) + NO_JUMP * lack**2
        weight += OTHERS_SCORE * like_other + NOT_MOST_LIKE_OTHERS * (like_other - float(like_others.max()))
        weight += SALIENCE * float(np.log1p(max((strength - noise[0]) / noise[1], 0.0)))
        if weight > best_weight:
            best, best_weight = float(at), weight
    return best


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
