"""A drill as a sound file to take along, with its cue sheet.

Two passes of the mixer, the second with the gain that the first one measured, keep memory flat: 1.93 h at 48 kHz in two
channels take 39 s and 132 MB at peak, ten minutes 125 MB (measured 2026-11-25).
"""

from __future__ import annotations

import contextlib
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from drilltimer.app.plan import Plan, load_bank
from drilltimer.errors import RecordingError
from drilltimer.model import Placement, Samples, Sound
from drilltimer.recordings.cuesheet import CODE_DIGITS, SheetSignature, code_of_reps, sheet_to_json
from drilltimer.recordings.session_recorder import make_sheet
from drilltimer.recordings.signature import LENGTH_S, PAUSE_S, render_signature
from drilltimer.recordings.writing import AudioWriter, sheet_path, write_text
from drilltimer.session import place_cues
from drilltimer.sound.loudness import LoudnessMeter
from drilltimer.sound.mixer import MASTER_DB, Mixer
from drilltimer.sound.shape import PEAK_DB
from drilltimer.units import db_from_ratio, frames_from_s

BLOCK_FRAMES = 65_536
TAIL_S = 1.0


@dataclass(frozen=True, slots=True)
class Rendered:
    """What was written: the sheet's path and code, and how loud the sound is."""

    sheet: Path
    code: str | None
    loudness_lufs: float
    peak_db: float


def render_plan(
    plan: Plan,
    path: Path,
    placement: Placement,
    rate_hz: int,
    channels: int,
    *,
    signature: bool = False,
    loudness_lufs: float | None = None,
) -> Rendered:
    """Write the session's sound to `path` and its cue sheet beside it. Memory stays flat.

    Parameters
    ----------
    placement : Placement
        Goes into the sheet.
    signature : bool
        Begin with the sheet's code in sound.
    loudness_lufs : float, optional
        Integrated loudness to reach, as far as peaks of -1 dBFS allow; left as mixed when None.
    """
    bank = load_bank(plan, rate_hz)
    zero, code = 0, None
    opening: list[tuple[int, Sound, float, float]] = []
    if signature:
        number = code_of_reps(plan.drill.name, plan.reps)
        code = f"{number:0{CODE_DIGITS}x}"
        opening = [(0, render_signature(number, rate_hz), 0.0, 0.0)]
        zero = frames_from_s(LENGTH_S + PAUSE_S, rate_hz)
    plays = [play for rep in plan.reps for play in place_cues(rep, bank, rate_hz, zero)]
    placed = opening + [(play.start, play.sound, play.cue.pan, play.cue.gain_db) for play in plays]
    last = max((start + len(sound.samples) for start, sound, _, _ in placed), default=0)
    end = max(last, zero + frames_from_s(plan.length_s, rate_hz)) + frames_from_s(TAIL_S, rate_hz)

    gain_db = 0.0
    meter = _measure(_mixed(placed, end, rate_hz, channels, gain_db), rate_hz, channels)
    if loudness_lufs is not None and math.isfinite(meter.lufs()):
        gain_db = min(loudness_lufs - meter.lufs(), PEAK_DB - db_from_ratio(meter.peak))
    sheet = sheet_path(path)
    told = SheetSignature(code, 0.0) if code else None
    with _whole_or_none(path):
        with AudioWriter(path, rate_hz, channels) as writer:
            for block in _mixed(placed, end, rate_hz, channels, gain_db):
                writer.write(block)
        content = make_sheet(plan, plays, rate_hz, zero, path.name, placement, signature=told)
        write_text(sheet, sheet_to_json(content))
    return Rendered(sheet, code, meter.lufs() + gain_db, db_from_ratio(meter.peak) + gain_db)


@contextlib.contextmanager
def _whole_or_none(path: Path) -> Iterator[None]:
    """Leave no sound behind that was interrupted, or lacks its sheet: the next attempt would find its name taken."""
    try:
        yield
    except BaseException as fault:
        with contextlib.suppress(OSError):
            path.unlink(missing_ok=True)
        if isinstance(fault, RecordingError):
            fault.fix = "Nothing of it was left behind. Free some space, or write to another disk."
        raise


def _mixed(
    placed: Sequence[tuple[int, Sound, float, float]], end: int, rate_hz: int, channels: int, gain_db: float
) -> Iterator[Samples]:
    """The sound block by block; a play is handed to the mixer, which copies it, only when it is due."""
    mixer = Mixer(rate_hz, channels)
    mixer.master_db = MASTER_DB + gain_db
    waiting = sorted(placed, key=lambda each: -each[0])
    for start in range(0, end, BLOCK_FRAMES):
        frames = min(BLOCK_FRAMES, end - start)
        while waiting and waiting[-1][0] < start + frames:
            mixer.add(*waiting.pop())
        yield mixer.mix(start, frames)


def _measure(blocks: Iterator[Samples], rate_hz: int, channels: int) -> LoudnessMeter:
    meter = LoudnessMeter(rate_hz, channels)
    for block in blocks:
        meter.feed(block)
    return meter
