"""The second foot of a landing, where the first one is known.

Two feet of one player in the same shoes on the same floor sound alike, so besides a rise of its own the other foot
shows as a likeness of its first milliseconds: to the first foot's, and to those of the session's other landings. What
speaks for each place is weighed by a conditional logit, fitted to scenes of our own and to the eight development
recordings; the net, whose columns are 2 ms, finds fewer (tests/accuracy/README.md).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from drilltimer.hear.jumps import TINY, jump_db, louder_db, mean_power, split_gain_at
from drilltimer.hear.onsets import OnsetCandidates, picking_bands, running_energy
from drilltimer.hear.pattern import NEAR_S, keep_landing, likeness_to_itself, likeness_to_others

Evidence = dict[str, np.ndarray]  # by name, each of shape (places,)

SPAN_S = (0.006, 0.092)
BEFORE_S = 0.030  # of sound before the first foot, for filters to settle and powers to be compared with
ALIKE = 0.15  # least likeness that proposes a second foot by itself
MOST_ALIKE = 6  # so many places, the likeliest, are proposed
OTHERS_SHARE = 0.7  # what likeness to other landings counts beside that to the first foot, when proposing

# What speaks for a second foot after the first.
SECOND_FOOT = {
    "alike": 4.62,
    "like_others": 2.33,
    "is_rise": 0.31,
    "lag_unusual": -1.02,  # squared log of the lag over USUAL_LAG_S
    "split": -0.31,  # log(1 + gain of the best split into two powers), ...
    "much_split": 0.66,  # ... that gain in units of 50, ...
    "split_middle": 0.66,  # ... and as the first, of 500-1800 Hz alone
    "no_jump": -0.75,  # squared shortfall from LEAST_JUMP_DB, in units of 5 dB, like all that follows
    "jump_middle": -1.33,  # 500-1800 Hz
    "jump_most": 0.4,  # of the three bands
    "treble_jump": 2.28,  # over 1800 Hz, beyond that of the whole, ...
    "treble_over_middle": -0.36,  # ... and beyond that of 500-1800 Hz
    "level": 3.27,  # beside the first foot, mean of the three bands
    "level_most": -1.43,  # of the three bands
    "louder": -0.38,  # squared
    "tail": -0.33,  # what is left of the first foot over noise just before
}
NO_SECOND_FOOT = 4.1
LEAST_JUMP_DB = 3.0
USUAL_LAG_S = 0.025
MUCH_GAIN, GAIN_UNIT = 150.0, 50.0
TAIL_DB = (-5.0, 25.0)
JUMP_UNIT_DB = 5.0
LEVEL_S = 0.010


def find_second_foot(
    found: OnsetCandidates, first: float, others: Sequence[np.ndarray], rate_hz: float
) -> float | None:
    """Sample at which the second foot lands after the first, or None.

    Parameters
    ----------
    found : OnsetCandidates
        Of the segment, with its whitened signal.
    first : float
        Sample at which the first foot landed.
    others : sequence of float arrays
        Patterns of other landings, as from `Memory.patterns`.
    """
    places, evidence = second_foot_evidence(found, first, others, rate_hz)
    if not len(places):
        return None
    weights = np.sum([SECOND_FOOT[name] * column for name, column in evidence.items()], axis=0)
    best = int(np.argmax(weights))
    return float(places[best]) if weights[best] > NO_SECOND_FOOT else None


def second_foot_evidence(
    found: OnsetCandidates, first: float, others: Sequence[np.ndarray], rate_hz: float
) -> tuple[np.ndarray, Evidence]:
    """Samples of the segment where the second foot may lie, and what speaks for each; see `find_second_foot`.

    A thud repeats itself at its own period, so likeness counts only where the power jumps as well.
    """
    start = int(first)
    lags = np.arange(round(SPAN_S[0] * rate_hz), round(SPAN_S[1] * rate_hz))
    clean = keep_landing(found.white, start, rate_hz)
    itself = likeness_to_itself(clean, start, lags, rate_hz)
    if not itself.any():
        return np.zeros(0, int), {}
    like_others = likeness_to_others(clean, start, lags, others, found.predictor, rate_hz)
    near = round(NEAR_S * rate_hz)
    places = start + np.array(_proposals(found, start, lags, itself, like_others, rate_hz), int)
    around = [slice(max(0, at - near), at + near + 1) for at in places - start - lags[0]]
    risen = {int(candidate.at) for candidate in found.candidates}
    return places, {
        "alike": np.array([itself[each].max(initial=0.0) for each in around]),
        "like_others": np.array([like_others[each].max(initial=0.0) for each in around]),
        "is_rise": np.array([float(at in risen) for at in places.tolist()]),
        "lag_unusual": np.log((places - start) / rate_hz / USUAL_LAG_S) ** 2,
        **_jump_evidence(found.white, clean, start, places, rate_hz),
    }


def _jump_evidence(white: np.ndarray, clean: np.ndarray, start: int, places: np.ndarray, rate_hz: float) -> Evidence:
    """How the power jumps at each place, and how it lies beside that of the first foot at sample `start`."""
    first = max(0, start - round(BEFORE_S * rate_hz))
    piece = slice(first, start + round((SPAN_S[1] + BEFORE_S) * rate_hz))
    parts = [part for _, part in picking_bands(white[piece], rate_hz)]
    energy = running_energy(np.array([*parts, white[piece], clean[piece]]))  # low, middle, treble, whole, clean
    bands = energy[:3]
    near, at, foot = round(NEAR_S * rate_hz), places - first, start - first
    around = at[:, None] + np.arange(-near, near + 1)
    gains = split_gain_at(bands, around, 0.008, 0.010, rate_hz)
    _, middle_db, treble_db, whole_db = jump_db(energy[:4], around, 0.003, 0.006, rate_hz)
    here_db = jump_db(energy[4], at[:, None], 0.004, 0.004, rate_hz)
    *levels_db, clean_db = louder_db(energy[[0, 1, 2, 4]], at, foot, LEVEL_S, rate_hz)
    return {
        "split": np.log1p(gains.sum(axis=0)),
        "much_split": np.minimum(gains.sum(axis=0), MUCH_GAIN) / GAIN_UNIT,
        "split_middle": np.log1p(gains[1]),
        "no_jump": (np.maximum(LEAST_JUMP_DB - here_db, 0.0) / JUMP_UNIT_DB) ** 2,
        "jump_middle": jump_db(energy[1], around, 0.008, 0.008, rate_hz) / JUMP_UNIT_DB,
        "jump_most": jump_db(bands, around, 0.004, 0.004, rate_hz).max(axis=0) / JUMP_UNIT_DB,
        "treble_jump": (treble_db - whole_db) / JUMP_UNIT_DB,
        "treble_over_middle": (treble_db - middle_db) / JUMP_UNIT_DB,
        "level": np.mean(levels_db, axis=0) / JUMP_UNIT_DB,
        "level_most": np.max(levels_db, axis=0) / JUMP_UNIT_DB,
        "louder": (np.maximum(clean_db, 0.0) / JUMP_UNIT_DB) ** 2,
        "tail": _tail_db(bands, at, foot, rate_hz) / JUMP_UNIT_DB,
    }


def _tail_db(bands: np.ndarray, at: np.ndarray, start: int, rate_hz: float) -> np.ndarray:
    """How far the sound just before each place lies over what it was before the landing, mean of the bands."""
    before, quiet = round(0.004 * rate_hz), start - round(0.002 * rate_hz)
    over = mean_power(bands, at - before, before) / (mean_power(bands, np.zeros(1, int), quiet) + TINY)
    return np.asarray(np.clip((10.0 * np.log10(over + TINY)).mean(axis=0), *TAIL_DB))


def _proposals(
    found: OnsetCandidates, start: int, lags: np.ndarray, itself: np.ndarray, like_others: np.ndarray, rate_hz: float
) -> list[int]:
    """Lags at which a second foot may lie: every rise, and where the sound is most like a landing again."""
    from scipy.signal import find_peaks

    near = round(NEAR_S * rate_hz)
    lags_found = {
        int(candidate.at) - start for candidate in found.candidates if lags[0] < candidate.at - start < lags[-1]
    }
    for scores in (itself, np.maximum(itself, 0.0) + OTHERS_SHARE * like_others):
        peaks, _ = find_peaks(scores, height=ALIKE, distance=max(1, round(0.002 * rate_hz)))
        for peak in peaks[np.argsort(-scores[peaks])][:MOST_ALIKE]:
            if all(abs(int(lags[peak]) - lag) > near for lag in lags_found):
                lags_found.add(int(lags[peak]))
    return sorted(lags_found)
