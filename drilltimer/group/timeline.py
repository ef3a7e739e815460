"""The whole session in stages: what comes when, who is where, and what the booking leaves no time for."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from functools import partial
from typing import Literal

from drilltimer.group.plan import FINISH_S, GroupPlan
from drilltimer.group.rotation import Seats, intervals_per_round, seats

StageKind = Literal["movement", "together", "stations"]

FIRST_LEAD_S = 8.0  # before the first stage: room for the countdown, and for the room's noise to be measured


@dataclass(frozen=True, slots=True)
class Stage:
    """One stretch of work, with the time that leads up to it.

    Parameters
    ----------
    kind : {"movement", "together", "stations"}
        Movements without contacts, one drill for all, or one place for each squad.
    name : str
        Empty at stations.
    start_s : float
        From the session's first frame to the start of work.
    lead_s : float
        Before that: change-over or rest.
    seats : Seats
        All at one place, unless the kind is "stations".
    drill : str | None
        Whose contacts sound.
    round, rounds : int
        Counted from 1; 0 in the warm-up.
    place : int
        In the round, from 0.
    length : int
        Intervals in a round; 0 in the warm-up.
    """

    kind: StageKind
    name: str
    start_s: float
    lead_s: float
    work_s: float
    seats: Seats
    drill: str | None = None
    round: int = 0
    rounds: int = 0
    place: int = 0
    landings_per_min: float = 0.0
    length: int = 0

    @property
    def opens_round(self) -> bool:
        """Whether a round begins with it, after a rest."""
        return self.kind == "stations" and self.place == 0

    @property
    def end_s(self) -> float:
        """When work ends, from the session's start."""
        return self.start_s + self.work_s


@dataclass(frozen=True, slots=True)
class Timetable:
    """All stages that fit into the booking, and how many did not."""

    stages: tuple[Stage, ...]
    left_out: int

    @property
    def end_s(self) -> float:
        """When everybody is free, the last words included."""
        return self.stages[-1].end_s + FINISH_S if self.stages else 0.0


def lay_out(plan: GroupPlan) -> Timetable:
    """Lay a plan out in time; what would pass the time limit is left out, from its end."""
    stages = list(_stages(plan))
    fitting = fit(stages, plan.time_limit_s)
    return Timetable(tuple(fitting), len(stages) - len(fitting))


def fit(stages: list[Stage], limit_s: float) -> list[Stage]:
    """The stages that end early enough; what is last is left out first, and `rounds` counts what is left."""
    kept = [stage for stage in stages if stage.end_s + FINISH_S <= limit_s + 1e-9]
    last = max((stage.round for stage in kept), default=0)
    return [replace(stage, rounds=min(stage.rounds, last)) for stage in kept]


def retime(stages: Iterable[Stage], now_s: float) -> list[Stage]:
    """The same stages, one after the other from `now_s` on."""
    moved = []
    for stage in stages:
        moved.append(replace(stage, start_s=now_s + stage.lead_s))
        now_s = moved[-1].end_s
    return moved


def _stages(plan: GroupPlan) -> Iterator[Stage]:
    now_s = 0.0
    for number, block in enumerate(plan.warm_up):
        lead_s = block.rest_s if number else FIRST_LEAD_S
        start_s = now_s + lead_s
        now_s = start_s + block.work_s
        there = tuple(i for i, player in enumerate(plan.players) if player.there(start_s, now_s))
        kind: StageKind = "together" if block.drill else "movement"
        here = Seats((there,))
        yield Stage(kind, block.name, start_s, lead_s, block.work_s, here, block.drill, 0, 0, 0, block.landings_per_min)
    drill = next((station.drill for station in plan.stations if station.drill), None)
    length = intervals_per_round(plan)
    for interval in range(plan.rounds * length):
        round_, place = divmod(interval, length)
        change_s = plan.change_s if place else max(plan.change_s, plan.round_rest_s)
        lead_s = change_s if now_s else FIRST_LEAD_S
        start_s = now_s + lead_s
        now_s = start_s + plan.work_s
        here = seats(plan, interval, partial(_is_there, plan, start_s, now_s))
        of_round = {"round": round_ + 1, "rounds": plan.rounds, "place": place, "length": length}
        yield Stage("stations", "", start_s, lead_s, plan.work_s, here, drill, **of_round)


def _is_there(plan: GroupPlan, start_s: float, end_s: float, player: int) -> bool:
    return plan.players[player].there(start_s, end_s)
