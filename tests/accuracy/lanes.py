"""Several lanes measured: are landings told in the lane where they were made, once, and in no other?"""

from __future__ import annotations

import time
from dataclasses import dataclass

from drilltimer.audio.files import find_drill, load_word
from drilltimer.drill.language import load_drill
from drilltimer.drill.schedule import schedule
from drilltimer.hear.lanes import LaneListener
from drilltimer.model import Placement
from drilltimer.session import expectations, place_cues
from drilltimer.sim.lanes import Hall, LaneRoom
from drilltimer.sim.settings import PRESETS
from drilltimer.sound.bank import build_bank
from drilltimer.units import frames_from_s, s_from_frames

RATE_HZ = 48_000
MATCH_S = 0.05
LANE_PLACEMENT = Placement(3.0, 1.5, 3.0)


@dataclass(frozen=True)
class LaneCase:
    """A row: so many lanes, each heard next door so much softer."""

    lanes: int
    crosstalk_db: float
    room: str = "hall"
    seed: int = 1
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
    doubled: int  # told, and it was another lane's landing
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
            str(self.doubled),
            str(self.made_up),
            f"{100 * self.void / max(self.landings, 1):.1f} %",
            f"{size[len(size) // 2]:.2f}" if size else "-",
            f"{size[int(0.95 * len(size))]:.1f}" if size else "-",
        ]


LANE_HEADS = (
    "landings", "told and in the right lane", "found", "counted twice", "made up", "void", "median |e| ms",
    "95 % |e| ms",
)  # fmt: skip


def lane_cases() -> list[LaneCase]:
    """Every row."""
    return [LaneCase(lanes, float(db)) for lanes in (2, 4, 8) for db in (-6, -12, -20)]


def measure_lanes(case: LaneCase) -> LaneFigures:
    """Simulate players who all answer the same contacts, each in a lane, and hear them."""
    reps = schedule(load_drill(*find_drill(case.drill)), case.seed)[: case.reps]
    bank = build_bank((cue for rep in reps for cue in rep.cues), RATE_HZ, load_word)
    hall = Hall(PRESETS[case.room], (LANE_PLACEMENT,) * case.lanes, crosstalk_db=case.crosstalk_db)
    room = LaneRoom(hall, seed=case.seed)
    listener = LaneListener(RATE_HZ, range(case.lanes))
    plays = {rep.index: place_cues(rep, bank, RATE_HZ) for rep in reps}
    for expected in expectations(reps, plays, RATE_HZ):
        listener.expect(expected)
    waiting = sorted((play for each in plays.values() for play in each), key=lambda play: play.start)
    heard, spent_s, room_end = [], 0.0, frames_from_s(reps[-1].end_s + 2.0, RATE_HZ)
    room.start()
    while True:
        block = room.read()
        while waiting and waiting[0].start < block.start + 2 * RATE_HZ:
            play = waiting.pop(0)
            room.play(play.start, play.sound, play.cue, play.rep)
        before_s = time.process_time()
        heard += listener.feed(block)
        spent_s += time.process_time() - before_s
        if block.start > room_end:
            break
    return _figures(case, room, heard, spent_s, s_from_frames(room_end, RATE_HZ))


def _figures(case, room, heard, spent_s, sound_s):
    truth = {lane: {each.rep: each for each in room.truth_of(lane, lane)} for lane in range(case.lanes)}
    landed = {
        (lane, rep): each.touchdown_at
        for lane, reps in truth.items()
        for rep, each in reps.items()
        if each.touchdown_at is not None
    }
    found = doubled = made_up = void = missed = 0
    errors_ms = []
    for each in heard:
        own = landed.get((each.lane, each.rep))
        void += bool(each.void) and own is not None
        if each.landing is None:
            missed += own is not None and not each.void
            continue
        at = each.landing.touchdown.at
        if own is not None and abs(at - own) <= MATCH_S * RATE_HZ and not _nearer(at, own, landed, each):
            found += 1
            errors_ms.append(1e3 * (at - own) / RATE_HZ)
        elif any(abs(at - other) <= MATCH_S * RATE_HZ for (lane, rep), other in landed.items() if rep == each.rep):
            doubled += 1
        else:
            made_up += 1
    return LaneFigures(len(landed), found, doubled, made_up, void, missed, tuple(errors_ms), spent_s, sound_s)


def _nearer(at, own, landed, each):
    """Whether the time told is that of a neighbour's landing as heard here, rather than of the lane's own.

    Sound needs 8.7 ms from lane to lane (3 m): within 2 ms of that, and further than 3 ms from the own landing.
    """
    if abs(at - own) < 0.003 * RATE_HZ:
        return False
    for (lane, rep), other in landed.items():
        if rep == each.rep and lane != each.lane:
            due = other + abs(lane - each.lane) * 3.0 / 343.2 * RATE_HZ
            if abs(at - due) < 0.002 * RATE_HZ:
                return True
    return False
