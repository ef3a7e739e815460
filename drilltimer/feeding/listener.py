"""Hearing live feeding: `feed(block)` in, feeder's contacts with their touchdowns out, a few seconds later.

Each second the impacts of the last stretch are read anew as one sequence (`rhythm`), with the sound classes as this
session has shaped them so far. What lies `LAG_S` back is told and not changed again. Now and then the classes are
learned anew from the last minutes, once from where they stand and once from the prior: whichever explains the stretch
better stays. A rally that locked onto the wrong sound is thus given up as soon as another reading explains more.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from drilltimer.feeding.impact_finder import Impact, ImpactFinder
from drilltimer.feeding.reverberation import Tails
from drilltimer.feeding.rhythm import PlayKind, RhythmHypothesis, read, ways_for
from drilltimer.feeding.sound_classes import (
    Kind,
    Prior,
    SoundClasses,
    classes_for,
    shipped_prior,
    touchdown_weights,
)
from drilltimer.feeding.spots import placed
from drilltimer.feeding.touchdowns import SECOND_FOOT_S, Echoes, Neighbourhood, chances, half_width_ms, weigh_evidence
from drilltimer.model import Block, Landing, Onset, Placement
from drilltimer.units import frames_from_s, s_from_frames, s_from_ms

STRETCH_S = 30.0  # read at once
LEARN_S = 120.0  # learned from
LEARN_EVERY_S = 8.0
ROUNDS = 3  # of learning
# A contact is told when enough of what follows it has been heard: in a rally that is the own contact, too.
LAG_S = {"rally": 2.2, "feed": 1.3, "return": 1.5}
SAME_S = 0.03  # impacts so near each other share one event
LEAST_CHANCE = 0.5
NEAR_EQUAL = 1.25  # two readings whose chances differ by less are no answer


@dataclass(frozen=True, slots=True)
class Court:
    """What is known of the play and the place."""

    play: PlayKind = "rally"
    told: Placement = field(default_factory=placed)
    machine: bool = False


@dataclass(frozen=True, slots=True)
class Fed:
    """A feeder's contact and what the player did.

    Parameters
    ----------
    contact : Onset
        Arrival at the microphone; its confidence is the probability that it was a feeder's contact at all.
    void : str
        Why the ear cannot tell, by the key of its text; empty when it can.
    """

    contact: Onset
    landing: Landing | None
    void: str = ""


@dataclass(slots=True)
class Learned:
    """What a session has taught: handed on to a second hearing. `taught` are a set-up's features and shares."""

    classes: SoundClasses
    echoes: Echoes
    tails: Tails
    taught: tuple[np.ndarray, np.ndarray] | None = None

    @classmethod
    def anew(
        cls, classes: SoundClasses, rate_hz: float, taught: tuple[np.ndarray, np.ndarray] | None = None
    ) -> Learned:
        """Classes to begin with, and a place of which nothing is known yet."""
        return cls(classes, Echoes(rate_hz), Tails(rate_hz), taught)


