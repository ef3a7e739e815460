"""The last stretch of sound, recorded and played side by side, and pieces cut from it."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

import numpy as np

from drilltimer.hear.warp import added_up
from drilltimer.model import Block, Samples

ANALYSIS_RATE_HZ = 14_000  # lowest rate worth analysing at: landings and cues alike live below 7 kHz


@dataclass(frozen=True, slots=True)
class Take:
    """One rep's stretch of sound at the analysis rate.

    Parameters
    ----------
    heard : float64 array, shape (channels, n)
    played : float64 array, shape (n,)
        All output channels added up.
    start : int
        Frame of the stream at which the take begins.
    step : int
        Frames of the stream per sample of the take.
    rate_hz : float
    broken : bool
        Sound was lost inside the take.
    clipped : bool
        The microphone reached full scale inside the take.
    """

    heard: np.ndarray
    played: np.ndarray
    start: int
    step: int
    rate_hz: float
    broken: bool
    clipped: bool

    def frame(self, sample: float) -> float:
        """Stream frame of a (fractional) sample of the take."""
        return self.start + sample * self.step

    def sample(self, frame: float) -> float:
        """Fractional sample of the take at a stream frame."""
        return (frame - self.start) / self.step


class Tape:
    """Keeps blocks until told that they are no longer needed. Memory is bounded by what is kept."""

    def __init__(self) -> None:
        self._blocks: deque[Block] = deque()
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

    def forget(self, before: int) -> None:
        """Drop blocks that end at or before a frame."""
        while self._blocks and self._blocks[0].start + len(self._blocks[0].samples) <= before:
            self._blocks.popleft()

    def cut(self, first: int, last: int, rate_hz: float) -> Take:
        """Take of the frames `first` to `last`, zero where nothing was recorded, brought to the analysis rate."""
        from scipy.signal import resample_poly

        channels = self._blocks[0].samples.shape[1] if self._blocks else 1
        heard = np.zeros((last - first, channels), np.float32)
        played = np.zeros(last - first, np.float32)
        broken = False
        for block in self._blocks:
            a, b = max(first, block.start), min(last, block.start + len(block.samples))
            if a >= b:
                continue
            heard[a - first : b - first] = block.samples[a - block.start : b - block.start]
            played[a - first : b - first] = added_up(block.played[a - block.start : b - block.start])
            broken = broken or block.xrun
        step = max(1, int(rate_hz // ANALYSIS_RATE_HZ))
        clipped = _clips(heard)
        if step > 1:
            both = np.column_stack([heard, played]).astype(np.float64)
            both = resample_poly(both, 1, step, axis=0, window=("kaiser", 8.0))
            heard64, played64 = both[:, :channels].T, both[:, channels]
        else:
            heard64, played64 = heard.T.astype(np.float64), played.astype(np.float64)
        return Take(np.ascontiguousarray(heard64), played64, first, step, rate_hz / step, broken, clipped)


def _clips(heard: Samples) -> bool:
    """More than a cue's worth of overdrive: one loud cue may clip without hiding a landing elsewhere."""
    peak = float(np.abs(heard).max(initial=0.0))
    return peak > 0.98 and float(np.mean(np.abs(heard) >= 0.999 * peak)) > 0.02
