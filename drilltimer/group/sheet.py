"""The sheet of a group session: one page to print, or CSV; every player with what to practise, in the list's order."""

from __future__ import annotations

import csv
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path

from drilltimer import __version__
from drilltimer.errors import HistoryError
from drilltimer.group.conduct import GroupSession
from drilltimer.group.scoreboard import together
from drilltimer.history.advice import advise
from drilltimer.history.compare import counted
from drilltimer.history.days import here
from drilltimer.history.entries import RepEntry
from drilltimer.history.export import new_file, safe_cell
from drilltimer.history.journal import now_utc
from drilltimer.model import Mode, Scores
from drilltimer.score.stats import summarize
from drilltimer.ui.wording import Wording

COLUMNS = (
    "player", "reps", "timed", "missed", "void", "in_window_percent", "constant_error_ms", "variable_error_ms",
    "mean_stagger_ms", "practise", "drill",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class SheetRow:
    """A player's line: scores, what to practise, and the drill for it."""

    player: str
    scores: Scores
    practise: str
    drill: str


@dataclass(frozen=True, slots=True)
class GroupSheet:
    """All that a sheet tells, before it becomes a page or a table.

    Parameters
    ----------
    texts : mapping
        What the page says, by key.
    moves : tuple of (float, str, bool)
        Who was taken out (False) or brought in, and when, in seconds from the start.
    together : str
        The estimate of the whole group, "" where there is none.
    """

    plan: str
    started_utc: str
    rows: tuple[SheetRow, ...]
    unscored: tuple[str, ...]
    texts: Mapping[str, str]
    moves: tuple[tuple[float, str, bool], ...] = ()
    together: str = ""
    simulated: bool = False
    ranking: bool = False


def make_rows(
    players: Sequence[tuple[str, Sequence[RepEntry]]], wording: Wording, *, ranking: bool = False
) -> tuple[SheetRow, ...]:
    """Rows of all players with reps, in the order given; with `ranking` by their share in the window."""
    rows = []
    for player, entries in players:
        modes: tuple[Mode, ...] = ("predictive", "reactive")
        own = [each for mode in modes for each in counted(entries, mode)]
        if not own:
            continue
        scores = summarize(each.verdict for each in own)
        first = advise(own, scores, own[0].rep.mode)[0]
        rows.append(SheetRow(player, scores, wording.tell(first.text), first.drill))
    if ranking:
        rows.sort(key=lambda row: -(row.scores.in_window_share or 0.0))
    return tuple(rows)


def write_sheet(sheet: GroupSheet, path: Path) -> None:
    """Write a sheet as .html or .csv.

    Raises
    ------
    HistoryError
        The suffix is neither, the file is there already, or cannot be written.
    """
    refuse_path(path)
    suffix = path.suffix.lower()
    with new_file(path) as file:
        if suffix == ".html":
            file.write(render_sheet(sheet))
            return
        writer = csv.writer(file)
        writer.writerow(COLUMNS)
        for row in sheet.rows:
            writer.writerow([safe_cell(value) for value in _cells(row)])


def refuse_path(path: Path) -> None:
    """Say at once, before a session, what would be wrong with a sheet's file at its end."""
    if path.suffix.lower() not in (".html", ".csv"):
        raise HistoryError(f"{path}: a group sheet ends in .html or .csv", fix="Choose one of the two.")
    if os.path.exists(path):
        raise HistoryError(f"{path}: is there already", fix="Nothing is overwritten: name another file.")
    if not os.path.isdir(path.absolute().parent):
        raise HistoryError(f"{path}: there is no folder {path.parent}", fix="Make it, or name another one.")


def render_sheet(sheet: GroupSheet) -> str:
    """The sheet as HTML; every text is escaped, nothing is loaded."""
    from jinja2 import Environment, StrictUndefined

    environment = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    template = environment.from_string(files(__package__).joinpath("sheet.html.j2").read_text(encoding="utf-8"))
    return template.render(sheet=sheet, t=sheet.texts, began=here(sheet.started_utc), version=__version__)


def _cells(row: SheetRow) -> list[str | float | None]:
    """Numbers as numbers: as text, a minus would be taken for the beginning of a formula and quoted."""
    scores = row.scores

    def rounded(value: float | None) -> float | None:
        return None if value is None else round(value, 1) + 0.0  # + 0.0 turns a rounded -0.0 into 0.0

    share = None if scores.in_window_share is None else round(100 * scores.in_window_share)
    return [
        row.player,
        scores.n,
        scores.timed,
        scores.missed,
        scores.void,
        share,
        rounded(scores.constant_error_ms),
        rounded(scores.variable_error_ms),
        rounded(scores.mean_stagger_ms),
        row.practise,
        row.drill,
    ]


def sheet_of(session: GroupSession, wording: Wording, *, ranking: bool, simulated: bool) -> GroupSheet:
    """Every player with scores and advice in the user's language, in the plan's order unless a ranking is asked for."""
    players = []
    for number, player in enumerate(session.plan.players):
        own = [RepEntry(each.rep, each.verdict) for each in session.results if each.player == number]
        players.append((player.name, own))
    rows = make_rows(players, wording, ranking=ranking)
    named = {row.player for row in rows}
    unscored = tuple(name for name, _ in players if name not in named)
    moves = tuple((move.at_s, move.player, move.inside) for move in session.roster.moves)
    all_of_them = wording.tell(together(session))
    return GroupSheet(
        session.plan.name, now_utc(), rows, unscored, wording.section("sheet"), moves, all_of_them, simulated, ranking
    )
