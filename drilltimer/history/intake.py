"""In: another computer's export or database, merged. Doing it twice changes nothing; where two disagree, ours stays.

A session is known by its uid, so that copies of copies meet again. The one case in which ours gives way: it was cut off
or still running, and theirs begins with the very same reps and goes on.
"""

from __future__ import annotations

import csv
import json
import os
import sqlite3
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from functools import partial
from itertools import groupby, islice
from pathlib import Path
from typing import IO, Any

from drilltimer.errors import HistoryError
from drilltimer.history.cells import NO_SENSE, Kind, check_session, kind_of, sift_session
from drilltimer.history.connect import FAULTS, DamagedHistoryError, explain
from drilltimer.history.entries import (
    BLOCK_COLUMNS,
    NEWER_COLUMNS,
    REP_COLUMNS,
    SESSION_COLUMNS,
    Player,
    block_entry,
    name_key,
    rep_entry,
    rep_row,
    session_entry,
)
from drilltimer.history.export import CSV_COLUMNS, FORMAT, PLAYER_COLUMNS, SCHEMA, Session
from drilltimer.history.queries import NAME
from drilltimer.history.store import History
from drilltimer.history.stranger import MOST_SESSIONS, Stranger, opened_stranger

BATCH = 200  # sessions in one transaction: few enough that a running session need not wait long
BIGGEST_BYTES = 8_000_000_000  # ten million reps
BIGGEST_WHOLE_BYTES = 100_000_000  # of JSON that is not laid out line by line and must be read at once
LONGEST_LINE = 50_000_000  # characters: a session of ten thousand reps, all of them full of cues
WANTED = "Give an export (.csv, .json) or a history (.sqlite)."
_KINDS: dict[str, Kind] = {
    **dict.fromkeys(PLAYER_COLUMNS, "text"),
    **{f"session_{name}": kind_of(name) for name in SESSION_COLUMNS},
    **{f"block_{name}": kind_of(name) for name in BLOCK_COLUMNS},
    **{name: kind_of(name) for name in REP_COLUMNS},
}
_NEVER_NONE = {"void", "session_input_device", "session_output_device", "block_name"}


@dataclass(slots=True)
class Intake:
    """How many sessions an import added, completed or had already, and what it would not take."""

    added: int = 0
    completed: int = 0
    known: int = 0
    conflicts: list[str] = field(default_factory=list)
    damage: str = ""
    left_out: list[str] = field(default_factory=list)


def import_history(history: History, source: Path) -> Intake:
    """Merge an export (.csv, .json) or another history database.

    Raises
    ------
    HistoryError
        It is missing, none of ours, newer than the program, or broken; what was read before the fault stays merged.
    """
    if os.path.isdir(source):
        raise HistoryError(f"{source}: is a folder", fix=WANTED)
    if not os.path.exists(source):
        raise HistoryError(f"{source}: there is no such file", fix=WANTED)
    if not os.path.isfile(source):  # a device or pipe might never end
        raise HistoryError(f"{source}: is not a regular file", fix=WANTED)
    if os.path.getsize(source) > BIGGEST_BYTES:
        limit_gb = BIGGEST_BYTES // 1_000_000_000
        raise HistoryError(f"{source}: is longer than {limit_gb} GB, which no history is", fix=WANTED)
    if source.resolve() == history.path.resolve():
        raise HistoryError(f"{source}: is the history itself", fix="Give another computer's.")
    reader: Callable[[Path, Intake], Iterator[Session]]
    reader = {".csv": _from_csv, ".json": _from_json}.get(source.suffix.lower(), _from_database)
    done = Intake()
    sessions = reader(source, done)
    while batch := list(islice(sessions, BATCH)):
        with history.transaction():
            for each in batch:
                _merge(history, each, done, source)
    return done


