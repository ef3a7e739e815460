"""Convolution of an endless signal with a long response, step by step, the silence for free."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Wave = NDArray[np.float64]

TAIL_FRAMES = 4096  # the response beyond this is convolved in steps of this length, however short the caller's steps


class StepConvolver:
    """Response applied to steps of `step` frames.

    Parameters
    ----------
    response : float array, shape (taps, channels)
        Its first tap is heard at once.
    step : int
        A power of two up to `TAIL_FRAMES`.

    Notes
    -----
    Two partitions: the first `TAIL_FRAMES` taps answer every step at once, the rest answers whole tail steps; its
    answer is due only after such a step is over, so nothing is late.
    """

    def __init__(self, response: Wave, step: int) -> None:
        if TAIL_FRAMES % step:
            raise ValueError(f"a step of {step} frames does not divide {TAIL_FRAMES}")
        self._step = step
        self._head = _Partition(response[:TAIL_FRAMES], step)
        self._tail = _Partition(response[TAIL_FRAMES:], TAIL_FRAMES) if len(response) > TAIL_FRAMES else None
        self._gathered = np.zeros(TAIL_FRAMES)
        self._gathered_frames = 0
        self._pending = np.zeros((len(response) + 2 * TAIL_FRAMES, response.shape[1]))
        self._sounding = 0  # frames of `_pending` that may be other than zero

    def push(self, samples: Wave) -> Wave | None:
        """Answer to the next step, shape (step, channels), in the same frames; None for silence."""
        step = self._step
        if samples.any():
            self._add(0, self._head.answer(samples))
        if self._tail is not None:
            self._gather(samples)
        if self._sounding == 0:
            return None
        answer = self._pending[:step].copy()
        left = max(0, self._sounding - step)
        self._pending[:left] = self._pending[step : step + left]
        self._pending[left : self._sounding] = 0.0
        self._sounding = left
        return answer

    def _gather(self, samples: Wave) -> None:
        assert self._tail is not None
        self._gathered[self._gathered_frames : self._gathered_frames + self._step] = samples
        self._gathered_frames += self._step
        if self._gathered_frames == TAIL_FRAMES:
            if self._gathered.any():
                # the tail step began TAIL_FRAMES - step ago and its answer begins TAIL_FRAMES after that
                self._add(self._step, self._tail.answer(self._gathered))
            self._gathered_frames = 0

    def _add(self, start: int, answer: Wave) -> None:
        self._pending[start : start + len(answer)] += answer
        self._sounding = max(self._sounding, start + len(answer))


class _Partition:
    """Part of a response, kept as a spectrum."""

    def __init__(self, response: Wave, step: int) -> None:
        from scipy.fft import next_fast_len

        self._frames = step + len(response) - 1
        self._size = next_fast_len(self._frames, real=True)
        self._spectrum = np.fft.rfft(response.T, self._size)

    def answer(self, samples: Wave) -> Wave:
        return np.fft.irfft(np.fft.rfft(samples, self._size) * self._spectrum, self._size)[:, : self._frames].T
