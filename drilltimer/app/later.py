"""A recording made by any recorder, scored against the cue sheet of what was played."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from math import gcd
from pathlib import Path

import numpy as np

from drilltimer.audio.recording import AudioFile
from drilltimer.drill.cuesheet import CueSheet, SheetCue, SheetRep, contact_cue, sheet_from_json
from drilltimer.errors import RecordingError, SheetError
from drilltimer.hear.align import Alignment, Contact, Trace, align
from drilltimer.hear.ear import Ear
from drilltimer.hear.listen import Listener
from drilltimer.hear.signature import Form
from drilltimer.hear.warp import ClockMap, added_up, warp_played
from drilltimer.model import Block, Cue, Health, Heard, Placement, Rep, Samples, Scores, Verdict, Window
from drilltimer.score.match import judge
from drilltimer.score.stats import summarize
from drilltimer.session import hearing_ranges
from drilltimer.sound.signature import render_glides

CONTACT_S = 0.08  # a contact cue is taken to be no longer than this
FADED_SHARE = 0.03  # and to end where it stays below this share of its peak
LAGS_S = (-0.03, 0.03)  # what the fitted clock leaves open
PIECE_S = 10.0
LEARNING_REPS = 30  # by then the room is known; the rest of a long recording is heard once
SIGNATURE_RATE_HZ = 7000  # the lowest at which signatures are looked for
DEFAULT_WINDOW = Window(73.0, 133.0, 193.0)  # club level, serve return: for sheets that name none


@dataclass(frozen=True, slots=True)
class Scored:
    """A recording, scored."""

    recording: str
    clock: ClockMap
    reps: tuple[Rep, ...]
    verdicts: tuple[Verdict, ...]
    scores: Scores
    health: Health


def read_sheet(path: Path) -> CueSheet:
    """Read a cue sheet file."""
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError as fault:
        raise SheetError(
            f"{path}: there is no such cue sheet", fix="render writes it beside its sound file."
        ) from fault
    except (OSError, UnicodeDecodeError) as fault:
        raise SheetError(f"{path}: the cue sheet cannot be read: {fault}") from fault
    return sheet_from_json(text, str(path))


def score_recording(recording: Path, sheet_file: Path, placement: Placement | None = None) -> Scored:
    """Score a recording.

    Parameters
    ----------
    recording : Path
        WAV, FLAC, OGG or MP3, any rate, any number of channels.
    sheet_file : Path
    placement : Placement, optional
        Instead of the sheet's.
    """
    sheet = read_sheet(sheet_file)
    audio = sheet_file.parent / sheet.audio
    if not audio.exists():
        raise SheetError(
            f"{sheet_file}: its sound {sheet.audio!r} is missing beside it",
            why="A sheet is of use only together with the very sound that was played.",
            fix=f"Put {audio.name} into {audio.parent}.",
        )
    with AudioFile(audio) as played, AudioFile(recording) as heard:
        if played.rate_hz != sheet.rate_hz:
            raise SheetError(
                f"{sheet_file}: rate_hz is {sheet.rate_hz}, but {audio.name} has {played.rate_hz} Hz",
                why="The sheet belongs to another sound file, or the sound was converted.",
                fix="Use the sound file that was rendered with this sheet.",
            )
        pieces = _contacts(sheet, played)
        alignment = _align(pieces, played, heard)
        if alignment is None:
            raise RecordingError(
                f"{recording}: no contact cue of {sheet_file.name} is heard in it",
                why="It may be the wrong sheet, or the recorder was too far from the loudspeaker.",
                fix="Check which sheet was played, and whether the contacts can be heard in the recording.",
            )
        listener, found = _listen(sheet, pieces, alignment.clock, played, heard)
        window = sheet.window or DEFAULT_WINDOW
        reps = tuple(_rep(each, window) for each in sheet.reps)
        by_index = {rep.index: rep for rep in reps}
        place = placement or sheet.placement
        verdicts = tuple(judge(each, by_index[each.rep], place, heard.rate_hz) for each in found)
    counted = [verdict for verdict in verdicts if not by_index[verdict.rep].warm_up]
    health = Health(
        round_trip_sd_ms=listener.round_trip_sd_ms,
        drift_ppm=alignment.clock.skew_ppm,
        noise_db=listener.noise_db,
        own_left_db=listener.own_left_db,
        notes=_notes(alignment, sheet),
    )
    return Scored(str(recording), alignment.clock, reps, verdicts, summarize(counted), health)


def _notes(alignment: Alignment, sheet: CueSheet) -> tuple[str, ...]:
    notes = [f"{alignment.found} of {alignment.inside} contacts in the recording were heard"]
    if sheet.window is None:
        notes.append("the sheet names no window; the serve return's at club level was used")
    return tuple(notes)


@dataclass(frozen=True, slots=True)
class _Piece:
    """A rep's contact in the played file: first frame, sound (None when withheld)."""

    rep: SheetRep
    start: int
    sound: np.ndarray | None


