"""Several lanes, a microphone each: whose landing is it?

A landing is heard by its own microphone first and loudest, and by the neighbours' later and softer. How much later and
how much softer is learned for every pair of lanes from landings that are clear. A rise that fits a neighbour's
landing in both, better than it fits a landing of this lane, is cross-talk and left out before the lane is read again;
one that fits both about as well is nobody's: the rep is void there. Nothing is counted twice and nothing is guessed.

Loudness is never compared between microphones as such, whose gains differ, but against what each lane's own landings
are like: their usual level once three of them are known, the lane's noise before.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from enum import Enum

import numpy as np

from drilltimer.hear.ear import Ear, Opinion
from drilltimer.hear.listen import LIVE_LAGS_S, Listener, report
from drilltimer.hear.tape import Take
from drilltimer.model import Expectation, Heard
from drilltimer.units import s_from_ms

REACH_S = 0.04  # sound crosses so much floor (14 m) before a landing is out of earshot
TIE_S = 0.0015  # two rises this close came at the same time, as far as one can tell
SOURCES, TARGETS = (
    6,
    14,
)  # the strongest rises of a rep, by lane: what may sound next door, and what may come from there
SOURCE_STRENGTH = 0.75
KEEP = 40
ENOUGH = 4
AUDIBLE_SHARE = 0.25  # a neighbour heard more rarely than this is out of earshot

# Before a pair of lanes is known: next door a landing is this much softer beside the lane's own, and anything later.
FIRST_LEVEL_DB, FIRST_SPREAD_DB = -11.0, 5.0
LEVEL_SPREAD_DB, DELAY_SPREAD_S = 2.5, s_from_ms(1.5)  # of one landing's cross-talk about what was learned, at least
OWN_SPREAD_DB = 5.0  # of a player's landings, level against level
OWN_SPAN_S = 0.25  # a landing of one's own comes anywhere in about so much time
UNKNOWN_SPAN_DB = 30.0  # while no landing of the lane is known: any level in so wide a range
CLEAR = math.log(3.0)  # three times as likely, one way or the other; less is no answer


class Claim(Enum):
    """Whose a rise is."""

    OWN = "own"
    FOREIGN = "foreign"
    DOUBTFUL = "doubtful"


@dataclass(frozen=True, slots=True)
class Sounds:
    """What one lane's microphone heard in a rep.

    Parameters
    ----------
    at_s : float array, shape (n,)
        First rises, in time order.
    level_db, strength : float array, shape (n,)
    usual_db : float | None
        Level of this lane's own landings.
    noise_db : float
    """

    at_s: np.ndarray
    level_db: np.ndarray
    strength: np.ndarray
    usual_db: float | None
    noise_db: float

    def strongest(self, most: int, least: float = 0.0) -> list[int]:
        """Places of the strongest rises, in time order."""
        order = [int(place) for place in np.argsort(-self.strength)[:most] if self.strength[place] >= least]
        return sorted(order)


class Bleed:
    """How one lane's landings sound in another's microphone: level and delay, learned from clear landings."""

    def __init__(self) -> None:
        self._pairs: deque[tuple[float, float]] = deque(maxlen=KEEP)
        self._chances: deque[bool] = deque(maxlen=KEEP)

    def learn(self, level_db: float | None, delay_s: float = 0.0) -> None:
        """Take note of a landing next door; None when it was not heard here."""
        self._chances.append(level_db is not None)
        if level_db is not None:
            self._pairs.append((level_db, delay_s))

    @property
    def inaudible(self) -> bool:
        """Whether that lane is out of earshot."""
        return len(self._chances) >= 2 * ENOUGH and sum(self._chances) < AUDIBLE_SHARE * len(self._chances)

    def log_likelihood(self, level_db: float, delay_s: float, first_db: float) -> float:
        """Of a rise being that lane's landing, per dB and second.

        Parameters
        ----------
        level_db : float
            Level here minus level there.
        delay_s : float
            Here after there.
        first_db : float
            What `level_db` is expected to be while nothing is known.
        """
        if self.inaudible:
            return -math.inf
        if len(self._pairs) < ENOUGH:
            return _normal(level_db, first_db, FIRST_SPREAD_DB) - math.log(REACH_S)
        levels_db, delays_s = np.array(self._pairs).T
        middle_db, middle_s = float(np.median(levels_db)), float(np.median(delays_s))
        spread_db = max(LEVEL_SPREAD_DB, 1.4826 * float(np.median(np.abs(levels_db - middle_db))))
        spread_s = max(DELAY_SPREAD_S, 1.4826 * float(np.median(np.abs(delays_s - middle_s))))
        return _normal(level_db, middle_db, spread_db) + _normal(delay_s, middle_s, spread_s)

    def explains(self, delay_s: float) -> bool:
        """Whether a sound so much later fits what was learned."""
        if len(self._pairs) < ENOUGH or self.inaudible:
            return False
        delays_s = np.array(self._pairs)[:, 1]
        return abs(delay_s - float(np.median(delays_s))) <= 2.0 * DELAY_SPREAD_S


Bleeds = Mapping[tuple[int, int], Bleed]  # by (lane that lands, lane that hears it)


def decide_claims(lanes: Mapping[int, Sounds], bleeds: Bleeds) -> dict[int, dict[int, Claim]]:
    """Whose each rise is that a neighbour's landing might explain; all others are the lane's own.

    Parameters
    ----------
    lanes : mapping
        By number of the lane.
    bleeds : mapping

    Returns
    -------
    dict
        By lane, then by place in its `Sounds`.
    """
    claims: dict[int, dict[int, Claim]] = {lane: {} for lane in lanes}
    sources = {lane: sounds.strongest(SOURCES, SOURCE_STRENGTH) for lane, sounds in lanes.items()}
    targets = [(float(sounds.at_s[n]), lane, n) for lane, sounds in lanes.items() for n in sounds.strongest(TARGETS)]
    for at_s, lane, place in sorted(targets):  # earlier ones first: cross-talk explains nothing else
        here = lanes[lane]
        foreign = -math.inf
        for other, there in lanes.items():
            if other == lane:
                continue
            for source in sources[other]:
                delay_s = at_s - float(there.at_s[source])
                if not -TIE_S <= delay_s <= REACH_S or claims[other].get(source) is Claim.FOREIGN:
                    continue
                level_db = float(here.level_db[place] - there.level_db[source])
                first_db = _reference_db(here) - _reference_db(there) + FIRST_LEVEL_DB
                foreign = max(foreign, bleeds[other, lane].log_likelihood(level_db, delay_s, first_db))
        if foreign > -math.inf:
            own = _own_log_likelihood(here, place)
            claims[lane][place] = _claim(own - foreign)
    return claims


def _claim(lead: float) -> Claim:
    if lead >= CLEAR:
        return Claim.OWN
    return Claim.FOREIGN if lead <= -CLEAR else Claim.DOUBTFUL


def _own_log_likelihood(here: Sounds, place: int) -> float:
    when = -math.log(OWN_SPAN_S)
    if here.usual_db is None:
        return when - math.log(UNKNOWN_SPAN_DB)
    return when + _normal(float(here.level_db[place]), here.usual_db, OWN_SPREAD_DB)


def _reference_db(lane: Sounds) -> float:
    return lane.noise_db if lane.usual_db is None else lane.usual_db


def _normal(value: float, middle: float, spread: float) -> float:
    return -0.5 * ((value - middle) / spread) ** 2 - math.log(spread * math.sqrt(2.0 * math.pi))


class LaneListener(Listener):
    """A `Listener` that answers for each lane by itself: one `Heard` per lane and rep.

    Parameters
    ----------
    rate_hz : int
    channels : sequence of int
        Each lane's input channel. Two lanes may share one when they never answer the same rep.
    before : LaneListener, optional
        Whose learning to go on with.
    lags_s : pair of float
        As `Listener` takes it.
    """

    def __init__(
        self,
        rate_hz: int,
        channels: Sequence[int],
        before: LaneListener | None = None,
        lags_s: tuple[float, float] = LIVE_LAGS_S,
    ) -> None:
        super().__init__(rate_hz, len(channels), lags_s, before.ears if before else None)
        self._channels = tuple(channels)
        lanes = range(len(channels))
        self._bleeds = before._bleeds if before else {(a, b): Bleed() for a in lanes for b in lanes if a != b}
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

    def _unheard(self, expected: Expectation, why: str) -> list[Heard]:
        return [Heard(expected.rep, None, False, None, why, lane) for lane in self._lanes_of.pop(expected.rep)]

    def _settle(self, take: Take, expected: Expectation, opinions: dict[int, Opinion]) -> dict[int, Opinion]:
        """Each lane's opinion without what belongs to its neighbours."""
        sounds = {
            lane: _sounds(self.ears[lane], opinion, take, expected.rep)
            for lane, opinion in opinions.items()
            if opinion.look is not None
        }
        if len(sounds) < 2:
            return opinions
        claims = decide_claims(sounds, self._bleeds)
        settled = dict(opinions)
        for lane, claimed in claims.items():
            rises = opinions[lane].look.heard if opinions[lane].look else ()  # type: ignore[union-attr]
            foreign = {rises[place].at for place, claim in claimed.items() if claim is Claim.FOREIGN}
            doubtful = {rises[place].at for place, claim in claimed.items() if claim is Claim.DOUBTFUL}
            if foreign:
                settled[lane] = self.ears[lane].read_without(take, expected, opinions[lane], foreign)
            settled[lane] = self._checked(lane, settled[lane], doubtful, expected.rep)
        self._learn(sounds, settled, take)
        return {lane: self._without_echoes(lane, opinion, settled) for lane, opinion in settled.items()}

    def _checked(self, lane: int, opinion: Opinion, doubtful: set[float], rep: int) -> Opinion:
        touchdown = opinion.look.touchdown if opinion.look else None
        if touchdown is None or touchdown.at not in doubtful or opinion.void:
            return opinion
        self.ears[lane].profile.learn_landing(rep, None)
        why = "heard in another lane about as well"
        return replace(opinion, touchdown=None, second=None, step=None, void=why)

    def _learn(self, sounds: Mapping[int, Sounds], settled: Mapping[int, Opinion], take: Take) -> None:
        """From each clear landing: was it heard next door, how loud, how late?"""
        landed = {lane: _landed(settled[lane]) for lane in sounds}
        for lane, place_s in landed.items():
            if place_s is None:
                continue
            at_s, level_db = place_s[0] / take.rate_hz, place_s[1]
            for other, there in sounds.items():
                if other == lane:
                    continue
                theirs = landed[other]
                later_s = there.at_s - at_s
                if theirs is not None and abs(theirs[0] / take.rate_hz - at_s) < REACH_S + s_from_ms(20.0):
                    continue  # their own landing is in the way
                near = np.flatnonzero((later_s > 0.0) & (later_s < REACH_S))
                if not len(near):
                    self._bleeds[lane, other].learn(None)
                    continue
                heard = int(near[np.argmax(there.strength[near])])
                if there.strength[heard] < SOURCE_STRENGTH / 2.0:
                    self._bleeds[lane, other].learn(None)
                    continue
                self._bleeds[lane, other].learn(float(there.level_db[heard]) - level_db, float(later_s[heard]))

    def _without_echoes(self, lane: int, opinion: Opinion, settled: Mapping[int, Opinion]) -> Opinion:
        """No second foot where a neighbour's landing is due to be heard."""
        if opinion.second is None:
            return opinion
        for other, theirs in settled.items():
            if other != lane and theirs.touchdown is not None:
                delay_s = (opinion.second.at - theirs.touchdown.at) / self.rate_hz
                if self._bleeds[other, lane].explains(delay_s):
                    return replace(opinion, second=None)
        return opinion


def _landed(opinion: Opinion) -> tuple[float, float] | None:
    """Sample and level of a clear touchdown."""
    touchdown = opinion.look.touchdown if opinion.look and not opinion.void and opinion.touchdown else None
    return None if touchdown is None else (touchdown.at, touchdown.level_db)


def _sounds(ear: Ear, opinion: Opinion, take: Take, rep: int) -> Sounds:
    rises = opinion.look.heard if opinion.look else ()
    return Sounds(
        np.array([rise.at / take.rate_hz for rise in rises]),
        np.array([rise.level_db for rise in rises]),
        np.array([rise.strength for rise in rises]),
        ear.profile.usual_level_db(rep),
        ear.noise_db if ear.noise_db is not None else -90.0,
    )
