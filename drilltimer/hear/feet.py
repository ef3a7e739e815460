"""The second foot of a landing: the rise after the touchdown that sounds like it.

Two feet of one player in the same shoes on the same floor sound alike, so besides a rise of its own the second foot
shows as a likeness of the first one's first milliseconds (normalised cross-correlation of the whitened signal).
"""

from __future__ import annotations

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from drilltimer.hear.onsets import Rise, Rises

SPAN_S = (0.006, 0.092)
PATTERN_S = 0.008  # of the first foot that the second is compared with
NEAR_S = 0.0015  # how far a likeness may lie from the rise it speaks for
ALIKE = 0.3  # least likeness that proposes a second foot by itself

# Weights of a conditional logit fitted like those of `decide`.
LIKENESS, FAINTNESS, JUMP, LEVEL, PROPOSED, DELAY, NONE = 9.1, 0.84, 0.53, 1.22, -0.63, -0.44, 4.76


def find_second_foot(found: Rises, touchdown: Rise, rate_hz: float) -> float | None:
    """Sample at which the second foot lands after `touchdown`, or None.

    Parameters
    ----------
    found : Rises
        Of the take, with its whitened signal.
    touchdown : Rise
    rate_hz : float
    """
    start = int(touchdown.at)
    lags, likeness = _likeness(found.white, start, rate_hz)
    if not len(lags):
        return None
    near = round(NEAR_S * rate_hz)
    low, high = SPAN_S[0] * rate_hz, SPAN_S[1] * rate_hz
    proposals = {int(rise.at) - start: 0.0 for rise in found.rises if low < rise.at - start < high}
    for place in _peaks(likeness, round(0.002 * rate_hz)):
        if all(abs(int(lags[place]) - lag) > near for lag in proposals):
            proposals[int(lags[place])] = PROPOSED
    best, best_weight = None, NONE
    first_power = _power(found.white, start, 0.010, rate_hz)
    for lag, weight in proposals.items():
        place = lag - int(lags[0])
        at = start + lag
        alike = float(likeness[max(0, place - near) : place + near + 1].max(initial=0.0))
        strength = found.strength_near(at, 0.020, rate_hz)
        jump_db = _ratio_db(_power(found.white, at, 0.004, rate_hz), _power(found.white, at, -0.004, rate_hz))
        level_db = _ratio_db(_power(found.white, at, 0.010, rate_hz), first_power)
        weight += LIKENESS * alike + FAINTNESS * float(np.log(max(strength, 0.05) / max(touchdown.strength, 0.05)))
        weight += JUMP * min(max(jump_db, -5.0), 20.0) / 5.0 + LEVEL * level_db / 5.0 + DELAY * lag / rate_hz / 0.05
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
    windows = sliding_window_view(piece, length)
    norms = np.sqrt(np.square(windows).sum(axis=1) * float(np.dot(pattern, pattern)))
    return np.arange(first, first + len(windows)), windows @ pattern / np.maximum(norms, 1e-30)


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
