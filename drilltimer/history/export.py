"""Out: a copy of the history; or CSV (one row per rep) or JSON, written session by session so that memory stays flat.

CSV and JSON hold the same and both can be imported. Units stand in the headers: `..._ms`, `..._s`, `..._m`, `..._c`,
`..._hz`. A JSON export has one session per line, so that it can be read line by line too.
"""

from __future__ import annotations

import csv
import json
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import IO, Any

from drilltimer.errors import HistoryError
from drilltimer.history.cells import NO_SENSE, sift_session
from drilltimer.history.connect import FAULTS, PART_ENDING, copy_database, explain, free_name, written_beside
from drilltimer.history.days import here
from drilltimer.history.entries import (
    BLOCK_COLUMNS,
    REP_COLUMNS,
    SESSION_COLUMNS,
    RepEntry,
    SessionEntry,
    block_row,
    rep_row,
    session_row,
)
from drilltimer.history.queries import LONGEST_LIST, NAME, find_player, players, session_lines
from drilltimer.history.store import History

FORMAT = "drilltimer history"
SCHEMA = 1
PLAYER_COLUMNS = ("player", "player_level", "player_sport")
CSV_COLUMNS = (
    *PLAYER_COLUMNS,
    *(f"session_{name}" for name in SESSION_COLUMNS),
    *(f"block_{name}" for name in BLOCK_COLUMNS),
    *REP_COLUMNS,
)
FORMULA = ("=", "+", "-", "@", "\t", "'")  # a spreadsheet would run what begins like this, or hide the quote itself

Session = dict[str, Any]


def export_history(history: History, target: Path, player: str | None = None) -> tuple[int, int]:
    """Write all sessions, or one player's, to a .csv or .json file; answers how many sessions and reps.

    Raises
    ------
    HistoryError
        The suffix is neither, the file is there already, the player unknown, the disk full.
    """
    write = {".csv": _write_csv, ".json": _write_json}.get(target.suffix.lower())
    if write is None:
        raise HistoryError(f"{target}: an export ends in .csv or .json", fix="Choose one of the two.")
    with history.snapshot(), new_file(target) as file:  # a player who comes meanwhile is in none of the two lists
        return write(file, list(players_out(history, player)), sessions_out(history, player))


SHORT_COLUMNS = ("date", "player", "drill", "landings", "in_window_percent", "habit_ms", "scatter_ms")


def export_short(history: History, target: Path, player: str | None = None) -> int:
    """Write a line per session for a coach's spreadsheet, oldest first, to a .csv file; answers how many.

    Raises
    ------
    HistoryError
        The file is there already, ends otherwise, cannot be written, or nobody is called so.
    """
    if target.suffix.lower() != ".csv":
        raise HistoryError(f"{target}: a short export ends in .csv", fix="Name the file so, or leave --short out.")
    count = 0
    with history.snapshot(), new_file(target) as file:
        writer = csv.writer(file)
        writer.writerow(SHORT_COLUMNS)
        for each in players_out(history, player):
            for line in reversed(session_lines(history, each["name"], limit=LONGEST_LIST)):
                share = round(100 * line.on_time / line.scored) if line.scored else None
                figures = (None if ms is None else round(ms) for ms in (line.constant_error_ms, line.variable_error_ms))
                cells = (here(line.started_utc)[:10], line.player, line.drill, line.scored, share, *figures)
                writer.writerow([safe_cell(cell) for cell in cells])
                count += 1
    return count


def save_session(target: Path, entry: SessionEntry, entries: Iterable[RepEntry]) -> None:
    """Write one session that is in no history as a JSON export."""
    session = session_row(entry) | {
        "player": entry.player,
        "blocks": [block_row(block) for block in entry.blocks],
        "reps": [rep_row(each) for each in entries],
    }
    with new_file(target) as file:
        _write_json(file, [{"name": entry.player, "level": None, "sport": None}], [session])