def _contacts(sheet: CueSheet, played: AudioFile) -> list[_Piece]:
    cues = sorted(cue.at_s for rep in sheet.reps for cue in rep.cues)
    sounds: dict[bytes, np.ndarray] = {}  # a drill has few, its reps are many
    pieces = []
    for rep in sheet.reps:
        cue = contact_cue(rep)
        if cue is not None:
            start = round(cue.at_s * sheet.rate_hz)
            sound = _contact_sound(cue, cues, played)
            same = sound if sound is None else sounds.setdefault(sound.tobytes(), sound)
            pieces.append(_Piece(rep, start, same))
        elif rep.contact_s is not None:
            pieces.append(_Piece(rep, round(rep.contact_s * sheet.rate_hz), None))
    if not any(piece.sound is not None for piece in pieces):
        raise SheetError(f"none of the contacts of {played.path.name} has any sound", fix="Check the sheet's at_s.")
    return sorted(pieces, key=lambda piece: piece.start)


def _contact_sound(cue: SheetCue, cues: Sequence[float], played: AudioFile) -> np.ndarray | None:
    """The contact as played: to the next cue or until it has faded."""
    following_s = min((at_s for at_s in cues if at_s > cue.at_s + 1e-4), default=np.inf)
    frames = round(min(CONTACT_S, following_s - cue.at_s) * played.rate_hz)
    sound = added_up(_padded(played)(round(cue.at_s * played.rate_hz), frames))
    loud = np.flatnonzero(np.abs(sound) > FADED_SHARE * np.abs(sound).max(initial=0.0))
    return sound[: loud[-1] + 1].astype(np.float64) if len(loud) > 8 else None


def _padded(file: AudioFile) -> Callable[[int, int], Samples]:
    """Reader with zeros outside of the file."""

    def read(start: int, frames: int) -> Samples:
        out = np.zeros((frames, file.channels), np.float32)
        first, last = max(start, 0), min(start + frames, file.frames)
        if first < last:
            out[first - start : last - start] = file.read(first, last - first)
        return out

    return read


def _align(pieces: Sequence[_Piece], played: AudioFile, heard: AudioFile) -> Alignment | None:
    sounds = {id(piece.sound): piece.sound for piece in pieces if piece.sound is not None}
    kinds = list(sounds.values())[:4]  # a drill has one or two contact sounds
    common = gcd(played.rate_hz, heard.rate_hz)
    up, down = heard.rate_hz // common, played.rate_hz // common
    templates = {key: _resampled(sound, up, down) for key, sound in sounds.items()}
    contacts = [
        Contact(piece.start / played.rate_hz, templates[id(piece.sound)]) for piece in pieces if piece.sound is not None
    ]
    recorded = _trace(heard, [_resampled(sound, up, down) for sound in kinds])
    own = _trace(played, kinds)
    read = _padded(heard)
    return align(
        recorded,
        own,
        contacts,
        lambda start, frames: added_up(read(start, frames)) / np.float32(heard.channels),
        heard.rate_hz,
        heard.frames / heard.rate_hz,
    )


