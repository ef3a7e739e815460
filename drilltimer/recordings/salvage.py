"""What can still be read of a sound file that is damaged or ends early, and how to say so.

Damage is a fault though what can be read is scored: exit code 2, and no history, for the better copy that comes next is
another file and would count once more. The sound that a sheet was played with must be whole. FFmpeg goes on past
whatever it cannot read, so its complaints are read; OGG pages and AVI sizes tell an end that decoders take for the
sound's. A cut transport stream or raw MP3 tells nobody. Samples that are no finite numbers count as silence, as holes
do.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Any

import numpy as np

from drilltimer.audio.stderr import hushed_stderr
from drilltimer.errors import Notice, notice
from drilltimer.model import Samples
from drilltimer.units import s_from_frames

PIECE_FRAMES = 4_096  # read at once: so much is lost at most beside what is damaged
WHOLE_FRAMES = 65_536  # while all is well
SKIP_FRAMES = 4_800  # beyond a hole, at first; each further try goes twice as far
MOST_FAULTS = 200  # in a row, until a lossy decoder has found its way again
PADDING_FRAMES = 4_096  # a lossy codec's last frame, which decoders count differently
# Recorders that write into a pipe cannot go back to fill in the length and leave a number near the format's limit.
UNKNOWN_LENGTH_BYTES = 0x7FFF_F000
OGG_PAGE_BYTES = 65_307  # the longest there is (RFC 3533, 6)
OGG_HEAD_BYTES = 27


class Salvage:
    """Reads a file through, in order, as far as its decoder goes.

    Where the decoder can be sent beyond a hole, the hole is filled with silence, so that what follows stays in its
    place. A lossy format cannot: what follows moves up, as if the recorder had been paused.

    Parameters
    ----------
    again : callable
        Opens the file anew: after an error a decoder may be of no more use.
    seeks : bool
        Whether it can be sent to a frame.
    """

    def __init__(self, again: Callable[[], Any], *, seeks: bool) -> None:
        self._again = again
        self._file = again()
        self._rate_hz, self._promised = int(self._file.samplerate), int(self._file.frames)
        self._seeks = seeks
        self._holes: list[tuple[int, int]] = []  # first frame, and how many; 0 where that cannot be known
        self.frames = 0  # read so far

    def pieces(self) -> Iterator[Samples]:
        """All that can be read, and silence in holes whose length is known; float32 of shape (n, channels)."""
        with hushed_stderr():  # MP3's decoder comments on what it finds
            for piece in self._past_holes() if self._seeks else self._straight():
                self.frames += len(piece)
                yield piece
            self._file.close()

    def damage(self) -> Notice | None:
        """Where the file is not whole, once it was read through; None where it is."""
        missing = self._promised - self.frames
        if self._holes:
            first, lost = self._holes[0][0], sum(frames for _, frames in self._holes) or missing
            if first >= self.frames or lost <= 0:
                return notice("damaged_from", seconds=self._s(first))
            key = "damaged_hole" if self._seeks else "damaged_gap"
            return notice(key, seconds=self._s(first), lost=self._s(lost))
        if missing > (0 if self._seeks else PADDING_FRAMES):
            return ends_early(self.frames, self._promised, self._rate_hz)
        return None

    def _s(self, frames: int) -> float:
        return round(s_from_frames(frames, self._rate_hz), 1)

    def _straight(self) -> Iterator[Samples]:
        faults = 0
        while faults < MOST_FAULTS:
            piece = _read(self._file, PIECE_FRAMES)
            if piece is None:
                faults += 1
                if not self._holes:
                    self._holes.append((self.frames, 0))
            elif len(piece):
                faults = 0
                yield piece
            else:
                return

    def _past_holes(self) -> Iterator[Samples]:
        while self.frames < self._promised:
            piece = _read(self._file, PIECE_FRAMES)
            if piece is not None and len(piece):
                yield piece
                continue
            beyond = self._beyond(self.frames)
            if beyond is None:
                return
            self._holes.append((self.frames, beyond - self.frames))
            while self.frames < beyond:
                yield np.zeros((min(PIECE_FRAMES, beyond - self.frames), self._file.channels), np.float32)
            self._file.close()
            self._file = self._opened_at(beyond)

    def _beyond(self, hole: int) -> int | None:
        """First frame after a hole that can be read, give or take `SKIP_FRAMES`; None where nothing can."""
        bad, step = hole, SKIP_FRAMES
        while not self._is_readable(good := min(bad + step, self._promised - PIECE_FRAMES)):
            if good <= bad or good == self._promised - PIECE_FRAMES:
                return None
            bad, step = good, 2 * step
        while good - bad > SKIP_FRAMES:
            middle = (bad + good) // 2
            bad, good = (bad, middle) if self._is_readable(middle) else (middle, good)
        return good if good > hole else None

    def _is_readable(self, frame: int) -> bool:
        file = self._opened_at(frame)
        if file is None:
            return False
        piece = _read(file, PIECE_FRAMES)
        file.close()
        return piece is not None and len(piece) > 0

    def _opened_at(self, frame: int) -> Any:
        import soundfile

        file = self._again()
        try:
            file.seek(max(frame, 0))
        except (soundfile.LibsndfileError, OSError, RuntimeError):
            file.close()
            return None
        return file


def ends_early(frames: int, promised: int, rate_hz: int) -> Notice:
    """What is wrong with a file of which so many frames are there, and so many should be."""
    found_s, promised_s = (round(s_from_frames(each, rate_hz), 1) for each in (frames, promised))
    return notice("ends_early", seconds=found_s, promised=promised_s)


def no_numbers(pieces: Iterable[Samples]) -> tuple[int, int]:
    """How many samples of a file are no finite numbers, and in which frame the first of them is."""
    lost, first, at = 0, 0, 0
    for piece in pieces:
        finite = np.isfinite(piece)
        if not finite.all():  # asked of the whole first: frame by frame costs as much as decoding
            first = first if lost else at + int(np.argmin(finite.all(axis=1)))
            lost += finite.size - int(np.count_nonzero(finite))
        at += len(piece)
    return lost, first


def told_no_numbers(damage: Notice | None, lost: int, first: int, rate_hz: int) -> Notice:
    """What is wrong with a file of which so many samples are no numbers, besides its other damage, if there is any."""
    if damage:
        return notice("damaged_twice", first=damage, samples=lost)
    return notice("damaged_numbers", seconds=round(s_from_frames(first, rate_hz), 1), samples=lost)


def is_whole(file: Any) -> bool:
    """Whether an open file can be read from its beginning to the end that its header promises."""
    read = 0
    with hushed_stderr():
        while (piece := _read(file, WHOLE_FRAMES)) is not None and len(piece):
            read += len(piece)
    return read == int(file.frames)


def _read(file: Any, frames: int) -> Samples | None:
    """The next frames; none at the end, None where the decoder fails."""
    import soundfile

    try:
        samples: Samples = file.read(frames, dtype="float32", always_2d=True)
    except (soundfile.LibsndfileError, OSError, RuntimeError):
        return None
    return samples


def is_cut(path: Path) -> bool:
    """Whether a file is shorter than it says itself: an AVI film, or an OGG file whose last page is not complete.

    Their decoders take the end of the file for the end of the sound.
    """
    size = path.stat().st_size
    with path.open("rb") as file:
        head = file.read(12)
        if head[:4] == b"RIFF" and head[8:] == b"AVI ":
            promised = int.from_bytes(head[4:8], "little")
            return 0 < promised < UNKNOWN_LENGTH_BYTES and promised + len(head[:8]) > size
        if head[:4] != b"OggS":
            return False
        file.seek(max(0, size - OGG_PAGE_BYTES))
        tail = file.read()
    page = tail[max(tail.rfind(b"OggS"), 0) :]
    segments = page[OGG_HEAD_BYTES : OGG_HEAD_BYTES + page[OGG_HEAD_BYTES - 1]] if len(page) >= OGG_HEAD_BYTES else b""
    return len(page) < OGG_HEAD_BYTES or len(page) < OGG_HEAD_BYTES + len(segments) + sum(segments)
