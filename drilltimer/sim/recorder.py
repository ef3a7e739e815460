"""The recording side of a sound card: its own clock, recording level, gain control, clipping."""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from drilltimer.model import Samples
from drilltimer.sim.settings import RoomSettings
from drilltimer.units import ratio_from_db

Wave = NDArray[np.float64]

REACH = 32  # frames that the resampling kernel spans on each side
KAISER_BETA = 12.0  # side lobes under -110 dB
PHASES = 1024  # kernels per frame; a straight line between two of them is 120 dB true
GAIN_STEP = 64  # frames per decision of the gain control
GAIN_TARGET = 0.25  # peak that gain control aims at; this and the following are our choice
GAIN_RANGE = (0.5, 20.0)
GAIN_FALL = 0.5  # share of the way towards a lower gain per decision (1.3 ms)
GAIN_RISE = 0.004  # towards a higher one


class Recorder:
    """Samples the air by its own clock.

    Parameters
    ----------
    render : callable
        Gives the next step of the air, shape (n, channels), at every call.
    start : float
        Air frame at which recorder frame 0 is taken.
    air_frames_per_frame : float
        1 when both clocks agree.
    """

    def __init__(
        self, render: Callable[[], Wave], settings: RoomSettings, start: float, air_frames_per_frame: float
    ) -> None:
        self.frame = 0
        self.air_frame = start
        self._render = render
        self._slope = air_frames_per_frame
        # A slower recorder must not fold what it cannot hold.
        self._kernels = _kernels(min(1.0, 1.0 / air_frames_per_frame))
        self._tape = np.zeros((REACH, settings.input_channels))
        self._tape_start = -REACH
        self._gain = ratio_from_db(settings.input_gain_db)
        self._control = _GainControl() if settings.gain_control else None
        self._anchors: list[tuple[int, float]] = [(0, start)]

    def record(self, frames: int) -> Samples:
        """Next frames, shape (frames, channels); `frames` must be a multiple of `GAIN_STEP` under gain control."""
        taken = self._resampled(frames) * self._gain
        self.frame += frames
        # from the last anchor, so that rounding cannot add up
        frame, air_frame = self._anchors[-1]
        self.air_frame = air_frame + (self.frame - frame) * self._slope
        if self._control is not None:
            taken = self._control.apply(taken)
        return np.clip(taken, -1.0, 1.0).astype(np.float32)

    def skip(self, air_frames: int) -> None:
        """Lose a stretch of the air without a trace."""
        self.air_frame += air_frames
        self._anchors.append((self.frame, self.air_frame))

    def pad(self, frames: int) -> Samples:
        """Silence that stands for no air at all: the card had nothing to give."""
        self.frame += frames
        self._anchors.append((self.frame, self.air_frame))
        return np.zeros((frames, self._tape.shape[1]), dtype=np.float32)

    def frame_of(self, air_frame: float) -> float:
        """Recorder's (fractional) frame at which the air's frame is heard."""
        index = max(0, bisect_right(self._anchors, air_frame, key=lambda anchor: anchor[1]) - 1)
        frame, anchor_air = self._anchors[index]
        heard = frame + (air_frame - anchor_air) / self._slope
        return heard if index + 1 == len(self._anchors) else min(heard, self._anchors[index + 1][0])

    def _resampled(self, frames: int) -> Wave:
        places = self.air_frame + self._slope * np.arange(frames)
        self._reach(places[0], places[-1])
        if self._slope == 1.0 and self.air_frame == int(self.air_frame):
            first = int(self.air_frame) - self._tape_start
            return self._tape[first : first + frames]
        whole = np.floor(places).astype(np.int64)
        phase = (places - whole) * PHASES
        row = phase.astype(np.int64)
        blend = phase - row
        first = whole - REACH + 1 - self._tape_start
        lower, upper = self._kernels[row], self._kernels[row + 1]
        taken = np.empty((frames, self._tape.shape[1]))
        for channel in range(taken.shape[1]):
            spans = np.lib.stride_tricks.sliding_window_view(self._tape[:, channel], 2 * REACH)[first]
            below = np.einsum("fk,fk->f", lower, spans)
            above = np.einsum("fk,fk->f", upper, spans)
            taken[:, channel] = below + blend * (above - below)
        return taken

    def _reach(self, first: float, last: float) -> None:
        """Have the tape hold everything that the kernel needs around these air frames, and no more."""
        drop = math.floor(first) - REACH - self._tape_start
        pieces = [self._tape]
        end = self._tape_start + len(self._tape)
        while end < math.floor(last) + REACH + 1:
            pieces.append(self._render())
            end += len(pieces[-1])
        tape = np.concatenate(pieces) if len(pieces) > 1 else self._tape
        self._tape = tape[max(drop, 0) :]
        self._tape_start += max(drop, 0)


def _kernels(cutoff: float) -> Wave:
    """Windowed sincs for every phase, shape (PHASES + 1, 2 * REACH); the last row is the first, one frame on."""
    phases = np.arange(PHASES + 1)[:, np.newaxis] / PHASES
    shift = np.arange(-REACH + 1, REACH + 1) - phases
    window = np.i0(KAISER_BETA * np.sqrt(1.0 - (shift / (REACH + 1)) ** 2)) / np.i0(KAISER_BETA)
    return np.asarray(cutoff * np.sinc(cutoff * shift) * window)


class _GainControl:
    """Lowers the gain fast and raises it slowly, as the input of a laptop or a phone does."""

    def __init__(self) -> None:
        self._gain = 1.0

    def apply(self, samples: Wave) -> Wave:
        controlled = np.empty_like(samples)
        ramp = np.arange(1, GAIN_STEP + 1)[:, np.newaxis] / GAIN_STEP
        for start in range(0, len(samples), GAIN_STEP):
            piece = samples[start : start + GAIN_STEP]
            wanted = min(max(GAIN_TARGET / max(float(np.max(np.abs(piece))), 1e-9), GAIN_RANGE[0]), GAIN_RANGE[1])
            share = GAIN_FALL if wanted < self._gain else GAIN_RISE
            after = self._gain + share * (wanted - self._gain)
            controlled[start : start + GAIN_STEP] = piece * (self._gain + (after - self._gain) * ramp[: len(piece)])
            self._gain = after
        return controlled
