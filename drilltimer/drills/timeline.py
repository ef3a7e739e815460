"""A stretch of a laid-out drill as text: one row per kind of sound, one column per slice of time."""

from __future__ import annotations

from collections.abc import Sequence

from drilltimer.model import Cue, Rep
from drilltimer.units import s_from_ms

COLUMNS = 64
MOST_S = 32.0  # half a second a column; longer stretches are cut off
MARGIN_SHARE = 0.1  # room for the last call's name
LABELS = ("spoken", "lead-in", "contact", "window", "call", "known")
KEY = (
    "'x' contact, 'o' contact withheld, '=' window, '?' direction known, '~' swing, 't' toss, 'b' bounce, "
    "'r' own racket, '.' tick"
)
_MARKS = {"swing": "~", "toss": "t", "bounce": "b", "racket": "r", "tick": "."}


def timeline(reps: Sequence[Rep]) -> list[str]:
    """Drawing of the first rally among `reps`, with a scale in seconds from its first sound.

    A window is drawn at least one column wide, so that it can be seen; its place is right to half a column.
    """
    if not reps:
        return []
    begins_s = min((rep.start_s + _begin_s(cue) for rep in reps for cue in rep.cues), default=reps[0].start_s)
    lasts_s = max(_last_s(rep) for rep in reps) - begins_s
    ends_s = begins_s + min(lasts_s * (1.0 + MARGIN_SHARE), MOST_S)
    column_s = max((ends_s - begins_s) / COLUMNS, 1e-3)
    rows = {label: [" "] * COLUMNS for label in LABELS}

    def draw(label: str, at_s: float, text: str) -> None:
        first = int((at_s - begins_s) / column_s + 1e-9)
        if label in ("spoken", "call"):  # words follow each other, so that all can be read
            first = max([first, *(column + 2 for column, letter in enumerate(rows[label]) if letter != " ")])
        for offset, letter in enumerate(text):
            if 0 <= first + offset < COLUMNS:
                rows[label][first + offset] = letter

    for rep in reps:
        draw("contact", rep.contact_s, "o" if rep.withheld else "x")
        if not rep.withheld:
            opens_s, closes_s = (rep.contact_s + s_from_ms(t) for t in (rep.window.open_ms, rep.window.close_ms))
            draw("window", opens_s, "=" * max(1, round((closes_s - opens_s) / column_s)))
        for cue in rep.cues:
            label, text = _drawn(cue, column_s)
            if label:
                draw(label, rep.start_s + _begin_s(cue), text)
            if cue.role == "call" and cue.known_s is not None:
                draw("known", rep.start_s + cue.at_s + cue.known_s, "?")
    return [*(f"{label:8s}|{''.join(rows[label]).rstrip()}" for label in LABELS), *_scale(column_s)]


def first_rally(reps: Sequence[Rep], most: int = 5) -> list[Rep]:
    """The first reps that belong together: up to the first longer pause, and at most so many."""
    chosen: list[Rep] = []
    for rep in reps:
        if chosen and (len(chosen) >= most or rep.start_s > chosen[-1].end_s + 1e-6):
            break
        chosen.append(rep)
    return chosen


def _begin_s(cue: Cue) -> float:
    return cue.at_s - (cue.length_s or 0.0)


def _last_s(rep: Rep) -> float:
    return max([rep.contact_s, *(rep.start_s + cue.at_s for cue in rep.cues if cue.role != "feedback")])


def _drawn(cue: Cue, column_s: float) -> tuple[str, str]:
    """Row and text of a cue; no row for a contact, which every rep draws itself."""
    if cue.role == "contact":
        return "", ""
    if cue.role == "call":
        return "call", cue.sound
    if cue.sound in _MARKS:
        columns = max(1, round((cue.length_s or 0.0) / column_s))
        return "lead-in", _MARKS[cue.sound] * columns
    return "spoken", cue.sound


def _scale(column_s: float) -> list[str]:
    """Axis with a tick about every ten columns, at whole multiples of 0.5, 1, 2 or 5 s."""
    step_s = next(step for step in (0.5, 1.0, 2.0, 5.0) if step / column_s >= 8.0 or step == 5.0)
    line, numbers = [" "] * (COLUMNS + 8), [" "] * (COLUMNS + 8)
    tick = 0
    while (column := int(tick * step_s / column_s + 1e-9)) < COLUMNS:
        line[column] = "+"
        text = f"{tick * step_s:g}"
        numbers[column : column + len(text)] = text
        tick += 1
    axis = "".join("-" if letter == " " else letter for letter in line[:COLUMNS])
    return [f"{'':8s}+{axis}", f"{'seconds':8s} {''.join(numbers).rstrip()}"]
