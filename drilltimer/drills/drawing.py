"""A drill laid out, as text: where its blocks lie, how its first rallies sound, what it asks of legs."""

from __future__ import annotations

from collections.abc import Sequence

from drilltimer.drill.load import Load
from drilltimer.drills.timeline import KEY, first_rally, timeline
from drilltimer.model import Drill, Rep
from drilltimer.units import count_of

BAR_COLUMNS = 40


def block_lines(drill: Drill, reps: Sequence[Rep], columns: int | None = None) -> list[str]:
    """Bars of the blocks in the whole session, then the first rally of each block that sounds different.

    A terminal of fewer `columns` shows the beginning of what is drawn: broken lines would show nothing.
    """
    lines = _bars(drill, reps) if len(drill.blocks) > 1 else []
    drawn = set()
    for number, block in enumerate(drill.blocks):
        look = (block.lead_in, block.rhythm, block.calls, block.opening)
        if look in drawn:
            continue
        drawn.add(look)
        of_block = [rep for rep in reps if rep.block == number]
        title = f" of '{block.name}'" if len(drill.blocks) > 1 else ""
        lines += [
            *[""] * bool(lines),
            f"First contacts{title}:",
            *(line[:columns] for line in timeline(first_rally(of_block))),
        ]
    return [*lines, f"{'':9s}{KEY}"]


def load_lines(load: Load, length_s: float) -> list[str]:
    """Length, landings, bouts and rests."""
    lines = [
        f"Lasts {length_s / 60:.1f} min as drawn here (waits and rallies vary); {count_of(load.landings, 'landing')}."
    ]
    longest = load.longest
    if longest is not None and longest.landings > 1:
        rest = f", then {longest.rest_s:.0f} s of rest" if longest.rest_s is not None else ""
        lines.append(f"Longest bout: {longest.landings} landings in {longest.work_s:.0f} s{rest}.")
    return lines


def _bars(drill: Drill, reps: Sequence[Rep]) -> list[str]:
    whole_s = reps[-1].end_s
    lines = []
    for number, block in enumerate(drill.blocks):
        of_block = [rep for rep in reps if rep.block == number]
        first, last = (round(at_s / whole_s * BAR_COLUMNS) for at_s in (of_block[0].start_s, of_block[-1].end_s))
        bar = " " * first + "#" * max(1, last - first)
        lines.append(f"|{bar:{BAR_COLUMNS}s}| {(of_block[-1].end_s - of_block[0].start_s) / 60:4.1f} min  {block.name}")
    return lines
