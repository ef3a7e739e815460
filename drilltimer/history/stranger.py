"""A history from elsewhere, opened to read alone and believed nothing: it may be damaged, or made to do harm."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any

from drilltimer.errors import HistoryError
from drilltimer.history.connect import MARK
from drilltimer.history.schema import SCHEMA
from drilltimer.history.store import text_of

NEEDED = ("players", "sessions", "blocks", "reps")
LONGEST_CELL = 4_000_000  # bytes; a rep's cues may be a million letters
MOST_SESSIONS = 1_000_000
MOST_OF_ONE = 100_000  # reps, or blocks, of a session: four hours of live feeding have some ten thousand
TICK = 10_000  # of SQLite's steps, between two questions whether to go on
MOST_TICKS = 20_000  # for one session, or the list of them: seconds; a session of 10,000 reps takes a hundred
NOT_OURS = "It was made by another program, or to do harm."


class Stranger:
    """The open file: bounded answers to its reader's questions, which Ctrl-C ends."""

    def __init__(self, database: sqlite3.Connection, path: Path) -> None:
        self._database, self._path = database, path
        self._ticks = 0
        database.set_progress_handler(self._tick, TICK)

    def _tick(self) -> int:
        self._ticks += 1
        return int(self._ticks > MOST_TICKS)

    def begin(self) -> None:
        """What is asked from here on has all the time that one session may take."""
        self._ticks = 0

    def rows(self, query: str, values: tuple[Any, ...] = (), most: int = MOST_OF_ONE) -> Iterator[sqlite3.Row]:
        """Rows of a query, one at a time.

        Raises
        ------
        HistoryError
            They are more than `most`, or have no end.
        KeyboardInterrupt
            Python drops it inside of SQLite, which then stops and says that it was interrupted.
        sqlite3.Error
            They are damaged.
        """
        try:
            for count, row in enumerate(self._database.execute(query, values)):
                if count == most:
                    raise self._too_much(f"more than {most} rows where one session, or all, would be")
                yield row
        except sqlite3.OperationalError as fault:
            if getattr(fault, "sqlite_errorcode", 0) & 0xFF != sqlite3.SQLITE_INTERRUPT:
                raise
            if self._ticks <= MOST_TICKS:
                raise KeyboardInterrupt from None
            raise self._too_much("it takes without end to read") from fault

    def _too_much(self, what: str) -> HistoryError:
        return HistoryError(f"{self._path}: is no history that can be read: {what}", why=NOT_OURS)

    def check(self, wanted: str) -> None:
        """See that it is a history, of a version that is known, and that its tables are tables.

        Raises
        ------
        HistoryError
            It is not; `wanted` says what to give instead.
        """
        version, mark = (next(self.rows(f"PRAGMA {name}"))[0] for name in ("user_version", "application_id"))
        query = f"SELECT name, type, sql FROM main.sqlite_master WHERE name IN ({', '.join('?' * len(NEEDED))})"
        found = {row["name"]: row for row in self.rows(query, NEEDED)}
        if missing := [name for name in NEEDED if name not in found]:
            raise HistoryError(f"{self._path}: is no history: it has no table {missing[0]!r}", fix=wanted)
        if mark != MARK:
            raise HistoryError(f"{self._path}: is no history but a database of another program", fix=wanted)
        if version > SCHEMA:
            raise HistoryError(
                f"{self._path}: was written by a newer drilltimer (schema {version}; this one knows {SCHEMA})",
                fix="Update drilltimer.",
            )
        for name, row in found.items():
            computed = any(column["hidden"] for column in self.rows(f"PRAGMA main.table_xinfo({name})"))
            plain = row["type"] == "table" and str(row["sql"]).upper().startswith("CREATE TABLE")
            if computed or not plain:
                raise HistoryError(
                    f"{self._path}: is no history: its {name} are no plain table", why=NOT_OURS, fix=wanted
                )


@contextmanager
def opened_stranger(path: Path) -> Iterator[Stranger]:
    """Open a history from elsewhere to read it.

    Notes
    -----
    After SQLite's advice for files that one did not write oneself (sqlite.org/security.html): nothing in its schema is
    trusted, cells are checked and no longer than ours can be.
    """
    with closing(sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True)) as database:
        database.row_factory = sqlite3.Row
        database.text_factory = text_of
        database.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, LONGEST_CELL)
        for setting in ("trusted_schema = OFF", "cell_size_check = ON", "query_only = ON", "mmap_size = 0"):
            database.execute(f"PRAGMA {setting}")
        if defensive := getattr(sqlite3, "SQLITE_DBCONFIG_DEFENSIVE", None):  # since Python 3.12
            getattr(database, "setconfig")(defensive, True)  # noqa: B009 - unknown to the types of Python 3.11
        yield Stranger(database, path)