def _merge(history: History, theirs: Session, done: Intake, source: Path) -> None:
    try:
        check_session(theirs)
        blocks = tuple(block_entry(block) for block in theirs["blocks"])
        entry = session_entry(theirs | {"number": 0}, blocks)
        reps = [rep_entry(rep) for rep in theirs["reps"]]
        name_key(entry.player)
    except NO_SENSE as fault:
        raise HistoryError(
            f"{source}: session {theirs.get('uid', '?')} does not make sense: {type(fault).__name__}: {fault}",
            why="The file was changed by hand or by another program.",
            fix="Export it again.",
        ) from fault
    _merge_player(history, Player(entry.player, theirs.get("player_level"), theirs.get("player_sport")), done)
    database = history.database
    own = database.execute("SELECT number, ending FROM sessions WHERE uid = ?", (entry.uid,)).fetchone()
    if own is None:
        history.put_reps(history.put_session(entry), reps)
        done.added += 1
        return
    query = f"SELECT {', '.join(REP_COLUMNS)} FROM reps WHERE session = ? ORDER BY rep"
    ours = [dict(row) for row in database.execute(query, (own["number"],))]
    new = [rep_row(each) for each in sorted(reps, key=lambda each: each.rep.index)]
    if ours == new:
        done.known += 1
        if own["ending"] is None and entry.ending is not None:
            database.execute("UPDATE sessions SET ending = ? WHERE number = ?", (entry.ending, own["number"]))
    elif own["ending"] is None and ours == new[: len(ours)]:
        history.put_reps(own["number"], reps[len(ours) :])
        database.execute("UPDATE sessions SET ending = ? WHERE number = ?", (entry.ending, own["number"]))
        done.completed += 1
    elif new == ours[: len(new)]:
        done.known += 1  # theirs is an earlier state of ours
    else:
        done.conflicts.append(
            f"session {own['number']} ({entry.player}, {entry.drill}, {entry.started_utc}) differs; ours was kept"
        )


def _merge_player(history: History, theirs: Player, done: Intake) -> None:
    query = "SELECT name, level, sport FROM players WHERE key = ?"
    own = history.database.execute(query, (name_key(theirs.name),)).fetchone()
    kept = {}
    for name in ("level", "sport"):
        ours, other = own[name] if own else None, getattr(theirs, name)
        if ours and other and ours != other:
            told = f"player {own['name']}: {name} is {ours!r} here and {other!r} there; ours was kept"
            if told not in done.conflicts:
                done.conflicts.append(told)
        kept[name] = ours or other
    history.put_player(Player(theirs.name, kept["level"], kept["sport"]))


def _from_json(source: Path, done: Intake) -> Iterator[Session]:
    """Sessions of a JSON export; line by line where it is laid out as we do, else as a whole."""
    try:
        with source.open(encoding="utf-8") as file:
            head = file.readline(BIGGEST_WHOLE_BYTES)
            try:
                document = json.loads(head.rstrip("\n") + "]}")
            except ValueError:
                document = None
            if document is None:
                if source.stat().st_size > BIGGEST_WHOLE_BYTES:
                    raise HistoryError(
                        f"{source}: is too big to be read at once", fix="Import the export as it was written."
                    )
                document = json.loads(source.read_text(encoding="utf-8"))
                lines: Iterator[Session] = (
                    iter(document.get("sessions", ())) if isinstance(document, dict) else iter(())
                )
            else:
                lines = (json.loads(line.rstrip().rstrip(",")) for line in _lines(file, source) if line.startswith("{"))
            _check_format(document, source)
            about = {each["name"]: each for each in document.get("players", ())}
            for session in lines:
                player = about.get(session["player"], {})
                yield session | {"player_level": player.get("level"), "player_sport": player.get("sport")}
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError) as fault:
        raise HistoryError(
            f"{source}: is no export of drilltimer, or is broken: {fault}", fix="Export it again, and copy it whole."
        ) from fault
    except OSError as fault:
        raise HistoryError(f"{source}: cannot be read: {fault.strerror or fault}") from fault


def _lines(file: IO[str], source: Path) -> Iterator[str]:
    """Lines of a file, none of which may fill the memory."""
    while line := file.readline(LONGEST_LINE):
        if len(line) == LONGEST_LINE:
            raise HistoryError(f"{source}: has a line of more than {LONGEST_LINE} characters", fix=WANTED)
        yield line


def _check_format(document: Any, source: Path) -> None:
    if not isinstance(document, dict) or document.get("format") != FORMAT:
        raise HistoryError(f"{source}: is no export of drilltimer", fix="'drilltimer export' writes one.")
    if not isinstance(document.get("schema"), int) or document["schema"] > SCHEMA:
        raise HistoryError(
            f"{source}: was written by a newer drilltimer (schema {document.get('schema')})", fix="Update drilltimer."
        )


