"""The contacts of one stage: which reps sound when, whose turn it is, and which lanes answer.

Each turn is as long as the others and begins with the drill's beginning; in the pause between two turns the next player
is called. With two loudspeakers contacts alternate between left and right, each with a sound of its own.

Two courts could be told apart at once (`sound/contact`), but a landing could not be heard: whatever sounds in its 700
ms must be taken out, which the ear does for one loudspeaker. So contacts come by turns.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import count

from drilltimer.drill.schedule import schedule
from drilltimer.group.plan import GroupPlan, Side
from drilltimer.group.timeline import Stage
from drilltimer.model import Drill, Rep, Speech
from drilltimer.session.layout import later

TURN_CHANGE_S = 4.0  # the next player is called and steps in, our choice
WRAP_S = 5.0  # before a drill that is over begins again
# Contacts that the ear and one microphone tell apart: a band for each (tests/group/test_sides).
SIDE_SOUNDS: dict[Side, str] = {"left": "knock", "right": "snap"}
SIDE_PANS: dict[Side, float] = {"left": -1.0, "right": 1.0}


@dataclass(frozen=True, slots=True)
class Turn:
    """Some time of work in which the same players are scored: one per lane, None where a lane is empty."""

    opens_s: float
    closes_s: float
    players: tuple[int | None, ...]

    @property
    def deserted(self) -> bool:
        """Nobody is left in any of its lanes."""
        return bool(self.players) and all(player is None for player in self.players)


@dataclass(frozen=True, slots=True)
class Contacts:
    """Reps of a stage in order, timed from the start of its work.

    Parameters
    ----------
    turn_of, lanes_of : dict
        By index of the rep: the place of its turn, and the lanes that answer it.
    """

    turns: tuple[Turn, ...]
    reps: tuple[Rep, ...]
    turn_of: dict[int, int]
    lanes_of: dict[int, tuple[int, ...]]


def scored_stations(plan: GroupPlan) -> tuple[int, ...]:
    """The stations that are lanes, by place in the list."""
    return tuple(number for number, station in enumerate(plan.stations) if station.scored)


def lay_turns(plan: GroupPlan, stage: Stage) -> tuple[Turn, ...]:
    """Turns of a stage; a single one where nobody is scored alone."""
    lanes = [stage.seats.stations[number] for number in scored_stations(plan)] if stage.kind == "stations" else []
    most = max((len(squad) for squad in lanes), default=1) or 1
    length_s = (stage.work_s - (most - 1) * TURN_CHANGE_S) / most
    turns = []
    for number in range(most):
        opens_s = number * (length_s + TURN_CHANGE_S)
        players = tuple(squad[number] if number < len(squad) else None for squad in lanes)
        turns.append(Turn(opens_s, opens_s + max(length_s, 0.0), players))
    return tuple(turns)


def lay_contacts(plan: GroupPlan, turns: tuple[Turn, ...], drill: Drill | None, seed: int, first: int) -> Contacts:
    """Contacts of a stage.

    Parameters
    ----------
    drill : Drill | None
        None: no contacts sound.
    first : int
        Index of the first rep; no two reps of a session share one.
    """
    reps: list[Rep] = []
    turn_of: dict[int, int] = {}
    lanes_of: dict[int, tuple[int, ...]] = {}
    stations = [plan.stations[number] for number in scored_stations(plan)]
    for number, turn in enumerate(turns):
        # Each turn begins with the drill's beginning: no player gets the rest after another one's rally.
        source = _endless(drill, seed + number) if drill and not turn.deserted else iter(())
        waiting = next(source, None)
        now_s, gap_s = turn.opens_s, 0.0
        while waiting is not None:
            rep, after_s = waiting
            start_s = now_s + gap_s
            if start_s + rep.end_s - rep.start_s > turn.closes_s:
                break
            index = first + len(reps)
            rep = replace(later(rep, start_s - rep.start_s), index=index)
            side: Side = "right" if len(reps) % 2 else "left"
            answers = tuple(lane for lane, each in enumerate(stations) if each.side in (None, side))
            reps.append(_on_side(rep, side) if plan.two_sides else rep)
            turn_of[index], lanes_of[index] = number, answers
            now_s, gap_s, waiting = rep.end_s, after_s, next(source, None)
    return Contacts(turns, tuple(reps), turn_of, lanes_of)


def _endless(drill: Drill, seed: int) -> Iterator[tuple[Rep, float]]:
    """The drill's reps again and again, each with the rest after it; the coach explains, not the loudspeaker."""
    quiet = replace(drill, blocks=tuple(replace(block, speech=Speech()) for block in drill.blocks))
    for number in count(seed):
        reps = schedule(quiet, number)
        if not reps:
            return
        ends = [*(rep.start_s for rep in reps[1:]), reps[-1].end_s + WRAP_S]
        yield from ((rep, next_s - rep.end_s) for rep, next_s in zip(reps, ends, strict=True))


def _on_side(rep: Rep, side: Side) -> Rep:
    """A rep whose sounds come from one loudspeaker, with the contact that belongs to it."""
    cues = tuple(
        replace(cue, pan=SIDE_PANS[side], sound=SIDE_SOUNDS[side] if cue.role == "contact" else cue.sound)
        for cue in rep.cues
    )
    return replace(rep, cues=cues)
