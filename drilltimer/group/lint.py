"""What is not wrong with a group plan and yet worth knowing: numbers, times, turns and landings against guidance.

Notes
-----
Coach to players: at most 1:12 (LTA ratios, read; 1:10 for those under ten, 1:16 in camps), 2-6 on a court at once.
Children never with fewer than two adults about (the same). Landings: see `drill.load`.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from drilltimer.drill.load import CHILD_LANDINGS_MOST, LANDINGS_MOST
from drilltimer.group.contacts import lay_contacts, lay_turns
from drilltimer.group.plan import GroupPlan
from drilltimer.group.timeline import Timetable
from drilltimer.model import Drill
from drilltimer.units import count_of

PLAYERS_PER_COACH, CHILDREN_PER_COACH = 12, 10
PLAYERS_PER_STATION = 6
LEAST_CONTACTS = 3  # for a player in a turn: fewer tell a player nothing, our choice


@dataclass(frozen=True, slots=True)
class Doubt:
    """Something to tell about a plan, and the key that decides it."""

    key: str
    message: str


def landings_asked(plan: GroupPlan, course: Timetable, drills: Mapping[str, Drill]) -> list[int]:
    """Landings that each player is asked for, by place in the list; two feet count as one."""
    asked = [0.0] * len(plan.players)
    for number, stage in enumerate(course.stages):
        turns = lay_turns(plan, stage)
        contacts = lay_contacts(plan, turns, drills[stage.drill] if stage.drill else None, number, 0)
        sounding = [rep for rep in contacts.reps if not rep.withheld]
        if stage.kind != "stations":
            each = stage.landings_per_min * stage.work_s / 60.0 + len(sounding)
            for player in stage.seats.stations[0]:
                asked[player] += each
            continue
        for rep in sounding:
            players = turns[contacts.turn_of[rep.index]].players
            for lane in contacts.lanes_of[rep.index]:
                answering = players[lane]
                if answering is not None:
                    asked[answering] += 1
        for station, squad in zip(plan.stations, stage.seats.stations, strict=True):
            if station.drill and not station.scored:
                for player in squad:
                    asked[player] += len(sounding)
    return [round(landings) for landings in asked]


def doubts(plan: GroupPlan, course: Timetable, drills: Mapping[str, Drill]) -> list[Doubt]:
    """Everything worth telling about a plan before it is run."""
    return [
        *_about_numbers(plan, course),
        *_about_times(plan, course),
        *_about_turns(plan, course, drills),
        *_about_landings(plan, course, drills),
    ]


def _about_numbers(plan: GroupPlan, course: Timetable) -> Iterator[Doubt]:
    count, children = len(plan.players), any(player.child for player in plan.players)
    most = CHILDREN_PER_COACH if children else PLAYERS_PER_COACH
    if count > most:
        who = "children" if children else "players"
        yield Doubt("players", f"{count} {who}: guidance is one coach for at most {most}")
    if children:
        yield Doubt("players", "children: never fewer than two adults about; local rules come first")
    crowd = max((len(squad) for stage in course.stages if stage.round for squad in stage.seats.stations), default=0)
    if crowd > PLAYERS_PER_STATION:
        yield Doubt("stations", f"{crowd} players at one station: 2 to {PLAYERS_PER_STATION} on a court work best")


def _about_times(plan: GroupPlan, course: Timetable) -> Iterator[Doubt]:
    if course.left_out:
        minutes = plan.time_limit_s / 60.0
        yield Doubt(
            "time_limit_s",
            f"{minutes:g} min are too short: the last {course.left_out} of {course.left_out + len(course.stages)} "
            "stretches of work are left out",
        )
    worked = [0] * len(plan.players)
    for stage in course.stages:
        for squad in stage.seats.stations if stage.round else ():
            for player in squad:
                worked[player] += 1
    always = [worked[number] for number, player in enumerate(plan.players) if player.always_there]
    if always and max(always) - min(always) > 1:
        yield Doubt("rotation", f"some work {count_of(max(always), 'time')} and some {count_of(min(always), 'time')}")


def _about_turns(plan: GroupPlan, course: Timetable, drills: Mapping[str, Drill]) -> Iterator[Doubt]:
    counts = []
    for number, stage in enumerate(course.stages):
        turns = lay_turns(plan, stage)
        if not stage.drill or stage.kind != "stations" or not any(station.scored for station in plan.stations):
            continue
        contacts = lay_contacts(plan, turns, drills[stage.drill], number, 0)
        answered = Counter((contacts.turn_of[rep], lane) for rep, lanes in contacts.lanes_of.items() for lane in lanes)
        for turn, players in enumerate(turns):
            counts += [answered[turn, lane] for lane, player in enumerate(players.players) if player is not None]
    if counts and min(counts) < LEAST_CONTACTS:
        message = (
            f"a turn holds only {count_of(min(counts), 'contact')}: work longer, or have fewer players at a station"
        )
        yield Doubt("work_s", message)


def _about_landings(plan: GroupPlan, course: Timetable, drills: Mapping[str, Drill]) -> Iterator[Doubt]:
    over = []
    for player, landings in zip(plan.players, landings_asked(plan, course, drills), strict=True):
        most = CHILD_LANDINGS_MOST if player.child else LANDINGS_MOST[player.level or "club"]
        if landings > most:
            over.append((player.name, landings, most))
    if over:
        name, landings, most = max(over, key=lambda each: each[1] - each[2])
        also = f", and {len(over) - 1} more" if len(over) > 1 else ""
        yield Doubt("rounds", f"{landings} landings for {name}{also}: guidance ends at {most} a session")