def _from_csv(source: Path, done: Intake) -> Iterator[Session]:
    """Sessions of a CSV export; rows of one session must follow each other, as we write them."""
    try:
        with source.open(encoding="utf-8-sig", newline="") as file:
            reader = csv.DictReader(_lines(file, source))
            missing = [
                name for name in CSV_COLUMNS if name not in (reader.fieldnames or ()) and name not in NEWER_COLUMNS
            ]
            if missing:
                raise HistoryError(
                    f"{source}:1: is no export of drilltimer: column {missing[0]!r} is missing",
                    fix="'drilltimer export' writes one.",
                )
            rows = (_typed(row, reader.line_num, source) for row in reader)
            for _, group in groupby(rows, key=lambda row: row["session_uid"]):
                yield _session_of(list(group))
    except (csv.Error, UnicodeDecodeError) as fault:
        raise HistoryError(f"{source}: is no CSV text: {fault}", fix="Export it again.") from fault
    except OSError as fault:
        raise HistoryError(f"{source}: cannot be read: {fault.strerror or fault}") from fault


def _typed(row: dict[str, Any], line: int, source: Path) -> dict[str, Any]:
    values: dict[str, Any] = {}
    for name in CSV_COLUMNS:
        cell = row.get(name, "") if name in NEWER_COLUMNS else row[name]
        try:
            values[name] = _value(name, cell)
        except (TypeError, ValueError) as fault:
            raise HistoryError(
                f"{source}:{line}: {name}: {cell!r} is not a number", why="A spreadsheet may have changed it."
            ) from fault
    return values


def _value(name: str, cell: str | None) -> Any:
    if cell is None:
        raise ValueError("the row is cut off")
    if _KINDS[name] == "text":
        plain = cell[1:] if cell.startswith("'") else cell
        return plain if plain or name in _NEVER_NONE else None
    if not cell:
        return None
    return int(cell) if _KINDS[name] == "integer" else float(cell)


def _session_of(rows: list[dict[str, Any]]) -> Session:
    first = rows[0]
    blocks = {row["block_number"]: row for row in rows if row["block_number"] is not None}
    return {name: first[f"session_{name}"] for name in SESSION_COLUMNS} | {
        "player": first["player"],
        "player_level": first["player_level"],
        "player_sport": first["player_sport"],
        "blocks": [{name: row[f"block_{name}"] for name in BLOCK_COLUMNS} for row in blocks.values()],
        "reps": [{name: row[name] for name in REP_COLUMNS} for row in rows],
    }


def _from_database(source: Path, done: Intake) -> Iterator[Session]:
    """Sessions of another history, which is opened to read alone; a damaged one gives what can be read."""
    try:
        with opened_stranger(source) as stranger:
            stranger.check(WANTED)
            for number in _readable_numbers(stranger, done):
                tell = partial(_leave_out, done, f"{source}: session {number} there")
                stranger.begin()
                try:
                    session = sift_session(_read_session(stranger, number), tell)
                except NO_SENSE as fault:
                    tell(f"left out, which the file holds damaged: {fault}")
                except sqlite3.DatabaseError as fault:
                    done.damage = done.damage or f"{source}: some sessions could not be read: {fault}"
                else:
                    yield session
    except FAULTS as fault:
        told = explain(fault, source)
        if isinstance(told, DamagedHistoryError):
            told = HistoryError(f"{source}: is no history, or is damaged beyond reading: {fault}", fix=WANTED)
        raise told from fault


def _leave_out(done: Intake, where: str, what: str) -> None:
    done.left_out.append(f"{where}: {what}")


def _readable_numbers(stranger: Stranger, done: Intake) -> list[int]:
    """Numbers of the sessions that can be listed, from either end of a damaged table."""
    numbers: dict[int, None] = {}
    for order in ("", " DESC"):
        try:
            query = f"SELECT number FROM sessions NOT INDEXED ORDER BY number{order}"
            for row in stranger.rows(query, most=MOST_SESSIONS):
                numbers[row["number"]] = None
        except sqlite3.DatabaseError as fault:
            done.damage = f"the list of sessions is damaged: {fault}"
        else:
            break
    return sorted(numbers)


def _read_session(stranger: Stranger, number: int) -> Session:
    query = (
        f"SELECT s.*, {NAME} AS player_name, p.level AS player_level, p.sport AS player_sport "
        "FROM sessions s JOIN players p ON p.id = s.player WHERE s.number = ?"
    )
    row = next(stranger.rows(query, (number,)), None)
    if row is None:
        raise sqlite3.DatabaseError(f"session {number} has no player")
    blocks = stranger.rows(f"SELECT {', '.join(BLOCK_COLUMNS)} FROM blocks WHERE session = ?", (number,))
    reps = stranger.rows("SELECT * FROM reps WHERE session = ?", (number,))
    return {name: row[name] for name in SESSION_COLUMNS} | {
        "player": row["player_name"],
        "player_level": row["player_level"],
        "player_sport": row["player_sport"],
        "blocks": [dict(block) for block in blocks],
        "reps": [dict(rep) for rep in reps],
    }
