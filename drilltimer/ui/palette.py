"""Colours that colour-blind players tell apart, on dark and light backgrounds; a sign and a word always say it too.

Notes
-----
Okabe and Ito's hues. Contrast ratios: sky 9.1 and orange 9.3 on black but 2.3 on white; blue 5.2 and vermilion 3.9 on
white, and about 4 and 5.4 on black. So blue and vermilion are taken where the background is not known.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from drilltimer.model import Grade


@dataclass(frozen=True, slots=True)
class Palette:
    """Styles in rich's notation; the empty one is the terminal's own."""

    early: str
    late: str
    on_time: str = "bold"
    faint: str = "dim"
    warning: str = "bold reverse"

    def of(self, grade: Grade) -> str:
        """The style in which a grade is shown, good or bad."""
        match grade:
            case Grade.BEFORE | Grade.EARLY:
                return f"bold {self.early}"
            case Grade.LATE | Grade.MOVED:
                return f"bold {self.late}"
            case Grade.ON_TIME | Grade.KEPT_STILL:
                return self.on_time
            case _:
                return self.faint


DARK = Palette("#56B4E9", "#E69F00")
LIGHT = Palette("#0072B2", "#D55E00")

# What is going on, in a colour and between two bars of a shape of its own; the second shape is for ASCII.
STATES: Mapping[str, tuple[str, str, str]] = {
    "work": ("bold #009E73", "▶ ", "> "),
    "change": ("bold #CC79A7", "◀▶  ", "<>  "),
    "rest": ("bold #56B4E9", "· ", ". "),
    "paused": ("bold reverse", "█", "#"),
    "not_heard": ("bold #D55E00", "? ", "? "),
    "void": ("bold", "x ", "x "),
}

# The shape of each grade: what a reader without colour goes by.
SHAPES: Mapping[Grade, str] = {
    Grade.BEFORE: "«",
    Grade.EARLY: "<",
    Grade.ON_TIME: "=",
    Grade.LATE: ">",
    Grade.MISSED: ".",
    Grade.VOID: "x",
    Grade.KEPT_STILL: "o",
    Grade.MOVED: "!",
}
ASCII_SHAPES: Mapping[Grade, str] = {**SHAPES, Grade.BEFORE: "("}


def palette_for(environment: Mapping[str, str]) -> Palette:
    """The palette for a terminal that tells its background in COLORFGBG, and for one that does not."""
    background = environment.get("COLORFGBG", "").rpartition(";")[2]
    return DARK if background.isdigit() and int(background) in (0, 1, 2, 3, 4, 5, 6, 8) else LIGHT
