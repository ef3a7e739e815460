"""Sound that libsndfile does not read: films, AAC, M4A, telephone formats. `decoder` makes plain samples of it.

They are kept in a temporary FLAC file, so that every place can be read as often as needed and memory stays flat. The
decoder runs as a program of its own: what a file does to it, it does to nobody else. Only files whose first bytes say
that they are of such a kind are given to it.

Stamps of time count where sound is missing: a gap from 0.1 s to a minute is silence, smaller ones are telephones'
unevenness. Where a file says its codec's delay (MP4, MOV, Matroska, WebM) sound is where it was to the sample;
elsewhere (raw AAC, AVI, TS, FLV) all of it is late alike, contact and landing together.
"""

from __future__ import annotations

import io
import re
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from types import TracebackType
from typing import Self

import numpy as np

from drilltimer.errors import RecordingError
from drilltimer.recordings.decoder import SAMPLE_BYTES, START
from drilltimer.units import frames_from_s

PROGRAM = Path(__file__).with_name("decoder.py")
LOWEST_RATE_HZ, HIGHEST_RATE_HZ = 4_000, 384_000  # beyond, no landing could be timed, or the header lies
MOST_CHANNELS = 64
KEPT_CHANNELS = 8  # of a FLAC file
LONGEST_S = 12 * 3600
CHUNK_BYTES = 1 << 20
FIRST_BYTES = 16
MOST_SAID_BYTES = 100_000  # it may complain of every packet first
PATIENCE_S = 60.0  # with a decoder that gives nothing
LOOK_S = 0.5
HUNG = f"it stood still for {PATIENCE_S:.0f} s and was ended"
NO_CONTENTS = "moov atom not found"
# FFmpeg complains of much that costs no sound, pictures for one.
DAMAGE = re.compile("prematurely|partial file|Invalid data found|invalid as first byte|bad header|demuxing")
SOURCE = re.compile(r"^\[[^\]]*\] ")  # which part of it says so
# By their first bytes: [(offset, bytes)], what it is, FFmpeg's name of the format.
KINDS: tuple[tuple[tuple[tuple[int, bytes], ...], str, str], ...] = (
    (((4, b"ftyp"),), "an MP4, M4A, MOV or 3GP file", "mov"),
    (((4, b"moov"),), "a MOV file", "mov"),
    (((4, b"mdat"),), "a MOV file", "mov"),
    (((4, b"wide"),), "a MOV file", "mov"),
    (((0, b"\x1a\x45\xdf\xa3"),), "a Matroska or WebM file", "matroska"),
    (((0, b"\x30\x26\xb2\x75\x8e\x66\xcf\x11"),), "a Windows Media file", "asf"),
    (((0, b"#!AMR"),), "an AMR file", "amr"),
    (((0, b"FLV"),), "a Flash video", "flv"),
    (((0, b"\x00\x00\x01\xba"),), "an MPEG film", "mpeg"),
    (((0, b"\x47\x40"),), "an MPEG transport stream", "mpegts"),
    *((((0, mark),), "an AAC file", "aac") for mark in (b"\xff\xf0", b"\xff\xf1", b"\xff\xf8", b"\xff\xf9")),
    (((0, b"caff"),), "a CAF file with compressed sound", "caf"),
    (((0, b"RIFF"), (8, b"AVI ")), "an AVI film", "avi"),
)


def kind_of(path: Path) -> tuple[str, str] | None:
    """What a file is that libsndfile may not read, by its first bytes, and the name of its format; None for others."""
    with path.open("rb") as file:
        start = file.read(FIRST_BYTES)
    for marks, kind, demuxer in KINDS:
        if all(start[offset : offset + len(mark)] == mark for offset, mark in marks):
            return kind, demuxer
    return None


def decode(path: Path, kind: str, demuxer: str) -> tuple[tempfile.TemporaryDirectory[str], str]:
    """A temporary folder that holds the file's sound as `sound.flac`, and what the decoder finds wrong with it.

    Sound that is missing between two stamps of time is silence.

    Raises
    ------
    RecordingError
        There is no sound in it that can be decoded, or more than `LONGEST_S`, or its rate or channels are absurd.
    """
    folder = tempfile.TemporaryDirectory(prefix="drilltimer-")
    try:
        damage = _decode_into(path, Path(folder.name) / "sound.flac", kind, demuxer)
    except BaseException:
        folder.cleanup()
        raise
    return folder, damage


