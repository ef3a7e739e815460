"""Several lanes measured: are landings told in the lane where they were made, once, and in no other?"""

from __future__ import annotations

import time
from collections.abc import Iterable
from dataclasses import astuple, dataclass
from functools import reduce
from operator import add

from drilltimer.audio.files import find_drill, load_word
from drilltimer.drill.language import load_drill
from drilltimer.drill.schedule import schedule
from drilltimer.group.hall import Hall, LaneRoom
from drilltimer.group.lanes import LaneListener
from drilltimer.model import Block, Expectation, Placement
from drilltimer.session import expectations, place_cues
from drilltimer.sim.settings import PRESETS
from drilltimer.sound.bank import build_bank
from drilltimer.units import frames_from_s, s_from_frames

RATE_HZ = 48_000
MATCH_S = 0.05
COINCIDENCE_S = 0.003  # a foot heard at all is told within so much
GAP_M = 3.0
LANE_PLACEMENT = Placement(3.0, 1.5, 3.0)


@dataclass(frozen=True)
class LaneCase:
    """A row: so many lanes, each heard next door so much softer."""

    lanes: int
    crosstalk_db: float
    room: str = "hall"
    seeds: tuple[int, ...] = (1, 2)
    reps: int = 40
    drill: str = "random-contact"

    @property
    def label(self) -> str:
        """First cell of the row."""
        return f"{self.lanes} lanes, next lane {self.crosstalk_db:.0f} dB"


@dataclass(frozen=True)
class LaneFigures:
    """What a case came to; counts are over all lanes. `errors_ms` of the landings found."""

    landings: int
    found: int
    doubled: int  # told, and it was another lane's foot
    by_chance: float  # so many are within 3 ms of another lane's foot of another rep: mere coincidence
    made_up: int  # told, and nobody's
    void: int
    missed: int
    errors_ms: tuple[float, ...]
    heard_s: float  # computing time of the hearing
    sound_s: float

    def row(self) -> list[str]:
        """Cells of the table."""
        size = sorted(abs(error_ms) for error_ms in self.errors_ms)
        told = self.found + self.doubled + self.made_up
        return [
            str(self.landings),
            f"{100 * self.found / max(told, 1):.1f} %",
            f"{100 * self.found / max(self.landings, 1):.1f} %",
            f"{self.doubled} ({self.by_chance:.1f})",
            str(self.made_up),
            f"{100 * self.void / max(self.landings, 1):.1f} %",
            f"{100 * self.missed / max(self.landings, 1):.1f} %",
            f"{size[len(size) // 2]:.2f}" if size else "-",
            f"{size[int(0.95 * len(size))]:.1f}" if size else "-",
        ]


LANE_HEADS = (
    "landings", "told and in the right lane", "found", "counted twice (by chance)", "made up", "void", "missed",
    "median |e| ms", "95 % |e| ms",
)  # fmt: skip


def lane_cases() -> list[LaneCase]:
    """Every row."""
    return [LaneCase(lanes, float(db)) for lanes in (2, 4, 8) for db in (-6, -12, -20)]


@dataclass(frozen=True)
class Performance:
    """What all players of a case did, and what the microphones make of it, still to be heard."""

    case: LaneCase
    room: LaneRoom
    expected: list[Expectation]
    blocks: Iterable[Block]  # a list can be heard again
    sound_s: float


def measure_lanes(case: LaneCase) -> LaneFigures:
    """Simulate players who all answer the same contacts, each in a lane, and hear them; all seeds together."""
    return hear_lanes(perform(case, seed) for seed in case.seeds)


def perform(case: LaneCase, seed: int) -> Performance:
    """Simulate a case; the blocks are made as they are asked for."""
    reps = schedule(load_drill(*find_drill(case.drill)), seed)[: case.reps]
    bank = build_bank((cue for rep in reps for cue in rep.cues), RATE_HZ, load_word)
    hall = Hall(PRESETS[case.room], (LANE_PLACEMENT,) * case.lanes, GAP_M, case.crosstalk_db)
    room = LaneRoom(hall, seed=seed)
    plays = {rep.index: place_cues(rep, bank, RATE_HZ) for rep in reps}
    end = frames_from_s(reps[-1].end_s + 2.0, RATE_HZ)
    return Performance(
        case, room, list(expectations(reps, plays, RATE_HZ)), _blocks(room, plays, end), s_from_frames(end, RATE_HZ)
    )


