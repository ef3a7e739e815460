"""To look at and listen to: labels for a sound editor, and a picture of every rep (SVG), so that a grade can be seen.

A picture has two lanes: all sound, and what is left of it below 500 Hz, where feet are and our own cues are not. Marks
have words and their own dashes, so that colour only repeats them (Okabe and Ito's hues).

By hand: two outlines and a few lines, and matplotlib is 77 MB.
"""

from __future__ import annotations

import math
import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import count
from pathlib import Path

import numpy as np
from markupsafe import Markup, escape

from drilltimer.audio.files import as_text
from drilltimer.errors import RecordingError
from drilltimer.hear.picture import added_up
from drilltimer.model import Rep, Verdict
from drilltimer.recordings.audio_file import AudioFile
from drilltimer.recordings.reference import padded
from drilltimer.recordings.run import ScoredRecording
from drilltimer.recordings.writing import make_writable, write_text
from drilltimer.score.match import correction_ms
from drilltimer.ui.wording import english
from drilltimer.units import ms_from_s, s_from_ms

LABELS = "labels.txt"
PAGE = "index.html"
BEFORE_S, AFTER_S = 0.5, 1.2
LOW_HZ = 500.0
EDGE_S = 0.1  # of sound around a picture, so that its filter has settled

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


def annotate(recording: Path, scored: Sequence[ScoredRecording], out: Path) -> list[Path]:
    """Write label track, pictures and a page with all of them into the folder `out`; answers what was written.

    Raises
    ------
    RecordingError
        It cannot be written there.
    """
    make_writable(out, "--annotate")
    lines = sorted(line for each in scored for line in _labels(each))
    _write_labels(out / LABELS, "".join(f"{start_s:.6f}\t{end_s:.6f}\t{text}\n" for start_s, end_s, text in lines))
    written = [out / LABELS]
    with AudioFile(recording, salvage=True) as heard:
        for index, each in enumerate(scored):
            by_index = {rep.index: rep for rep in each.reps}
            for verdict in each.verdicts:
                picture = _picture(heard, each, by_index[verdict.rep], verdict)
                if picture is None:
                    continue
                prefix = f"drill-{index + 1}-" if len(scored) > 1 else ""
                path = out / f"{prefix}rep-{verdict.rep + 1:03d}.svg"
                write_text(path, draw(picture))
                written.append(path)
    write_text(out / PAGE, _page(recording.name, [path.name for path in written[1:]]))
    return [*written, out / PAGE]


def _write_labels(path: Path, text: str) -> None:
    """Write the label track; one that says something else, as edited in a sound editor, is set aside."""
    try:
        if os.path.isfile(path) and path.read_text(encoding="utf-8", errors="replace") != as_text(text):
            aside = (path.with_stem(f"{path.stem}-before-{number}") for number in count(1))
            path.rename(next(each for each in aside if not os.path.exists(each)))
    except OSError as fault:
        raise RecordingError(f"{path}: cannot be set aside: {fault.strerror or fault}") from fault
    write_text(path, text)


def _labels(scored: ScoredRecording) -> Iterator[tuple[float, float, str]]:
    """Moments and stretches of one drill, in seconds of the recording."""
    by_index = {rep.index: rep for rep in scored.reps}
    way_ms = correction_ms(scored.placement)
    for number, piece in enumerate(scored.pieces, start=1):
        text = f"{scored.sheet_file.name}, piece {number}: reps {piece.first_rep + 1} to {piece.last_rep + 1}"
        yield piece.from_s, piece.to_s, text
    for verdict in scored.verdicts:
        rep, name = by_index[verdict.rep], f"rep {verdict.rep + 1}"
        contact_s = _contact_s(scored, rep, verdict)
        if contact_s is None:
            continue
        grade = f"{verdict.grade.value}" + ("" if verdict.error_ms is None else f" {verdict.error_ms:+z.0f} ms")
        yield (
            contact_s,
            contact_s,
            f"{name} {'no contact' if rep.withheld else 'contact'}: {english().tell(verdict.void) or grade}",
        )
        if not rep.withheld:
            opens_s, closes_s = (contact_s + s_from_ms(ms + way_ms) for ms in (rep.window.open_ms, rep.window.close_ms))
            yield opens_s, closes_s, f"{name} window"
        for at_s, words in (
            (verdict.touchdown_s, "touchdown"),
            (verdict.second_touchdown_s, "second foot"),
            (verdict.first_step_s, "first step"),
        ):
            if at_s is not None:
                yield at_s, at_s, f"{name} {words}"


