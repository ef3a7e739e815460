"""The history: one SQLite file, written rep by rep while a session runs.

Every write is one transaction, so that whatever is killed leaves whole reps behind. Two programs may write at once:
each waits for the other's transaction, which lasts milliseconds.

`synchronous = FULL` and a transaction per rep cost 0.2 ms, and a power cut at most the rep being written. A session is
read back from the disk before it is called kept: SQLite does not notice a file that is damaged under an open
connection.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from drilltimer.errors import HistoryError
from drilltimer.history.connect import FAULTS, WAIT_S, DamagedHistoryError, connect, explain
from drilltimer.history.entries import (
    BLOCK_COLUMNS,
    REP_COLUMNS,
    SESSION_COLUMNS,
    Player,
    RepEntry,
    SessionEntry,
    block_row,
    clean_name,
    health_text,
    name_key,
    rep_row,
    session_row,
)
from drilltimer.model import Health
from drilltimer.ui.wording import english
from drilltimer.units import ms_from_s


class History:
    """One open file, and every way to write to it.

    Parameters
    ----------
    path : Path
        Made when missing.
    wait_s : float
        How long another program's transaction is waited for.

    Raises
    ------
    HistoryError
        From every method too: locked, damaged, disk full, newer than the program.

    Notes
    -----
    `left_out` gathers what was asked for and could not be used because the file holds it damaged, in words.
    """

    def __init__(self, path: Path, *, wait_s: float = WAIT_S) -> None:
        self.path = path
        self.left_out: list[str] = []
        self.database = connect(path, wait_s=wait_s)
        self.database.row_factory = sqlite3.Row
        self.database.text_factory = text_of

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the file; may be called twice."""
        self.database.close()

    def wait(self, wait_s: float) -> None:
        """How long another program's transaction is waited for from now on."""
        self.database.execute(f"PRAGMA busy_timeout = {round(ms_from_s(wait_s))}")

    def leave_out(self, what: str) -> None:
        """Note, once, what of the file is damaged and not used."""
        if what not in self.left_out:
            self.left_out.append(what)

    @contextmanager
    def transaction(self) -> Iterator[None]:
        """All or nothing of what is written inside. Transactions do not nest."""
        try:
            self.database.execute("BEGIN IMMEDIATE")
            try:
                yield
                self.database.execute("COMMIT")
            except BaseException:
                self._roll_back()
                raise
        except FAULTS as fault:
            raise explain(fault, self.path) from fault
        except (OverflowError, UnicodeEncodeError) as fault:  # a whole number beyond its integers, half a letter
            raise HistoryError(f"{self.path}: cannot keep one of the values: {fault}") from fault

    @contextmanager
    def snapshot(self) -> Iterator[None]:
        """All that is read inside is of one moment, whatever other programs write meanwhile; hinders none of them."""
        try:
            self.database.execute("BEGIN")
            try:
                self.database.execute(
                    "SELECT 1 FROM players LIMIT 1"
                ).fetchone()  # the moment is that of the first read
                yield
            finally:
                self._roll_back()
        except FAULTS as fault:
            raise explain(fault, self.path) from fault

    def rows(self, query: str, values: Iterable[Any] = ()) -> Iterator[sqlite3.Row]:
        """Rows of a query, one at a time."""
        try:
            yield from self.database.execute(query, tuple(values))
        except FAULTS as fault:
            raise explain(fault, self.path) from fault

    def add_player(self, player: Player) -> int:
        """Key of the player's row, which is made when missing; a known level or sport is never blanked."""
        with self.transaction():
            return self.put_player(player)

    def begin(self, entry: SessionEntry) -> int:
        """Write a session's beginning; answers its number."""
        with self.transaction():
            return self.put_session(entry)

    def add_reps(self, session: int, entries: Iterable[RepEntry]) -> None:
        """Write several reps at once."""
        with self.transaction():
            self.put_reps(session, entries)

    def end(self, session: int, ending: str, health: Health) -> None:
        """Write how a session ended."""
        with self.transaction():
            self.database.execute(
                "UPDATE sessions SET ending = ?, health = ? WHERE number = ?", (ending, health_text(health), session)
            )

    def replace_session(self, entry: SessionEntry, entries: Iterable[RepEntry]) -> int:
        """Write a whole session, in place of one with the same uid."""
        with self.transaction():
            self.database.execute("DELETE FROM sessions WHERE uid = ?", (entry.uid,))
            number = self.put_session(entry)
            self.put_reps(number, entries)
        return number

    # What stands in a transaction that the caller holds:

    def put_player(self, player: Player) -> int:
        """As `add_player`, inside a transaction."""
        row = self.database.execute(
            "INSERT INTO players (key, name, level, sport) VALUES (?, ?, ?, ?) ON CONFLICT (key) DO UPDATE SET "
            "level = coalesce(excluded.level, level), sport = coalesce(excluded.sport, sport) RETURNING id",
            (name_key(player.name), clean_name(player.name), player.level, player.sport),
        ).fetchone()
        return int(row["id"])

    def put_session(self, entry: SessionEntry) -> int:
        """As `begin`, inside a transaction."""
        player = self.put_player(Player(entry.player))
        row = {"player": player} | session_row(entry)
        number = self.database.execute(_insert("sessions", ("player", *SESSION_COLUMNS)), row).lastrowid
        blocks = [{"session": number} | block_row(block) for block in entry.blocks]
        self.database.executemany(_insert("blocks", ("session", *BLOCK_COLUMNS)), blocks)
        return int(number or 0)

    def put_reps(self, session: int, entries: Iterable[RepEntry]) -> None:
        """As `add_reps`, inside a transaction."""
        rows = ({"session": session} | rep_row(entry) for entry in entries)
        self.database.executemany(_insert("reps", ("session", *REP_COLUMNS), "OR REPLACE "), rows)

    def forget(self, name: str) -> int:
        """Delete a player and everything about them, for good; answers how many sessions that were.

        Notes
        -----
        `secure_delete` overwrites the freed pages, VACUUM rewrites the file without them, and the write-ahead log,
        which holds older copies of pages, is emptied.
        """
        key = name_key(name)
        found = next(self.rows("SELECT id FROM players WHERE key = ?", (key,)), None)
        if found is None:
            raise HistoryError(f"no player is called {name!r}", fix="'drilltimer history' lists the players.")
        count = next(self.rows("SELECT count(*) AS n FROM sessions WHERE player = ?", (found["id"],)))["n"]
        with self.transaction():
            self.database.execute("DELETE FROM players WHERE id = ?", (found["id"],))
        try:
            self.sweep()
        except HistoryError as fault:
            raise HistoryError(
                f"{name!r} was deleted, but the disk may still hold traces: {english().tell(fault.what)}",
                why=fault.why,
                fix="Close other programs that use the history, free some space, then run 'drilltimer forget --sweep'.",
            ) from fault
        return int(count)

    def check(self) -> None:
        """Look through the whole file; raises `DamagedHistoryError` when it is not sound."""
        found = next(self.rows("PRAGMA quick_check(1)"))[0]
        if found != "ok":
            raise DamagedHistoryError(f"{self.path}: the history is damaged: {found}")

    def sweep(self) -> None:
        """Rewrite the file without what was deleted, and empty the write-ahead log."""
        try:
            self.database.execute("VACUUM")
            busy = self.database.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()[0]
        except FAULTS as fault:
            raise explain(fault, self.path) from fault
        if busy:
            raise HistoryError(f"{self.path}: another program is reading the history", fix="Close it, then try again.")

    def _roll_back(self) -> None:
        if self.database.in_transaction:  # some errors, such as a full disk, have rolled back already
            self.database.execute("ROLLBACK")


def text_of(raw: bytes) -> str:
    """A column's text; bytes that are none become lone surrogates, by which `cells` knows that they are damage."""
    return raw.decode("utf-8", "surrogateescape")


def _insert(table: str, columns: tuple[str, ...], conflict: str = "") -> str:
    names, places = ", ".join(columns), ", ".join(f":{name}" for name in columns)
    return f"INSERT {conflict}INTO {table} ({names}) VALUES ({places})"
