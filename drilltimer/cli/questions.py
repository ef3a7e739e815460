"""Questions at the terminal, before sound runs: words and numbers.

A question is written here, not by `input`, whose prompt goes to file descriptor 2 where no line editor is loaded: that
descriptor is kept quiet while a sound card is open, and nobody would see what is waited for.
"""

from __future__ import annotations

import click

from drilltimer.cli.common import Number, note


def ask(question: str) -> str:
    """The answer to a question without blanks around it; on stderr, so that results may go elsewhere.

    Raises
    ------
    KeyboardInterrupt
        Ctrl-C, or nothing can be typed any more.
    """
    note(f"{question}: ", ends=False)
    try:
        return input().strip()
    except (EOFError, KeyboardInterrupt):
        note("")  # what is told next begins a line of its own
        raise KeyboardInterrupt from None


def ask_number(question: str, usual: float, kind: Number) -> float:
    """The number that is typed, with a point or a comma; asked anew until it can be one. Enter takes the usual one."""
    while answer := ask(f"{question} [{usual:g}]"):
        try:
            return kind.convert(answer.replace(",", "."), None, None)
        except click.UsageError as fault:
            note(fault.message)
    return usual
