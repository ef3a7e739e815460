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
ALIKE = 0.3  # least likeness that proposes a second foot by itself

# Weights of conditional logits fitted like those of `decide`: for the first foot before a landing's loudest one, ...
FIRST_LIKENESS, FIRST_SALIENCE, FIRST_STRENGTH, FIRST_LEVEL_LACK = 1.87, 3.2, 0.84, -0.29
FIRST_UNLIKE, FIRST_CONTRAST, FIRST_NONE = -0.93, 0.5, 3.6
# ... and for the second foot after the first.
JUMP, LEVEL, SALIENCE, LEVEL_LACK, NO_JUMP, ALIKE_JUMP, NONE = -0.6, 0.53, 0.75, -1.08, -1.19, 4.52, 2.6
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
    lags, likeness = _likeness(found.white, start, rate_hz)
    if not len(lags):
        return None
    near = round(NEAR_S * rate_hz)
    low, high = SPAN_S[0] * rate_hz, SPAN_S[1] * rate_hz
    proposals = {int(rise.at) - start for rise in found.rises if low < rise.at - start < high}
    for place in _peaks(likeness, round(0.002 * rate_hz)):
        if all(abs(int(lags[place]) - lag) > near for lag in proposals):
            proposals.add(int(lags[place]))
    best, best_weight = None, NONE
    first_power = _power(found.white, start, 0.010, rate_hz)
    for lag in sorted(proposals):
        place, at = lag - int(lags[0]), start + lag
        alike = float(likeness[max(0, place - near) : place + near + 1].max(initial=0.0))
        jump_db = _ratio_db(_power(found.white, at, 0.004, rate_hz), _power(found.white, at, -0.004, rate_hz))
        jump = min(max(jump_db, -5.0), 20.0) / 5.0
        level = _ratio_db(_power(found.white, at, 0.010, rate_hz), first_power) / 5.0
        strength = found.strength_near(at, 0.020, rate_hz)
        weight = JUMP * jump + LEVEL * level + LEVEL_LACK * min(level, 0.0) ** 2
        weight += SALIENCE * float(np.log1p(max((strength - noise[0]) / noise[1], 0.0)))
        weight += NO_JUMP * max(LEAST_JUMP_DB / 5.0 - jump, 0.0) ** 2 + ALIKE_JUMP * alike * min(max(jump, 0.0), 2.0)
        if weight > best_weight:
            best, best_weight = float(at), weight
    return best


def _likeness(white: np.ndarray, start: int, rate_hz: float) -> tuple[np.ndarray, np.ndarray]:
    """Lags after `start` and the normalised correlation, there, with the pattern at `start`."""
    length = round(PATTERN_S * rate_hz)
    first, last = round(SPAN_S[0] * rate_hz), round(SPAN_S[1] * rate_hz)
    piece = white[start + first : start + last + length]
    pattern = white[start : start + length]
    if start < 0 or len(piece) < 2 * length:
        return np.zeros(0, int), np.zeros(0)
    likeness = _correlate(pattern, piece)
    return np.arange(first, first + len(likeness)), likeness


def _correlate(pattern: np.ndarray, piece: np.ndarray) -> np.ndarray:
    """Normalised correlation of a pattern with every stretch of a piece; empty when the piece is too short."""
    if len(pattern) < 4 or len(piece) < len(pattern):
        return np.zeros(0)
    windows = sliding_window_view(piece, len(pattern))
    norms = np.sqrt(np.square(windows).sum(axis=1) * float(np.dot(pattern, pattern)))
    return np.asarray(windows @ pattern / np.maximum(norms, 1e-30))


def _peaks(likeness: np.ndarray, distance: int) -> np.ndarray:
    from scipy.signal import find_peaks

    places, _ = find_peaks(likeness, height=ALIKE, distance=max(1, distance))
    return np.asarray(places)


def _power(white: np.ndarray, at: int, span_s: float, rate_hz: float) -> float:
    """Mean power of the span that begins at `at`, or ends there when negative."""
    frames = round(span_s * rate_hz)
    piece = white[max(0, at + min(frames, 0)) : at + max(frames, 0)]
    return float(np.mean(np.square(piece))) if len(piece) else 0.0


def _ratio_db(power: float, reference: float) -> float:
    return float(10.0 * np.log10((power + 1e-20) / (reference + 1e-20)))
