"""Recordings read from disk: whole, or piece by piece from any place, without trusting their headers.

libsndfile seeks OGG and MP3 to wrong frames, and locating contacts jumps about: they are decoded into a temporary file
when somebody first goes back. A codec puts silence before the sound (MP3 and AAC tens of ms); contact and landing move
together.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterator
from functools import partial
from pathlib import Path
from tempfile import TemporaryDirectory
from types import TracebackType
from typing import Any, Self

import numpy as np

from drilltimer.audio.files import expanded, for_libsndfile
from drilltimer.audio.stderr import hushed_stderr
from drilltimer.errors import Notice, RecordingError, notice
from drilltimer.model import Samples
from drilltimer.recordings.decode import absurd, decode, kind_of, room_for
from drilltimer.recordings.salvage import (
    PADDING_FRAMES,
    UNKNOWN_LENGTH_BYTES,
    Salvage,
    ends_early,
    is_cut,
    is_whole,
    no_numbers,
    told_no_numbers,
)
from drilltimer.recordings.writing import SESSION
from drilltimer.ui.wording import english
from drilltimer.units import s_from_frames

UNKNOWN_FRAMES = 2**62  # of FLAC that was streamed, or whose recorder was stopped
# Measured: libsndfile 1.2 lands on another frame in half of all seeks in OGG Vorbis, and MP3 glitches after each.
EXACT_SEEK_FORMATS = frozenset({"WAV", "WAVEX", "RF64", "W64", "FLAC", "AIFF", "CAF"})
FLOATING = frozenset({"FLOAT", "DOUBLE"})  # whose samples need not be numbers
PLAIN_FORMATS = EXACT_SEEK_FORMATS - {"FLAC"}  # whose samples lie there as they are: the header tells all
SKIP_FRAMES = 65_536
CUT = "The copy was not finished, or the recorder lost power."
WHOLE = (
    "What can be read of it was scored, and goes into no history, where a better copy would count once more. Copy it "
    "again; if there is no more of it, a sound editor makes a whole file of what there is."
)
NO_NUMBERS = "The program that wrote it had a fault."
ANEW = "Have it written anew where it comes from, with samples of 16 or 24 bits."
LEFT = f"What is left of it was scored, and goes into no history, where a better copy would count once more. {ANEW}"
AGAIN = "Copy it again from where it was recorded."
CONVERT = "Convert it with a sound editor, and score the result."


_SESSION = re.compile(rf"{SESSION}(?P<uid>\w+)")


class AudioFile:
    """A sound or video file, open for reading. A context manager.

    Any place can be read, to the exact frame. The seeking of OGG and MP3 is not exact: when somebody first goes back
    they are decoded into a temporary file. What libsndfile cannot read is decoded so at once, by `recordings/decode`.

    Parameters
    ----------
    salvage : bool
        Whether what can be read of a damaged file is better than nothing; `damage` then says what is wrong with it.

    Attributes
    ----------
    frames : int
        As promised by the header; `read` finds out if that was true. With `salvage`, as can be read.
    damage : Notice | None
        None where the file is whole, or was not looked through.
    session : str
        Uid of the session that it was recorded in, where its comment says so.

    Raises
    ------
    RecordingError
        Missing, a folder, unreadable, empty, not a sound file, cut short, without a frame, or its header is absurd.
    """

    def __init__(self, path: str | Path, *, salvage: bool = False) -> None:
        self.path = expanded(path)
        self.damage: Notice | None = None
        said = ""
        self._silences = False  # what is no finite number
        self._lacks_sound = False
        self._decoded: TemporaryDirectory[str] | None = None
        refuse_no_file(self.path)
        try:
            self._file = _open(self.path, kind_of(self.path))
        except NeedsDecoderError as needs:
            self._decoded, said = decode(self.path, *needs.args)
            self._file = _open(Path(self._decoded.name) / "sound.flac")
        self._at = 0
        try:
            told = _SESSION.search(str(self._file.comment))
            self.session = told["uid"] if told else ""
            self.rate_hz = int(self._file.samplerate)
            self.channels = int(self._file.channels)
            self.frames = int(self._file.frames)
            if said:
                length_s = s_from_frames(self.frames, self.rate_hz)
                self.damage = notice("damaged_decoder", seconds=round(length_s, 1), why=said)
            self._refuse_absurd(salvage)
            if salvage:
                self._salvage()
            elif self.damage:
                raise self._broken(self.damage, why=CUT, fix=AGAIN)
        except BaseException:
            self.close()
            raise

    def _salvage(self) -> None:
        """Look the file through, and go on with what can be read of it where it is not whole."""
        if self._decoded is None and self._file.format not in PLAIN_FORMATS:
            again = partial(_open, self.path)
            seeks = self._file.format in EXACT_SEEK_FORMATS
            if seeks:
                with again() as looked_at:
                    if is_whole(looked_at):
                        return
            source = Salvage(again, seeks=seeks)
            self._settle(source.pieces())
            self.damage, self.frames = source.damage(), source.frames
            if not self.frames:
                raise self._broken(self.damage or "there is no sound in it", why=CUT, fix=AGAIN)
        if not self.damage and is_cut(self.path):
            length_s = s_from_frames(self.frames, self.rate_hz)
            self.damage = notice("shorter_file", seconds=round(length_s, 1))
        self._lacks_sound = bool(self.damage)
        if self._decoded is None and self._file.subtype in FLOATING:
            self._silence_no_numbers()

    def _silence_no_numbers(self) -> None:
        """Look for samples that are no finite numbers; the rest of such a file is of use."""
        self._silences = True
        lost, first = no_numbers(self._read(start, SKIP_FRAMES) for start in range(0, self.frames, SKIP_FRAMES))
        if lost == self.frames * self.channels:
            raise self._broken("none of its samples is a finite number", why=NO_NUMBERS, fix=ANEW)
        if lost:
            self.damage = told_no_numbers(self.damage, lost, first, self.rate_hz)

    def _refuse_absurd(self, salvage: bool) -> None:
        if doubt := absurd(self.rate_hz, self.channels):
            raise self._broken(doubt)
        if self.frames <= 0:
            raise self._broken("there is no sound in it", why="The recorder was stopped before it wrote anything.")
        promised = re.search(r"^ *(?:data|SSND) : (\d+) \(should be (\d+)\)", self._file.extra_info, re.MULTILINE)
        if promised and int(promised[2]) < int(promised[1]) < UNKNOWN_LENGTH_BYTES:
            share = int(promised[2]) / int(promised[1])
            whole = round(self.frames / share) if share else self.frames
            if not salvage:
                raise self._cut_short(self.frames, whole)
            self.damage = ends_early(self.frames, whole, self.rate_hz)

    def fault(self) -> RecordingError | None:
        """What is wrong with a file of which as much as can be read was used; None where it is whole."""
        if not self.damage:
            return None
        why, fix = (CUT, WHOLE) if self._lacks_sound else (NO_NUMBERS, LEFT)
        return self._broken(self.damage, why=why, fix=fix)

    def read(self, start: int, frames: int) -> Samples:
        """Frames `start` to `start + frames`, fewer at the end.

        With `salvage`, samples that are no finite numbers are silence.

        Returns
        -------
        float32 array, shape (n, channels)
            Full scale is +-1, which compressed sound may exceed.

        Raises
        ------
        RecordingError
            The file ends before the header's length, is damaged there, or holds NaN or infinite samples.
        ValueError
            Negative start or length.
        """
        samples = self._read(start, frames)
        lost, first = no_numbers([samples])
        if lost and not self._silences:
            at_s = s_from_frames(start + first, self.rate_hz)
            raise self._broken(f"the sample at {at_s:.3f} s is not a finite number", why=NO_NUMBERS)
        if lost:
            samples[~np.isfinite(samples)] = 0.0
        return samples

    def _read(self, start: int, frames: int) -> Samples:
        """Frames as they are, whether they are numbers or not."""
        if start < 0 or frames < 0:
            raise ValueError(f"cannot read {frames} frames from frame {start}")
        wanted = min(frames, self.frames - start)
        if wanted <= 0:
            return np.zeros((0, self.channels), np.float32)
        import soundfile

        try:
            with hushed_stderr():
                self._go_to(start)
                samples: Samples = self._file.read(wanted, dtype="float32", always_2d=True)
                if self._file.format not in EXACT_SEEK_FORMATS:
                    np.clip(samples, -1.0, 1.0, out=samples)  # as it will be when it is read a second time
        except (soundfile.LibsndfileError, OSError, RuntimeError) as fault:
            raise self._damaged(start, fault) from fault
        missing, found = wanted - len(samples), start + len(samples)
        self._at = found
        if missing and (self.frames - found > PADDING_FRAMES or not found):
            raise self._cut_short(found, self.frames)
        return np.pad(samples, ((0, missing), (0, 0))) if missing else samples

    def _go_to(self, start: int) -> None:
        if self._at == start:
            return
        if self._file.format in EXACT_SEEK_FORMATS:
            self._file.seek(start)
            self._at = start
            return
        if self._at > start:
            self._settle(self._pieces())  # somebody goes back
            self._file.seek(start)
            self._at = start
            return
        while self._at < start and (skipped := len(self._file.read(min(SKIP_FRAMES, start - self._at)))):
            self._at += skipped

    def _settle(self, pieces: Iterator[Samples]) -> None:
        """Keep it, decoded, in a file in which every place is as near as another."""
        import soundfile

        self._file.close()
        folder = TemporaryDirectory(prefix="drilltimer-")
        self._decoded = folder
        target = Path(folder.name) / "sound.flac"
        shape = (self.rate_hz, self.channels)
        with room_for(self.path, target), soundfile.SoundFile(target, "w", *shape, "PCM_24", format="FLAC") as sink:
            for samples in pieces:
                sink.write(samples)
        self._file, self._at = _open(target), 0

    def _pieces(self) -> Iterator[Samples]:
        """All of the file in order; damage is told as such, not as want of room for what is read."""
        import soundfile

        at = 0
        try:
            with _open(self.path) as source:
                while len(samples := source.read(SKIP_FRAMES, dtype="float32", always_2d=True)):
                    at += len(samples)
                    yield samples
        except (soundfile.LibsndfileError, OSError, RuntimeError) as fault:
            raise self._damaged(at, fault) from fault

    def blocks(self, frames: int = 65_536) -> Iterator[Samples]:
        """Every frame in order, `frames` at a time."""
        for start in range(0, self.frames, frames):
            yield self.read(start, frames)

    def close(self) -> None:
        """Close it; may be called twice."""
        self._file.close()
        if self._decoded is not None:
            self._decoded.cleanup()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, fault: BaseException | None, at: TracebackType | None) -> None:
        self.close()

    def _cut_short(self, found: int, promised: int) -> RecordingError:
        return self._broken(
            f"it ends after {s_from_frames(found, self.rate_hz):.1f} s, its header promises "
            f"{s_from_frames(promised, self.rate_hz):.1f} s",
            why=CUT,
            fix=f"Copy it again; if there is no more of it: {CONVERT}",
        )

    def _damaged(self, after: int, fault: Exception) -> RecordingError:
        return self._broken(
            f"it is damaged or cut short somewhere after {s_from_frames(after, self.rate_hz):.1f} s",
            why=f"The decoder says: {fault}",
            fix=AGAIN,
        )

    def _broken(self, message: str | Notice, *, why: str = "", fix: str = CONVERT) -> RecordingError:
        return RecordingError(f"{self.path}: {english().tell(message)}", why=why, fix=fix)


class NeedsDecoderError(Exception):
    """libsndfile does not read it but its first bytes say what it is, or it cannot tell where the file ends."""


def refuse_no_file(path: Path) -> None:
    """Refuse what is no file with something in it, as `AudioFile` does, without looking into it.

    Raises
    ------
    RecordingError
        Missing, a folder, a pipe, unreadable, empty.
    """
    try:
        if os.path.isdir(path):
            raise RecordingError(f"{path}: is a folder, not a recording")
        if os.path.exists(path) and not os.path.isfile(path):  # a pipe might never end
            raise RecordingError(f"{path}: is not a regular file", fix="Copy the sound into a file first.")
        with path.open("rb") as file:
            empty = not file.read(1)
    except FileNotFoundError:
        raise RecordingError(f"{path}: no such file", fix="Check the spelling and the folder.") from None
    except (OSError, ValueError) as fault:
        raise RecordingError(f"{path}: cannot be read: {getattr(fault, 'strerror', None) or fault}") from fault
    if empty:
        raise RecordingError(f"{path}: is empty (0 bytes)", why="The recorder was stopped, or the disk was full.")


def _open(path: Path, kind: tuple[str, str] | None = None) -> Any:
    """Open with libsndfile. `kind` is what else the file may be, and the format to decode it as."""
    import soundfile

    try:
        with hushed_stderr():  # MP3's decoder comments on what it finds
            file = soundfile.SoundFile(for_libsndfile(path))
            if file.format not in EXACT_SEEK_FORMATS:
                file.seekable = lambda: False  # otherwise python-soundfile seeks after every read
            if file.frames < UNKNOWN_FRAMES:
                return file
            file.close()
            raise NeedsDecoderError("a file that does not say how long it is", file.format.lower())
    except (soundfile.LibsndfileError, OSError, TypeError, ValueError, RuntimeError) as fault:
        # TypeError: soundfile takes a name ending in .raw for sound without a header
        if kind is not None:
            raise NeedsDecoderError(*kind) from fault
        raise RecordingError(
            f"{path}: is not a sound file that can be read",
            why="WAV, FLAC, OGG and MP3 can, and the sound of films, AAC, M4A and AMR.",
            fix=CONVERT,
        ) from fault
