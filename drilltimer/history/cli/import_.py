"""`drilltimer import`: another computer's history, merged into this one."""

from __future__ import annotations

from pathlib import Path

import click

from drilltimer.cli.common import note, note_some, print_lines
from drilltimer.history.cli.common import opened_history
from drilltimer.units import count_of


@click.command("import")
@click.argument("file", type=click.Path(path_type=Path))
def import_(file: Path) -> None:
    """Merge FILE, an export (.csv, .json) or another history database, into this history.

    Sessions that are here already are not doubled. Where the two disagree, this computer's stays and the conflict is
    told. From a damaged database, what can be read is taken.
    """
    from drilltimer.history.intake import import_history

    with opened_history(make=True) as kept:
        done = import_history(kept, file)
    lines = [f"{count_of(done.added, 'session')} added, {done.completed} completed, {done.known} known already"]
    print_lines(lines + [f"conflict: {each}" for each in done.conflicts])
    note_some(done.left_out)
    if done.damage:
        note(done.damage)