def _blocks(room, plays, end):
    waiting = sorted((play for each in plays.values() for play in each), key=lambda play: play.start)
    room.start()
    while True:
        block = room.read()
        while waiting and waiting[0].start < block.start + 2 * RATE_HZ:
            play = waiting.pop(0)
            room.play(play.start, play.sound, play.cue, play.rep)
        yield block
        if block.start > end:
            break


def hear_lanes(performances: Iterable[Performance]) -> LaneFigures:
    """Listen to performances of one case; all together."""
    each = [_hear(performance) for performance in performances]
    return LaneFigures(*(reduce(add, column) for column in zip(*map(astuple, each), strict=True)))


def _hear(performance):
    listener = LaneListener(RATE_HZ, range(performance.case.lanes))
    for expected in performance.expected:
        listener.expect(expected)
    heard, spent_s = [], 0.0
    for block in performance.blocks:
        before_s = time.process_time()
        heard += listener.feed(block)
        spent_s += time.process_time() - before_s
    contacts = {expected.rep: expected.contact for expected in performance.expected}
    return _figures(performance.case, performance.room, contacts, heard, spent_s, performance.sound_s)


def _figures(case, room, contacts, heard, spent_s, sound_s):
    truth = [_feet_after_contact(room.truth_of(lane, lane), contacts) for lane in range(case.lanes)]
    found = doubled = made_up = void = missed = landings = 0
    by_chance, errors_ms = 0.0, []
    for each in heard:
        own = truth[each.lane].get(each.rep)
        landed = own is not None
        landings += landed
        void += bool(each.void) and landed
        if each.landing is None:
            missed += landed and not each.void
            continue
        at = each.landing.touchdown.at - contacts[each.rep]
        others = [rep for rep in contacts if rep != each.rep]
        by_chance += sum(_coincides(case, truth, each.lane, each.rep, at, other) for other in others) / len(others)
        match _whose(case, truth, each.lane, each.rep, at):
            case "own":
                found += 1
                errors_ms.append(1e3 * (at - own[0]) / RATE_HZ)
            case "another's":
                doubled += 1
            case "nobody's":
                made_up += 1
    return LaneFigures(landings, found, doubled, by_chance, made_up, void, missed, tuple(errors_ms), spent_s, sound_s)


def _feet_after_contact(truth, contacts):
    """By rep in which somebody landed: touchdown, second foot, and first step, in frames after the contact's start."""
    return {
        each.rep: [
            foot - contacts[each.rep]
            for foot in (each.touchdown_at, each.second_touchdown_at, each.first_step_at)
            if foot is not None
        ]
        for each in truth
        if each.touchdown_at is not None
    }


def _whose(case, truth, lane, rep, at):
    """Whose foot a time told in a lane is: the lane's own, another's as it is due and audible here, or nobody's.

    A lane's own second foot or step, told for its first foot and more than 50 ms after it, is nobody's touchdown; it is
    another's when one is due within 3 ms.
    """
    if _coincides(case, truth, lane, rep, at, rep):
        return "another's"
    landings_s = {other: abs(at - reps[rep][0]) / RATE_HZ for other, reps in enumerate(truth) if rep in reps}
    if landings_s.get(lane, 1.0) <= MATCH_S:
        return "own"
    if _away_s(truth, lane, lane, rep, at) <= COINCIDENCE_S:
        return "nobody's"
    return "another's" if min(landings_s.values(), default=1.0) <= MATCH_S else "nobody's"


def _coincides(case, truth, lane, rep, at, others_rep):
    """Whether a time told in a lane is none of its own feet and that of another lane's foot, heard there.

    With the other lanes' feet of another rep, it does so by chance.
    """
    audible = [
        other
        for other in range(case.lanes)
        if other != lane and case.crosstalk_db * (1.0 + 0.5 * (abs(other - lane) - 1)) >= -PRESETS[case.room].snr_db
    ]
    others_s = min((_away_s(truth, other, lane, others_rep, at) for other in audible), default=1.0)
    return _away_s(truth, lane, lane, rep, at) > COINCIDENCE_S and others_s <= COINCIDENCE_S


def _away_s(truth, lane, here, rep, at):
    """From a time to the nearest foot of a lane, as it is due in the lane `here`."""
    due = abs(lane - here) * GAP_M / 343.2 * RATE_HZ
    return min((abs(at - foot - due) / RATE_HZ for foot in truth[lane].get(rep, [])), default=1.0)