def _decode_into(path: Path, target: Path, kind: str, demuxer: str) -> str:
    command = [sys.executable, str(PROGRAM), demuxer]
    with path.open("rb") as file, tempfile.TemporaryFile() as complaints:
        running = subprocess.Popen(command, stdin=file, stdout=subprocess.PIPE, stderr=complaints)
        with running, _Watch(running) as watch:
            frames = _keep(watch, path, target)
            with suppress(subprocess.TimeoutExpired):  # it gave all and does not end: no reason to wait for ever
                running.wait(PATIENCE_S)
        complaints.seek(0)
        said = complaints.read(MOST_SAID_BYTES).decode("utf-8", "replace").strip().splitlines()
    crash = HUNG if watch.hung else _crash(running.returncode)
    if not frames:
        why = f"The decoder says: {crash or SOURCE.sub('', said[-1])}" if crash or said else ""
        if any(NO_CONTENTS in line for line in said):
            why = "Its table of contents, which is written last, is missing: recording or copy were not finished."
        raise RecordingError(
            f"{path}: is {kind}, but no sound can be decoded from it",
            why=why,
            fix="Play it to hear if it has sound; copy it again from where it was recorded.",
        )
    signs = [crash] if crash else [line for line in said if DAMAGE.search(line)]
    if not signs and running.returncode:
        signs = said[-1:] or [f"exit code {running.returncode}"]
    return SOURCE.sub("", signs[0]) if signs else ""


def _crash(code: int) -> str:
    """How a program ended that did not end by itself; empty where it did."""
    if code < 0:
        try:
            return f"it crashed ({signal.Signals(-code).name})"
        except ValueError:
            return f"it crashed (signal {-code})"
    return f"it crashed (0x{code:08X})" if code > 0xFFFF else ""  # an exception's number, on Windows


@contextmanager
def room_for(path: Path, target: Path) -> Iterator[None]:
    """Tell a full disk, while the sound of `path` is kept in the temporary `target`, as what it is."""
    import soundfile

    try:
        yield
    except (OSError, soundfile.LibsndfileError, AssertionError) as fault:  # python-soundfile asserts that all fitted
        reason = getattr(fault, "strerror", None) or str(fault) or "it could be written in part only"
        raise RecordingError(
            f"{path}: its sound cannot be kept while it is decoded: {reason}",
            why="The disk is probably full.",
            fix=f"Make room in {target.parent.parent}, or name another folder in TMPDIR.",
        ) from fault


class _Watch:
    """Ends a program that gives nothing for `PATIENCE_S`. A context manager."""

    def __init__(self, running: subprocess.Popen[bytes]) -> None:
        self.hung = False
        self._running = running
        self._waits_since: float | None = None
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._look, daemon=True)

    def _look(self) -> None:
        while not self._over.wait(LOOK_S):
            since = self._waits_since
            if since is not None and time.monotonic() - since > PATIENCE_S:
                self.hung = True
                self._running.kill()

    def read(self, size: int) -> bytes:
        """What it gave meanwhile, up to so many bytes; none at its end."""
        assert isinstance(self._running.stdout, io.BufferedReader)
        self._waits_since = time.monotonic()
        raw = self._running.stdout.read1(size)
        self._waits_since = None
        return raw

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, fault: BaseException | None, at: TracebackType | None) -> None:
        self._over.set()
        self._running.kill()  # it has ended, or nobody listens any more


def _keep(watch: _Watch, path: Path, target: Path) -> int:
    """Write the samples that a program gives into a FLAC file; answers how many frames that were."""
    import soundfile

    pieces = _pieces(watch)
    if len(start := next(pieces, b"")) < START.size:
        return 0
    rate_hz, channels = START.unpack(start)
    if doubt := absurd(rate_hz, channels):
        raise RecordingError(f"{path}: {doubt}", fix="Convert it with a sound editor, and score the result.")
    kept = min(channels, KEPT_CHANNELS)
    frames, rest = 0, b""
    with room_for(path, target), soundfile.SoundFile(target, "w", rate_hz, kept, "PCM_24", format="FLAC") as file:
        for raw in pieces:
            raw = rest + raw
            whole = len(raw) - len(raw) % (SAMPLE_BYTES * channels)
            raw, rest = raw[:whole], raw[whole:]
            samples = np.frombuffer(raw, "<i4").reshape(-1, channels)[:, :kept]
            file.write(samples.astype(np.int32))
            frames += len(samples)
            if frames > frames_from_s(LONGEST_S, rate_hz):
                raise RecordingError(
                    f"{path}: holds more than {LONGEST_S // 3600} hours of sound",
                    why="It is damaged, or was made to do harm, or the recorder was forgotten.",
                    fix="Cut out the part that you want, and score that.",
                )
    return frames


def _pieces(watch: _Watch) -> Iterator[bytes]:
    """The start that tells rate and channels, then the samples as they come."""
    start = b""
    while len(start) < START.size and (raw := watch.read(START.size - len(start))):
        start += raw
    yield start
    while raw := watch.read(CHUNK_BYTES):
        yield raw


def absurd(rate_hz: int, channels: int) -> str:
    """What is absurd about a file that says this of itself; empty where nothing is."""
    if not LOWEST_RATE_HZ <= rate_hz <= HIGHEST_RATE_HZ:
        return f"its header says {rate_hz} Hz; {LOWEST_RATE_HZ} to {HIGHEST_RATE_HZ} can be used"
    if not 0 < channels <= MOST_CHANNELS:
        return f"its header says {channels} channels; at most {MOST_CHANNELS} can be used"
    return ""
