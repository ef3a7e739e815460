"""The last stretch of sound, recorded and played side by side, and pieces cut from it at the analysis rate.

A segment that is known to be asked for is brought to the analysis rate while its sound comes in: a rep's answer must
not wait for seconds of sound to be resampled. It is the same segment whatever the blocks' size.

The analysis rate is about 16 kHz (48 / 3; 14.7 from 44.1, 16 from 96): cues and landings live below 7 kHz, a whole-
number step keeps frames exact, and the fits cost a ninth.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from drilltimer.hear.picture import added_up
from drilltimer.model import Block, Samples

ANALYSIS_RATE_HZ = 14_000  # lowest rate worth analysing at: landings and cues alike live below 7 kHz
REACH = 10  # samples of the segment that the low-pass reaches to either side
STOP_BETA = 8.0  # of its Kaiser window: 80 dB
AT_ONCE = 1024  # samples of the segment to be resampled in one go, while nobody waits for them


@dataclass(frozen=True, slots=True)
class Segment:
    """One rep's stretch of sound at the analysis rate.

    Parameters
    ----------
    heard : float64 array, shape (channels, n)
    played : float64 array, shape (n,)
        All output channels added up.
    start : int
        Frame of the stream at which the segment begins.
    step : int
        Frames of the stream per sample of the segment.
    broken : bool
        Sound was lost inside the segment.
    clipped : bool
        The microphone reached full scale inside the segment.
    """

    heard: np.ndarray
    played: np.ndarray
    start: int
    step: int
    rate_hz: float
    broken: bool
    clipped: bool

    def frame(self, sample: float) -> float:
        """Stream frame of a (fractional) sample of the segment."""
        return self.start + sample * self.step

    def sample(self, frame: float) -> float:
        """Fractional sample of the segment at a stream frame."""
        return (frame - self.start) / self.step


class SampleBuffer:
    """Keeps blocks until told that they are no longer needed. Memory is bounded by what is kept."""

    def __init__(self, rate_hz: float) -> None:
        self._rate_hz = rate_hz
        self._step = max(1, int(rate_hz // ANALYSIS_RATE_HZ))
        self._blocks: deque[Block] = deque()
        self._begun: int | None = None  # frame at which the segment begins that is being resampled, ...
        self._parts: list[np.ndarray] = []  # ... what is ready of it, each of shape (rows, samples), ...
        self._ready = 0  # ... and how many samples that is
        self.end = 0  # frame after the last one fed

    @property
    def start(self) -> int:
        """First frame still held."""
        return self._blocks[0].start if self._blocks else self.end

    def feed(self, block: Block) -> None:
        """Append a block; blocks must follow each other without a gap."""
        if self._blocks and block.start != self.end:
            raise ValueError(f"block starts at frame {block.start}, expected {self.end}")
        self._blocks.append(block)
        self.end = block.start + len(block.samples)
        if self._begun is not None and self._whole(self._begun, self.end) - self._ready >= AT_ONCE:
            self._go_on(self._begun, self.end)

    def forget(self, before: int) -> None:
        """Drop blocks that end at or before a frame."""
        while self._blocks and self._blocks[0].start + len(self._blocks[0].samples) <= before:
            self._blocks.popleft()

    def begin(self, first: int | None) -> None:
        """Resample from this frame on while sound comes in: a segment that begins here will be cut; None: none will."""
        if first != self._begun:
            self._begun, self._parts, self._ready = first, [], 0

    def cut(self, first: int, last: int) -> Segment:
        """Segment of the frames `first` to `last`, silent where nothing was recorded, at the analysis rate."""
        samples = self.samples(first, last)
        sound = np.zeros((self._rows, samples))
        ready = 0
        if first == self._begun:
            self._go_on(first, last)
            for part in self._parts:
                piece = part[:, : max(0, self._whole(first, last) - ready)]
                sound[:, ready : ready + piece.shape[1]] = piece
                ready += piece.shape[1]
        sound[:, ready:] = self._resampled(first, ready, samples, last)
        here = [block for block in self._blocks if block.start < last and block.start + len(block.samples) > first]
        return Segment(
            sound[:-1],
            sound[-1],
            first,
            self._step,
            self._rate_hz / self._step,
            any(block.xrun for block in here),
            _clips([block.samples[max(0, first - block.start) : last - block.start] for block in here]),
        )

    def samples(self, first: int, last: int) -> int:
        """How many a segment of these frames has."""
        return -(-(last - first) // self._step)

    @property
    def _rows(self) -> int:
        """A row for each microphone, and the last one for what was played."""
        return 1 + (self._blocks[0].samples.shape[1] if self._blocks else 1)

    def _whole(self, first: int, last: int) -> int:
        """How many samples of a segment that begins at `first` do not depend on what comes after `last`."""
        return self.samples(first, last) - (REACH if self._step > 1 else 0)

    def _go_on(self, first: int, last: int) -> None:
        """Resample what is complete of the segment that was begun."""
        whole = self._whole(first, min(last, self.end))
        if whole > self._ready:
            self._parts.append(self._resampled(first, self._ready, whole, min(last, self.end)))
            self._ready = whole

    def _resampled(self, first: int, begin: int, end: int, last: int) -> np.ndarray:
        """Samples `begin` to `end` of a segment that begins at a frame, as all before `last` make them."""
        from scipy.signal import upfirdn

        if self._step == 1 or begin >= end:
            return self._frames(first + begin, first + max(begin, end), first, last)
        low, high = first + (begin - REACH) * self._step, first + (end - 1 + REACH) * self._step + 1
        around = self._frames(low, high, first, last)
        return np.asarray(upfirdn(_low_pass(self._step), around, 1, self._step)[:, 2 * REACH : 2 * REACH + end - begin])

    def _frames(self, begin: int, end: int, first: int, last: int) -> np.ndarray:
        """Frames `begin` to `end`, silent before `first` and from `last` on; shape (rows, frames)."""
        frames = np.zeros((self._rows, end - begin))
        for block in self._blocks:
            a, b = max(begin, first, block.start), min(end, last, block.start + len(block.samples))
            if a < b:
                inside = slice(a - block.start, b - block.start)
                frames[:-1, a - begin : b - begin] = block.samples[inside].T
                frames[-1, a - begin : b - begin] = added_up(block.played[inside])
        return frames


@lru_cache(maxsize=8)
def _low_pass(step: int) -> np.ndarray:
    from scipy.signal import firwin

    return np.asarray(firwin(2 * REACH * step + 1, 1.0 / step, window=("kaiser", STOP_BETA)))


def _clips(pieces: list[Samples]) -> bool:
    """More than a cue's worth of overdrive: one loud cue may clip without hiding a landing elsewhere."""
    peak = max((max(float(piece.max(initial=0.0)), -float(piece.min(initial=0.0))) for piece in pieces), default=0.0)
    if peak <= 0.98:
        return False
    clipped = sum(int(np.count_nonzero(np.abs(piece) >= 0.999 * peak)) for piece in pieces)
    return clipped > 0.02 * sum(piece.size for piece in pieces)
