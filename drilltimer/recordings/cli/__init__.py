"""The verbs of recordings, and their service to others: to keep a session's sound."""

from __future__ import annotations

from typing import TYPE_CHECKING

from drilltimer.recordings.cli.render import render
from drilltimer.recordings.cli.score import score

if TYPE_CHECKING:
    from drilltimer.cli.wings import House, Recorders


def register(house: House) -> None:
    """Bring both."""
    house.verbs += [render, score]
    house.recorders.append(_recorders)


def _recorders() -> Recorders:
    from drilltimer.recordings import session_recorder

    return session_recorder
