"""Whose landing it is, where several lanes have a microphone each.

A landing is heard by its own microphone first and loudest, and by the neighbours' later and softer. Softer by how much
is learned for every pair of lanes, band by band; later by what the sound needs from lane to lane. So each lane is read
twice: once by itself, and once with the neighbours' sounds, delayed and weakened by that, counted as noise. What still
stands out is claimed for the lane, and every claim is held against all other lanes' microphones: an onset that brought
no more power than a neighbour's, due just then, accounts for is the neighbour's, and the lane is read again without it.
Loudness is never compared between microphones as such, whose gains differ.

What might be either's is nobody's: void. So is a rep in which something as loud as this lane's usual landings is no
louder than what comes from next door just then. Nothing is counted twice and nothing is guessed.

A neighbour's lane is noise, not an event to be matched: pairing rises between channels by time and level mixed up feet,
echoes and steps (64 to 85 % in the right lane). An onset's excess over what the neighbour's brought scatters about 0 by
0.6 to 0.8 nepers in crosstalk, own landings about 2 to 3: below 0.6 it is the neighbour's, up to 1.4 it is void.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from statistics import median

import numpy as np

from drilltimer.group.crosstalk import AIR_C, WANDER_S, Bleed, make_bleeds, onset_growth
from drilltimer.hear.ear import Ear, Opinion, Segment
from drilltimer.hear.listen import LIVE_LAGS_S, Listener, report
from drilltimer.hear.locate import SETTLED
from drilltimer.hear.picture import Leftover, band_powers, level_db
from drilltimer.model import Expectation, Heard
from drilltimer.units import air_delay_ms, s_from_ms

USUAL_REACH_DB = 6.0  # a landing may be so much softer than usual
MARGIN = 0.8  # in power, fitted: one landing's cross-talk varies about what was learned
# Nepers of power, mean over bands, by which an onset exceeds what a neighbour accounts for. Cross-talk is at 0 with a
# standard deviation of 0.6 to 0.8 (measured in simulated halls), own landings at 2 to 3.
OWN_NEPERS, NEIGHBOURS_NEPERS = 1.4, 0.6
ALONE_S = (-0.06, 0.015)  # a lane learns how its neighbours sound when its own player did not land just then
TRIES = 3
LEFT_OUT_S = (-0.006, 0.012)  # of the sound about an onset that is a neighbour's
LENT_DOUBT_S = 0.001  # where a lane's contact is only known from another lane and the distances: a foot or so
SHARED = "next_lane"


class LaneListener(Listener):
    """A `Listener` that answers for each lane by itself: one `Heard` per lane and rep.

    Parameters
    ----------
    channels : sequence of int
        Each lane's input channel. Two lanes may share one when they never answer the same rep.
    gap_m : float
        From one lane to the next, to within two metres.
    before : LaneListener, optional
        Whose learning to go on with.
    lags_s : pair of float
        As `Listener` takes it.
    speakers_m : sequence of float, optional
        From the loudspeaker to each lane's microphone; equal when left out.
    """

    def __init__(
        self,
        rate_hz: int,
        channels: Sequence[int],
        gap_m: float = 3.0,
        before: LaneListener | None = None,
        lags_s: tuple[float, float] = LIVE_LAGS_S,
        speakers_m: Sequence[float] = (),
    ) -> None:
        super().__init__(rate_hz, len(channels), lags_s, before.ears if before else None)
        self._channels = tuple(channels)
        self._bleeds: dict[tuple[int, int], Bleed]
        self._bleeds = before._bleeds if before else make_bleeds(len(channels), gap_m)
        self._lanes_of: dict[int, tuple[int, ...]] = {}
        self._late = [s_from_ms(air_delay_ms(way_m, AIR_C)) * rate_hz for way_m in speakers_m] or [0.0] * len(channels)
        self._faint: list[float] = []
        self._lent: set[int] = set(before._lent) if before else set()

    def expect(self, expected: Expectation, lanes: Sequence[int] | None = None) -> None:
        """Look out for a contact that these lanes answer; all of them, when left out."""
        self._lanes_of[expected.rep] = tuple(range(len(self._channels)) if lanes is None else lanes)
        super().expect(expected)

    def _hear(self, expected: Expectation) -> list[Heard]:
        segment = self._cut(expected)
        lanes = self._lanes_of.pop(expected.rep)
        opinions = {lane: self._read(lane, segment, expected) for lane in lanes}
        if not any(map(self._hears, lanes)):
            self._agree(segment, expected, lanes)
        # Nothing was learned from a lane that heard no contact: once one is lent to it, it may be read again.
        deaf = [lane for lane in lanes if opinions[lane].zero is None and (lane in self._lent or not self._hears(lane))]
        opinions.update({lane: self._read(lane, segment, expected) for lane in deaf})
        opinions = self._settle(segment, expected, opinions)
        return [replace(report(expected, opinion, segment), lane=lane) for lane, opinion in opinions.items()]

    def _readers(self, expected: Expectation) -> list[tuple[Ear, int]]:
        return [(self.ears[lane], self._channels[lane]) for lane in self._lanes_of[expected.rep]]

    def _unheard(self, expected: Expectation, why: str) -> list[Heard]:
        return [Heard(expected.rep, None, False, None, why, lane) for lane in self._lanes_of.pop(expected.rep)]

    def _prepare(self, expected: Expectation) -> None:
        if not self._is_prepared(expected):
            for lane in self._lanes_of[expected.rep]:
                self._lend_line(lane, expected.contact)
        super()._prepare(expected)

    def _hears(self, lane: int) -> bool:
        """Whether anything is known of when contacts arrive in a lane."""
        return len(self.ears[lane].line) > 0

    def _read(self, lane: int, segment: Segment, expected: Expectation) -> Opinion:
        self._lend_line(lane, expected.contact)
        return self.ears[lane].read(segment, self._channels[lane], expected, self._lags)

    def _lend_line(self, lane: int, at: int) -> None:
        """Tell a lane that has never heard a contact itself when it must have come, from a lane that has.

        All channels are one sound card's: they differ by the loudspeaker's distance alone.
        """
        line, lines = self.ears[lane].line, {other: ear.line for other, ear in enumerate(self.ears)}
        if lane in self._lent and len(line) > SETTLED:
            self._lent.discard(lane)  # it hears contacts by now
        lenders = [other for other in lines if other not in self._lent and len(lines[other])]
        lenders = lenders or [other for other in lines if other != lane and len(lines[other])]
        if lenders and (lane in self._lent or not len(line)):
            lender = max(lenders, key=lambda other: len(lines[other]))
            lag = (lines[lender].lag(at) or 0.0) + self._late[lane] - self._late[lender]
            line.restart()
            line.put((at, lag + side * LENT_DOUBT_S * self.rate_hz) for side in (-1, 0, 1))
            self._lent.add(lane)

    def _agree(self, segment: Segment, expected: Expectation, lanes: Sequence[int]) -> None:
        """Where no lane is sure of a contact, two that put it at the same time are, or one that does so twice.

        In a hall, far from the loudspeaker, reverberation hides each contact; it does not hide two at one place.
        """
        lags = []
        for lane in lanes:
            lag = self.ears[lane].faint_lag(segment, self._channels[lane], expected, self._lags)
            lags += [] if lag is None else [lag - self._late[lane]]
        reach = LENT_DOUBT_S * self.rate_hz
        known = [lag for n, lag in enumerate(lags) for other in (*lags[:n], *self._faint) if abs(lag - other) < reach]
        self._faint = lags
        if known:
            lane = lanes[0]
            lag = median(known) + self._late[lane]
            self.ears[lane].line.put((expected.contact, lag + side * reach) for side in (-1, 0, 1))
            self._lent.update(lanes)

    def _settle(self, segment: Segment, expected: Expectation, opinions: dict[int, Opinion]) -> dict[int, Opinion]:
        """Each lane's opinion without what belongs to its neighbours."""
        powers, hop = {}, 1
        for lane, opinion in opinions.items():
            if opinion.look is not None:
                powers[lane], hop = band_powers(opinion.look.residual, segment.rate_hz)
        if len(powers) < 2:
            return opinions
        hop_s = hop / segment.rate_hz
        settled = dict(opinions)
        for lane in powers:
            settled[lane] = self._claim(segment, expected, opinions[lane], lane, powers, hop_s)
        self._learn_onsets(settled, powers, hop_s, segment.rate_hz)
        return settled

    def _mask(self, lane: int, powers: Mapping[int, np.ndarray], hop_s: float) -> Leftover:
        """What is to be expected of all neighbours in a lane."""
        mask = np.zeros_like(powers[lane])
        for other, there in powers.items():
            if other != lane:
                bleed = self._bleeds[other, lane]
                due = bleed.due(there, hop_s)
                bleed.learn(powers[lane], due)
                # The greatest and not the sum: a third lane's landing is in the second one's sound already.
                mask = np.maximum(mask, MARGIN * bleed.shares[:, None] * due)
        return Leftover(mask, np.ones(len(mask)))

    def _claim(
        self,
        segment: Segment,
        expected: Expectation,
        alone: Opinion,
        lane: int,
        powers: Mapping[int, np.ndarray],
        hop_s: float,
    ) -> Opinion:
        """The lane's reading, its landing one that no neighbour accounts for; void where that cannot be told."""
        ear, masks, doubtful = self.ears[lane], [self._mask(lane, powers, hop_s)], False
        for _ in range(TRIES):
            opinion = ear.read_masked(segment, expected, alone, masks)
            if opinion.touchdown is None or opinion.look is None:
                break
            at_s = opinion.look.hypothesis.likely / segment.rate_hz
            beyond = self._beyond(lane, at_s, powers, hop_s)
            if beyond >= OWN_NEPERS:
                return opinion
            doubtful = doubtful or beyond > NEIGHBOURS_NEPERS
            masks.append(_left_out(powers[lane], at_s, hop_s))
        # What has brought no landing to the end must not teach what this player's landings sound like.
        ear.memory.learn(expected.rep, None)
        opinion = replace(opinion, touchdown=None, second=None, step=None)
        if doubtful or self._usual(lane, alone, expected.rep):
            return replace(opinion, void=SHARED)
        return opinion

    def _beyond(self, lane: int, at_s: float, powers: Mapping[int, np.ndarray], hop_s: float) -> float:
        """By how many nepers (mean over bands) an onset exceeds what any one neighbour accounts for."""
        here = onset_growth(powers[lane], at_s, hop_s)
        least = np.inf
        for other, there in powers.items():
            if other != lane:
                bleed = self._bleeds[other, lane]
                due = bleed.onset_shares * onset_growth(there, at_s - bleed.delay_s, hop_s, WANDER_S)
                least = min(least, float(np.mean(np.log(here / due))))
        return float(least)

    def _learn_onsets(
        self, settled: Mapping[int, Opinion], powers: Mapping[int, np.ndarray], hop_s: float, rate_hz: float
    ) -> None:
        """Learn from every landing told how its onset sounds in the other lanes, where nobody landed just then."""
        landed_s = {
            lane: settled[lane].look.hypothesis.likely / rate_hz  # type: ignore[union-attr]
            for lane in powers
            if settled[lane].touchdown is not None
        }
        for other, at_s in landed_s.items():
            for lane in powers:
                bleed = self._bleeds.get((other, lane))
                if bleed is None:
                    continue
                due_s = at_s + bleed.delay_s
                if lane in landed_s and ALONE_S[0] < landed_s[lane] - due_s < ALONE_S[1]:
                    continue
                there = onset_growth(powers[other], at_s, hop_s)
                bleed.learn_onset(onset_growth(powers[lane], due_s, hop_s, WANDER_S), there)

    def _usual(self, lane: int, alone: Opinion, rep: int) -> bool:
        """Whether what the lane heard by itself is about as loud as its landings are."""
        usual = self.ears[lane].memory.usual(rep)
        if alone.touchdown is None or usual is None:
            return False
        return alone.touchdown.level_db > level_db(usual) - USUAL_REACH_DB


def _left_out(powers: np.ndarray, at_s: float, hop_s: float) -> Leftover:
    """A mask under which nothing rises about an onset."""
    first, last = (max(0, round((at_s + edge_s) / hop_s)) for edge_s in LEFT_OUT_S)
    mask = np.zeros_like(powers)
    mask[:, first:last] = powers[:, first:last]
    return Leftover(mask, np.ones(len(mask)))
