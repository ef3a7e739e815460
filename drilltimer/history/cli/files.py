"""The history and its files: reports, exports, imports, copies; and what is deleted."""

from __future__ import annotations

import os
import re
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import click

from drilltimer.cli.options import completed, player_names
from drilltimer.cli.terminal import INTERRUPTED, ask, note, note_some, print_lines
from drilltimer.units import count_of

if TYPE_CHECKING:
    from drilltimer.history.entries import SessionEntry
    from drilltimer.history.store import History


def target_names() -> list[str]:
    """Players, and the latest sessions by number, for the shell's tab key."""
    from drilltimer.history.run import target_names

    return target_names()


@contextmanager
def opened_history(*, make: bool = False) -> Iterator[History]:
    """The history, opened; what of it is damaged and was left out is told at the end."""
    from drilltimer.history.run import open_history

    with open_history(make=make) as kept:
        try:
            yield kept
        finally:
            note_some(kept.left_out)


@click.command()
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False), required=False)
def backup(file: Path | None) -> None:
    """Copy the history to FILE (or beside itself, with the date), also while a session is running.

    To go back to a copy, move the present history away and put the copy in its place, or 'drilltimer import' it.
    """
    from drilltimer.history.export import back_up

    with opened_history() as kept:
        target = back_up(kept, file)
    print_lines([f"copied to {target}, and the copy was checked"])


@click.command()
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False))
@click.option("--player", metavar="NAME", shell_complete=completed(player_names, files=False), help="Only this player.")
@click.option(
    "--short", is_flag=True, help="A row per session, for a spreadsheet: .csv, which cannot be imported again."
)
def export(file: Path, player: str | None, short: bool) -> None:
    """Write the history to FILE: .csv (one row per rep, units in the header) or .json.

    Both can be imported on another computer; a session without reps is in the .json alone. Nothing is overwritten.
    """
    from drilltimer.history.export import export_history, export_short

    with opened_history() as kept:
        if short:
            written = f"{count_of(export_short(kept, file, player), 'session')} written to {file}"
        else:
            sessions, reps = export_history(kept, file, player)
            written = f"{count_of(sessions, 'session')}, {count_of(reps, 'rep')} written to {file}"
    note(f"{written}. It is about people: keep it as you keep their addresses.")


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


@click.command()
@click.argument("target", metavar="PLAYER|SESSION", shell_complete=completed(target_names, files=False))
@click.option(
    "-o",
    "--output",
    "file",
    type=click.Path(path_type=Path, dir_okay=False),
    help="When left out, PLAYER-DATE.html here.",
)
def report(target: str, file: Path | None) -> None:
    """Write a report on a SESSION (its number), or on PLAYER's latest test block, as one HTML file.

    It needs no network and no other file, prints on two pages, and is readable on a phone. Nothing is overwritten.
    """
    from drilltimer.history.export import new_file
    from drilltimer.history.queries import find_target
    from drilltimer.history.report import chosen_session, render_report

    with opened_history() as kept:
        entry = chosen_session(kept, find_target(kept, target))
        file = file or _free_path(entry)
        with new_file(file) as page:
            page.write(render_report(kept, entry))
    note(f"report on session {entry.number}, player {entry.player} ({entry.drill}) written to {file}")


def _free_path(entry: SessionEntry) -> Path:
    """Under the player's name and the day, in the working folder; the session's number is added where that is taken."""
    from drilltimer.history.days import here

    player = re.sub(r"[^\w-]+", "-", entry.player).strip("-") or "player"
    path = Path(f"{player}-{here(entry.started_utc)[:10]}.html")
    return path.with_stem(f"{path.stem}-session-{entry.number}") if os.path.lexists(path) else path


@click.command()
@click.argument("player", required=False, shell_complete=completed(player_names, files=False))
@click.option("--yes", is_flag=True, help="Do not ask.")
@click.option("--sweep", is_flag=True, help="Only wipe traces that an interrupted 'forget' left.")
def forget(player: str | None, yes: bool, sweep: bool) -> None:
    """Delete PLAYER and every session of theirs from the history, and overwrite the freed space.

    Exports, backups and recordings that were made are files of their own: they are not touched, and those that lie
    beside the history are named.
    """
    from drilltimer.history.export import copies_beside
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
    """Go on after a yes alone; everything else ends the program and says so, with an error where nobody can answer."""
    code = 0
    try:
        if ask(question).casefold() in ("y", "yes"):
            return
    except KeyboardInterrupt:
        code = INTERRUPTED
    note("nothing was deleted; --yes deletes without asking")
    sys.exit(code)
