"""Text brought to a terminal's width: broken at words, and what goes on stands under what it belongs to."""

from __future__ import annotations

import re
from collections.abc import Sequence

from rich.cells import cell_len

from drilltimer.units import printable

GAP = "  "  # between columns
HANG = 2  # cells, where a line has no columns to go on under
FEWEST_COLUMNS = 24  # what goes on further to the right must have so much room at least
_COLUMN = re.compile(r"\S {2,}(?=\S)")


def folded(text: str, columns: int | None) -> str:
    """Every line of `text` in at most so many cells, but for words that are longer; as it is when `columns` is None."""
    if columns is None:
        return text
    return "\n".join(piece for line in text.split("\n") for piece in _fold(line, columns))


def padded(cell: str, cells: int, *, right: bool = False) -> str:
    """A cell of a table in so many cells of the terminal; wide letters take two, and no line ends in it."""
    cell = printable(cell)
    room = " " * max(0, cells - cell_len(cell))
    return room + cell if right else cell + room


def row_lines(cells: Sequence[str], columns: int | None, hang: int) -> list[str]:
    """A row of padded cells, two blanks apart; those that find no room go on below, so far in.

    Rows of the same widths break at the same place, so that heads and figures stay under each other.
    """
    lines, current = [], cells[0]
    for cell in cells[1:]:
        if columns is None or cell_len(current + GAP + cell) <= columns:
            current += GAP + cell
        else:
            lines.append(current)
            current = " " * hang + cell
    lines.append(current)
    return [lines[0].rstrip(), *(line.rstrip() for line in lines[1:] if line.strip())]


def _fold(line: str, columns: int) -> list[str]:
    if cell_len(line) <= columns:
        return [line]
    hang = _hang(line, columns)
    lines, current = [], ""
    for gap, word in re.findall(r"(\s*)(\S+)", line):
        if current.strip() and cell_len(current + gap + word) > columns:
            lines.append(current)
            current = " " * hang + word
        else:
            current += gap + word
    return [*lines, current]


def _hang(line: str, columns: int) -> int:
    """Where a line goes on: under its last column, or a little further in than it begins."""
    ends = [cell_len(line[: match.end()]) for match in _COLUMN.finditer(line)]
    if ends and columns - ends[-1] >= FEWEST_COLUMNS:
        return ends[-1]
    return min(len(line) - len(line.lstrip()) + HANG, columns // 2)
