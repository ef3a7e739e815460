"""What was played: a cue sheet, its sound, and each contact as it lies in that sound."""

from __future__ import annotations

import os
from bisect import bisect_right
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from drilltimer.errors import RecordingError, SheetError
from drilltimer.hear.picture import added_up
from drilltimer.model import Samples
from drilltimer.recordings.audio_file import AudioFile
from drilltimer.recordings.cuesheet import CueSheet, SheetCue, SheetRep, contact_cue, sheet_from_json

MAX_SHEET_BYTES = 32_000_000  # ten thousand reps with all they can have take a third
CONTACT_S = 0.08  # a contact cue is taken to be no longer than this
NAMED = "A cue sheet's name ends in .cues.json; render and --record write it beside the sound."
FADED_SHARE = 0.03  # and to end where it stays below this share of its peak


@dataclass(frozen=True, slots=True)
class ReferenceContact:
    """A rep's contact in the played file: first frame, sound (None when withheld)."""

    rep: SheetRep
    start: int
    sound: np.ndarray | None


@dataclass(frozen=True, slots=True)
class Reference:
    """A sheet with its sound, open for reading. `contacts` are in order of time, withheld ones among them."""

    path: Path
    sheet: CueSheet
    file: AudioFile
    contacts: tuple[ReferenceContact, ...]

    @property
    def sounded(self) -> list[ReferenceContact]:
        """The contacts that sound."""
        return [contact for contact in self.contacts if contact.sound is not None]


def read_sheet(path: Path) -> CueSheet:
    """Read a cue sheet file.

    Raises
    ------
    SheetError
        Missing, no regular file, longer than any sheet, unreadable, or broken.
    """
    try:
        if os.path.exists(path) and not os.path.isfile(path):  # a device or pipe might never end
            raise SheetError(f"{path}: the cue sheet cannot be read: it is not a regular file", fix=NAMED)
        with path.open("rb") as file:
            raw = file.read(MAX_SHEET_BYTES + 1)
        if len(raw) > MAX_SHEET_BYTES:
            limit_mb = MAX_SHEET_BYTES // 1_000_000
            raise SheetError(f"{path}: is longer than {limit_mb} MB, which no cue sheet is", fix=NAMED)
        text = raw.decode()
    except FileNotFoundError as fault:
        raise SheetError(
            f"{path}: there is no such cue sheet", fix="render writes it beside its sound file."
        ) from fault
    except UnicodeDecodeError as fault:
        raise SheetError(f"{path}: the cue sheet cannot be read: it is not even text", fix=NAMED) from fault
    except OSError as fault:
        raise SheetError(f"{path}: the cue sheet cannot be read: {fault.strerror or fault}") from fault
    return sheet_from_json(text, str(path))


@contextmanager
def open_reference(sheet_file: Path) -> Iterator[Reference]:
    """Open a sheet and the sound beside it.

    Raises
    ------
    SheetError
        Sheet or sound are missing, broken, or do not belong together.
    """
    sheet = read_sheet(sheet_file)
    audio = sheet_file.parent / sheet.audio
    if not os.path.exists(audio):
        raise SheetError(
            f"{sheet_file}: its sound {sheet.audio!r} is missing beside it",
            why="A sheet is of use only together with the very sound that was played.",
            fix=f"Put {audio.name} into {audio.parent}.",
        )
    with faults_of_reference(sheet_file):
        file = AudioFile(audio)
    with file:
        if file.rate_hz != sheet.rate_hz:
            raise SheetError(
                f"{sheet_file}: rate_hz is {sheet.rate_hz}, but {audio.name} has {file.rate_hz} Hz",
                why="The sheet belongs to another sound file, or the sound was converted.",
                fix="Use the sound file that was rendered with this sheet.",
            )
        with faults_of_reference(sheet_file):
            contacts = tuple(_contacts(sheet, file))
        yield Reference(sheet_file, sheet, file, contacts)


@contextmanager
def faults_of_reference(sheet_file: Path) -> Iterator[None]:
    """Tell what is wrong with the played sound as its sheet's fault: the recording may be sound."""
    try:
        yield
    except RecordingError as fault:
        raise SheetError(
            f"{sheet_file}: the sound that was played cannot be read: {fault.what}",
            why=fault.why,
            fix="Copy it again from where it was rendered: a converted or mended one does not fit its sheet.",
        ) from fault


def padded(file: AudioFile) -> Callable[[int, int], Samples]:
    """Reader with zeros outside of the file."""

    def read(start: int, frames: int) -> Samples:
        out = np.zeros((frames, file.channels), np.float32)
        first, last = max(start, 0), min(start + frames, file.frames)
        if first < last:
            out[first - start : last - start] = file.read(first, last - first)
        return out

    return read


def _contacts(sheet: CueSheet, file: AudioFile) -> list[ReferenceContact]:
    cues = sorted(cue.at_s for rep in sheet.reps for cue in rep.cues)
    sounds: dict[bytes, np.ndarray] = {}  # a drill has few, its reps are many
    contacts = []
    for rep in sheet.reps:
        cue = contact_cue(rep)
        if cue is not None:
            sound = _contact_sound(cue, cues, file)
            same = sound if sound is None else sounds.setdefault(sound.tobytes(), sound)
            contacts.append(ReferenceContact(rep, round(cue.at_s * sheet.rate_hz), same))
        elif rep.contact_s is not None:
            contacts.append(ReferenceContact(rep, round(rep.contact_s * sheet.rate_hz), None))
    if not any(contact.sound is not None for contact in contacts):
        raise SheetError(f"none of the contacts of {file.path.name} has any sound", fix="Check the sheet's at_s.")
    return sorted(contacts, key=lambda contact: contact.start)


def _contact_sound(cue: SheetCue, cues: Sequence[float], file: AudioFile) -> np.ndarray | None:
    """The contact as played: to the next cue or until it has faded."""
    after = bisect_right(cues, cue.at_s + 1e-4)
    following_s = cues[after] if after < len(cues) else np.inf
    frames = round(min(CONTACT_S, following_s - cue.at_s) * file.rate_hz)
    sound = added_up(padded(file)(round(cue.at_s * file.rate_hz), frames))
    loud = np.flatnonzero(np.abs(sound) > FADED_SHARE * np.abs(sound).max(initial=0.0))
    return sound[: loud[-1] + 1].astype(np.float64) if len(loud) > 8 else None