def _contact_s(scored: ScoredRecording, rep: Rep, verdict: Verdict) -> float | None:
    """When the contact was heard, or would have been; None where the recording does not hold it."""
    if verdict.contact_heard_s is not None:
        return verdict.contact_heard_s
    for piece in reversed(scored.pieces):
        at_s = (rep.contact_s + piece.offset_s) * (1.0 + piece.skew_ppm * 1e-6)
        if piece.first_rep <= rep.index <= piece.last_rep:
            return at_s
    return None


def _picture(heard: AudioFile, scored: ScoredRecording, rep: Rep, verdict: Verdict) -> RepPicture | None:
    contact_s = _contact_s(scored, rep, verdict)
    if contact_s is None:
        return None
    sound, low = _sound(heard, contact_s)
    way_ms = correction_ms(scored.placement)

    def after_ms(at_s: float) -> float:
        return ms_from_s(at_s - contact_s)

    marks = [PictureMark(0.0, "contact", "no contact (withheld)" if rep.withheld else "contact")]
    for at_s, kind, words, told_ms in (
        (verdict.touchdown_s, "touchdown", "touchdown", verdict.touchdown_ms),
        (verdict.second_touchdown_s, "second", "second foot", verdict.stagger_ms),
        (verdict.first_step_s, "step", "first step", verdict.first_step_ms),
    ):
        if at_s is not None and told_ms is not None:
            marks.append(PictureMark(after_ms(at_s), kind, f"{words} {told_ms:+z.0f} ms"))
    for cue in rep.cues:
        if cue.role == "call":
            marks.append(PictureMark(ms_from_s(rep.start_s + cue.at_s - rep.contact_s), "cue", f"call {cue.sound}"))
    window = None if rep.withheld else (rep.window.open_ms + way_ms, rep.window.close_ms + way_ms)
    return RepPicture(
        _title(rep, verdict),
        _below(scored, verdict, way_ms),
        sound,
        low,
        -ms_from_s(BEFORE_S),
        ms_from_s(AFTER_S),
        window,
        None if verdict.touchdown_s is None else verdict.uncertainty_ms,
        marks,
    )


def _title(rep: Rep, verdict: Verdict) -> str:
    parts = [f"Rep {verdict.rep + 1}", *([rep.call] if rep.call else [])]
    told = verdict.grade.value + (f": {english().tell(verdict.void)}" if verdict.void else "")
    if verdict.error_ms is not None:
        told += f", {verdict.error_ms:+z.0f} ms from the target"
    return f"{' '.join(parts)}: {told}"


def _below(scored: ScoredRecording, verdict: Verdict, way_ms: float) -> str:
    told = f"{Path(scored.recording).name}, {scored.sheet_file.name}"
    if verdict.touchdown_ms is not None and verdict.uncertainty_ms is not None:
        told += (
            f"; touchdown {verdict.touchdown_ms:.1f} ± {verdict.uncertainty_ms:.1f} ms after the contact, at the player"
        )
    return told + (f"; {way_ms:.1f} ms of sound travel are taken off" if way_ms else "")


def _sound(heard: AudioFile, contact_s: float) -> tuple[np.ndarray, np.ndarray]:
    """All sound around a contact, and what is left below `LOW_HZ`, no later than it was."""
    from scipy.signal import butter, sosfiltfilt

    edge = round(EDGE_S * heard.rate_hz)
    start = round((contact_s - BEFORE_S) * heard.rate_hz)
    frames = round((BEFORE_S + AFTER_S) * heard.rate_hz)
    wave = added_up(padded(heard)(start - edge, frames + 2 * edge)).astype(np.float64) / heard.channels
    low = sosfiltfilt(butter(2, (40.0, LOW_HZ), "bandpass", fs=heard.rate_hz, output="sos"), wave)
    return wave[edge : edge + frames], low[edge : edge + frames]


def _page(name: str, pictures: Sequence[str]) -> str:
    from markupsafe import escape

    images = "\n".join(f'<p><img src="{escape(each)}" alt="{escape(each)}"></p>' for each in pictures)
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{escape(name)}</title>\n<style>img{{max-width:100%}}</style>\n</head>\n<body>\n"
        f"<h1>{escape(name)}</h1>\n{images}\n</body>\n</html>\n"
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
