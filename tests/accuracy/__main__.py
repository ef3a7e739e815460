"""Measure how well landings are heard, and write the table into `README.md` beside it: `python -m tests.accuracy`.

`--quick` measures little and writes nothing; `--landings`, `--lanes`, `--feeding` and `--guesses` measure and write
their tables alone.
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


def landings_tables(pool: ProcessPoolExecutor) -> list[str]:
    """Lines of the tables of single landings: as scored later, and live beside that."""
    cases, beside = all_cases(), live_cases()
    lines = table(HEADS, cases, [each.row() for each in pool.map(measure, cases)])
    return [*lines, "", *table(LIVE_HEADS, beside, [each.row() for each in pool.map(measure_live, beside)])]


def main() -> None:
    """Measure in two processes what is asked for, or else everything."""
    options = [*MEASURED, "--guesses"]
    asked = [option for option in options if option in sys.argv] or options
    with ProcessPoolExecutor(2) as pool:
        if "--quick" in sys.argv:
            cases = quick_cases()
            print("\n".join(table(HEADS, cases, [each.row() for each in pool.map(measure, cases)])))
            return
        for place, (option, measured) in enumerate(MEASURED.items()):
            if option in asked:
                tables = written_tables()
                tables[place] = "\n".join(measured(pool))
                print(tables[place])
                write(["\n\n".join(tables)])
        if "--guesses" in asked:
            lines = guesses_table(pool)
            print("\n".join(lines))
            write(lines, GUESSES_BEGIN, GUESSES_END)


MEASURED = {"--landings": landings_tables, "--lanes": lanes_table, "--feeding": feeding_table}


if __name__ == "__main__":
    main()
