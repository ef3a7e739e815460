"""Measure how well landings are heard, and write the table into `README.md` beside it: `python -m tests.accuracy`.

`--quick` measures little and writes nothing; `--lanes`, `--feeding` and `--guesses` measure and write their tables
alone.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any, Protocol

from tests.accuracy.cases import Case, all_cases, live_cases, quick_cases
from tests.accuracy.feeding import FEED_HEADS, FeedCase, feed_cases, measure_feeding
from tests.accuracy.guesses import GUESS_HEADS, guess_cases, measure_guesses
from tests.accuracy.lanes import LANE_HEADS, LaneCase, lane_cases, measure_lanes
from tests.accuracy.live import LIVE_HEADS, measure_live
from tests.accuracy.measure import HEADS, measure

GUIDE = Path(__file__).with_name("README.md")
BEGINS, ENDS = "<!-- accuracy begins -->", "<!-- accuracy ends -->"
GUESSES_BEGIN, GUESSES_END = "<!-- guesses begin -->", "<!-- guesses end -->"
LANES_HEAD, FEED_HEAD = "| lanes |", "| live feeding |"


def write(lines: Sequence[str], begins: str = BEGINS, ends: str = ENDS) -> None:
    """Put the lines between two of the guide's marks."""
    text = GUIDE.read_text(encoding="utf-8")
    before, rest = text.split(begins, 1)
    after = rest.split(ends, 1)[1]
    GUIDE.write_text(before + begins + "\n" + "\n".join(lines) + "\n" + ends + after, encoding="utf-8")


class Figures(Protocol):
    """What a case came to."""

    def row(self) -> list[str]:
        """Cells of the table."""


def own_table(
    pool: ProcessPoolExecutor,
    head: str,
    heads: Sequence[str],
    cases: Sequence[FeedCase] | Sequence[LaneCase],
    measured: Callable[[Any], Figures],
) -> list[str]:
    """Measure cases; the lines of a table of their own, which begins with `head`."""
    lines = [f"{head} " + " | ".join(heads) + " |", "|---" * (len(heads) + 1) + "|"]
    for case, figures in zip(cases, pool.map(measured, cases), strict=True):
        lines.append(f"| {case.label} | " + " | ".join(figures.row()) + " |")
    return lines


def lanes_table(pool: ProcessPoolExecutor) -> list[str]:
    """Lines of the lanes' table."""
    return own_table(pool, LANES_HEAD, LANE_HEADS, lane_cases(), measure_lanes)


def feeding_table(pool: ProcessPoolExecutor) -> list[str]:
    """Lines of live feeding's table."""
    return own_table(pool, FEED_HEAD, FEED_HEADS, feed_cases(), measure_feeding)


def written_tables() -> list[str]:
    """The tables that stand in the guide: of single landings, of lanes, of live feeding."""
    kept = GUIDE.read_text(encoding="utf-8").split(BEGINS, 1)[1].split(ENDS, 1)[0]
    rest, _, feeding = kept.partition(FEED_HEAD)
    single, _, lanes = rest.partition(LANES_HEAD)
    return [single.strip(), (LANES_HEAD + lanes).strip(), (FEED_HEAD + feeding).strip()]


def table(heads: Sequence[str], cases: Sequence[Case], rows: Sequence[Sequence[str]]) -> list[str]:
    """Lines of a table in Markdown."""
    lines = ["| what | " + " | ".join(heads) + " |", "|---" * (len(heads) + 1) + "|"]
    return lines + [
        f"| {case.group}: {case.label} | " + " | ".join(row) + " |" for case, row in zip(cases, rows, strict=True)
    ]


def guesses_table(pool: ProcessPoolExecutor) -> list[str]:
    """Lines of the table of guesses."""
    cases = guess_cases()
    return table(GUESS_HEADS, cases, [each.row() for each in pool.map(measure_guesses, cases)])


def main() -> None:
    """Measure every case in two processes."""
    if "--guesses" in sys.argv:
        with ProcessPoolExecutor(2) as pool:
            lines = guesses_table(pool)
        print("\n".join(lines))
        write(lines, GUESSES_BEGIN, GUESSES_END)
        return
    for place, option, measured in ((1, "--lanes", lanes_table), (2, "--feeding", feeding_table)):
        if option in sys.argv:
            with ProcessPoolExecutor(2) as pool:
                lines = measured(pool)
            print("\n".join(lines))
            tables = written_tables()
            tables[place] = "\n".join(lines)
            write(["\n\n".join(tables)])
            return
    quick = "--quick" in sys.argv
    cases = quick_cases() if quick else all_cases()
    with ProcessPoolExecutor(2) as pool:
        rows = [each.row() for each in pool.map(measure, cases)]
        beside = [] if quick else live_cases()
        live_rows = [each.row() for each in pool.map(measure_live, beside)]
        lanes = [] if quick else lanes_table(pool)
        feeding = [] if quick else feeding_table(pool)
    lines = table(HEADS, cases, rows)
    if live_rows:
        lines += ["", *table(LIVE_HEADS, beside, live_rows)]
    if lanes:
        lines += ["", *lanes, "", *feeding]
    print("\n".join(lines))
    if not quick:
        write(lines)
        with ProcessPoolExecutor(2) as pool:
            write(guesses_table(pool), GUESSES_BEGIN, GUESSES_END)


if __name__ == "__main__":
    main()
