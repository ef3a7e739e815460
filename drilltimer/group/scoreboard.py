"""A running group session as a board shows it."""

from __future__ import annotations

from collections.abc import Sequence

from drilltimer.errors import Notice, notice
from drilltimer.group.board import Board, Listed, Place, PlayerScore
from drilltimer.group.conduct import GroupSession
from drilltimer.group.crowd import summarize_together
from drilltimer.group.plan import FINISH_S, MAX_PLAYERS, GroupPlan
from drilltimer.group.running import Running
from drilltimer.group.timeline import Stage
from drilltimer.score.stats import summarize
from drilltimer.units import s_from_frames


def board_of(session: GroupSession, rate_hz: int) -> Board:
    """What the board shows at this moment."""
    plan, running, ahead = session.plan, session.running, session.ahead
    later = ahead[0] if ahead else None
    working = running is not None and session.moment >= running.start
    left_s = whole_s = 0.0
    if running is not None:
        left_s = max(0.0, s_from_frames((running.end if working else running.start) - session.moment, rate_hz))
        whole_s = left_s + (0.0 if working else running.stage.work_s)
    whole_s += sum(stage.lead_s + stage.work_s for stage in ahead) + FINISH_S
    return Board(
        title=plan.name,
        stage=stage_title(running.stage) if running else None,
        next_stage=stage_title(later) if later else None,
        working=working,
        left_s=left_s,
        whole_left_s=whole_s,
        places=_places(session, running, later, rate_hz),
        resting=_names(plan, running.stage.seats.resting) if running else (),
        scores=player_scores(session),
        together=together(session),
        paused=session.paused,
        roster=_roster(session, rate_hz),
        joins=len(plan.players) < MAX_PLAYERS,
    )


def stage_title(stage: Stage) -> Notice | str:
    """What a stage is, to be told."""
    if stage.kind != "stations":
        return stage.name
    interval = notice("group_interval", place=stage.place + 1, length=stage.length)
    return notice("group_round", round=stage.round, rounds=stage.rounds, name=interval)


def player_scores(session: GroupSession) -> tuple[PlayerScore, ...]:
    """Scores so far of everybody who has any."""
    found = []
    for number, player in enumerate(session.plan.players):
        own = [each.verdict for each in session.results if each.player == number and not each.rep.warm_up]
        if own:
            scores = summarize(own)
            found.append(PlayerScore(player.name, scores.n, scores.in_window_share, scores.constant_error_ms))
    return tuple(found)


def together(session: GroupSession) -> Notice | None:
    """What was estimated of the whole group; None before anything was."""
    summary = summarize_together(session.gatherings)
    if summary.first_ms is None or summary.last_ms is None:
        return None
    return notice(
        "group_together",
        contacts=summary.contacts,
        first=summary.first_ms,
        last=summary.last_ms,
        spread=summary.spread_ms or 0.0,
        share=100 * (summary.share or 0.0),
    )


def places_of(plan: GroupPlan, stage: Stage) -> tuple[Place, ...]:
    """Who is where in a stage."""
    if stage.kind != "stations":
        return (Place(stage.name, _names(plan, stage.seats.stations[0])),)
    pairs = zip(plan.stations, stage.seats.stations, strict=True)
    return tuple(Place(station.name, _names(plan, squad), scored=station.scored) for station, squad in pairs)


def _places(session: GroupSession, running: Running | None, later: Stage | None, rate_hz: int) -> tuple[Place, ...]:
    if running is None:
        return ()
    plan, stage = session.plan, running.stage
    if stage.kind != "stations":
        return places_of(plan, stage)
    turns = running.contacts.turns
    turn = turns[running.turn_at(session.moment, rate_hz)] if turns else None
    places = []
    for number, station in enumerate(plan.stations):
        active: tuple[str, ...] = ()
        if number in session.lanes and turn is not None:
            player = turn.players[session.lanes.index(number)]
            active = () if player is None else _names(plan, (player,))
        following = later.seats.stations[number] if later and later.kind == "stations" else ()
        here = _names(plan, stage.seats.stations[number])
        places.append(Place(station.name, here, active, _names(plan, following), station.scored))
    return tuple(places)


def _roster(session: GroupSession, rate_hz: int) -> tuple[Listed, ...]:
    away = session.roster.away(s_from_frames(session.now - session.zero, rate_hz))
    return tuple(Listed(player.name, number not in away) for number, player in enumerate(session.plan.players))


def _names(plan: GroupPlan, players: Sequence[int]) -> tuple[str, ...]:
    return tuple(plan.players[player].name for player in players)
