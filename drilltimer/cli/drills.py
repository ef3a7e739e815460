"""`drilltimer drills`: what can be practised."""

from __future__ import annotations

import json

import click

from drilltimer.cli.common import json_option, note, print_lines


@click.command()
@json_option
def drills(as_json: bool) -> None:
    """List the shipped drills and your own."""
    from drilltimer.app.catalogue import catalogue
    from drilltimer.audio.files import user_folder
    from drilltimer.ui.lines import table

    entries = catalogue()
    if as_json:
        click.echo(json.dumps([entry.document() for entry in entries]))
        return
    rows = [(entry.name, entry.length, entry.landings, entry.mode, entry.summary) for entry in entries]
    print_lines(table(rows, ("name", "length", "landings", "mode", "what")))
    note(f"Your own drills belong in {user_folder('drills')}")