class FeedListener:
    """Hears one session block by block, and learns its sounds.

    Parameters
    ----------
    learned : Learned, optional
        From an earlier hearing or a set-up.
    prior, touchdown : optional
        Instead of what is shipped.
    """

    def __init__(
        self,
        rate_hz: float,
        channels: int,
        court: Court,
        learned: Learned | None = None,
        *,
        prior: Prior | None = None,
        touchdown: np.ndarray | None = None,
    ) -> None:
        self._rate_hz, self._court = rate_hz, court
        self._finder = ImpactFinder(rate_hz, channels)
        self._ways = ways_for(court.told)
        self._start = learned.classes if learned else _fresh(court, prior or shipped_prior())
        self._weights = touchdown_weights() if touchdown is None else touchdown
        self.learned = replace(learned) if learned else Learned.anew(self._start, rate_hz)
        self._impacts: list[Impact] = []
        self._told = -1.0  # frame of the last contact told
        self.latest: float | None = None  # frame of the last probable contact, told or not yet
        self._learned_at = 0

    def feed(self, block: Block) -> list[Fed]:
        """Take the next block; contacts that are now certain, in order."""
        return self._take(self._finder.feed(block), final=False)

    def finish(self) -> list[Fed]:
        """What the end of the sound still holds."""
        found = self._take(self._finder.finish(), final=False)
        return found + self._decide(final=True)

    def _take(self, hops: list[list[Impact]], *, final: bool) -> list[Fed]:
        told: list[Fed] = []
        for hop in hops:
            self._impacts.extend(hop)
            oldest = self._finder.until - frames_from_s(LEARN_S, self._rate_hz)
            self._impacts = [impact for impact in self._impacts if impact.at >= oldest]
            if self._finder.until - self._learned_at >= frames_from_s(LEARN_EVERY_S, self._rate_hz):
                self._learned_at = self._finder.until
                self.learned.classes = self.learn_from(self._impacts)
            told += self._decide(final=final)
        return told

    def read(self, impacts: list[Impact], classes: SoundClasses) -> RhythmHypothesis:
        """Read impacts as one sequence."""
        times_s = np.array([s_from_frames(impact.at, self._rate_hz) for impact in impacts])
        densities = classes.log_densities(np.array([impact.features for impact in impacts]))
        return read(times_s, densities, classes.prior.per_s, self._court.play, self._ways)

    def learn_from(self, impacts: list[Impact]) -> SoundClasses:
        """Classes that explain these impacts: the best of several beginnings."""
        if len(impacts) < 4:
            return self.learned.classes
        features = np.array([impact.features for impact in impacts])
        best, best_fit = self.learned.classes, -np.inf
        beginnings = [self.learned.classes, self._start]
        for beginning in beginnings[: 1 if self.learned.classes is self._start else 2]:
            classes, hypothesis = beginning, self.read(impacts, beginning)
            for _ in range(ROUNDS):
                classes = classes.learn(*self._with_taught(features, hypothesis.shares))
                hypothesis = self.read(impacts, classes)
            if hypothesis.log_likelihood > best_fit:
                best, best_fit = classes, hypothesis.log_likelihood
        return best

    def _with_taught(self, features: np.ndarray, shares: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """What was heard, and what a set-up taught."""
        if self.learned.taught is None:
            return features, shares
        taught, certain = self.learned.taught
        return np.concatenate([features, taught]), np.concatenate([shares, certain])

    def _decide(self, *, final: bool) -> list[Fed]:
        since = self._finder.until - frames_from_s(STRETCH_S, self._rate_hz)
        impacts = [impact for impact in self._impacts if impact.at >= since]
        if not impacts:
            return []
        hypothesis = self.read(impacts, self.learned.classes)
        until = np.inf if final else self._finder.until - frames_from_s(LAG_S[self._court.play], self._rate_hz)
        told = []
        for place, chance in _contacts(impacts, hypothesis.states[0], self._rate_hz):
            at = self.latest = impacts[place].at
            if self._told + frames_from_s(SAME_S, self._rate_hz) < at < until:
                self._told = at
                told.append(self._judge(impacts, hypothesis, place, chance))
        return told

    def _judge(self, impacts: list[Impact], hypothesis: RhythmHypothesis, place: int, chance: float) -> Fed:
        """The touchdown of one contact."""
        contact = impacts[place]
        excerpt = self._finder.track.cut(contact.at)
        self.learned.tails.learn_from(contact.at, excerpt)
        around = self.around(impacts, hypothesis, place, excerpt)
        self.learned.echoes.learn_from(around)
        places, rows = weigh_evidence(around, self.learned.echoes)
        shares = chances(rows, self._weights)
        onset = self._onset(contact, chance)
        ranked = np.argsort(-shares)
        best = int(ranked[0])
        if len(ranked) > 1 and shares[best] < NEAR_EQUAL * shares[ranked[1]]:
            return Fed(onset, None, "two_readings")
        if self._is_broken(contact.at):
            return Fed(onset, None, "sound_lost")
        if best == len(places):
            return Fed(onset, None)
        first = int(places[best])
        touchdown = self._onset(around.impacts[first], float(shares[best]))
        touchdown = replace(touchdown, uncertainty_ms=half_width_ms(around, places, shares, best))
        return Fed(onset, Landing(touchdown, self._second_foot(around, first)))

    def around(
        self, impacts: list[Impact], hypothesis: RhythmHypothesis, place: int, excerpt: np.ndarray
    ) -> Neighbourhood:
        """What lies around the impact at `place`, its band powers cut out as by `PowerTrack.cut`."""
        times_s = np.array([s_from_frames(impact.at - impacts[place].at, self._rate_hz) for impact in impacts])
        near = np.flatnonzero(np.abs(times_s) < 0.8)
        playing = hypothesis.states[1:].sum(axis=0)
        later_s = self._ways.player_s - self._ways.feeder_s
        uncovered = self.learned.tails.uncovered(impacts[place].at, excerpt, times_s[near])
        return Neighbourhood(
            [impacts[k] for k in near],
            times_s[near],
            hypothesis.foot_odds[near],
            playing[near],
            hypothesis.shares[near],
            uncovered,
            int(np.flatnonzero(near == place)[0]),
            later_s,
        )

    def _onset(self, impact: Impact, confidence: float) -> Onset:
        late = s_from_ms(impact.late_ms) * self._rate_hz
        return Onset(impact.at - late, impact.level_db, impact.scatter_ms, confidence)

    def _second_foot(self, around: Neighbourhood, first: int) -> Onset | None:
        """A second foot where one is more probable than not."""
        best, likeliest = LEAST_CHANCE, None
        for index in range(first + 1, len(around.impacts)):
            apart_s = around.times_s[index] - around.times_s[first]
            if SECOND_FOOT_S[0] < apart_s < SECOND_FOOT_S[1] and around.shares[index, Kind.SECOND_FOOT] > best:
                best, likeliest = float(around.shares[index, Kind.SECOND_FOOT]), around.impacts[index]
        return self._onset(likeliest, best) if likeliest else None

    def _is_broken(self, at: float) -> bool:
        reach = frames_from_s(0.5, self._rate_hz)
        return any(first - reach <= at < last + reach for first, last in self._finder.broken)


def _fresh(court: Court, prior: Prior) -> SoundClasses:
    return classes_for(prior, court.told, machine=court.machine)


def _contacts(impacts: list[Impact], chance: np.ndarray, rate_hz: float) -> list[tuple[int, float]]:
    """Places and chances of what is more probably a contact than not, in order; impacts of one event are one."""
    at = np.array([impact.at for impact in impacts])
    left, found = chance.copy(), []
    while left.max(initial=0.0) > 0.1:
        place = int(np.argmax(left))
        near = np.abs(at - at[place]) < SAME_S * rate_hz
        together = float(left[near].sum())
        if together > LEAST_CHANCE:
            found.append((place, min(together, 1.0)))
        left[near] = 0.0
    return sorted(found)
