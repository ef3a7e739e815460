"""Charts as inline SVG: no scripts, no fonts, readable at the width of a phone.

Colours come from the page's style sheet, so that light, dark and paper each have theirs. Shape repeats what colour
says: a round mark is on time, a triangle pointing left is early, one pointing right is late, a cross was missed.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from markupsafe import Markup

WIDTH = 360.0  # of the drawing's own units: about the pixels of a phone, so that text stays as big as text
LEFT, RIGHT, TOP, BOTTOM = 40.0, 12.0, 10.0, 34.0
MARK = 3.6


@dataclass(frozen=True, slots=True)
class Axis:
    """Values from `low` to `high` on drawing units from `start` to `end`; what lies outside is drawn at the edge."""

    low: float
    high: float
    start: float
    end: float

    def __call__(self, value: float) -> float:
        """Where a value is drawn."""
        share = (min(max(value, self.low), self.high) - self.low) / (self.high - self.low)
        return round(self.start + share * (self.end - self.start), 1)

    def ticks(self, most: int) -> list[float]:
        """Round values, `most` or fewer steps apart."""
        step = round_step((self.high - self.low) / most)
        first = math.ceil(self.low / step)
        return [count * step for count in range(first, math.floor(self.high / step) + 1)]


def round_step(least: float) -> float:
    """Smallest of 1, 2, 5, 10, 20, 50 ... that is no less than `least`."""
    power = 10.0 ** math.floor(math.log10(least))
    return next(factor * power for factor in (1.0, 2.0, 5.0, 10.0) if factor * power >= least * (1 - 1e-9))


@dataclass(frozen=True, slots=True)
class Dot:
    """A mark: `kind` is on, early, late or missed; `low` and `high` draw an interval through it."""

    x: float
    y: float
    kind: str
    low: float | None = None
    high: float | None = None


def strip(name: str, dots: Sequence[Dot], window: tuple[float, float], ends: tuple[float, float], told: str) -> Markup:
    """Touchdowns along one line of time against the window; the contact is at zero. `Dot.y` is 0 to 1, for room."""
    height = 120.0
    x, y = Axis(*ends, LEFT - 20, WIDTH - RIGHT), Axis(0, 1, TOP + 16, height - BOTTOM - 8)
    floor = height - BOTTOM
    parts = [_band(x(window[0]), TOP, x(window[1]) - x(window[0]), floor - TOP)]
    parts += [_text((x(window[0]) + x(window[1])) / 2, TOP + 10, "window", "middle", "window-word")]
    parts += [_line(x(0), TOP, x(0), floor, "zero"), _text(x(0) - 3, TOP + 10, "contact", "end")]
    parts += _bottom(x, floor, "touchdown, ms after the contact")
    parts += [_mark(x(dot.x), y(dot.y), dot.kind) for dot in dots]
    return _svg(name, height, parts, told)


def scatter(
    name: str,
    dots: Sequence[Dot],
    band: tuple[float, float] | None,
    ends: tuple[float, float, float, float],
    words: tuple[str, str],
    told: str,
    labels: Sequence[tuple[float, str]] = (),
) -> Markup:
    """Values in order: reps or sessions along the bottom, milliseconds upwards; `labels` stand instead of numbers."""
    height = 170.0
    floor = height - BOTTOM
    x, y = Axis(ends[0], ends[1], LEFT + 6, WIDTH - RIGHT - 6), Axis(ends[2], ends[3], floor, TOP + 12)
    parts = [_band(LEFT, y(band[1]), WIDTH - RIGHT - LEFT, y(band[0]) - y(band[1]))] if band else []
    for value in y.ticks(5):
        parts.append(_line(LEFT, y(value), WIDTH - RIGHT, y(value), "zero" if value == 0 else "grid"))
        parts.append(_text(LEFT - 4, y(value) + 4, f"{value:g}", "end"))
    parts.append(_text(2, TOP + 2, words[1], "start"))
    if labels:
        parts += [_text(x(value), floor + 14, label, "middle") for value, label in labels]
        parts.append(_text((LEFT + WIDTH - RIGHT) / 2, floor + 29, words[0], "middle"))
    else:
        parts += _bottom(x, floor, words[0])
    for dot in dots:
        if dot.low is not None and dot.high is not None:
            parts.append(_line(x(dot.x), y(dot.low), x(dot.x), y(dot.high), "interval"))
        parts.append(_mark(x(dot.x), y(dot.y), dot.kind))
    return _svg(name, height, parts, told)


def histogram(
    name: str, counts: Sequence[tuple[float, int]], step: float, band: tuple[float, float], told: str
) -> Markup:
    """How often which error: bars from each value, `step` wide, before the window."""
    height = 150.0
    floor = height - BOTTOM
    most = max((count for _, count in counts), default=0)
    edges = [value for value, _ in counts] or [0.0]
    x = Axis(min(*edges, band[0] - step), max(*edges, band[1]) + step, LEFT, WIDTH - RIGHT)
    y = Axis(0, max(most, 1), floor, TOP + 12)
    parts = [_band(x(band[0]), TOP, x(band[1]) - x(band[0]), floor - TOP)]
    for value in {float(round(tick)) for tick in y.ticks(4)}:
        parts.append(_line(LEFT, y(value), WIDTH - RIGHT, y(value), "grid"))
        parts.append(_text(LEFT - 4, y(value) + 4, f"{value:g}", "end"))
    for value, count in counts:
        kind = "early" if value + step <= band[0] else "late" if value >= band[1] else "on"
        bar = f'x="{x(value) + 0.5}" y="{y(count)}" width="{max(x(value + step) - x(value) - 1, 1):.1f}"'
        parts.append(Markup(f'<rect class="bar {kind}" {bar} height="{floor - y(count):.1f}"/>'))
    parts += [_line(x(0), TOP, x(0), floor, "zero"), *_bottom(x, floor, "error, ms: early < 0 > late")]
    parts.append(_text(2, TOP + 2, "reps", "start"))
    return _svg(name, height, parts, told)


def curve(
    name: str,
    points: Sequence[tuple[float, float]],
    line: Sequence[tuple[float, float]],
    band: tuple[float, float] | None,
    words: tuple[str, str],
    told: str,
) -> Markup:
    """Points with a curve through them; `band` is the interval of its lowest place along the bottom."""
    height = 170.0
    floor = height - BOTTOM
    across, upwards = [x for x, _ in points], [y for _, y in points]
    x = Axis(min(across), max(across) + 1.0, LEFT + 6, WIDTH - RIGHT - 6)
    y = Axis(min(upwards), max(upwards) + 1.0, floor, TOP + 12)
    parts = [_band(x(band[0]), TOP, x(band[1]) - x(band[0]), floor - TOP)] if band else []
    for value in y.ticks(5):
        parts.append(_line(LEFT, y(value), WIDTH - RIGHT, y(value), "grid"))
        parts.append(_text(LEFT - 4, y(value) + 4, f"{value:g}", "end"))
    parts += [_text(2, TOP + 2, words[1], "start"), *_bottom(x, floor, words[0])]
    parts += [_mark(x(at), y(value), "on") for at, value in points]
    path = " ".join(f"{x(at)},{y(value)}" for at, value in line)
    parts.append(Markup('<polyline class="curve" points="{}"/>').format(path))
    return _svg(name, height, parts, told)


def _svg(name: str, height: float, parts: Sequence[Markup], told: str) -> Markup:
    head = Markup('<svg id="{}" viewBox="0 0 {} {}" role="img" aria-label="{}">')
    return head.format(name, int(WIDTH), int(height), told) + Markup("").join(parts) + Markup("</svg>")


def _bottom(x: Axis, floor: float, word: str) -> list[Markup]:
    parts = [_line(x.start, floor, x.end, floor, "axis")]
    for value in x.ticks(6):
        parts.append(_line(x(value), floor, x(value), floor + 3, "axis"))
        parts.append(_text(x(value), floor + 14, f"{value:g}", "middle"))
    return [*parts, _text((x.start + x.end) / 2, floor + 29, word, "middle")]


def _band(x: float, y: float, width: float, height: float) -> Markup:
    return Markup(f'<rect class="window" x="{x:.1f}" y="{y:.1f}" width="{width:.1f}" height="{height:.1f}"/>')


def _line(x1: float, y1: float, x2: float, y2: float, kind: str) -> Markup:
    return Markup(f'<line class="{kind}" x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}"/>')


def _text(x: float, y: float, text: str, anchor: str, kind: str = "") -> Markup:
    """Words at a place; adding them to `Markup` escapes them."""
    style = f' class="{kind}"' if kind else ""
    return Markup(f'<text{style} x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}">') + text + Markup("</text>")


def _mark(x: float, y: float, kind: str) -> Markup:
    size = MARK
    match kind:
        case "early":
            shape = f'path d="M{x - size:.1f} {y:.1f}l{2 * size} {-size}v{2 * size}z"'
        case "late":
            shape = f'path d="M{x + size:.1f} {y:.1f}l{-2 * size} {-size}v{2 * size}z"'
        case "missed":
            shape = (
                f'path d="M{x - size:.1f} {y - size:.1f}l{2 * size} {2 * size}m0 {-2 * size}l{-2 * size} {2 * size}"'
            )
        case _:
            shape = f'circle cx="{x:.1f}" cy="{y:.1f}" r="{size}"'
    return Markup(f'<{shape} class="mark {kind}"/>')
