"""Half a minute before a session: "feed five balls", then "hop five times", so that both are known from the start."""

from __future__ import annotations

import numpy as np

from drilltimer.feeding.impact_finder import Impact, ImpactFinder
from drilltimer.feeding.listener import Court, Learned
from drilltimer.feeding.rhythm import read, ways_for
from drilltimer.feeding.sound_classes import Kind, classes_for, shipped_prior
from drilltimer.model import Block
from drilltimer.units import frames_from_s, s_from_frames

FEEDING_S, HOPPING_S = 18.0, 12.0
HOPS = 5
APART_S = 0.6  # two hops are never nearer to each other
LEAST_HOPS = 3
SURE = 0.9  # of what is heard while hopping: the strongest impacts are landings


class SetUp:
    """Hears feeds without hops, then hops without feeds, and learns both."""

    def __init__(self, rate_hz: float, channels: int, court: Court) -> None:
        self._rate_hz, self._court = rate_hz, court
        self._finder = ImpactFinder(rate_hz, channels)
        self._impacts: list[Impact] = []
        self._start: int | None = None
        self.learned: Learned | None = None

    @property
    def stage(self) -> str:
        """`feed`, `hop` or `done`."""
        if self.learned is not None:
            return "done"
        heard = 0 if self._start is None else self._finder.until - self._start
        return "feed" if heard < frames_from_s(FEEDING_S, self._rate_hz) else "hop"

    @property
    def done(self) -> bool:
        """Whether both have been heard."""
        return self.learned is not None

    def feed(self, block: Block) -> None:
        """Take the next block."""
        if self._start is None:
            self._start = block.start
        for hop in self._finder.feed(block):
            self._impacts += hop
        if self._finder.until - self._start >= frames_from_s(FEEDING_S + HOPPING_S, self._rate_hz):
            self.learned = self._learn(self._start + frames_from_s(FEEDING_S, self._rate_hz))

    def _learn(self, hopping_from: int) -> Learned:
        """Classes from both stretches; what was not done teaches nothing."""
        feeds = [impact for impact in self._impacts if impact.at < hopping_from]
        hops = [impact for impact in self._impacts if impact.at >= hopping_from]
        classes = classes_for(shipped_prior(), self._court.told, machine=self._court.machine)
        features, shares = [], []
        if feeds:
            times_s = np.array([s_from_frames(impact.at, self._rate_hz) for impact in feeds])
            figures = np.array([impact.features for impact in feeds])
            ways = ways_for(self._court.told)
            hypothesis = read(times_s, classes.log_densities(figures), classes.prior.per_s, "feed", ways)
            features.append(figures)
            shares.append(hypothesis.shares)
        landings = _strongest(hops, frames_from_s(APART_S, self._rate_hz))
        if len(landings) >= LEAST_HOPS:
            share = np.zeros((len(landings), len(Kind)))
            share[:, Kind.LANDING] = SURE
            features.append(np.array([impact.features for impact in landings]))
            shares.append(share)
        if features:
            classes = classes.learn(np.concatenate(features), np.concatenate(shares))
            return Learned.anew(classes, self._rate_hz, (np.concatenate(features), np.concatenate(shares)))
        return Learned.anew(classes, self._rate_hz)


def _strongest(impacts: list[Impact], apart: int) -> list[Impact]:
    """The strongest impacts that lie well apart, at most as many as were asked for."""
    chosen: list[Impact] = []
    for impact in sorted(impacts, key=lambda each: -each.strength):
        if len(chosen) < HOPS and all(abs(impact.at - other.at) >= apart for other in chosen):
            chosen.append(impact)
    return chosen
