"""Touchdowns against the window, drawn as text: a dot for each, stacked where they came at the same time."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable

from drilltimer.model import TIMED_GRADES, Rep, Verdict, Window
from drilltimer.ui.wording import Wording

FEWEST_DRAWN = 5  # touchdowns: fewer show their own luck
FEWEST_COLUMNS, MOST_COLUMNS = 50, 100
AXIS_MS = 250.0  # either side of the target; what lies beyond is drawn at the edge
MOST_ROWS = 8


def touchdown_lines(
    judged: Iterable[tuple[Rep, Verdict]], wording: Wording, columns: int | None, *, ascii_only: bool = False
) -> list[str]:
    """The picture with its scale and what it shows; nothing where there is no room, or too little to draw.

    Reps to warm up are left out; of several windows the one of most reps is drawn.
    """
    timed = [
        (verdict.touchdown_ms, rep.window)
        for rep, verdict in judged
        if verdict.grade in TIMED_GRADES and verdict.touchdown_ms is not None and not rep.warm_up
    ]
    if columns is None or columns < FEWEST_COLUMNS or len(timed) < FEWEST_DRAWN:
        return []
    window = Counter(each for _, each in timed).most_common(1)[0][0]
    wide, dot = min(columns, MOST_COLUMNS), "o" if ascii_only else "●"
    heights = Counter(_column(ms, window, wide) for ms, _ in timed)
    each = -(-max(heights.values()) // MOST_ROWS)  # touchdowns to a dot
    rows = -(-max(heights.values()) // each)
    lines = [
        "".join(dot if -(-heights[column] // each) > row else " " for column in range(wide)).rstrip()
        for row in reversed(range(rows))
    ]
    return [*lines, _axis(window, wide, ascii_only=ascii_only), *_words(window, wide, each, wording)]


def _column(at_ms: float, window: Window, wide: int) -> int:
    share = ((at_ms - window.centre_ms) / AXIS_MS + 1.0) / 2.0
    return min(max(int(share * wide), 0), wide - 1)


def _axis(window: Window, wide: int, *, ascii_only: bool) -> str:
    inside, outside = ("=", "-") if ascii_only else ("━", "─")
    opens, closes = (_column(at_ms, window, wide) for at_ms in (window.open_ms, window.close_ms))
    signs = [inside if opens <= column <= closes else outside for column in range(wide)]
    signs[_column(0.0, window, wide)] = "|"
    return "".join(signs)


def _words(window: Window, wide: int, each: int, wording: Wording) -> list[str]:
    contact, middle = _column(0.0, window, wide), _column(window.centre_ms, window, wide)
    span = wording("picture.window", open=window.open_ms, close=window.close_ms)
    line = " " * max(0, contact - len(wording("picture.contact")) // 2) + wording("picture.contact")
    line = line.ljust(max(len(line) + 2, middle - len(span) // 2)) + span
    return [line, *[wording("picture.each", each=each)] * (each > 1)]
