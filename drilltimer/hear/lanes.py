"""Whose landing it is, where several lanes have a microphone each.

A landing is heard by its own microphone first and loudest, and by the neighbours' later and softer. Softer by how much
is learned for every pair of lanes, band by band; later by what the sound needs from lane to lane. So each lane is read
twice: once by itself, and once with the neighbours' sounds, delayed and weakened by that, counted as noise. What still
stands out is the lane's own. Loudness is never compared between microphones as such, whose gains differ.

A landing that is as loud as this lane's usual ones, and yet no louder than what comes from next door just then, is
nobody's: void. Nothing is counted twice and nothing is guessed.
"""

from __future__ import annotations

import warnings
from collections import deque
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from drilltimer.hear.decide import LANDING_S
from drilltimer.hear.ear import Ear, Opinion
from drilltimer.hear.listen import LIVE_LAGS_S, Listener, report
from drilltimer.hear.onsets import BANDS, Leftover, band_powers, leftover_share
from drilltimer.hear.tape import Take
from drilltimer.model import Expectation, Heard
from drilltimer.units import air_delay_ms, ratio_from_db, s_from_ms

AIR_C = 20.0  # 15 degrees more or less move a neighbour's sound by a quarter of a millisecond
KEEP = 20
ENOUGH = 3
USUAL_REACH_DB = 6.0  # a landing may be so much softer than usual
FIRST_LEVEL_DB, FURTHER_LEVEL_DB = -10.0, -4.0  # of a landing in the next lane, and in each further one, until known
MARGIN = 0.8  # in power, fitted: one landing's cross-talk varies about what was learned
QUANTILE = 0.25  # of what was heard when another lane landed: more of it is this lane's own landing


class Bleed:
    """How one lane's landings sound in another's microphone: how much of their power arrives, band by band, and when.

    Parameters
    ----------
    apart_m : float
        From lane to lane.
    lanes_apart : int
    """

    def __init__(self, apart_m: float, lanes_apart: int = 1) -> None:
        self.delay_s = s_from_ms(air_delay_ms(apart_m, AIR_C))
        self._first_share = ratio_from_db(FIRST_LEVEL_DB + FURTHER_LEVEL_DB * (lanes_apart - 1)) ** 2
        self._shares: deque[np.ndarray] = deque(maxlen=KEEP)

    def learn(self, here: np.ndarray, there: np.ndarray) -> None:
        """Take note of a rep: band powers heard here, and there as they are due here; both (BANDS, frames)."""
        share = leftover_share(here, there)
        if np.isfinite(share).any():
            self._shares.append(share)

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

    def due(self, there: np.ndarray, hop_s: float) -> np.ndarray:
        """Band powers of that lane, moved to when they are due here."""
        late = round(self.delay_s / hop_s)
        moved = np.zeros_like(there)
        moved[:, late:] = there[:, : there.shape[1] - late]
        return moved


def make_bleeds(lanes: int, gap_m: float) -> dict[tuple[int, int], Bleed]:
    """For every ordered pair of lanes that lie in a row, `gap_m` apart."""
    pairs = [(a, b) for a in range(lanes) for b in range(lanes) if a != b]
    return {(a, b): Bleed(abs(a - b) * gap_m, abs(a - b)) for a, b in pairs}


class LaneListener(Listener):
    """A `Listener` that answers for each lane by itself: one `Heard` per lane and rep.

    Parameters
    ----------
    rate_hz : int
    channels : sequence of int
        Each lane's input channel. Two lanes may share one when they never answer the same rep.
    gap_m : float
        From one lane to the next, to within two metres.
    before : LaneListener, optional
        Whose learning to go on with.
    lags_s : pair of float
        As `Listener` takes it.
    """

    def __init__(
        self,
        rate_hz: int,
        channels: Sequence[int],
        gap_m: float = 3.0,
        before: LaneListener | None = None,
        lags_s: tuple[float, float] = LIVE_LAGS_S,
    ) -> None:
        super().__init__(rate_hz, len(channels), lags_s, before.ears if before else None)
        self._channels = tuple(channels)
        self._bleeds: dict[tuple[int, int], Bleed]
        self._bleeds = before._bleeds if before else make_bleeds(len(channels), gap_m)
        self._lanes_of: dict[int, tuple[int, ...]] = {}

    def expect(self, expected: Expectation, lanes: Sequence[int] | None = None) -> None:
        """Look out for a contact that these lanes answer; all of them, when left out."""
        self._lanes_of[expected.rep] = tuple(range(len(self._channels)) if lanes is None else lanes)
        super().expect(expected)

    def _hear(self, expected: Expectation) -> list[Heard]:
        take = self._cut(expected)
        lanes = self._lanes_of.pop(expected.rep)
        opinions = {lane: self.ears[lane].read(take, self._channels[lane], expected, self._lags) for lane in lanes}
        opinions = self._settle(take, expected, opinions)
        return [replace(report(expected, opinion, take), lane=lane) for lane, opinion in opinions.items()]

    def _readers(self, expected: Expectation) -> list[tuple[Ear, int]]:
        return [(self.ears[lane], self._channels[lane]) for lane in self._lanes_of[expected.rep]]

    def _unheard(self, expected: Expectation, why: str) -> list[Heard]:
        return [Heard(expected.rep, None, False, None, why, lane) for lane in self._lanes_of.pop(expected.rep)]

    def _settle(self, take: Take, expected: Expectation, opinions: dict[int, Opinion]) -> dict[int, Opinion]:
        """Each lane's opinion without what belongs to its neighbours."""
        powers, hop = {}, 1
        for lane, opinion in opinions.items():
            if opinion.look is not None:
                powers[lane], hop = band_powers(opinion.look.residual, take.rate_hz)
        if len(powers) < 2:
            return opinions
        settled = dict(opinions)
        for lane in powers:
            mask = np.zeros_like(powers[lane])
            for other, there in powers.items():
                if other == lane:
                    continue
                bleed = self._bleeds[other, lane]
                due = bleed.due(there, hop / take.rate_hz)
                bleed.learn(powers[lane], due)
                # The greatest and not the sum: a third lane's landing is in the second one's sound already.
                mask = np.maximum(mask, MARGIN * bleed.shares[:, None] * due)
            masks = [Leftover(mask, np.ones(len(mask)))]
            settled[lane] = self.ears[lane].read_masked(take, expected, opinions[lane], masks)
            if settled[lane].touchdown is None and self._usual(lane, opinions[lane], take, expected.rep):
                settled[lane] = replace(settled[lane], void="no louder than what the next lane let through")
        return settled

    def _usual(self, lane: int, alone: Opinion, take: Take, rep: int) -> bool:
        """Whether the lane heard anything, when a landing may come, about as loud as its landings are."""
        usual_db = self.ears[lane].profile.usual_level_db(rep)
        if alone.look is None or usual_db is None:
            return False
        low, high = (alone.look.arrival + edge_s * take.rate_hz for edge_s in LANDING_S)
        return any(low < r.at < high and r.level_db > usual_db - USUAL_REACH_DB for r in alone.look.heard)
