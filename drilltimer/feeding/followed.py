"""What followed each of the last contacts: what most of them have in common is the place's, not the player's."""

from __future__ import annotations

from typing import Generic, TypeVar

from drilltimer.units import frames_from_s

KEEP_CONTACTS = 40
SAME_S = 64 / 48_000  # within which two contacts are one

What = TypeVar("What")


class Followed(Generic[What]):
    """The last contacts, by frame of a stream at `rate_hz`, each with what was heard after it."""

    def __init__(self, rate_hz: float) -> None:
        self._heard: dict[int, What] = {}
        self._same = frames_from_s(SAME_S, rate_hz)

    def put(self, frame: float, what: What) -> None:
        """Take note of a contact, or of what is known better now of one."""
        self._heard[round(frame)] = what
        if len(self._heard) > KEEP_CONTACTS:
            del self._heard[next(iter(self._heard))]  # the oldest

    def others(self, frame: float) -> list[What]:
        """What followed every contact but the one at `frame`."""
        return [what for at, what in self._heard.items() if abs(at - frame) > self._same]
