"""Where a recording and a cue sheet meet: unknown start, another clock, pauses, beginning or end cut off.

A matched filter for the contact cue runs over the whole recording and leaves a coarse trace of where contacts may be.
The same trace of the played sound is slid along it, a stretch of the sheet at a time, so that clocks that differ by
hundreds of ppm still fit; `passages` then locates each contact finely and puts lines through them.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from drilltimer.hear.passages import TRACE_RATE_HZ, Contact, Passage, Recording, find_passages
from drilltimer.hear.warp import ClockMap
from drilltimer.model import Samples

CEILING = 100.0  # one very loud sound must not outvote many contacts


@dataclass(frozen=True, slots=True)
class Alignment:
    """Passages in the recording's order, how many contacts lie in them, and how many of these were found in place."""

    passages: tuple[Passage, ...]
    inside: int
    found: int

    @property
    def clock(self) -> ClockMap:
        """Of the passage with the most contacts."""
        return max(self.passages, key=lambda passage: len(passage.heard)).clock


class Trace:
    """Coarse trace of where contacts may be: log of the loudest matched-filter output in every 5 ms, noise at 0."""

    def __init__(self, rate_hz: int, templates: Sequence[np.ndarray]) -> None:
        self._rate_hz = rate_hz
        self._templates = list(templates)
        self._longest = max(len(template) for template in templates)
        self._tail = np.zeros(0, np.float32)
        self._pieces: list[np.ndarray] = []

    def feed(self, samples: np.ndarray) -> None:
        """Take in the next piece of the recording, shape (n,); pieces of a second or more are best."""
        from scipy.signal import oaconvolve

        signal = np.concatenate([self._tail, samples.astype(np.float32)])
        cell = self._rate_hz / TRACE_RATE_HZ
        cells = int((len(signal) - self._longest) // cell)
        if cells < TRACE_RATE_HZ // 4:
            self._tail = signal
            return
        loudest = np.zeros(cells)
        for template in self._templates:
            filtered = oaconvolve(signal, (template[::-1] / np.linalg.norm(template)).astype(np.float32), mode="valid")
            edges = np.round(np.arange(cells) * cell).astype(int)
            peaks = np.maximum.reduceat(np.abs(filtered[: round(cells * cell)]), edges)
            floor = max(float(np.median(peaks)), 1e-3 * float(peaks.max()), 1e-12)  # digital silence is no noise floor
            loudest = np.maximum(loudest, peaks / floor)
        self._pieces.append(np.log(np.clip(loudest, 1.0, CEILING)).astype(np.float16))
        self._tail = signal[round(cells * cell) :]

    def values(self) -> np.ndarray:
        """The trace so far, `TRACE_RATE_HZ` values a second; float16, for a recording may last hours."""
        return np.concatenate(self._pieces) if self._pieces else np.zeros(0, np.float16)


def align(
    trace: np.ndarray,
    played: np.ndarray,
    contacts: Sequence[Contact],
    read: Callable[[int, int], Samples],
    rate_hz: int,
    duration_s: float,
) -> Alignment | None:
    """Clock of a recording against its sheet, or None when the sheet's contacts are not in it.

    Parameters
    ----------
    trace, played : float array
        From `Trace`: of the recording, and of the played sound.
    contacts : sequence of Contact
        In time order.
    read : callable (start, frames) -> float32 array, shape (frames,)
        The recording, zeros outside of it.
    rate_hz : int
    duration_s : float
        Length of the recording.
    """
    passages = find_passages(Recording(trace, contacts, read, rate_hz, duration_s), played)
    if not passages:
        return None
    inside = sum(passage.last - passage.first + 1 for passage in passages)
    return Alignment(tuple(passages), inside, sum(len(passage.heard) for passage in passages))
