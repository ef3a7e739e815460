"""Who works where: squads that walk round a wheel of stations, rests between them where places are short.

Squads stay together and move one place on with every change. Where squads outnumber stations, the wheel has as many
resting places as needed, spread as evenly as whole numbers allow (a balanced word: of equally long stretches of it,
none has more than one rest more than another). So over any stretch of time any two players work equally often, give
or take once. Latecomers and leavers belong to a squad all along, dealt out last so that squads stay even, and are
there when they are there.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from drilltimer.group.plan import GroupPlan

Squad = tuple[int, ...]  # players by their place in the list, from 0


@dataclass(frozen=True, slots=True)
class Seats:
    """Who is where in one work interval, by place in the list of players: at each station, and resting."""

    stations: tuple[Squad, ...]
    resting: Squad = ()


def make_squads(plan: GroupPlan) -> tuple[Squad, ...]:
    """Squads of a plan, as even as may be; players in the order of the list, pairs unparted."""
    units = _units(plan)
    if plan.rotation:
        count = len(plan.rotation[0])
    else:
        count = min(len(units), max(1, len(plan.stations)))
        if plan.places is not None:
            heads = max(map(len, units))
            count = max(count, -(-len(units) // max(1, plan.places // heads)))
    sizes = [len(units) // count + (number < len(units) % count) for number in range(count)]
    squads: list[list[int]] = [[] for _ in range(count)]
    always = [unit for unit in units if all(plan.players[player].always_there for player in unit)]
    passing = [unit for unit in units if unit not in always]
    # First those who stay, block by block; latecomers and leavers then fill the squads that are shortest.
    staying = len(always)
    for number, squad in enumerate(squads):
        left = staying // count + (number < staying % count)
        while left and sizes[number]:
            squad.extend(always.pop(0))
            left, sizes[number] = left - 1, sizes[number] - 1
    for unit in [*always, *passing]:
        number = max(range(count), key=lambda each: (sizes[each], -len(squads[each])))
        squads[number].extend(unit)
        sizes[number] -= 1
    return tuple(tuple(squad) for squad in squads)


def _units(plan: GroupPlan) -> list[Squad]:
    """Players that stay together: singles, or pairs; who is left over makes three with the last pair, if room is."""
    count = len(plan.players)
    if not plan.pairs:
        return [(player,) for player in range(count)]
    units = [tuple(range(first, min(first + 2, count))) for first in range(0, count, 2)]
    if len(units) > 1 and len(units[-1]) == 1 and (plan.places or count) >= 3:
        units[-2:] = [units[-2] + units[-1]]
    return units


def wheel(stations: int, squads: int) -> tuple[int | None, ...]:
    """Places of the wheel in order: stations from 0, None to rest. As many as there are squads, or stations if more."""
    size = max(stations, squads)
    rests = size - stations
    marks = [(index + 1) * rests // size - index * rests // size for index in range(size)]
    at, places = 0, list[int | None]()
    for mark in marks:
        places.append(None if mark else at)
        at += not mark
    return tuple(places)


def intervals_per_round(plan: GroupPlan) -> int:
    """Work intervals until every squad has been everywhere once."""
    if not plan.stations:
        return 0
    return len(plan.rotation) if plan.rotation else len(wheel(len(plan.stations), len(make_squads(plan))))


def seats(plan: GroupPlan, interval: int, there: Callable[[int], bool], squads: Sequence[Squad] | None = None) -> Seats:
    """Who is where in a work interval; who is not there is nowhere.

    Parameters
    ----------
    interval : int
        Counted from 0 over all rounds.
    there : callable
        Whether a player, by place in the list, is there.
    squads : sequence of Squad, optional
        The plan's own, when left out.
    """
    squads = make_squads(plan) if squads is None else squads
    if plan.rotation:
        row = plan.rotation[interval % len(plan.rotation)]
        where = [station - 1 if station else None for station in row]
    else:
        places = wheel(len(plan.stations), len(squads))
        where = [places[(number + interval) % len(places)] for number in range(len(squads))]
    working: list[Squad] = [()] * len(plan.stations)
    resting: list[int] = []
    for squad, station in zip(squads, where, strict=True):
        present = tuple(player for player in squad if there(player))
        if station is None:
            resting.extend(present)
        else:
            working[station] = present
    return Seats(tuple(working), tuple(resting))
