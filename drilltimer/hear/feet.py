"""The two feet of a landing: a softer first foot before the rise that was taken for it, and the second foot after.

Two feet of one player in the same shoes on the same floor sound alike, so besides a rise of its own the other foot
shows as a likeness of the first milliseconds (normalised cross-correlation of the whitened signal).
"""

from __future__ import annotations

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from drilltimer.hear.onsets import Rise, Rises

SPAN_S = (0.006, 0.092)
FIRST_SPAN_S = (0.005, 0.095)
PATTERN_S = 0.008  # of the first foot that the second is compared with
NEAR_S = 0.0015  # how far a likeness may lie from the rise it speaks for
LONGEST_PATTERN_S = 0.025
ALIKE = 0.15  # least score that proposes a second foot by itself

# Weights of conditional logits fitted like those of `decide`: for the first foot before a landing's loudest one, ...
FIRST_LIKENESS, FIRST_SALIENCE, FIRST_STRENGTH, FIRST_LEVEL_LACK = 1.87, 3.2, 0.84, -0.29
FIRST_UNLIKE, FIRST_CONTRAST, FIRST_NONE = -0.93, 0.5, 3.6
# ... and for the second foot after the first.
ALIKE_SCORE, SALIENCE, NO_JUMP, NOT_MOST_ALIKE, NONE = 5.65, 0.71, -1.13, -0.78, 5.2
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
    return float(_correlate(pattern, white[max(0, other - near) : other + near + length]).max(initial=0.0))


def find_second_foot(found: Rises, touchdown: Rise, noise: tuple[float, float], rate_hz: float) -> float | None:
    """Sample at which the second foot lands after `touchdown`, or None.

    A thud repeats itself at its own period, so likeness counts only where the power jumps as well.

    Parameters
    ----------
    found : Rises
        Of the take, with its whitened signal.
    touchdown : Rise
    noise : pair of float
        Median strength of noise and its scale, as from `Profile.noise`.
    rate_hz : float
    """
    start = int(touchdown.at)
    scores = _likeness_scores(found.white, start, rate_hz)
    if not len(scores):
        return None
    lead, near = round(SPAN_S[0] * rate_hz), round(NEAR_S * rate_hz)
    low, high = SPAN_S[0] * rate_hz, SPAN_S[1] * rate_hz
    proposals = {int(rise.at) - start for rise in found.rises if low < rise.at - start < high}
    for place in _peaks(scores, round(0.002 * rate_hz)):
        if all(abs(lead + int(place) - lag) > near for lag in proposals):
            proposals.add(lead + int(place))
    best, best_weight = None, NONE
    for lag in sorted(proposals):
        place, at = lag - lead, start + lag
        alike = float(scores[max(0, place - near) : place + near + 1].max(initial=0.0))
        jump_db = _ratio_db(_power(found.white, at, 0.004, rate_hz), _power(found.white, at, -0.004, rate_hz))
        lack = max(LEAST_JUMP_DB - max(jump_db, -5.0), 0.0) / 5.0
        strength = found.strength_near(at, 0.020, rate_hz)
        weight = ALIKE_SCORE * alike + NOT_MOST_ALIKE * (alike - float(scores.max())) + NO_JUMP * lack**2
        weight += SALIENCE * float(np.log1p(max((strength - noise[0]) / noise[1], 0.0)))
        if weight > best_weight:
            best, best_weight = float(at), weight
    return best


def _likeness_scores(white: np.ndarray, start: int, rate_hz: float) -> np.ndarray:
    """How like the sound from `start` the sound at each later lag of `SPAN_S` is; empty at the end of a take.

    Fisher's z of the normalised correlation, over as long a pattern as fits before the lag (it ends where the second
    foot begins), times the root of its length in units of `PATTERN_S`, and less where the later sound is softer.
    """
    first, last = round(SPAN_S[0] * rate_hz), round(SPAN_S[1] * rate_hz)
    shortest, longest = round(SPAN_S[0] * rate_hz), round(LONGEST_PATTERN_S * rate_hz)
    piece = white[start : start + last + longest]
    if start < 0 or len(piece) < last + longest:
        return np.zeros(0)
    energy = np.concatenate([[0.0], np.cumsum(np.square(piece))])
    scores = np.zeros(last - first)
    for lag in range(first, last):
        length = min(max(lag - round(0.001 * rate_hz), shortest), longest)
        own = energy[length] + 1e-30
        later = energy[lag + length] - energy[lag]
        alike = float(piece[:length] @ piece[lag : lag + length]) / np.sqrt(own * later + 1e-30)
        scores[lag - first] = (
            np.arctanh(np.clip(alike, -0.99, 0.99))
            * np.sqrt(length / (PATTERN_S * rate_hz))
            * min(1.0, np.sqrt(later / own))
        )
    return scores


def _correlate(pattern: np.ndarray, piece: np.ndarray) -> np.ndarray:
    """Normalised correlation of a pattern with every stretch of a piece; empty when the piece is too short."""
    if len(pattern) < 4 or len(piece) < len(pattern):
        return np.zeros(0)
    windows = sliding_window_view(piece, len(pattern))
    norms = np.sqrt(np.square(windows).sum(axis=1) * float(np.dot(pattern, pattern)))
    return np.asarray(windows @ pattern / np.maximum(norms, 1e-30))


def _peaks(scores: np.ndarray, distance: int) -> np.ndarray:
    from scipy.signal import find_peaks

    places, _ = find_peaks(scores, height=ALIKE, distance=max(1, distance))
    return np.asarray(places)


def _power(white: np.ndarray, at: int, span_s: float, rate_hz: float) -> float:
    """Mean power of the span that begins at `at`, or ends there when negative."""
    frames = round(span_s * rate_hz)
    piece = white[max(0, at + min(frames, 0)) : at + max(frames, 0)]
    return float(np.mean(np.square(piece))) if len(piece) else 0.0


def _ratio_db(power: float, reference: float) -> float:
    return float(10.0 * np.log10((power + 1e-20) / (reference + 1e-20)))
