"""Who makes which sound when, in play that a coach or a machine feeds: a list of sounds at their own places.

All times are our choice around the rhythm of play, drawn wider than any one court would show.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np

Play = Literal["rally", "feed", "return"]
Source = Literal["feeder", "player", "feet", "near floor", "far floor", "next court", "beside"]


@dataclass(slots=True)
class Struck:
    """One sound: what it is, when it starts at its source, its level over a landing of this scene at the same place."""

    what: str
    source: Source
    at_s: float
    over_landing_db: float
    rep: int = -1
    spot: int = 0


@dataclass(slots=True)
class Ways:
    """How one scene's rhythm and levels are drawn; seconds, and dB over a landing at the same distance."""

    rng: np.random.Generator
    play: Play
    hit_db: float
    bounce_s: tuple[float, float] = (0.6, 1.0)
    hit_s: tuple[float, float] = (0.25, 0.45)
    back_s: tuple[float, float] = (0.7, 1.1)
    again_s: tuple[float, float] = (0.3, 0.55)
    feed_s: tuple[float, float] = (3.0, 5.0)
    pause_s: tuple[float, float] = (3.0, 5.5)
    step_db: tuple[float, float] = (-9.0, -3.0)
    returned: float = 0.9
    sounds: list[Struck] = field(default_factory=list)
    landings: dict[int, str] = field(default_factory=dict)
    firsts: set[int] = field(default_factory=set)

    def draw(self, low_high: tuple[float, float]) -> float:
        """Evenly between two limits."""
        return float(self.rng.uniform(*low_high))

    def add(self, what: str, source: Source, at_s: float, db: float, spread_db: float, rep: int) -> None:
        """A sound, its level drawn."""
        spot = int(self.rng.integers(0, 3))
        level_db = db + float(self.rng.uniform(-spread_db, spread_db))
        self.sounds.append(Struck(what, source, at_s, level_db, rep, spot))


def draw_ways(rng: np.random.Generator, play: Play) -> Ways:
    """A scene's own rhythm: the usual one, stretched by up to a fifth, each range narrowed or not."""

    def own(low: float, high: float) -> tuple[float, float]:
        stretch = float(np.exp(rng.normal(0.0, 0.1)))
        narrow = float(rng.uniform(0.0, 0.35)) * (high - low)
        return (low * stretch + narrow, high * stretch - narrow)

    return Ways(
        rng,
        play,
        float(rng.uniform(7.0, 19.0)),
        own(0.6, 1.0),
        own(0.25, 0.45),
        own(0.7, 1.1),
        own(0.3, 0.55),
        own(3.0, 5.0),
        own(3.0, 5.5),
        returned=float(rng.uniform(0.8, 1.0)),
    )


def play_out(ways: Ways, length_s: float, delay_s: float) -> None:
    """Fill `ways.sounds`; `delay_s` is the light's lead: none, kept for symmetry of the player's own reaction."""
    at_s, rep = ways.draw((1.0, 2.5)), 0
    while at_s < length_s - 3.0:
        if ways.play == "rally":
            at_s, rep = _rally(ways, at_s, rep, length_s)
        else:
            _single(ways, at_s, rep)
            at_s, rep = at_s + ways.draw(ways.feed_s), rep + 1
    _steps(ways, length_s)


def _contact(ways: Ways, at_s: float, rep: int) -> None:
    ways.add("contact", "feeder", at_s, ways.hit_db, 3.0, rep)
    kind = ways.rng.choice(["single", "double", "early", "missing"], p=[0.4, 0.4, 0.1, 0.1])
    ways.landings[rep] = str(kind)
    if kind == "missing":
        return
    after_s = 0.04 + ways.rng.gamma(3.0, 0.128 / 3.0) if kind != "early" else -ways.rng.uniform(0.03, 0.16)
    ways.add("foot", "feet", at_s + after_s, 0.0, 2.5, rep)
    foot = ways.sounds[-1]
    if kind == "double" or (kind == "early" and ways.rng.random() < 0.5):
        apart_s = float(ways.rng.uniform(0.012, 0.063))
        level_db = foot.over_landing_db + float(ways.rng.uniform(-5.0, 3.0))
        ways.sounds.append(Struck("second foot", "feet", foot.at_s + apart_s, level_db, rep, foot.spot))


