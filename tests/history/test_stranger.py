"""A database that was made to do harm hangs nothing, fills no memory, and obeys Ctrl-C."""

from __future__ import annotations

import _thread
import sqlite3
import threading
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest
from history_player import add, made_reps, made_session

from drilltimer.errors import HistoryError
from drilltimer.history import queries, stranger
from drilltimer.history.connect import MARK, DamagedHistoryError
from drilltimer.history.intake import import_history
from drilltimer.history.store import History
from drilltimer.history.stranger import opened_stranger

ENDLESS = "WITH RECURSIVE t(n) AS (SELECT 1 UNION ALL SELECT n + 1 FROM t) SELECT n FROM t"


@pytest.fixture
def crafted(tmp_path: Path) -> Path:
    path = tmp_path / "crafted.sqlite"
    with History(path) as kept:
        add(kept, made_session(uid="a"), made_reps())
        add(kept, made_session(uid="b"), made_reps(seed=1))
        kept.database.execute("PRAGMA journal_mode = DELETE")
    return path


@pytest.fixture
def ours(tmp_path: Path) -> Iterator[History]:
    with History(tmp_path / "ours.sqlite") as kept:
        yield kept


def craft(path: Path, script: str) -> None:
    with closing(sqlite3.connect(path)) as database:
        database.executescript(script)


@pytest.mark.parametrize("table", ["players", "sessions", "blocks", "reps"])
def test_a_table_that_is_a_view_is_refused(crafted: Path, ours: History, table: str) -> None:
    craft(crafted, f"ALTER TABLE {table} RENAME TO x; CREATE VIEW {table} AS SELECT * FROM x, ({ENDLESS});")
    with pytest.raises(HistoryError, match=f"its {table} are no plain table"):
        import_history(ours, crafted)
    assert list(queries.players(ours)) == []


def test_a_table_with_computed_columns_is_refused(crafted: Path, ours: History) -> None:
    craft(crafted, "ALTER TABLE reps ADD COLUMN more TEXT AS (hex(zeroblob(400000000))) VIRTUAL;")
    with pytest.raises(HistoryError, match="its reps are no plain table"):
        import_history(ours, crafted)


def test_a_virtual_table_is_refused(crafted: Path, ours: History) -> None:
    try:
        craft(crafted, "DROP TABLE blocks; CREATE VIRTUAL TABLE blocks USING fts5(session, number);")
    except sqlite3.OperationalError as fault:
        pytest.skip(f"this SQLite has no virtual tables: {fault}")
    with pytest.raises(HistoryError, match="its blocks are no plain table"):
        import_history(ours, crafted)


def test_a_database_of_another_program_is_refused(crafted: Path, ours: History) -> None:
    craft(crafted, f"PRAGMA application_id = {MARK + 1};")
    with pytest.raises(HistoryError, match="a database of another program"):
        import_history(ours, crafted)
    craft(crafted, f"PRAGMA application_id = {MARK}; DROP TABLE reps;")
    with pytest.raises(HistoryError, match="has no table 'reps'"):
        import_history(ours, crafted)


def test_a_cell_that_would_fill_the_memory_costs_its_session_alone(crafted: Path, ours: History) -> None:
    craft(crafted, "UPDATE reps SET cues = zeroblob(50000000) WHERE session = 1 AND rep = 3;")
    done = import_history(ours, crafted)
    assert done.added == 1
    assert "some sessions could not be read: string or blob too big" in done.damage
    assert [line.number for line in queries.session_lines(ours)] == [1]
    assert queries.session(ours, 1).uid == "b"


@pytest.mark.parametrize("change", ["sessions RENAME COLUMN uid TO uie", "reps RENAME COLUMN grade TO grape"])
def test_a_column_that_is_called_otherwise_is_told(crafted: Path, ours: History, change: str) -> None:
    craft(crafted, f"ALTER TABLE {change};")
    done = import_history(ours, crafted)
    assert done.added == (2 if "reps" in change else 0)
    assert "left out" in " ".join(done.left_out)


def test_damage_that_sqlite_cannot_tell_in_letters_is_told(crafted: Path, ours: History) -> None:
    """Its message quotes the bytes that it stumbles over, and Python takes them for text."""
    damaged = crafted.read_bytes().replace(b"centre_ms REAL", b"0\x80ntre_ms REAL")
    crafted.write_bytes(damaged)
    with pytest.raises(HistoryError, match="is no history, or is damaged beyond reading"):
        import_history(ours, crafted)
    with pytest.raises(DamagedHistoryError, match="the history is damaged"):
        History(crafted)


def test_more_reps_than_a_session_can_have_are_refused(
    crafted: Path, ours: History, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(stranger, "MOST_OF_ONE", 10)
    with opened_stranger(crafted) as opened:
        rows = opened.rows("SELECT * FROM reps", most=10)
        with pytest.raises(HistoryError, match="more than 10 rows"):
            list(rows)
        assert len(list(opened.rows("SELECT * FROM sessions", most=2))) == 2


def test_a_question_without_end_is_given_up(crafted: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(stranger, "MOST_TICKS", 50)
    with opened_stranger(crafted) as opened:
        with pytest.raises(HistoryError, match="it takes without end to read"):
            list(opened.rows(f"SELECT count(*) FROM ({ENDLESS})"))
        opened.begin()
        assert len(list(opened.rows("SELECT * FROM sessions"))) == 2


def test_a_question_without_end_obeys_ctrl_c(crafted: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(stranger, "MOST_TICKS", 10**9)
    pressed = threading.Timer(0.3, _thread.interrupt_main)
    with opened_stranger(crafted) as opened:
        pressed.start()
        with pytest.raises(KeyboardInterrupt):
            list(opened.rows(f"SELECT count(*) FROM ({ENDLESS})"))
    pressed.join()


def test_nothing_is_written_into_it(crafted: Path, ours: History) -> None:
    before = crafted.read_bytes()
    import_history(ours, crafted)
    assert crafted.read_bytes() == before
    with opened_stranger(crafted) as opened, pytest.raises(sqlite3.OperationalError, match="readonly"):
        list(opened.rows("DELETE FROM reps"))
