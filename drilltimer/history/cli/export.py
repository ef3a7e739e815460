"""`drilltimer export`: the history, to take along or to look at with other programs."""

from __future__ import annotations

from pathlib import Path

import click

from drilltimer.cli.common import note
from drilltimer.history.cli.common import opened_history
from drilltimer.units import count_of


@click.command()
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False))
@click.option("--player", metavar="NAME", help="Only this player.")
def export(file: Path, player: str | None) -> None:
    """Write the history to FILE: .csv (one row per rep, units in the header) or .json.

    Both can be imported on another computer; a session without reps is in the .json alone. Nothing is overwritten.
    """
    from drilltimer.history.export import export_history

    with opened_history() as kept:
        sessions, reps = export_history(kept, file, player)
    written = f"{count_of(sessions, 'session')}, {count_of(reps, 'rep')} written to {file}"
    note(f"{written}. It is about people: keep it as you keep their addresses.")
