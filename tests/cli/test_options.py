"""A command that is wrong itself is told as a usage error, with every version of the option parser there may be."""

from __future__ import annotations

import pytest
from click.testing import CliRunner

from drilltimer.cli import main


@pytest.mark.parametrize(
    ("line", "told"),
    [
        ("", "Usage:"),
        ("--no-such", "No such option"),
        ("no-such", "No such command"),
        ("run", "Missing argument"),
        ("run steady-contact --seed x", "is not a valid integer"),
        ("run steady-contact --seed -1", "is not in the range"),
        ("run steady-contact --distance nan", "is not a number"),
        ("run steady-contact --level pro", "is not one of"),
        ("run steady-contact extra", "unexpected extra argument"),
        ("score a.wav --jobs 2", "are for a folder"),
        ("group run", "Missing argument"),
        ("history --limit 0", "is not in the range"),
        ("forget", "Missing argument"),
    ],
)
def test_a_wrong_command_is_told_and_ends_with_2(
    line: str, told: str, tmp_path: object, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("DRILLTIMER_HOME", str(tmp_path))
    CliRunner().invoke(main, ["import", "nothing.json"])  # makes a history, without which nothing can be forgotten
    answer = CliRunner().invoke(main, line.split())
    assert isinstance(answer.exception, SystemExit), answer.exc_info
    assert answer.exit_code == 2
    assert told in answer.output
    assert "Traceback" not in answer.output
