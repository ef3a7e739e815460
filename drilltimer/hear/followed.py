"""What followed each of the last contacts: what most of them have in common is the place's, not the player's."""

from __future__ import annotations

from typing import Generic, TypeVar

KEEP_CONTACTS = 40
SAME = 64  # frames within which two contacts are one

What = TypeVar("What")


class Followed(Generic[What]):
    """The last contacts, by stream frame, each with what was heard after it."""

    def __init__(self) -> None:
        self._heard: dict[int, What] = {}

    def put(self, frame: float, what: What) -> None:
        """Take note of a contact, or of what is known better now of one."""
        self._heard[round(frame)] = what
        if len(self._heard) > KEEP_CONTACTS:
            del self._heard[next(iter(self._heard))]  # the oldest

    def others(self, frame: float) -> list[What]:
        """What followed every contact but the one at `frame`."""
        return [what for at, what in self._heard.items() if abs(at - frame) > SAME]
