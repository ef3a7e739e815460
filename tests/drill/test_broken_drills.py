"""Broken drill files and, word for word, what a coach reads about each; after a change of wording look at every one.

`DRILLTIMER_UPDATE_BROKEN=1` writes the answers anew, for a person to read before they are committed.
"""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from click.testing import CliRunner

from drilltimer.cli import main

FOLDER = Path(__file__).parents[1] / "data" / "broken"
BROKEN = sorted(path.name for path in FOLDER.glob("*.yaml"))


@pytest.mark.parametrize("name", BROKEN)
def test_a_broken_drill_is_told_word_for_word(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(FOLDER)
    answer = CliRunner().invoke(main, ["drills", "check", name])
    expected = FOLDER / name.replace(".yaml", ".txt")
    if os.environ.get("DRILLTIMER_UPDATE_BROKEN"):
        expected.write_text(answer.stderr, encoding="utf-8")
    assert answer.stderr == expected.read_text(encoding="utf-8")
    assert (answer.exit_code, answer.stdout) == (2, "")


def test_there_are_ten_and_all_are_told_in_one_call(monkeypatch: pytest.MonkeyPatch) -> None:
    assert len(BROKEN) >= 10
    monkeypatch.chdir(FOLDER)
    answer = CliRunner().invoke(main, ["drills", "check", *BROKEN])
    assert answer.exit_code == 2
    assert answer.stderr == "".join((FOLDER / name.replace(".yaml", ".txt")).read_text("utf-8") for name in BROKEN)


@pytest.mark.parametrize("name", BROKEN)
def test_a_broken_drill_is_not_run_either(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(FOLDER)
    answer = CliRunner().invoke(main, ["run", name, "--simulate", "club", "--speed", "0"])
    assert answer.exit_code == 2
    assert answer.stderr == "drilltimer: " + (FOLDER / name.replace(".yaml", ".txt")).read_text(encoding="utf-8")
