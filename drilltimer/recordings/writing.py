"""Sound written to disk while it happens.

Notes
-----
WAV is written by hand: each block goes straight to the system and the header is put right every second of sound, so
that after a crash, a kill or a full disk everything up to the last second is a valid file. A FLAC file gets its length
when it is closed and can hardly be read when it never was; it is meant for sound that can be made again.
OGG is never written: libsndfile has crashed on long OGG blocks (bastibe/python-soundfile issues 233 and 396).
"""

from __future__ import annotations

import contextlib
import errno
import os
import struct
from collections.abc import Callable
from pathlib import Path
from tempfile import TemporaryFile
from types import TracebackType
from typing import Any, Protocol, Self

import numpy as np
from numpy.typing import NDArray

from drilltimer.audio.files import expanded, for_libsndfile, is_text
from drilltimer.errors import Notice, RecordingError, notice
from drilltimer.model import Samples
from drilltimer.units import s_from_frames

BYTES_PER_SAMPLE = 3  # 24 bit: a quiet landing far from the microphone keeps its shape
FULL_SCALE = 2 ** (8 * BYTES_PER_SAMPLE - 1)
HEADER_BYTES = 44
SESSION = "drilltimer session "  # before the uid, in the comment of a session's recording
HEADER_EVERY_S = 1.0
LONGEST_PART = 60  # letters of a name that with what is added to it must fit on every disk
MOST_WAV_BYTES = 2**32 - 2**16  # the format counts bytes in 32 bits

Pcm = NDArray[np.int32]


class _Sink(Protocol):
    def write(self, pcm: Pcm) -> None: ...
    def close(self) -> None: ...


class AudioWriter:
    """A WAV or FLAC file (24 bit) that grows block by block. A context manager.

    Parameters
    ----------
    path : str or Path
        Its ending, `.wav` or `.flac`, names the format.
    overwrite : bool
        False refuses to write over a file that exists.
    session : str
        Uid of the session that it is the sound of; the file's comment says so, whatever it is called later.

    Attributes
    ----------
    frames : int
        Written so far.
    fault : RecordingError | None
        Why writing ended early. What was written until then stays.

    Raises
    ------
    RecordingError
        The file cannot be made there, exists, has another ending, or a name that is no text.
    """

    def __init__(
        self, path: str | Path, rate_hz: int, channels: int, *, overwrite: bool = True, session: str = ""
    ) -> None:
        self.path = expanded(path)
        self.rate_hz, self.channels = rate_hz, channels
        self.frames = 0
        self.fault: RecordingError | None = None
        refuse_name(self.path)
        kinds: dict[str, Callable[[Path, int, int, str, str], _Sink]] = {".wav": _WavFile, ".flac": _FlacFile}
        kind, mode = kinds[self.path.suffix.lower()], "wb" if overwrite else "xb"
        try:
            self._sink = kind(self.path, rate_hz, channels, mode, session and SESSION + session)
        except FileExistsError as fault:
            raise RecordingError(f"{self.path}: exists already", fix="Choose another name or remove it.") from fault
        except (OSError, ValueError) as fault:
            raise RecordingError(notice("not_written", file=str(self.path), why=_reason(fault))) from fault

    def write(self, samples: Samples) -> None:
        """Append frames; does nothing after a `fault`, so that a session can go on without its recording.

        Parameters
        ----------
        samples : float32 array, shape (n, channels), or (n,) for one channel
            Full scale is +-1; what is beyond is cut off.

        Raises
        ------
        RecordingError
            Once, when the disk is full or gone.
        """
        if self.fault is not None:
            return
        pcm = _quantise(samples.reshape(-1, self.channels))
        try:
            self._sink.write(pcm)
        except OSError as fault:
            raise self._give_up(fault) from fault
        self.frames += len(pcm)

    def close(self) -> None:
        """Finish the file; may be called twice.

        Raises
        ------
        RecordingError
            The end could not be written.
        """
        if self.fault is not None:
            return
        try:
            self._sink.close()
        except OSError as fault:
            raise self._give_up(fault) from fault

    def _give_up(self, fault: OSError) -> RecordingError:
        kept_s = s_from_frames(self.frames, self.rate_hz)
        self.fault = RecordingError(
            notice("recording_ended", file=str(self.path), seconds=round(kept_s), why=_reason(fault)),
            fix=notice("goes_on"),
        )
        with contextlib.suppress(OSError):  # the same fault again; it is told already
            self._sink.close()
        return self.fault

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, fault: BaseException | None, at: TracebackType | None) -> None:
        self.close()


