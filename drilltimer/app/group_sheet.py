"""The sheet of a group session, from what was scored in it."""

from __future__ import annotations

from drilltimer.app.journal import now_utc
from drilltimer.group.conduct import GroupSession
from drilltimer.group.standing import together_line
from drilltimer.records.entries import RepEntry
from drilltimer.records.group_sheet import GroupSheet, make_rows


def sheet_of(session: GroupSession, *, ranking: bool, simulated: bool) -> GroupSheet:
    """Every player with scores and advice, in the plan's order unless a ranking is asked for."""
    players = []
    for number, player in enumerate(session.plan.players):
        own = [RepEntry(each.rep, each.verdict) for each in session.results if each.player == number]
        players.append((player.name, own))
    rows = make_rows(players, ranking=ranking)
    named = {row.player for row in rows}
    unscored = tuple(name for name, _ in players if name not in named)
    return GroupSheet(session.plan.name, now_utc(), rows, unscored, together_line(session), simulated, ranking)
