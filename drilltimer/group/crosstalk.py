"""How one lane's landings sound in another lane's microphone: when, and how much of their power arrives.

Two things are learned, band by band. Of a landing's whole sound, its reverberation included, how much is there: that is
taken for noise when a lane is read. And of its onset alone, where the direct sound still leads: that tells whose an
onset is.

Waveforms do not tell lanes apart (simulated hall): a filter from one microphone to the next, fitted to the session's
other landings, takes 0.6 dB off the first 10 ms of crosstalk at -12 dB and 1.8 dB at -6 dB, and correlations after the
learned delay overlap (own landings up to 0.53, crosstalk from 0.3).
"""

from __future__ import annotations

import warnings
from collections import deque

import numpy as np

from drilltimer.hear.picture import BANDS, leftover_share
from drilltimer.units import air_delay_ms, ratio_from_db, s_from_ms

AIR_C = 20.0  # 15 degrees more or less move a neighbour's sound by a quarter of a millisecond
KEEP = 20
ENOUGH = 3
FIRST_LEVEL_DB, FURTHER_LEVEL_DB = -10.0, -4.0  # of a landing in the next lane, and in each further one, until known
FIRST_ONSET_DB, FURTHER_ONSET_DB = -4.0, -2.0  # the same of its onset: rather too loud, so that early reps are void
QUANTILE = 0.25  # of what was heard when another lane landed: more of it is this lane's own landing
ONSET_S, BEFORE_S = (-0.004, 0.001), (-0.014, -0.008)  # analysis frames of an onset, and of what was there before it
WANDER_S = 0.002  # a player steps about in the lane: the sound comes so much earlier or later next door
LEAST_GROWTH = 0.05  # of the power there, that counts as growth: noise must not make a ratio of nothing


class Bleed:
    """From one lane into another lane's microphone.

    Parameters
    ----------
    apart_m : float
        From lane to lane.
    """

    def __init__(self, apart_m: float, lanes_apart: int = 1) -> None:
        self.delay_s = s_from_ms(air_delay_ms(apart_m, AIR_C))
        self._first_share = ratio_from_db(FIRST_LEVEL_DB + FURTHER_LEVEL_DB * (lanes_apart - 1)) ** 2
        self._first_onset = ratio_from_db(FIRST_ONSET_DB + FURTHER_ONSET_DB * (lanes_apart - 1)) ** 2
        self._shares: deque[np.ndarray] = deque(maxlen=KEEP)
        self._onsets: deque[np.ndarray] = deque(maxlen=KEEP)

    def learn(self, here: np.ndarray, there: np.ndarray) -> None:
        """Take note of a rep: band powers heard here, and there as they are due here; both (BANDS, frames)."""
        share = leftover_share(here, there)
        if np.isfinite(share).any():
            self._shares.append(share)

    def learn_onset(self, here: np.ndarray, there: np.ndarray) -> None:
        """Take note of a landing made there: by how much its onset raised the power here and there; both (BANDS,)."""
        self._onsets.append(np.log(here / there))

    @property
    def shares(self) -> np.ndarray:
        """Share of the power there that is to be expected here, shape (BANDS,)."""
        first = np.full(BANDS, self._first_share)
        if len(self._shares) < ENOUGH:
            return first
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", RuntimeWarning)  # a band in which that lane never dominates is all NaN
            learned = np.nanquantile(np.array(self._shares), QUANTILE, axis=0)
        return np.where(np.isfinite(learned), learned, first)

    @property
    def onset_shares(self) -> np.ndarray:
        """Share of an onset's power there that is to be expected here, shape (BANDS,)."""
        if len(self._onsets) < ENOUGH:
            return np.full(BANDS, self._first_onset)
        return np.asarray(np.exp(np.median(np.array(self._onsets), axis=0)))

    def due(self, there: np.ndarray, hop_s: float) -> np.ndarray:
        """Band powers of that lane, moved to when they are due here."""
        late = round(self.delay_s / hop_s)
        moved = np.zeros_like(there)
        moved[:, late:] = there[:, : there.shape[1] - late]
        return moved


def make_bleeds(lanes: int, gap_m: float) -> dict[tuple[int, int], Bleed]:
    """What is learned of each ordered pair of lanes, which lie in a row, `gap_m` apart; nothing yet."""
    pairs = [(a, b) for a in range(lanes) for b in range(lanes) if a != b]
    return {(a, b): Bleed(abs(a - b) * gap_m, abs(a - b)) for a, b in pairs}


def onset_growth(powers: np.ndarray, at_s: float, hop_s: float, wander_s: float = 0.0) -> np.ndarray:
    """By how much power an onset brought, in each band; shape (BANDS,), always positive.

    Parameters
    ----------
    powers : float array, shape (BANDS, frames)
        As from `band_powers`, a frame every `hop_s`.
    at_s : float
        The onset, from the first frame's first sample.
    wander_s : float
        By how much the onset may come earlier or later.
    """
    first, last = ONSET_S[0] - wander_s, ONSET_S[1] + wander_s
    after = _frames(powers, at_s + first, at_s + last, hop_s).max(axis=1)
    before = _frames(powers, at_s + BEFORE_S[0], at_s + BEFORE_S[1], hop_s).mean(axis=1)
    return np.asarray(np.maximum(after - before, LEAST_GROWTH * after) + 1e-20)


def _frames(powers: np.ndarray, first_s: float, last_s: float, hop_s: float) -> np.ndarray:
    """Frames that begin within a stretch; the nearest one where the segment ends before it."""
    first = min(max(round(first_s / hop_s), 0), powers.shape[1] - 1)
    return powers[:, first : max(first + 1, round(last_s / hop_s))]
