"""The sheet of a group session, from what was scored in it."""

from __future__ import annotations

from drilltimer.group.conduct import GroupSession
from drilltimer.group.scoreboard import together
from drilltimer.group.sheet_page import GroupSheet, make_rows
from drilltimer.history.entries import RepEntry
from drilltimer.history.journal import now_utc
from drilltimer.ui.wording import Wording


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
