"""What the history's verbs share."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

from drilltimer.cli.common import note_some

if TYPE_CHECKING:
    from drilltimer.history.store import History


@contextmanager
def opened_history(*, make: bool = False) -> Iterator[History]:
    """The history, opened; what of it is damaged and was left out is told at the end."""
    from drilltimer.history.run import open_history

    with open_history(make=make) as kept:
        try:
            yield kept
        finally:
            note_some(kept.left_out)
