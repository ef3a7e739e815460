"""A rep as a picture (SVG): what the recorder heard, and where the ear put contact, feet and window.

Two lanes: all sound, and what is left of it below 500 Hz, where feet are and our own cues are not. Marks have words and
their own dashes, so that colour only repeats them (Okabe and Ito's hues).

By hand: two outlines and a few lines, and matplotlib is 77 MB.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from markupsafe import Markup, escape

WIDTH, LEFT, RIGHT = 900.0, 14.0, 14.0
TITLE, WORDS, LANE, GAP, AXIS = 44.0, 62.0, 130.0, 16.0, 42.0
HEIGHT = TITLE + WORDS + 2 * LANE + GAP + AXIS
WORD_ROWS = 4
WORD_ROW = 14.0
CHARACTER = 6.6  # width of one, about, in the drawing's units
STYLE = (
    "text{font:12px system-ui,sans-serif;fill:#222}.title{font-size:16px;font-weight:600}.soft{fill:#555}"
    ".wave{fill:#777}.lane{fill:#f5f5f5}.window{fill:#0072b2;fill-opacity:.13}.edge{stroke:#0072b2;stroke-opacity:.5}"
    ".mark{stroke-width:1.8}.contact{stroke:#000}.touchdown{stroke:#0072b2}.second{stroke:#009e73;stroke-dasharray:7 3}"
    ".step{stroke:#d55e00;stroke-dasharray:2 3}.cue{stroke:#999;stroke-dasharray:1 4}.axis{stroke:#555}"
    ".doubt{fill:#0072b2;fill-opacity:.3}"
)


@dataclass(frozen=True, slots=True)
class PictureMark:
    """A moment in the picture, in ms on its axis: `kind` is contact, touchdown, second, step or cue."""

    at_ms: float
    kind: str
    words: str


@dataclass(frozen=True, slots=True)
class RepPicture:
    """What is drawn of a rep; times are ms after the contact was heard.

    Parameters
    ----------
    title, below : str
        Above the picture, and the smaller line under it.
    sound, low : float array, shape (n,)
        All of it, and what lies below 500 Hz.
    from_ms, to_ms : float
        Of the first and after the last sample.
    window_ms : pair of float, optional
        As it lies in the recording: the sound's way is in it.
    doubt_ms : float, optional
        One standard deviation of the touchdown, as heard.
    """

    title: str
    below: str
    sound: np.ndarray
    low: np.ndarray
    from_ms: float
    to_ms: float
    window_ms: tuple[float, float] | None
    doubt_ms: float | None
    marks: Sequence[PictureMark]

    def x(self, at_ms: float) -> float:
        """Where a time is drawn."""
        share = (at_ms - self.from_ms) / (self.to_ms - self.from_ms)
        return LEFT + min(max(share, 0.0), 1.0) * (WIDTH - LEFT - RIGHT)


def draw(picture: RepPicture) -> str:
    """The picture as an SVG document of its own, which loads nothing."""
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH:.0f} {HEIGHT:.0f}" width="{WIDTH:.0f}" '
        f'height="{HEIGHT:.0f}" role="img">'
    )
    parts = [
        head,
        f"<title>{escape(picture.title)}</title><style>{STYLE}</style>",
        f'<rect width="{WIDTH:.0f}" height="{HEIGHT:.0f}" fill="#fff"/>',
        _text(LEFT, 19, picture.title, "title"),
        _text(LEFT, 37, picture.below, "soft"),
        *_lanes(picture),
        *_axis(picture),
        *_marks(picture),
        "</svg>\n",
    ]
    return "\n".join(parts)


def _lanes(picture: RepPicture) -> Iterator[str]:
    top = TITLE + WORDS
    for wave, words in ((picture.sound, "all sound"), (picture.low, "below 500 Hz: feet, not cues")):
        yield f'<rect class="lane" x="{LEFT}" y="{top:.1f}" width="{WIDTH - LEFT - RIGHT:.1f}" height="{LANE}"/>'
        if picture.window_ms is not None:
            left, right = (picture.x(at_ms) for at_ms in picture.window_ms)
            yield f'<rect class="window" x="{left:.1f}" y="{top:.1f}" width="{right - left:.1f}" height="{LANE}"/>'
            for edge in (left, right):
                yield _line(edge, top, edge, top + LANE, "edge")
        yield f'<path class="wave" d="{_outline(wave, top + LANE / 2)}"/>'
        yield _text(LEFT + 4, top + 13, words, "soft")
        top += LANE + GAP


def _outline(wave: np.ndarray, middle: float) -> str:
    """Least and greatest sample of every half unit, as one closed shape."""
    columns = int(2 * (WIDTH - LEFT - RIGHT))
    if not len(wave):
        return "M0 0"
    edges = np.linspace(0, len(wave), columns + 1).astype(int)[:-1]
    scale = 0.48 * LANE / max(float(np.max(np.abs(wave))), 1e-9)
    high = middle - scale * np.maximum.reduceat(wave, edges)
    low = middle - scale * np.minimum.reduceat(wave, edges)
    xs = LEFT + 0.5 * np.arange(columns)
    there = [f"{x:.1f} {y:.1f}" for x, y in zip(xs, high - 0.2, strict=True)]
    back = [f"{x:.1f} {y:.1f}" for x, y in zip(xs[::-1], low[::-1] + 0.2, strict=True)]
    return "M" + "L".join([*there, *back]) + "Z"


def _axis(picture: RepPicture) -> Iterator[str]:
    floor = TITLE + WORDS + 2 * LANE + GAP
    yield _line(LEFT, floor, WIDTH - RIGHT, floor, "axis")
    for value in range(math.ceil(picture.from_ms / 100) * 100, int(picture.to_ms) + 1, 100):
        x = picture.x(value)
        yield _line(x, floor, x, floor + 4, "axis")
        if value % 200 == 0:
            yield _text(x, floor + 17, f"{value}", "soft", "middle")
    yield _text(WIDTH / 2, floor + 34, "ms after the contact was heard by the recorder", "soft", "middle")


def _marks(picture: RepPicture) -> Iterator[str]:
    top, bottom = TITLE + WORDS, TITLE + WORDS + 2 * LANE + GAP
    words: list[tuple[float, str]] = []
    if picture.window_ms is not None:
        words.append((sum(map(picture.x, picture.window_ms)) / 2, "window"))
    if picture.doubt_ms is not None:
        for mark in picture.marks:
            if mark.kind == "touchdown":
                left, right = (picture.x(mark.at_ms + side * picture.doubt_ms) for side in (-1, 1))
                yield (
                    f'<rect class="doubt" x="{left:.1f}" y="{bottom - 7:.1f}" width="{max(right - left, 1.0):.1f}" '
                    'height="7"/>'
                )
    for mark in picture.marks:
        x = picture.x(mark.at_ms)
        yield _line(x, top - 4, x, bottom, f"mark {mark.kind}")
        words.append((x, mark.words))
    ends = [-math.inf] * WORD_ROWS
    for x, text in sorted(words):
        half = CHARACTER * len(text) / 2
        middle = min(max(x, LEFT + half), WIDTH - RIGHT - half)
        row = next((i for i, end in enumerate(ends) if end < middle - half), int(np.argmin(ends)))
        ends[row] = middle + half + 6
        yield _text(middle, top - 10 - WORD_ROW * row, text, "", "middle")


def _line(x1: float, y1: float, x2: float, y2: float, kind: str) -> str:
    return f'<line class="{kind}" x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}"/>'


def _text(x: float, y: float, text: str, kind: str, anchor: str = "start") -> str:
    style = f' class="{kind}"' if kind else ""
    return str(Markup(f'<text{style} x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}">') + text + Markup("</text>"))
