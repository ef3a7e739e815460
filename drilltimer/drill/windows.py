"""Target windows for the first touchdown, by level and situation.

Notes
-----
A window's target is what errors count from, the same at every level. Serve return: experts land 133 ms after the
server's contact (Navia, Avilés, Dicks and Ruiz-Pérez 2022, J Sports Sci 40(1):16-23, abstract: 12 men, 300 Hz video).
Baseline (+29 ms) and net (-63 ms, rounded) follow from differences between situations and strokes in Filipčič, Leskošek
and Filipčič 2017, J Hum Kinet 55:97-105 (25 Hz video, read second-hand): moderate confidence. Half-widths of club and
beginner are our choice, no landings of theirs are published; a beginner's window is wider on the late side because
landing before the direction is known costs about ten times the misses (Uzu, Shinya and Oda 2009, J Sports Sci
27(12):1233-1240).
"""

from __future__ import annotations

from dataclasses import replace

from drilltimer.model import LEVELS, Drill, DrillBlock, Level, Situation, Window

CENTRES_MS: dict[Situation, float] = {"return": 133.0, "baseline": 160.0, "net": 100.0}
BEFORE_AND_AFTER_MS: dict[Level, tuple[float, float]] = {
    "beginner": (90.0, 110.0),
    "club": (60.0, 60.0),
    "advanced": (40.0, 40.0),
}
# A landing that answers the sound itself: reaction 85-100 ms, push-off 100-200 ms (from memory), flight 100 ms or more.
REACTIVE_WINDOW = Window(open_ms=330.0, centre_ms=465.0, close_ms=600.0)


def window_for(level: Level, situation: Situation) -> Window:
    """Window of a predicted contact."""
    centre_ms = CENTRES_MS[situation]
    before_ms, after_ms = BEFORE_AND_AFTER_MS[level]
    return Window(open_ms=centre_ms - before_ms, centre_ms=centre_ms, close_ms=centre_ms + after_ms)


def has_level(block: DrillBlock) -> bool:
    """Whether the block's window belongs to a level, and so changes with it."""
    return not block.window_fixed and block.mode == "predictive"


def ladder_for(block: DrillBlock, situation: Situation) -> tuple[Window, ...]:
    """Windows of every level in `situation`, as `model.LEVELS` orders them; none where the block has its own window."""
    return tuple(window_for(level, situation) for level in LEVELS) if has_level(block) else ()


def at_level(drill: Drill, level: Level) -> Drill:
    """Give `drill` the windows of another level. Windows written in milliseconds stay, and so do reactive ones."""
    return replace(drill, blocks=tuple(_block_at_level(block, level) for block in drill.blocks))


def _block_at_level(block: DrillBlock, level: Level) -> DrillBlock:
    if not has_level(block):
        return replace(block, level=level)
    opening = block.opening_situation
    return replace(
        block,
        level=level,
        window=window_for(level, block.situation),
        opening_window=window_for(level, opening) if opening else None,
    )
