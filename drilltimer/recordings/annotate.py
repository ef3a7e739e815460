"""To look at and listen to: labels for a sound editor, and a picture of every rep, so that a grade can be seen."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from itertools import count
from pathlib import Path

import numpy as np

from drilltimer.audio.paths import as_text
from drilltimer.errors import RecordingError
from drilltimer.hear.picture import added_up
from drilltimer.model import Rep, Verdict
from drilltimer.recordings.audio_file import AudioFile
from drilltimer.recordings.picture import PictureMark, RepPicture, draw
from drilltimer.recordings.reference import padded
from drilltimer.recordings.run import ScoredRecording
from drilltimer.recordings.writing import write_text
from drilltimer.score.match import correction_ms
from drilltimer.ui.wording import english
from drilltimer.units import ms_from_s, s_from_ms

LABELS = "labels.txt"
PAGE = "index.html"
BEFORE_S, AFTER_S = 0.5, 1.2
LOW_HZ = 500.0
EDGE_S = 0.1  # of sound around a picture, so that its filter has settled


def annotate(recording: Path, scored: Sequence[ScoredRecording], out: Path) -> list[Path]:
    """Write label track, pictures and a page with all of them into the folder `out`; answers what was written.

    Raises
    ------
    RecordingError
        It cannot be written there.
    """
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as fault:
        raise RecordingError(f"{out}: cannot be made: {fault.strerror or fault}") from fault
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
    way_ms = correction_ms(scored.standing.likeliest)
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
    way_ms = correction_ms(scored.standing.likeliest)

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
