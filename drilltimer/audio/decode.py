"""Sound that only `ffmpeg` can decode: films, AAC, M4A, telephone formats. It runs as a program of its own.

It pipes plain samples, which are kept in a temporary FLAC file, so that every place can be read as often as needed and
memory stays flat. Only files whose first bytes say that they are of such a kind are given to it: it would make sound of
almost anything.
"""

from __future__ import annotations

import re
import shutil
import struct
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO

import numpy as np

from drilltimer.errors import RecordingError

PROGRAM = "ffmpeg"
INSTALL = "Install it (apt install ffmpeg, brew install ffmpeg, or winget install ffmpeg)"
MOST_CHANNELS = 8  # of a FLAC file
CHUNK_FRAMES = 65_536
AU_MAGIC, AU_HEADER_BYTES = b".snd", 24  # Sun's format: the simplest header that tells rate and channels in a pipe
FIRST_BYTES = 16
MOST_SAID_BYTES = 100_000  # it may complain of every picture first
PATIENCE_S = 10.0  # with ffmpeg after its last sample
NO_CONTENTS = "moov atom not found"
# It leaves with 0 when it could make anything of a file, and complains of much that costs no sound, pictures for one.
DAMAGE = re.compile("prematurely|partial file|Invalid data found|invalid as first byte|bad header|demuxing")
SOURCE = re.compile(r"^\[[^\]]*\] ")  # which part of it says so
# By their first bytes: (offset, bytes, what it is).
KINDS: tuple[tuple[int, bytes, str], ...] = (
    (4, b"ftyp", "an MP4, M4A, MOV or 3GP file"),
    (4, b"moov", "a MOV file"),
    (4, b"mdat", "a MOV file"),
    (0, b"\x1a\x45\xdf\xa3", "a Matroska or WebM file"),
    (0, b"\x30\x26\xb2\x75\x8e\x66\xcf\x11", "a Windows Media file"),
    (0, b"#!AMR", "an AMR file"),
    (0, b"FLV", "a Flash video"),
    (0, b"\x00\x00\x01\xba", "an MPEG film"),
    (0, b"\x47\x40", "an MPEG transport stream"),
    (0, b"\xff\xf1", "an AAC file"),
    (0, b"\xff\xf9", "an AAC file"),
    (0, b"ADIF", "an AAC file"),
    (0, b"caff", "a CAF file with compressed sound"),
    (8, b"AVI ", "an AVI film"),
)


def kind_of(path: Path) -> str | None:
    """What a file is that ffmpeg is needed for, by its first bytes; None when it is none of these."""
    with path.open("rb") as file:
        start = file.read(FIRST_BYTES)
    return next((kind for offset, mark, kind in KINDS if start[offset : offset + len(mark)] == mark), None)


def decode(path: Path, kind: str) -> tuple[tempfile.TemporaryDirectory[str], str]:
    """A temporary folder that holds the file's sound as `sound.flac`, and what ffmpeg finds wrong with it.

    Raises
    ------
    RecordingError
        ffmpeg is missing, or finds no sound in the file.
    """
    program = shutil.which(PROGRAM)
    if program is None:
        raise RecordingError(
            f"{path}: is {kind}, which needs the program {PROGRAM}, and that is not installed",
            why="Films, AAC and files without a length are decoded by it; all other WAV, FLAC, OGG and MP3 are not.",
            fix=f"{INSTALL}, or convert the file to WAV.",
        )
    folder = tempfile.TemporaryDirectory(prefix="drilltimer-")
    try:
        damage = _decode_into(program, path, Path(folder.name) / "sound.flac", kind)
    except BaseException:
        folder.cleanup()
        raise
    return folder, damage


def _decode_into(program: str, path: Path, target: Path, kind: str) -> str:
    command = [program, "-nostdin", "-v", "error", "-protocol_whitelist", "file,pipe", "-i", f"file:{path.absolute()}"]
    command += ["-map", "0:a:0", "-vn", "-c:a", "pcm_s24be", "-f", "au", "pipe:1"]
    with tempfile.TemporaryFile() as complaints:
        with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=complaints, stdin=subprocess.DEVNULL) as running:
            assert running.stdout is not None
            try:
                with room_for(path, target):
                    frames = _keep(running.stdout, target)
                running.wait(PATIENCE_S)
            except subprocess.TimeoutExpired:  # it gave all and does not end; no reason to wait for ever
                pass
            finally:
                running.kill()  # it has ended, or nobody listens any more
        complaints.seek(0)
        said = complaints.read(MOST_SAID_BYTES).decode("utf-8", "replace").strip().splitlines()
    if not frames:
        why = f"{PROGRAM} says: {said[-1]}" if said else ""
        if any(NO_CONTENTS in line for line in said):
            why = "Its table of contents, which is written last, is missing: recording or copy were not finished."
        raise RecordingError(
            f"{path}: is {kind}, but {PROGRAM} finds no sound in it",
            why=why,
            fix="Play it to hear if it has sound; copy it again from where it was recorded.",
        )
    signs = [line for line in said if DAMAGE.search(line)]
    if not signs and running.returncode > 0:
        signs = said[-1:] or [f"exit code {running.returncode}"]
    return SOURCE.sub("", signs[0]) if signs else ""


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


def _keep(pipe: IO[bytes], target: Path) -> int:
    """Write what comes out of the pipe into a FLAC file; answers how many frames that were."""
    import soundfile

    header = pipe.read(AU_HEADER_BYTES)
    if len(header) < AU_HEADER_BYTES or header[:4] != AU_MAGIC:
        return 0
    offset, _, _, rate_hz, channels = struct.unpack(">5I", header[4:])
    pipe.read(offset - AU_HEADER_BYTES)
    frame_bytes = 3 * channels
    frames, rest = 0, b""
    with soundfile.SoundFile(
        target, "w", rate_hz, min(channels, MOST_CHANNELS), subtype="PCM_24", format="FLAC"
    ) as file:
        while raw := pipe.read(CHUNK_FRAMES * frame_bytes):
            raw = rest + raw
            whole = len(raw) - len(raw) % frame_bytes
            raw, rest = raw[:whole], raw[whole:]
            samples = _unpack(raw).reshape(-1, channels)[:, :MOST_CHANNELS]
            file.write(samples)
            frames += len(samples)
    return frames


def _unpack(raw: bytes) -> np.ndarray:
    """24-bit big-endian samples at the top of 32-bit ones."""
    wide = np.zeros((len(raw) // 3, 4), np.uint8)
    wide[:, :3] = np.frombuffer(raw, np.uint8).reshape(-1, 3)
    return wide.view(">i4")[:, 0].astype(np.int32)
