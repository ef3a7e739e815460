"""Copies of the history."""

from __future__ import annotations

from pathlib import Path

from drilltimer.errors import HistoryError
from drilltimer.history.connect import FAULTS, PART_ENDING, copy_database, explain, free_name
from drilltimer.history.store import History


def back_up(history: History, target: Path | None = None) -> Path:
    """Copy the history to a new file, check the copy, answer where it is; the rest of the program may go on writing.

    Raises
    ------
    HistoryError
        The file is there already, or cannot be written whole.
    """
    target = target or free_name(history.path, "backup")
    try:
        copy_database(history.database, target)
    except FileExistsError as fault:
        raise HistoryError(f"{target}: is there already", fix="Nothing is overwritten: name another file.") from fault
    except OSError as fault:
        raise HistoryError(f"{target}: cannot be written: {fault.strerror or fault}") from fault
    except FAULTS as fault:
        raise explain(fault, target) from fault
    return target


def copies_beside(path: Path) -> list[Path]:
    """Files in the history's folder that were made from it: backups, damaged ones set aside, unsaved sessions.

    Those whose writing was cut off are among them.
    """
    names = (f"{path.stem}.*-*{path.suffix}*", "unsaved-*.json", f".*{PART_ENDING}*")
    found = [each for name in names for each in path.parent.glob(name)]
    return sorted(each for each in found if each.name != path.name)
