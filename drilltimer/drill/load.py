"""What a laid-out drill asks of legs: landings, bouts and rests, held against guidance for jump training.

Notes
-----
The guidance is for jumps far higher than a split step's 2-5 cm, and matches hold 300-500 such efforts (Fernandez,
Mendez-Villanueva and Pluim 2006, BJSM 40:387-391, quoted page), so it is conservative here and never stops anybody: a
plan that exceeds it is told, and coach, physiotherapist and local rules decide.

* Landings a session: 80-100 beginners, 100-120 intermediate, 120-140 advanced (NSCA Essentials, table, from memory);
  children 40-60 (from memory). The caps below are the middle of the first and last figures of that table.
* Bouts and rests: match-like work is 5-10 s with rests of 10-20 s (Fernandez and others, quoted page). Circuits work
  30 s and rest 30 s (clinic guidance); with rests as long as the work, bouts of 50 s cost quality and 10 s did not
  (Front Physiol 2023, 1189688, abstract). Work to rest 1:5 to 1:10 is for maximal jumps (Chu, quoted passage).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from drilltimer.errors import Notice, notice
from drilltimer.model import Drill, DrillBlock, Level, Rep

LANDINGS_MOST: dict[Level, int] = {"beginner": 90, "club": 120, "advanced": 140}
CHILD_LANDINGS_MOST = 50
# Our choice: twice a rally's own pace is a rest. So are 8 s at any pace, and 4 s where contacts come one by one: then a
# player comes to stand, and each landing is an effort alone.
REST_INTERVALS = 2.0
SHORTEST_REST_S = 4.0
LONGEST_BREATH_S = 8.0
MATCH_BOUT_S = 10.0
BOUT_MOST_S = 30.0
DEFERENCE = notice("deference")


@dataclass(frozen=True, slots=True)
class Bout:
    """Landings that follow each other without a rest. `rest_s` None: nothing follows."""

    block: int
    landings: int
    work_s: float
    rest_s: float | None


@dataclass(frozen=True, slots=True)
class Load:
    """What a session asks for. `bouts` are in order of time; `longest` and `hurried` point at the worst ones.

    `hurried`: the bout of more than 10 s whose rest is shortest against its work.
    """

    landings: int
    bouts: tuple[Bout, ...]
    longest: Bout | None
    hurried: Bout | None


@dataclass(frozen=True, slots=True)
class Caution:
    """Something doubtful about a drill, or beyond guidance; told alike wherever the drill is looked at, or run.

    `block` and `key` tell where in the file it is decided; None: in the drill as a whole.
    """

    message: Notice | str
    key: str
    block: int | None = None


def measure_load(drill: Drill, reps: Sequence[Rep]) -> Load:
    """Landings, bouts and rests of laid-out reps. Two feet count as one landing, withheld contacts as none."""
    landed = [rep for rep in reps if not rep.withheld]
    if not landed:
        return Load(0, (), None, None)
    groups = [landed[:1]]
    for before, rep in pairwise(landed):
        rest_s = _shortest_rest_s(drill.blocks[rep.block])
        if rep.contact_s - before.contact_s < rest_s - 1e-6 and rep.block == before.block:
            groups[-1].append(rep)
        else:
            groups.append([rep])
    following = [group[0].contact_s for group in groups[1:]]
    bouts = tuple(
        Bout(
            group[0].block,
            len(group),
            group[-1].contact_s - group[0].contact_s,
            next_s - group[-1].contact_s if next_s is not None else None,
        )
        for group, next_s in zip(groups, [*following, None], strict=True)
    )
    long = [bout for bout in bouts if bout.work_s > MATCH_BOUT_S and bout.rest_s is not None]
    return Load(
        landings=len(landed),
        bouts=bouts,
        longest=max(bouts, key=lambda bout: bout.work_s, default=None),
        hurried=min(long, key=lambda bout: (bout.rest_s or 0.0) / bout.work_s, default=None),
    )


def _shortest_rest_s(block: DrillBlock) -> float:
    """Time from one landing to the next that parts two bouts."""
    return min(max(REST_INTERVALS * (block.rhythm.interval_s or 0.0), SHORTEST_REST_S), LONGEST_BREATH_S)


def cautions(drill: Drill, load: Load) -> list[Caution]:
    """Where a plan goes beyond guidance."""
    return [*_about_landings(drill, load), *_about_bouts(load)]


def _about_landings(drill: Drill, load: Load) -> list[Caution]:
    level = min((block.level for block in drill.blocks), key=lambda level: LANDINGS_MOST[level])
    most = LANDINGS_MOST[level]
    key = "reps" if any(block.reps for block in drill.blocks) else "work_s"
    if load.landings > most:
        return [Caution(notice("many_landings", landings=load.landings, level=level, most=most), key)]
    return []


def _about_bouts(load: Load) -> list[Caution]:
    found = []
    longest, hurried = load.longest, load.hurried
    if longest is not None and longest.work_s > BOUT_MOST_S:
        message = notice("long_work", landings=longest.landings, seconds=round(longest.work_s), most=round(BOUT_MOST_S))
        found.append(Caution(message, "rhythm", longest.block))
    if hurried is not None and hurried.rest_s is not None and hurried.rest_s < hurried.work_s:
        message = notice("short_rest", seconds=round(hurried.rest_s), work=round(hurried.work_s))
        found.append(Caution(message, "rhythm", hurried.block))
    return found
