"""Figures and words big enough to be read from the baseline: an own 5x7 matrix (glyphs.toml), scaled to the window.

Notes
-----
ISO 9241-3 asks for characters of 20 to 22 minutes of arc and at least a 5x7 matrix (second-hand): 32 mm at 5 m, eight
to ten terminal rows.
"""

from __future__ import annotations

import tomllib
import unicodedata
from pathlib import Path

GLYPH_COLUMNS, GLYPH_ROWS = 5, 7
GAP = 1  # columns between two glyphs

_PATTERNS = tomllib.loads(Path(__file__).with_suffix(".toml").read_text(encoding="utf-8"))
GLYPHS = {sign: tuple(pattern.split()) for sign, pattern in _PATTERNS.items()}
HALVES = {(False, False): " ", (True, False): "▀", (False, True): "▄", (True, True): "█"}
ASCII_WIDTH = 2  # a cell is about twice as high as wide; without half blocks a pixel is two cells


def fitting_scale(columns: int, rows: int, signs: int, *, ascii_only: bool = False) -> int:
    """Greatest whole scale at which `signs` glyphs fit into so many cells; 0 when none does."""
    wide = signs * (GLYPH_COLUMNS + GAP) - GAP
    if ascii_only:
        return min(columns // (ASCII_WIDTH * wide), rows // GLYPH_ROWS)
    return min(columns // wide, 2 * rows // GLYPH_ROWS)


def as_glyphs(text: str) -> str | None:
    """`text` in the signs that there are, capitals without accents; None when one is lacking."""
    letters = unicodedata.normalize("NFD", text.upper().replace("O", "0"))  # which look alike
    plain = "".join(letter for letter in letters if not unicodedata.combining(letter))
    return plain if set(plain) <= GLYPHS.keys() else None


def big_text(text: str, scale: int, *, ascii_only: bool = False) -> list[str]:
    """`text` as rows of cells, all equally long.

    Parameters
    ----------
    text : str
        Of the signs in `GLYPHS`.
    scale : int
        Pixels per dot; a pixel is half a cell high.
    ascii_only : bool
        Draw with "#", a pixel then being a whole row high.
    """
    dots = [" ".join(GLYPHS[sign][row] for sign in text).replace(" ", "0" * GAP) for row in range(GLYPH_ROWS)]
    if ascii_only:
        return [
            "".join(("#" if dot == "1" else " ") * scale * ASCII_WIDTH for dot in row)
            for row in dots
            for _ in range(scale)
        ]
    pixels = [[dot == "1" for dot in row for _ in range(scale)] for row in dots for _ in range(scale)]
    if len(pixels) % 2:
        pixels.append([False] * len(pixels[0]))
    return [
        "".join(HALVES[pair] for pair in zip(*pixels[row : row + 2], strict=True)) for row in range(0, len(pixels), 2)
    ]
