"""What must be right between the keys of a block, and between blocks."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from drilltimer.drill.form import MAX_REPS
from drilltimer.drill.schedule import least_interval_s, room_after_s
from drilltimer.drill.windows import has_level
from drilltimer.model import DrillBlock, Mode, Progression

MAX_LENGTH_S = 3 * 3600.0

Path = tuple[str | int, ...]
Locate = Callable[..., Path]  # keys of a block -> their path in the file


@dataclass(frozen=True, slots=True)
class Fault:
    """What is wrong at `path`, judged from the keys `needs`: when one of those is faulty itself, this says nothing."""

    path: Path
    message: str
    needs: frozenset[str]


def check_block(block: DrillBlock, asked_mode: Mode | None, locate: Locate) -> list[Fault]:
    """Faults between the keys of one block. `asked_mode` is the mode as written, if it was."""
    return [
        *_check_length(block, locate),
        *_check_mode(block, asked_mode, locate),
        *_check_interval(block, locate),
        *_check_words(block, locate),
    ]


def check_whole(blocks: Sequence[DrillBlock], *, complete: bool, progression: Progression | None = None) -> list[Fault]:
    """Faults of the drill as a whole; its length is worked out only when its blocks are `complete`."""
    if progression and complete and not any(has_level(block) for block in blocks):
        message = "no window here belongs to a level: leave out progression, or give a level instead of a window"
        return [Fault(("progression",), message, frozenset({"progression", "window", "mode", "lead_in"}))]
    reps = sum(block.reps or 0 for block in blocks)
    if reps > MAX_REPS:
        return [Fault(("blocks",), f"{reps} contacts in all, more than {MAX_REPS}", frozenset({"reps"}))]
    length_s = sum(longest_length_s(block) for block in blocks) if complete else 0.0
    if length_s > MAX_LENGTH_S:
        hours, most = length_s / 3600.0, MAX_LENGTH_S / 3600.0
        return [Fault((), f"lasts up to {hours:.1f} h, more than {most:g} h", frozenset({"reps", "rhythm", "work_s"}))]
    return []


def longest_length_s(block: DrillBlock) -> float:
    """Time that a block needs when every wait is as long as it may be and every rally is one contact."""
    rhythm = block.rhythm
    if block.work_s is not None:
        return block.work_s + block.rest_s
    wait_s = rhythm.wait.max_s if rhythm.wait else 0.0
    lead_in_s = max(block.lead_in.longest_s, block.opening.longest_s if block.opening else 0.0)
    work_s = lead_in_s + room_after_s(block)
    alone_s = wait_s + work_s + max(rhythm.rest_s, rhythm.rest_per_work * work_s)
    contacts = (block.reps or 0) / (1.0 - block.withheld_share)
    return contacts * max(rhythm.interval_s or 0.0, alone_s) + block.rest_s


def _check_length(block: DrillBlock, locate: Locate) -> Iterator[Fault]:
    if (block.reps is None) == (block.work_s is None):
        message = "give reps (contacts) or work_s (seconds), one of the two"
        yield Fault(locate("reps"), message, frozenset({"reps", "work_s"}))


def _check_mode(block: DrillBlock, asked_mode: Mode | None, locate: Locate) -> Iterator[Fault]:
    needs = frozenset({"mode", "lead_in", "rhythm", "opening"})
    rhythm = block.rhythm
    if block.lead_in.kind != "none":
        if asked_mode == "reactive":
            message = "a lead-in announces the contact, so landing on it is predictive: leave out mode or lead_in"
            yield Fault(locate("mode"), message, needs)
        return
    if block.opening is not None:
        yield Fault(locate("opening"), "the contacts after the opening need a lead_in too", needs)
    steady = rhythm.interval_s is not None and not rhythm.jitter_cv and not rhythm.jitter_end_cv and not rhythm.wait
    if asked_mode == "predictive" and not steady:
        message = "nobody can predict a contact without a lead_in or a steady rhythm: add one, or train reactive"
        yield Fault(locate("mode"), message, needs)


def _check_interval(block: DrillBlock, locate: Locate) -> Iterator[Fault]:
    """Every landing must be heard before the next lead-in, however the draws fall."""
    needs = frozenset({"rhythm", "lead_in", "calls"})
    rhythm = block.rhythm
    path = locate("rhythm", "interval_s")
    if rhythm.interval_s is None:
        if any(length.high > 1 for length in rhythm.rally):
            yield Fault(path, "rallies of several contacts need the time between them", needs)
        elif not rhythm.wait and not rhythm.rest_s:
            yield Fault(path, "give the time between contacts (interval_s), or a wait before each", needs)
        return
    least_s = least_interval_s(block)
    if rhythm.interval_s < least_s:
        lead_in = f" and {block.lead_in.longest_s:g} s of lead-in" if block.lead_in.kind != "none" else ""
        parts = f"{room_after_s(block):g} s to hear the landing and the call{lead_in}"
        yield Fault(path, f"expected {least_s:g} s or more ({parts}), got {rhythm.interval_s:g}", needs)
        return
    most_cv = math.floor((rhythm.interval_s - least_s) / rhythm.interval_s * 1e3) / 1e3
    jitters = {"jitter_cv": rhythm.jitter_cv, "jitter_end_cv": rhythm.jitter_end_cv}
    for key, cv in jitters.items():
        if cv > most_cv:
            message = f"expected {most_cv:g} or less, got {cv:g}: below {least_s:g} s a contact's landing goes unheard"
            yield Fault(locate("rhythm", key), message, needs)
            return  # the end's default is the start's value: one fault is enough


def _check_words(block: DrillBlock, locate: Locate) -> Iterator[Fault]:
    """No spoken "late" where "right" is a call: recognisers and people take the one for the other."""
    if block.calls is None or "right" not in block.calls.words:
        return
    needs = frozenset({"calls", "speech"})
    for key in ("explain", "reminders", "finish"):
        if "late" in getattr(block.speech, key):
            yield Fault(locate("speech", key), '"late" is misheard as "right", which is a call here', needs)