def _resampled(sound: np.ndarray, up: int, down: int) -> np.ndarray:
    from scipy.signal import resample_poly

    return sound if up == down else np.asarray(resample_poly(sound, up, down))


def _trace(file: AudioFile, templates: list[np.ndarray]) -> np.ndarray:
    trace = Trace(file.rate_hz, templates)
    for block in file.blocks(round(PIECE_S * file.rate_hz)):
        trace.feed(added_up(block) / np.float32(file.channels))
    trace.feed(np.zeros(file.rate_hz))
    return trace.values()


def _listen(
    sheet: CueSheet, pieces: Sequence[_Piece], clock: ClockMap, played: AudioFile, heard: AudioFile
) -> tuple[Listener, list[Heard]]:
    """Hear the recording's beginning twice: what the first hearing learned of room and player sharpens the second."""
    marks = []
    for piece in pieces:
        at = round(clock.recorded_s(piece.start / played.rate_hz) * heard.rate_hz)
        frames = 0 if piece.sound is None else round(len(piece.sound) * heard.rate_hz / played.rate_hz)
        if 0 <= at < heard.frames:
            marks.append((piece.rep.rep, at, frames, piece.rep.withheld))
    ahead = list(hearing_ranges(marks, heard.rate_hz))
    ears: list[Ear] | None = None
    for reps in (LEARNING_REPS, len(ahead)):
        listener = Listener(heard.rate_hz, heard.channels, LAGS_S, ears, known_lag_s=0.0)
        for expected in ahead[:reps]:
            listener.expect(expected)
        found: list[Heard] = []
        for block in _blocks(played, heard, clock):
            found += listener.feed(block)
            if len(found) == min(reps, len(ahead)):
                break
        found += listener.finish()
        ears = listener.ears
    answered = {each.rep for each in found}
    for rep in sheet.reps:
        if rep.rep not in answered:
            found.append(Heard(rep.rep, None, False, None, "the recording does not hold this rep"))
    order = {rep.rep: place for place, rep in enumerate(sheet.reps)}
    return listener, sorted(found, key=lambda each: order[each.rep])


def _blocks(played: AudioFile, heard: AudioFile, clock: ClockMap) -> Iterator[Block]:
    """The recording block by block, beside what was played at that time, on the recording's clock."""
    read, start = _padded(played), 0
    for samples in heard.blocks(heard.rate_hz):
        yield Block(start, samples, warp_played(read, played.rate_hz, start, len(samples), heard.rate_hz, clock))
        start += len(samples)


def _rep(sheet: SheetRep, window: Window) -> Rep:
    contact = contact_cue(sheet)
    contact_s = contact.at_s if contact else sheet.contact_s or sheet.start_s
    return Rep(
        sheet.rep,
        sheet.start_s,
        sheet.start_s,
        contact_s,
        tuple(Cue(cue.role, cue.sound, cue.at_s - sheet.start_s) for cue in sheet.cues if cue.role == "call"),
        sheet.call,
        sheet.window or window,
        sheet.mode,
        sheet.withheld,
        sheet.warm_up,
    )


def signature_form(rate_hz: int) -> Form:
    """What signatures look like in a recording of that rate, at the lower rate at which they are looked for."""
    rate = rate_hz / max(1, rate_hz // SIGNATURE_RATE_HZ)
    glides = render_glides(rate)
    return Form(glides.preamble, glides.up, glides.down, glides.first_slot_s, glides.slot_s, glides.slots, rate)


def with_distance(placement: Placement, distance_m: float | None, air_c: float | None) -> Placement:
    """A player at `distance_m` from loudspeaker and microphone that stand together."""
    if distance_m is not None:
        placement = replace(placement, speaker_to_player_m=distance_m, player_to_mic_m=distance_m)
    return placement if air_c is None else replace(placement, air_c=air_c)