def refuse_name(path: Path) -> None:
    """Refuse a name that sound cannot be written under.

    Raises
    ------
    RecordingError
        It has another ending than .wav or .flac, or is no text.
    """
    suffix = path.suffix.lower()
    if suffix not in (".wav", ".flac"):
        raise RecordingError(
            f"{path}: sound is written as .wav or .flac" + (f", not as {suffix}" if suffix else ""),
            fix=f"Call it {path.stem or 'sound'}.wav.",
        )
    if not is_text(path.name):
        raise RecordingError(
            f"{path}: its name is no UTF-8 text, and a cue sheet could not tell it", fix="Choose another name."
        )


def _quantise(samples: Samples) -> Pcm:
    scaled = np.rint(samples.astype(np.float64) * FULL_SCALE)
    pcm: Pcm = np.clip(scaled, -FULL_SCALE, FULL_SCALE - 1).astype("<i4")
    return pcm


def _reason(fault: Exception) -> Notice | str:
    number = getattr(fault, "errno", None)
    if number in (errno.ENOSPC, errno.EDQUOT):
        return notice("full")
    if number == errno.EFBIG:
        return notice("largest")
    return getattr(fault, "strerror", None) or str(fault)


class _WavFile:
    """RIFF header (Microsoft and IBM, 1991), 44 bytes where there is no comment, then little-endian 24-bit samples."""

    def __init__(self, path: Path, rate_hz: int, channels: int, mode: str, comment: str) -> None:
        self._comment = _comment_chunk(comment.encode("ascii")) if comment else b""
        self._file: Any = open(path, mode, buffering=0)  # noqa: SIM115  closed by close()
        self._rate_hz, self._channels = rate_hz, channels
        self._bytes = self._bytes_in_header = 0
        self._write_header()

    def write(self, pcm: Pcm) -> None:
        raw = np.ascontiguousarray(pcm).view(np.uint8).reshape(-1, 4)[:, :BYTES_PER_SAMPLE].tobytes()
        if self._bytes + len(raw) > MOST_WAV_BYTES:
            raise OSError(errno.EFBIG, "too large for WAV")
        view = memoryview(raw)
        while view:  # an unbuffered write may take a part only, just before the disk is full
            written = self._file.write(view)
            self._bytes += written
            view = view[written:]
        if self._bytes - self._bytes_in_header >= HEADER_EVERY_S * self._rate_hz * self._frame_bytes:
            self._write_header()

    @property
    def _frame_bytes(self) -> int:
        return self._channels * BYTES_PER_SAMPLE

    def _write_header(self) -> None:
        whole = self._bytes - self._bytes % self._frame_bytes
        header_bytes = HEADER_BYTES + len(self._comment)
        form = struct.pack("<4sI4s", b"RIFF", header_bytes - 8 + whole + whole % 2, b"WAVE")
        bits, byte_rate = 8 * BYTES_PER_SAMPLE, self._rate_hz * self._frame_bytes
        layout = struct.pack(
            "<4sIHHIIHH", b"fmt ", 16, 1, self._channels, self._rate_hz, byte_rate, self._frame_bytes, bits
        )
        self._file.seek(0)
        self._file.write(form + layout + self._comment + struct.pack("<4sI", b"data", whole))
        self._file.seek(0, 2)
        self._bytes_in_header = whole

    def close(self) -> None:
        if self._file.closed:
            return
        try:
            self._write_header()  # first: it needs no new space, so it works on a full disk
            if self._bytes % 2:
                self._file.write(b"\0")  # RIFF chunks are padded to even length
        finally:
            self._file.close()


