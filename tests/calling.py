"""The program, called in this process."""

from __future__ import annotations

from click.testing import CliRunner

from drilltimer.cli import main


def call(*arguments, code=0):
    """Run the program in this process; anything but a clean exit is a failure of the test."""
    answer = CliRunner().invoke(main, [str(argument) for argument in arguments])
    assert answer.exception is None or isinstance(answer.exception, SystemExit), answer.exc_info
    assert answer.exit_code == code, answer.output
    assert "Traceback" not in answer.output
    return answer
