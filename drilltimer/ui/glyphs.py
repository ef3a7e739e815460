"""Figures big enough to be read from the baseline: an own 5x7 matrix, scaled to the window.

Notes
-----
ISO 9241-3 asks for characters of 20 to 22 minutes of arc and at least a 5x7 matrix (second-hand): 32 mm at 5 m, eight
to ten terminal rows.
"""

from __future__ import annotations

GLYPH_COLUMNS, GLYPH_ROWS = 5, 7
GAP = 1  # columns between two glyphs

_PATTERNS = {
    "0": "01110 10001 10011 10101 11001 10001 01110",
    "1": "00100 01100 00100 00100 00100 00100 01110",
    "2": "01110 10001 00001 00110 01000 10000 11111",
    "3": "11110 00001 00001 01110 00001 00001 11110",
    "4": "00010 00110 01010 10010 11111 00010 00010",
    "5": "11111 10000 11110 00001 00001 10001 01110",
    "6": "00110 01000 10000 11110 10001 10001 01110",
    "7": "11111 00001 00010 00100 01000 01000 01000",
    "8": "01110 10001 10001 01110 10001 10001 01110",
    "9": "01110 10001 10001 01111 00001 00010 01100",
    "+": "00000 00100 00100 11111 00100 00100 00000",
    "-": "00000 00000 00000 11111 00000 00000 00000",
    "=": "00000 00000 11111 00000 11111 00000 00000",
    ".": "00000 00000 00000 00000 00000 01100 01100",
    ":": "00000 01100 01100 00000 01100 01100 00000",
    "/": "00001 00001 00010 00100 01000 10000 10000",
    " ": "00000 00000 00000 00000 00000 00000 00000",
    "x": "00000 10001 01010 00100 01010 10001 00000",
    "?": "01110 10001 00001 00110 00100 00000 00100",
}
GLYPHS = {sign: tuple(pattern.split()) for sign, pattern in _PATTERNS.items()}
HALVES = {(False, False): " ", (True, False): "▀", (False, True): "▄", (True, True): "█"}
ASCII_WIDTH = 2  # a cell is about twice as high as wide; without half blocks a pixel is two cells


def fitting_scale(columns: int, rows: int, signs: int, *, ascii_only: bool = False) -> int:
    """Greatest whole scale at which `signs` glyphs fit into so many cells; 0 when none does."""
    wide = signs * (GLYPH_COLUMNS + GAP) - GAP
    if ascii_only:
        return min(columns // (ASCII_WIDTH * wide), rows // GLYPH_ROWS)
    return min(columns // wide, 2 * rows // GLYPH_ROWS)


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
