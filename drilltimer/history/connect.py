"""Opening the history's file, and what is said and done when that goes wrong."""

from __future__ import annotations

import errno
import os
import sqlite3
import time
import uuid
from collections.abc import Iterator
from contextlib import closing, contextmanager
from datetime import UTC, datetime
from pathlib import Path

from drilltimer.errors import HistoryError, notice
from drilltimer.history.schema import MIGRATIONS, SCHEMA

FILE_NAME = "history.sqlite"
TRY_EVERY_S = 0.02
WAIT_S = 5.0  # for another program's write; a rep's takes milliseconds
MARK = 0x44524C54  # "DRLT" in the header: SQLite's application_id, so that no other program's file is taken for ours
PART_ENDING = ".part"  # of a file that is being written
SIDE_FILES = ("", "-wal", "-shm")
FAULTS = (sqlite3.Error, UnicodeDecodeError)  # the latter where SQLite's own message quotes what is no text
_DAMAGE = (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)


class DamagedHistoryError(HistoryError):
    """The file is no longer a sound database."""


@contextmanager
def told(path: Path) -> Iterator[None]:
    """Tell SQLite's errors as the history's own, in words."""
    try:
        yield
    except FAULTS as fault:
        raise explain(fault, path) from fault


def explain(fault: sqlite3.Error | UnicodeDecodeError, path: Path) -> HistoryError:
    """What SQLite's error means for the user."""
    code = (getattr(fault, "sqlite_errorcode", None) or 0) & 0xFF  # the lowest byte is the error, the rest its detail
    if code in _DAMAGE or isinstance(fault, UnicodeDecodeError):
        return DamagedHistoryError(
            f"{path}: the history is damaged: {fault}",
            why="The disk failed, or another program wrote into the file.",
            fix="The next session sets it aside and begins a new one; 'drilltimer import' fetches what can be read.",
        )
    if code in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
        return HistoryError(
            f"{path}: another program holds the history",
            why="A second drilltimer, a backup program or a database browser is writing to it.",
            fix="Close it, then try again.",
        )
    if code == sqlite3.SQLITE_FULL:
        return HistoryError(notice("disk_full", file=str(path)), why=notice("nothing_more"), fix=notice("free_space"))
    if code in (sqlite3.SQLITE_READONLY, sqlite3.SQLITE_PERM, sqlite3.SQLITE_CANTOPEN):
        return HistoryError(
            f"{path}: the history cannot be opened for writing: {fault}",
            why="The folder or the file is not yours to write to, or the disk is read-only.",
            fix="Mend its permissions, or name another folder in DRILLTIMER_HOME.",
        )
    return HistoryError(f"{path}: the history cannot be used: {fault}", fix="Is the disk in order, and not full?")


def connect(path: Path, *, wait_s: float = WAIT_S) -> sqlite3.Connection:
    """Open the history, brought up to date; makes the file and its folder where they are missing.

    Raises
    ------
    HistoryError
        Newer than this program, locked, not writable, not a history at all; `DamagedHistoryError` when damaged.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.touch(mode=0o600)  # about people: for nobody else's eyes
    except OSError as fault:
        raise HistoryError(
            f"{path}: the history cannot be opened for writing: {fault.strerror or fault}",
            why="The folder or the file is not yours to write to, or the disk is read-only or full.",
            fix="Mend its permissions, or name another folder in DRILLTIMER_HOME.",
        ) from fault
    with told(path):
        database = sqlite3.connect(path, timeout=wait_s, isolation_level=None)
    try:
        with told(path):
            _prepare(database, path, wait_s)
    except BaseException:
        database.close()
        raise
    return database


def _prepare(database: sqlite3.Connection, path: Path, wait_s: float) -> None:
    _check_kin(database, path)
    database.execute("PRAGMA foreign_keys = ON")
    database.execute("PRAGMA secure_delete = ON")  # what is forgotten is overwritten, not only unlinked
    _keep_log(database, wait_s)
    database.execute("PRAGMA synchronous = FULL")  # a committed rep outlives a power cut
    if _version(database) < SCHEMA:
        _migrate(database, path)


def _keep_log(database: sqlite3.Connection, wait_s: float) -> None:
    """Switch to a write-ahead log: readers then do not hinder the session that writes.

    SQLite does not wait for others here, so that two programs that open a new file at once would refuse each other.
    """
    ends_s = time.monotonic() + wait_s
    while database.execute("PRAGMA journal_mode").fetchone()[0] != "wal":
        try:
            database.execute("PRAGMA journal_mode = WAL")
        except sqlite3.OperationalError as fault:
            if fault.sqlite_errorcode & 0xFF != sqlite3.SQLITE_BUSY or time.monotonic() >= ends_s:
                raise
            time.sleep(TRY_EVERY_S)


def _check_kin(database: sqlite3.Connection, path: Path) -> None:
    """Refuse what is newer than this program, or somebody else's, before a byte of it is changed."""
    database.execute("BEGIN")  # one moment of the file: another program may be making its tables just now
    try:
        version = _version(database)
        mark = database.execute("PRAGMA application_id").fetchone()[0]
        tables = database.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]
    finally:
        if database.in_transaction:
            database.execute("ROLLBACK")
    if tables and mark != MARK:
        raise HistoryError(
            f"{path}: is a database of another program",
            fix="Move it elsewhere, or name another folder in DRILLTIMER_HOME.",
        )
    if version > SCHEMA:
        raise HistoryError(
            f"{path}: was written by a newer drilltimer (schema {version}; this one knows {SCHEMA})",
            why="It would lose what it does not know.",
            fix="Update drilltimer. Nothing was changed.",
        )


