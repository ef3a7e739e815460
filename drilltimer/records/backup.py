"""Copies of the history."""

from __future__ import annotations

import sqlite3
from pathlib import Path

from drilltimer.errors import HistoryError
from drilltimer.records.connect import copy_database, explain, free_name
from drilltimer.records.history import History


def back_up(history: History, target: Path | None = None) -> Path:
    """Copy the history to a new file, check the copy, answer where it is; the rest of the program may go on writing.

    Raises
    ------
    HistoryError
        The file is there already, or cannot be written whole.
    """
    target = target or free_name(history.path, "backup")
    try:
        target.touch(mode=0o600, exist_ok=False)
    except FileExistsError as fault:
        raise HistoryError(f"{target}: is there already", fix="Nothing is overwritten: name another file.") from fault
    except OSError as fault:
        raise HistoryError(f"{target}: cannot be written: {fault.strerror or fault}") from fault
    try:
        copy_database(history.database, target)
    except sqlite3.Error as fault:
        target.unlink(missing_ok=True)
        raise explain(fault, target) from fault
    except HistoryError:
        target.unlink(missing_ok=True)
        raise
    return target


def copies_beside(path: Path) -> list[Path]:
    """Files in the history's folder that were made from it: backups, damaged ones set aside, unsaved sessions."""
    found = [*path.parent.glob(f"{path.stem}.*-*{path.suffix}*"), *path.parent.glob("unsaved-*.json")]
    return sorted(each for each in found if each.name != path.name)