def _single(ways: Ways, at_s: float, rep: int) -> None:
    ways.firsts.add(rep)
    _contact(ways, at_s, rep)
    at_s += ways.draw(ways.bounce_s)
    ways.add("bounce", "near floor", at_s, ways.hit_db - 6.5, 2.5, rep)
    if ways.play == "feed" or ways.rng.random() > ways.returned:
        at_s += ways.draw((0.45, 0.85))
        ways.add("second bounce", "near floor", at_s, ways.hit_db - 11.5, 2.5, rep)
        return
    at_s += ways.draw(ways.hit_s)
    ways.add("own hit", "player", at_s, ways.hit_db, 3.0, rep)
    ways.add("far bounce", "far floor", at_s + ways.draw(ways.back_s), ways.hit_db - 6.5, 2.5, rep)


def _rally(ways: Ways, at_s: float, rep: int, length_s: float) -> tuple[float, int]:
    ways.firsts.add(rep)
    if ways.rng.random() < 0.5:
        ways.add("drop bounce", "far floor", at_s - ways.draw((0.35, 0.6)), ways.hit_db - 13.0, 3.0, rep)
    for _ in range(int(ways.rng.integers(3, 9))):
        if at_s > length_s - 3.0:
            break
        _contact(ways, at_s, rep)
        at_s += ways.draw(ways.bounce_s)
        ways.add("bounce", "near floor", at_s, ways.hit_db - 6.5, 2.5, rep)
        at_s += ways.draw(ways.hit_s)
        ways.add("own hit", "player", at_s, ways.hit_db, 3.0, rep)
        at_s += ways.draw(ways.back_s)
        ways.add("far bounce", "far floor", at_s, ways.hit_db - 6.5, 2.5, rep)
        at_s += ways.draw(ways.again_s)
        rep += 1
    return at_s + ways.draw(ways.pause_s), rep


def _steps(ways: Ways, length_s: float) -> None:
    """Steps between shots: none soon after a landing, none around a contact that has no landing."""
    feet = [each.at_s for each in ways.sounds if each.source == "feet"]
    bare = [each.at_s for each in ways.sounds if each.what == "contact" and ways.landings[each.rep] == "missing"]
    at_s = 0.5
    while at_s < length_s - 0.5:
        near_foot = any(-0.2 < at_s - foot < 0.22 for foot in feet)
        near_bare = any(-0.25 < at_s - contact < 0.40 for contact in bare)
        if not near_foot and not near_bare:
            ways.add("step", "feet", at_s, -6.0, 3.0, -1)
        at_s += ways.draw((0.2, 0.55)) if ways.rng.random() < 0.85 else ways.draw((0.8, 2.5))


def add_neighbours(ways: Ways, length_s: float, hit_db: float) -> None:
    """The next court's own rally: a hit every 1.1-1.6 s, a bounce before each, steps now and then."""
    contacts = [each.at_s for each in ways.sounds if each.what == "contact"]
    at_s = ways.draw((0.3, 2.0))
    while at_s < length_s - 0.5:
        if all(abs(at_s - contact) > 0.06 for contact in contacts):
            ways.add("neighbour hit", "next court", at_s, hit_db, 3.0, -1)
        ways.add("neighbour bounce", "next court", at_s - ways.draw((0.3, 0.45)), hit_db - 6.5, 2.5, -1)
        if ways.rng.random() < 0.3:
            ways.add("neighbour step", "next court", at_s + ways.draw((0.1, 0.9)), 0.0, 4.0, -1)
        at_s += ways.draw((1.1, 1.6)) if ways.rng.random() < 0.85 else ways.draw((4.0, 8.0))


def add_voices(ways: Ways, length_s: float, number: int) -> None:
    """Somebody speaks."""
    for _ in range(number):
        ways.add("voice", "beside", ways.draw((0.5, length_s - 2.0)), 5.0, 5.0, -1)