def _version(database: sqlite3.Connection) -> int:
    return int(database.execute("PRAGMA user_version").fetchone()[0])


def _migrate(database: sqlite3.Connection, path: Path) -> None:
    """Bring the tables up to date in one transaction; a copy of an older file is kept beside it."""
    if _version(database):
        try:
            copy_database(database, free_name(path, f"before-schema-{SCHEMA}"))
        except OSError as fault:
            raise HistoryError(
                f"{path}: cannot be copied before it is brought up to date: {fault.strerror or fault}",
                why="The folder is not yours to write to, or the disk is full.",
                fix="Mend that, then try again. Nothing was changed.",
            ) from fault
    database.execute("BEGIN EXCLUSIVE")
    try:
        for version in range(_version(database), SCHEMA):  # asked again: another program may have been faster
            for statement in MIGRATIONS[version].split(";"):
                if statement.strip():
                    database.execute(statement)
        database.execute(f"PRAGMA application_id = {MARK}")
        database.execute(f"PRAGMA user_version = {SCHEMA}")
        database.execute("COMMIT")
    except BaseException:
        database.execute("ROLLBACK")
        raise


def copy_database(database: sqlite3.Connection, target: Path) -> None:
    """Copy a database as it is at this moment, while others may go on writing to it; checks the copy.

    It gets its name when it is whole and on the disk: what bears the name is never half a copy.

    Raises
    ------
    FileExistsError, OSError
        The name is taken, or nothing can be written there.
    """
    with written_beside(target) as part, closing(sqlite3.connect(part)) as copy:
        database.backup(copy)
        copy.execute("PRAGMA journal_mode = DELETE")  # one file, to be carried about
        if (verdict := copy.execute("PRAGMA integrity_check").fetchone()[0]) != "ok":
            raise DamagedHistoryError(f"{target}: the copy is damaged: {verdict}")


@contextmanager
def written_beside(target: Path) -> Iterator[Path]:
    """A new file to write into, which gets the name `target` when it is whole and is gone when writing it fails.

    Raises
    ------
    FileExistsError, OSError
        The name is taken, now or at the end, or nothing can be written there.
    """
    if os.path.lexists(target):
        raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), str(target))
    part = target.with_name(f".{uuid.uuid4().hex[:8]}{PART_ENDING}")  # short: the target's own name may be the longest
    try:
        os.close(os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600))  # about people: for nobody else's eyes
        yield part
        _take_name(part, target)
    finally:
        part.unlink(missing_ok=True)


def _take_name(part: Path, target: Path) -> None:
    """Give a file its name, unless another file got it meanwhile."""
    with part.open("rb+") as file:
        os.fsync(file.fileno())
    try:
        os.link(part, target)  # unlike a renaming it takes no other file's place
    except FileExistsError:
        raise
    except OSError:  # a disk without links, as sticks have
        if os.path.lexists(target):
            raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), str(target)) from None
        part.rename(target)


def free_name(path: Path, addition: str) -> Path:
    """A name beside `path` that is not taken: nothing is ever overwritten."""
    stamp = datetime.now(UTC).strftime("%Y%m%d-%H%M%S")
    target = path.with_name(f"{path.stem}.{addition}-{stamp}{path.suffix}")
    count = 1
    while any(os.path.exists(target.with_name(target.name + side)) for side in SIDE_FILES):
        count += 1
        target = path.with_name(f"{path.stem}.{addition}-{stamp}-{count}{path.suffix}")
    return target


def set_aside(path: Path) -> Path:
    """Move a damaged history out of the way, with its side files, and answer where to."""
    target = free_name(path, "damaged")
    try:
        for side in SIDE_FILES:
            piece = path.with_name(path.name + side)
            if os.path.exists(piece):
                piece.rename(target.with_name(target.name + side))
    except OSError as fault:
        raise HistoryError(
            f"{path}: is damaged and cannot be moved aside: {fault.strerror or fault}",
            why="Another program may have it open.",
            fix="Move it elsewhere by hand.",
        ) from fault
    return target
