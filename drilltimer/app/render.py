"""A drill as a sound file to take along, with its cue sheet."""

from __future__ import annotations

from pathlib import Path

from drilltimer.app.keep import sheet_path, write_text
from drilltimer.app.plan import Plan, load_bank, make_sheet
from drilltimer.audio.writing import AudioWriter
from drilltimer.drill.cuesheet import sheet_to_json
from drilltimer.model import Placement
from drilltimer.session import place_cues
from drilltimer.sound.mixer import Mixer
from drilltimer.units import frames_from_s

BLOCK_FRAMES = 65_536
TAIL_S = 1.0


def render_plan(plan: Plan, path: Path, placement: Placement, rate_hz: int, channels: int) -> Path:
    """Write the session's sound to `path` and its cue sheet beside it; answers the sheet's path. Memory stays flat."""
    bank = load_bank(plan, rate_hz)
    plays = [play for rep in plan.reps for play in place_cues(rep, bank, rate_hz)]
    mixer = Mixer(rate_hz, channels)
    for play in plays:
        mixer.add(play.start, play.sound, play.cue.pan, play.cue.gain_db)
    last = max((play.start + len(play.sound.samples) for play in plays), default=0)
    end = max(last, frames_from_s(plan.length_s, rate_hz)) + frames_from_s(TAIL_S, rate_hz)
    with AudioWriter(path, rate_hz, channels) as writer:
        for start in range(0, end, BLOCK_FRAMES):
            writer.write(mixer.mix(start, min(BLOCK_FRAMES, end - start)))
    sheet = sheet_path(path)
    write_text(sheet, sheet_to_json(make_sheet(plan, plays, rate_hz, 0, path.name, placement)))
    return sheet
