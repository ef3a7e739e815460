"""`drilltimer backup`: a checked copy of the history."""

from __future__ import annotations

from pathlib import Path

import click

from drilltimer.cli.common import print_lines
from drilltimer.history.cli.common import opened_history


@click.command()
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False), required=False)
def backup(file: Path | None) -> None:
    """Copy the history to FILE (or beside itself, with the date), also while a session is running.

    To go back to a copy, move the present history away and put the copy in its place, or 'drilltimer import' it.
    """
    from drilltimer.history.backup import back_up

    with opened_history() as kept:
        target = back_up(kept, file)
    print_lines([f"copied to {target}, and the copy was checked"])
