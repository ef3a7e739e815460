"""What this player's landings sound like here: marks to know them by, and the power that they bring.

Landings are kept by rep, so that a rep heard a second time is not judged by what it taught itself.

The hops of a sound check stand in for a session's first landings only (`recall`): floor, shoe or level may have
changed. With a ball beside each of the first three landings 75 of 96 were right with them, 50 without (measured
2026-11-25).
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import TypeVar

import numpy as np

from drilltimer.hear.decide import Hypothesis
from drilltimer.hear.net import MARK
from drilltimer.model import LandingSound

T = TypeVar("T")

KEEP = 24  # reps: longer ago, the player stood elsewhere
ENOUGH = 3  # landings from which they are a measure for others
RECALLED_REPS = 6  # that landings of an earlier day speak for: shoes, floor or recording level may have changed


class Memory:
    """The last landings of a player on one channel."""

    def __init__(self) -> None:
        self._landings: dict[int, Hypothesis] = {}
        self._patterns: dict[int, np.ndarray] = {}
        self._sure: dict[int, float] = {}
        self._recalled: list[np.ndarray] = []
        self._reps = 0

    @property
    def landings(self) -> tuple[LandingSound, ...]:
        """Landings heard here, the latest last; recalled ones are left out."""
        return tuple(LandingSound(tuple(float(each) for each in known.mark)) for known in self._landings.values())

    def recall(self, landings: Iterable[LandingSound]) -> None:
        """Begin with landings heard on these devices before; they speak until this session has heard its own."""
        self._recalled = [np.array(each.mark, np.float32) for each in landings if len(each.mark) == MARK]

    def learn(
        self, rep: int, landing: Hypothesis | None, pattern: np.ndarray | None = None, sure: float | None = None
    ) -> None:
        """Take note of what a rep was taken for, how its landing sounds (by `cut_pattern`), and how sure that is."""
        self._reps += 1
        _put(self._sure, rep, sure)
        _put(self._landings, rep, landing)
        _put(self._patterns, rep, pattern)

    def marks(self, rep: int) -> list[np.ndarray]:
        """Marks of the landings known, this rep's left out."""
        heard = [known.mark for other, known in self._landings.items() if other != rep]
        if len(heard) >= ENOUGH or self._reps >= RECALLED_REPS:
            return heard
        return [*self._recalled, *heard]

    def patterns(self, rep: int) -> list[np.ndarray]:
        """How other landings sound, this rep's left out."""
        return [pattern for other, pattern in self._patterns.items() if other != rep]

    def sureness(self, rep: int) -> list[float]:
        """How sure other reps were, this rep's left out."""
        return [sure for other, sure in self._sure.items() if other != rep]

    def landings_by_rep(self) -> dict[int, Hypothesis]:
        """The last landings that were told, by the rep that they belong to."""
        return dict(self._landings)

    def usual(self, rep: int) -> np.ndarray | None:
        """What a landing of this player brings here, this rep's left out: the one in the middle by level; or None."""
        known = sorted(
            (landing for other, landing in self._landings.items() if other != rep), key=lambda landing: landing.level_db
        )
        return known[len(known) // 2].patch if len(known) >= ENOUGH else None


def _put(store: dict[int, T], rep: int, what: T | None) -> None:
    """Keep the latest reps alone."""
    store.pop(rep, None)
    if what is not None:
        store[rep] = what
        while len(store) > KEEP:
            del store[next(iter(store))]