def _comment_chunk(comment: bytes) -> bytes:
    """A RIFF list of information with a comment alone, which ends with a zero and on an even byte."""
    ended = comment + b"\0" * (2 - len(comment) % 2)
    return struct.pack("<4sI4s4sI", b"LIST", 12 + len(ended), b"INFO", b"ICMT", len(ended)) + ended


class _FlacFile:
    def __init__(self, path: Path, rate_hz: int, channels: int, mode: str, comment: str) -> None:
        import soundfile

        open(path, mode).close()  # the system's own reason when it cannot be made; libsndfile gives none
        self._faults = (soundfile.LibsndfileError, AssertionError)
        try:
            self._file = soundfile.SoundFile(
                for_libsndfile(path), "w", samplerate=rate_hz, channels=channels, format="FLAC", subtype="PCM_24"
            )
        except soundfile.LibsndfileError as fault:
            raise OSError(errno.EINVAL, f"FLAC does not take {rate_hz} Hz with {channels} channels") from fault
        if comment:
            self._file.comment = comment

    def write(self, pcm: Pcm) -> None:
        try:
            self._file.write(pcm << 8)  # libsndfile takes 24 bits from the top of 32
            self._file.flush()
        except self._faults as fault:  # python-soundfile asserts that all was written
            raise OSError(errno.ENOSPC, "short write") from fault

    def close(self) -> None:
        try:
            self._file.close()
        except self._faults as fault:
            raise OSError(errno.ENOSPC, "short write") from fault


def refuse_kept(path: Path) -> None:
    """Say beforehand why a recording, or a drill as a sound file, could not be kept there.

    A sheet that is written over makes every recording that was made to it worthless.

    Raises
    ------
    RecordingError
        Its name or folder cannot be, or a file of that name, or of those that go with it, is there: an earlier session.
    """
    refuse_name(path)
    if not os.path.isdir(path.absolute().parent):
        raise RecordingError(f"{path}: there is no folder {path.parent}", fix="Make it, or name another one.")
    for file in (path, played_path(path), sheet_path(path)):
        try:
            os.stat(file)
        except FileNotFoundError:
            continue
        except OSError as fault:  # a name that no disk takes
            raise RecordingError(f"{file}: cannot be written: {fault.strerror}", fix="Choose another name.") from fault
        raise RecordingError(f"{file}: is there already", fix="Nothing is overwritten: name another file.")


def played_path(path: Path) -> Path:
    """Where the sound that was played lies, beside what was heard of it."""
    return path.with_name(f"{path.stem}.played.flac")


def sheet_path(audio: Path) -> Path:
    """Where the cue sheet of a sound file lies."""
    return audio.with_name(f"{audio.stem}.cues.json")


def make_writable(folder: Path, option: str) -> None:
    """Make a folder for results, where it is not there yet; an option of that name chose it.

    Raises
    ------
    RecordingError
        Nothing can be written there.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with TemporaryFile(dir=folder):
            pass
    except OSError as fault:
        raise RecordingError(
            f"{folder}: results cannot be written there: {fault.strerror or fault}",
            fix=f"Name another folder for them with {option}.",
        ) from fault


def write_text(path: Path, text: str) -> None:
    """Write a text file whole or not at all, or say why not; until it is whole, what was there stays."""
    part = path.with_name(f".{path.name[:LONGEST_PART]}.part")
    try:
        part.write_text(text, encoding="utf-8", errors="backslashreplace")  # of file names that are no text
        part.replace(path)
    except OSError as fault:
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)
        raise RecordingError(notice("not_written", file=str(path), why=fault.strerror or str(fault))) from fault
