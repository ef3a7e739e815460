"""`drilltimer report`: a page to show around."""

from __future__ import annotations

from pathlib import Path

import click

from drilltimer.cli.common import note
from drilltimer.history.cli.common import opened_history


@click.command()
@click.argument("target", metavar="PLAYER|SESSION")
@click.option("-o", "--output", "file", type=click.Path(path_type=Path, dir_okay=False), required=True)
def report(target: str, file: Path) -> None:
    """Write a report on a SESSION (its number), or on PLAYER's latest test block, as one HTML file.

    It needs no network and no other file, prints on two pages, and is readable on a phone. Nothing is overwritten.
    """
    from drilltimer.history.queries import find_target
    from drilltimer.history.report import write_report

    with opened_history() as kept:
        entry = write_report(kept, find_target(kept, target), file)
    note(f"report on session {entry.number}, player {entry.player} ({entry.drill}) written to {file}")
