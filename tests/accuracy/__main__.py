"""Measure how well landings are heard, and write the table into DEVELOPERS.md: `python -m tests.accuracy`.

`--quick` measures little and writes nothing.
"""

from __future__ import annotations

import sys
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

from tests.accuracy.cases import all_cases, quick_cases
from tests.accuracy.measure import HEADS, measure

GUIDE = Path(__file__).resolve().parents[2] / "DEVELOPERS.md"
BEGINS, ENDS = "<!-- accuracy begins -->", "<!-- accuracy ends -->"


def main() -> None:
    """Measure every case in two processes."""
    quick = "--quick" in sys.argv
    cases = quick_cases() if quick else all_cases()
    with ProcessPoolExecutor(2) as pool:
        figures = list(pool.map(measure, cases))
    lines = ["| what | " + " | ".join(HEADS) + " |", "|---" * (len(HEADS) + 1) + "|"]
    for case, each in zip(cases, figures, strict=True):
        lines.append(f"| {case.group}: {case.label} | " + " | ".join(each.row()) + " |")
    print("\n".join(lines))
    if not quick:
        text = GUIDE.read_text(encoding="utf-8")
        before, rest = text.split(BEGINS, 1)
        after = rest.split(ENDS, 1)[1]
        GUIDE.write_text(before + BEGINS + "\n" + "\n".join(lines) + "\n" + ENDS + after, encoding="utf-8")


if __name__ == "__main__":
    main()
