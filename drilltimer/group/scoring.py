"""Whose rep it is, and how good it was: a lane's landing against its player's own window."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from drilltimer.errors import Notice
from drilltimer.group.events import ScoredRep
from drilltimer.group.plan import GroupPlan
from drilltimer.group.running import Running
from drilltimer.group.timeline import Stage
from drilltimer.model import LEVELS, Heard, Rep
from drilltimer.score.match import judge, void_verdict


def score_rep(
    heard: Heard, running: Running, plan: GroupPlan, lanes: Sequence[int], rate_hz: int, cut: Notice | None = None
) -> ScoredRep | None:
    """Verdict for the player whose turn it was; None where nobody's was.

    Parameters
    ----------
    running : Running
        The stage that holds the rep.
    lanes : sequence of int
        Stations that are lanes, by place in the plan's list.
    cut : Notice, optional
        Why it was not heard to its end.
    """
    turn = running.contacts.turns[running.contacts.turn_of[heard.rep]]
    player, station = turn.players[heard.lane], lanes[heard.lane]
    if player is None:
        return None
    rep = _at_level(running.reps[heard.rep], plan, player)
    if cut:
        return ScoredRep(player, station, rep, void_verdict(rep, cut))
    return ScoredRep(player, station, rep, judge(heard, rep, plan.stations[station].placement, rate_hz))


def answering(rep: Rep, running: Running, plan: GroupPlan, lanes: Sequence[int]) -> list[tuple[int, int]]:
    """Who answers a rep in lanes, each with the lane's input channel, from 0."""
    players = running.contacts.turns[running.contacts.turn_of[rep.index]].players
    channels = [(plan.stations[number].microphone or 1) - 1 for number in lanes]
    answers = running.contacts.lanes_of[rep.index]
    return [(player, channels[lane]) for lane in answers if (player := players[lane]) is not None]


def heard_together(stage: Stage, plan: GroupPlan) -> tuple[int, ...]:
    """Players whom the group's microphone hears."""
    if stage.kind == "together":
        return stage.seats.stations[0]
    heard = [number for number, station in enumerate(plan.stations) if station.microphone]
    return stage.seats.stations[heard[0]] if heard else ()


def _at_level(rep: Rep, plan: GroupPlan, player: int) -> Rep:
    level = plan.players[player].level
    if level is None or not rep.ladder:
        return rep
    return replace(rep, level=level, window=rep.ladder[LEVELS.index(level)])
