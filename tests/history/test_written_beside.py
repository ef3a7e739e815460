"""A copy, an export, a report has its name when it is whole: a writer that is killed leaves nothing under it."""

from __future__ import annotations

import os
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest
from history_player import add, made_reps, made_session

import drilltimer.history.connect as connecting
from drilltimer.errors import HistoryError
from drilltimer.history.connect import FILE_NAME, written_beside
from drilltimer.history.export import back_up, copies_beside, export_history
from drilltimer.history.schema import MIGRATIONS, SCHEMA
from drilltimer.history.store import History

KILLED = """
import os, sys
import drilltimer.history.connect as connecting
connecting._take_name = lambda part, target: os._exit(9)
from drilltimer.cli import main
sys.argv = ["drilltimer", *sys.argv[1:]]
main()
"""


@pytest.fixture
def history(tmp_path: Path) -> Iterator[History]:
    with History(tmp_path / FILE_NAME) as kept:
        add(kept, made_session(), made_reps())
        yield kept


@pytest.mark.parametrize(
    "arguments", ["backup copy.sqlite", "export out.json", "export out.csv", "report Kim -o out.html"]
)
def test_a_writer_that_is_killed_leaves_nothing_under_the_name(
    tmp_path: Path, history: History, arguments: str
) -> None:
    before = {each.name for each in tmp_path.iterdir()}
    command = [sys.executable, "-c", KILLED, *arguments.split()]
    environment = os.environ | {"DRILLTIMER_HOME": str(tmp_path), "PYTHONPATH": str(Path(__file__).parents[2])}
    killed = subprocess.run(command, cwd=tmp_path, env=environment, capture_output=True, timeout=120)
    assert killed.returncode == 9, killed.stderr
    (left,) = {each.name for each in tmp_path.iterdir()} - before
    assert left.endswith(".part")
    assert tmp_path / left in copies_beside(history.path)  # which tells whoever forgets a player
    if os.name == "posix":
        assert (tmp_path / left).stat().st_mode & 0o077 == 0


def test_a_migration_whose_copy_cannot_be_kept_changes_nothing(
    tmp_path: Path, history: History, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(part: Path, target: Path) -> None:
        raise OSError(28, "No space left on device")

    history.close()
    monkeypatch.setattr(connecting, "MIGRATIONS", (*MIGRATIONS, "ALTER TABLE players ADD COLUMN club TEXT"))
    monkeypatch.setattr(connecting, "SCHEMA", SCHEMA + 1)
    monkeypatch.setattr(connecting, "_take_name", full)
    with pytest.raises(HistoryError, match="cannot be copied before it is brought up to date: No space left"):
        History(history.path)
    with closing(sqlite3.connect(history.path)) as database:
        assert database.execute("PRAGMA user_version").fetchone()[0] == SCHEMA
    assert copies_beside(history.path) == []


def test_a_name_that_was_taken_meanwhile_is_not_overwritten(tmp_path: Path) -> None:
    target = tmp_path / "out.txt"
    writing = written_beside(target)
    writing.__enter__().write_text("ours")
    target.write_text("theirs")
    with pytest.raises(FileExistsError):
        writing.__exit__(None, None, None)
    assert target.read_text() == "theirs"
    assert [each.name for each in tmp_path.iterdir()] == ["out.txt"]


def test_a_disk_without_links_takes_them_too(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refused(*_paths: object) -> None:
        raise PermissionError(1, "Operation not permitted")

    monkeypatch.setattr(os, "link", refused)
    with written_beside(tmp_path / "out.txt") as part:
        part.write_text("whole")
    assert [(each.name, each.read_text()) for each in tmp_path.iterdir()] == [("out.txt", "whole")]


def test_a_copy_and_an_export_are_whole_and_alone(tmp_path: Path, history: History) -> None:
    folder = tmp_path / "copies"
    folder.mkdir()
    back_up(history, folder / "copy.sqlite")
    export_history(history, folder / "out.json")
    assert {each.name for each in folder.iterdir()} == {"copy.sqlite", "out.json"}
    with History(folder / "copy.sqlite") as copy:
        assert len(list(copy.rows("SELECT 1 FROM reps"))) == len(made_reps())
