"""Where the history lies."""

from __future__ import annotations

import os
from pathlib import Path

from drilltimer.audio.files import data_folder
from drilltimer.errors import HistoryError
from drilltimer.records.connect import FILE_NAME
from drilltimer.records.history import History


def history_path() -> Path:
    """The history's file; `DRILLTIMER_HOME` moves it."""
    return data_folder() / FILE_NAME


def open_history(*, make: bool = False) -> History:
    """The history, opened.

    Raises
    ------
    HistoryError
        There is none yet, unless `make`; or it cannot be opened.
    """
    path = history_path()
    if not make and not os.path.exists(path):
        raise HistoryError(
            f"{path}: there is no history yet",
            fix="'drilltimer run DRILL --player NAME' begins one, 'drilltimer import FILE' takes one in.",
        )
    return History(path)
