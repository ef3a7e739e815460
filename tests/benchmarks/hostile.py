"""How long the worst drill files take to be refused: the longest one, and one whose aliases multiply.

Run as `python -m tests.benchmarks.hostile`; tests/drill/test_language.py bounds the work itself.

Measured 2026-11-29: the longest in 0.61 s of processor time, the multiplying one in 0.03 s.
"""

from __future__ import annotations

import time

from drilltimer.drill.language import load_drill
from drilltimer.drill.tree import MAX_CHARACTERS
from drilltimer.errors import DrillFileError

KEY = "k{number:05d}: 1\n"


def longest() -> str:
    """Unknown keys up to the greatest length: each is told with the nearest known one."""
    return "".join(KEY.format(number=number) for number in range(MAX_CHARACTERS // len(KEY.format(number=0))))


def bomb() -> str:
    """Nine aliases to nine aliases, ten times over."""
    text = "a0: &a0 [x, x, x, x, x, x, x, x, x]\n"
    return text + "".join(f"a{n}: &a{n} [{', '.join([f'*a{n - 1}'] * 9)}]\n" for n in range(1, 10))


def main() -> None:
    """Print seconds of processor time."""
    for name, text in (("longest file", longest()), ("multiplying aliases", bomb())):
        began_s = time.process_time()
        try:
            load_drill(text, "hostile.yaml")
        except DrillFileError as fault:
            print(f"{name}: {time.process_time() - began_s:.3f} s, {len(fault.problems)} problems told")


if __name__ == "__main__":
    main()
