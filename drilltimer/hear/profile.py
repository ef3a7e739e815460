"""What this player's landings sound like here, learned from the session, and how strong noise gets.

Landings are kept by rep, so that a rep heard a second time is not judged by what it taught itself.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TypeVar

import numpy as np

from drilltimer.hear.onsets import COLOUR_EDGES_HZ, Rise, level_of
from drilltimer.model import LandingSound

T = TypeVar("T")

KEEP = 60  # reps: longer ago, the player stood elsewhere
KEEP_PATTERNS = 24  # and what each costs is paid at every rep
ENOUGH = 3  # landings from which they are a measure for others
RECALLED_REPS = 6  # that landings of an earlier day speak for: shoes, floor or recording level may have changed
SHAPE_WEIGHT = 0.3  # neighbouring bands say the same thing twice
ALIKE_DB, UNLIKE_DB = 6.0, 11.0  # spread of a band between two landings of a player, and between any two sounds
START_STRENGTH = 1.5  # before anything is known
LEAST_USUAL = 1.0  # landings usually stand out more than this; otherwise noise would become the measure of itself
START_NOISE = (0.22, 0.2)


class Profile:
    """Running, robust description of landings and of noise."""

    def __init__(self) -> None:
        self._landings: dict[int, LandingSound] = {}
        self._recalled: list[LandingSound] = []
        self._reps = 0
        self._strongest: dict[int, float] = {}
        self._noise: dict[int, np.ndarray] = {}
        self._patterns: dict[int, np.ndarray] = {}

    @property
    def landings(self) -> tuple[LandingSound, ...]:
        """Landings heard here, the latest last; recalled ones are left out."""
        return tuple(self._landings.values())

    def recall(self, landings: Iterable[LandingSound]) -> None:
        """Begin with landings heard on these devices before; they speak until this session has heard its own."""
        self._recalled = [each for each in landings if len(each.colour_db) == len(COLOUR_EDGES_HZ) - 1]

    def learn_landing(self, rep: int, landing: Rise | None, pattern: np.ndarray | None = None) -> None:
        """Take note of what a rep was decided to be, and of how it sounds (as from `cut_pattern`)."""
        self._landings.pop(rep, None)
        self._patterns.pop(rep, None)
        self._reps += 1
        if landing is not None:
            _put(self._landings, rep, LandingSound(landing.strength, tuple(float(db) for db in landing.colour_db)))
        if pattern is not None:
            _put(self._patterns, rep, pattern, KEEP_PATTERNS)

    def patterns(self, rep: int) -> list[np.ndarray]:
        """How other landings sound, this rep's left out."""
        return [pattern for other, pattern in self._patterns.items() if other != rep]

    def learn_rep(self, rep: int, strengths: np.ndarray, strongest: float | None) -> None:
        """Take note of the strengths of all rises of a rep, most of which are noise, and of the strongest in range."""
        if len(strengths):
            _put(self._noise, rep, np.quantile(strengths, (0.5, 0.85)))
        if strongest is not None:
            _put(self._strongest, rep, strongest)

    def noise(self) -> tuple[float, float]:
        """Median strength of a rise that is only noise, and the scale of its exponential tail."""
        if not self._noise:
            return START_NOISE
        middle, high = np.median(np.array(list(self._noise.values())), axis=0)
        return float(middle), max(float(high - middle) / 1.2, 0.02)

    def knows_landings(self, rep: int) -> bool:
        """Whether enough landings, this rep's left out, were heard to be a measure for others."""
        return len(self._others(rep)) >= ENOUGH

    def usual_strength(self, rep: int) -> float:
        """Strength of this player's landings; of the reps' strongest sounds until landings are known."""
        known = [landing.strength for landing in self._others(rep)]
        if len(known) >= ENOUGH:
            return max(float(np.median(known)), LEAST_USUAL)
        known = list(self._strongest.values())
        return max(float(np.median(known)), LEAST_USUAL) if known else START_STRENGTH

    def usual_level_db(self, rep: int) -> float | None:
        """Level of this player's landings; None until enough are known."""
        known = [level_of(np.array(landing.colour_db)) for landing in self._others(rep)]
        return float(np.median(known)) if len(known) >= ENOUGH else None

    def level_beside_usual_db(self, rises: Sequence[Rise], rep: int) -> np.ndarray:
        """Level of each rise over that of this player's landings, -30 to +15 dB; zeros until they are known."""
        usual_db = self.usual_level_db(rep)
        if usual_db is None:
            return np.zeros(len(rises))
        levels_db = np.array([rise.level_db for rise in rises])
        return np.asarray(np.clip(levels_db - usual_db, -30.0, 15.0))

    def likeness(self, rises: Sequence[Rise], rep: int) -> np.ndarray:
        """Log likelihood ratio, -3 to 3, that each rise has the colour of a landing of this player, level aside.

        A player lands in more than one way: each landing heard is a kernel of its own. Zeros until they are known.
        """
        known = self._others(rep)
        if len(known) < ENOUGH:
            return np.zeros(len(rises))
        landings, colours = _shapes(known), _shapes(rises)
        apart = (colours[:, None, :] - landings[None, :, :]) ** 2

        def density(spread_db: float) -> np.ndarray:
            logs = SHAPE_WEIGHT * (-0.5 * apart / spread_db**2 - np.log(spread_db)).sum(axis=2)
            return np.asarray(np.logaddexp.reduce(logs, axis=1))

        return np.asarray(np.clip(density(ALIKE_DB) - density(UNLIKE_DB), -3.0, 3.0))

    def _others(self, rep: int) -> list[LandingSound]:
        heard = [landing for other, landing in self._landings.items() if other != rep]
        if len(heard) >= ENOUGH or self._reps >= RECALLED_REPS:
            return heard
        return [*self._recalled, *heard]


def _put(store: dict[int, T], rep: int, value: T, most: int = KEEP) -> None:
    """Keep the latest reps alone."""
    store.pop(rep, None)
    store[rep] = value
    while len(store) > most:
        del store[next(iter(store))]


def _shapes(rises: Sequence[Rise | LandingSound]) -> np.ndarray:
    """Colours with the level taken out; shape (n, bands)."""
    colours = np.array([rise.colour_db for rise in rises]).reshape(len(rises), len(COLOUR_EDGES_HZ) - 1)
    return np.asarray(colours - colours.mean(axis=1, keepdims=True))
