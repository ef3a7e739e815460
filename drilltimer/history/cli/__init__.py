"""The history's verbs, and its service to others: to keep the sessions of players."""

from __future__ import annotations

from typing import TYPE_CHECKING

from drilltimer.history.cli.compare import compare
from drilltimer.history.cli.files import backup, export, forget, import_, report
from drilltimer.history.cli.history import history

if TYPE_CHECKING:
    from drilltimer.cli.wings import Diary, House


def register(house: House) -> None:
    """Bring both."""
    house.verbs += [history, compare, report, export, import_, forget, backup]
    house.diaries.append(_diary)


def _diary() -> Diary:
    from drilltimer.history import run

    return run
