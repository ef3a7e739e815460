"""`drilltimer forget`: a player, deleted for good."""

from __future__ import annotations

import sys

import click

from drilltimer.cli.common import INTERRUPTED, note, print_lines
from drilltimer.cli.questions import ask
from drilltimer.history.cli.common import opened_history
from drilltimer.units import count_of


@click.command()
@click.argument("player", required=False)
@click.option("--yes", is_flag=True, help="Do not ask.")
@click.option("--sweep", is_flag=True, help="Only wipe traces that an interrupted 'forget' left.")
def forget(player: str | None, yes: bool, sweep: bool) -> None:
    """Delete PLAYER and every session of theirs from the history, and overwrite the freed space.

    Exports, backups and recordings that were made are files of their own: they are not touched, and those that lie
    beside the history are named.
    """
    from drilltimer.history.backup import copies_beside
    from drilltimer.history.queries import count_sessions, find_player
    from drilltimer.history.run import history_path

    with opened_history() as kept:
        if sweep:
            kept.sweep()
            note("traces of what was deleted are wiped")
            return
        if player is None:
            raise click.UsageError("Missing argument 'PLAYER'.")
        name = find_player(kept, player).name
        count = count_sessions(kept, name)
        if not yes:
            _make_sure(f"Delete player {name} and {count_of(count, 'session')}? This cannot be undone. [y/N]")
        kept.forget(name)
    print_lines([f"player {name} and {count_of(count, 'session')} are deleted from {history_path()}."])
    note(
        "Not touched: exports, backups, reports and recordings that were made of this player, on this computer or "
        "given away. A disk that moves data by itself (SSD) may keep old blocks for a while."
    )
    for copy in copies_beside(history_path()):
        note(f"may hold the player still: {copy}")


def _make_sure(question: str) -> None:
    """Go on after a yes alone; everything else, nothing to be read too, ends the program and says so."""
    try:
        sure = ask(question).casefold() in ("y", "yes")
    except KeyboardInterrupt:
        sure = False
    if not sure:
        note("nothing was deleted; --yes deletes without asking")
        sys.exit(INTERRUPTED)