def players_out(history: History, player: str | None) -> Iterator[dict[str, Any]]:
    """Players as an export holds them."""
    name = find_player(history, player).name if player is not None else None
    for each in players(history):
        if name in (None, each.player.name):
            yield {"name": each.player.name, "level": each.player.level, "sport": each.player.sport}


def sessions_out(history: History, player: str | None = None) -> Iterator[Session]:
    """Sessions as an export holds them, oldest first; what the file holds damaged is left out and told."""
    where, values = ("", ()) if player is None else (f"WHERE {NAME} = ?", (find_player(history, player).name,))
    query = f"SELECT s.*, {NAME} AS player_name FROM sessions s JOIN players p ON p.id = s.player {where} "
    for row in history.rows(query + "ORDER BY s.started_utc, s.number", values):
        number = (row["number"],)
        blocks = history.rows(f"SELECT {', '.join(BLOCK_COLUMNS)} FROM blocks WHERE session = ?", number)
        reps = history.rows(f"SELECT {', '.join(REP_COLUMNS)} FROM reps WHERE session = ?", number)
        told = {
            **{name: row[name] for name in SESSION_COLUMNS},
            "player": row["player_name"],
            "blocks": map(dict, blocks),
            "reps": map(dict, reps),
        }
        tell = partial(_leave_out, history, row["number"])
        try:
            session = sift_session(told, tell)
        except NO_SENSE as fault:
            tell(f"left out, which the file holds damaged: {fault}")
        else:
            yield session


def _leave_out(history: History, number: int, what: str) -> None:
    history.leave_out(f"session {number}: {what}")


@contextmanager
def new_file(target: Path) -> Iterator[IO[str]]:
    """A text file that was not there before, and is not there before all of it is written.

    Raises
    ------
    HistoryError
        It is there, or cannot be written.
    """
    try:
        with written_beside(target) as part, part.open("w", encoding="utf-8", newline="") as file:
            yield file
    except FileExistsError as fault:
        raise HistoryError(f"{target}: is there already", fix="Nothing is overwritten: name another file.") from fault
    except OSError as fault:
        raise HistoryError(
            f"{target}: cannot be written: {fault.strerror or fault}", fix="Is the folder there, and the disk not full?"
        ) from fault


def _write_json(file: IO[str], who: list[dict[str, Any]], sessions: Iterable[Session]) -> tuple[int, int]:
    head = {"format": FORMAT, "schema": SCHEMA, "players": who}
    file.write(_json(head)[:-1] + ',"sessions":[')
    count = reps = 0
    for session in sessions:
        told = session | {"reps": [{"number": rep["rep"] + 1, **rep} for rep in session["reps"]]}
        file.write(("," if count else "") + "\n" + _json(told))
        count, reps = count + 1, reps + len(session["reps"])
    file.write("\n]}\n")
    return count, reps


def _write_csv(file: IO[str], who: list[dict[str, Any]], sessions: Iterable[Session]) -> tuple[int, int]:
    about = {each["name"]: each for each in who}
    writer = csv.writer(file)
    writer.writerow((*CSV_COLUMNS[: -len(REP_COLUMNS)], "number", *REP_COLUMNS))
    count = reps = 0
    for session in sessions:
        player = about[session["player"]]
        front = [player["name"], player["level"], player["sport"], *(session[name] for name in SESSION_COLUMNS)]
        blocks = {block["number"]: [block[name] for name in BLOCK_COLUMNS] for block in session["blocks"]}
        for rep in session["reps"]:
            block = blocks.get(rep["block"], [None] * len(BLOCK_COLUMNS))
            own = (rep["rep"] + 1, *(rep[name] for name in REP_COLUMNS))
            writer.writerow([safe_cell(value) for value in (*front, *block, *own)])
        count, reps = count + 1, reps + len(session["reps"])
    return count, reps


def safe_cell(value: Any) -> Any:
    """Value of a cell that no spreadsheet takes for a formula."""
    return f"'{value}" if isinstance(value, str) and value.startswith(FORMULA) else value


def _json(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False, separators=(",", ":"), allow_nan=False)


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
