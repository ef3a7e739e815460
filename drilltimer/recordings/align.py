"""Where a recording and a cue sheet meet: unknown start, another clock, pauses, beginning or end cut off.

A matched filter for the contact cue runs over the whole recording and leaves a coarse trace of where contacts may be.
What the sheet's own trace must be is slid along it, a stretch of the sheet at a time, so that clocks that differ by
hundreds of ppm still fit; `segments` then locates each contact finely and puts lines through them.

A stretch of few contacts needs more than likeness (`segments`): all of them within 0.4 ms of a line, on the same clock
as the greatest, or all that the recording can hold. Otherwise other draws of the same drill fit by chance.
A contact that nobody would believe alone is heard where the line says (`tests/hearing/faint.py` measures how faint).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from drilltimer.hear.locate import evidence
from drilltimer.model import Samples
from drilltimer.recordings.segments import TRACE_RATE_HZ, AlignedSegment, Contact, Recording, find_segments
from drilltimer.recordings.warp import ClockMap

LEAST_RATE_HZ = 14_000  # what a contact has below 7 kHz is enough to find it by
CEILING = 100.0  # of evidence: one very clear sound must not outvote many contacts


@dataclass(frozen=True, slots=True)
class Alignment:
    """Segments in the recording's order, how many contacts lie in them, and how many of these were found in place."""

    segments: tuple[AlignedSegment, ...]
    inside: int
    found: int

    @property
    def clock(self) -> ClockMap:
        """The clock of the segment with the most contacts, which stands for the whole recording."""
        return max(self.segments, key=lambda segment: len(segment.heard)).clock


def _coarser(sound: np.ndarray, step: int) -> np.ndarray:
    from scipy.signal import resample_poly

    return sound if step == 1 else np.asarray(resample_poly(sound, 1, step))


class Trace:
    """Coarse trace of where contacts may be: root of the greatest evidence in every 5 ms, however loud."""

    def __init__(self, rate_hz: int, templates: Sequence[np.ndarray]) -> None:
        self._step = max(1, rate_hz // LEAST_RATE_HZ)
        self._cell = rate_hz / self._step / TRACE_RATE_HZ
        self._templates = [_coarser(template, self._step) for template in templates]
        self._longest = max(len(template) for template in self._templates)
        self._tail = np.zeros(0, np.float32)
        self._pieces: list[np.ndarray] = []

    def feed(self, samples: np.ndarray) -> None:
        """Take in the next piece of the recording, shape (n,); pieces of a second or more are best."""
        signal = np.concatenate([self._tail, samples.astype(np.float32)])
        cells = int((len(signal) / self._step - self._longest) // self._cell)
        if cells < TRACE_RATE_HZ // 4:
            self._tail = signal
            return
        coarse = _coarser(signal, self._step)
        edges = np.round(np.arange(cells) * self._cell).astype(int)
        found = [evidence(coarse, template)[: round(cells * self._cell)] for template in self._templates]
        loudest = np.max([np.maximum.reduceat(each, edges) for each in found], axis=0)
        self._pieces.append(np.sqrt(np.minimum(loudest, CEILING)).astype(np.float16))
        self._tail = signal[round(cells * self._cell * self._step) :]

    def values(self) -> np.ndarray:
        """The trace so far, `TRACE_RATE_HZ` values a second; float16, for a recording may last hours."""
        return np.concatenate(self._pieces) if self._pieces else np.zeros(0, np.float16)


def align(
    trace: np.ndarray,
    contacts: Sequence[Contact],
    read: Callable[[int, int], Samples],
    rate_hz: int,
    duration_s: float,
) -> Alignment | None:
    """Clock of a recording against its sheet, or None when the sheet's contacts are not in it.

    Parameters
    ----------
    trace : float array
        From `Trace`, of the recording.
    contacts : sequence of Contact
        In time order.
    read : callable (start, frames) -> float32 array, shape (frames,)
        The recording, zeros outside of it.
    duration_s : float
        Length of the recording.
    """
    segments = find_segments(Recording(trace, contacts, read, rate_hz, duration_s), _sheet_trace(contacts))
    if not segments:
        return None
    inside = sum(segment.last - segment.first + 1 for segment in segments)
    return Alignment(tuple(segments), inside, sum(len(segment.heard) for segment in segments))


def _sheet_trace(contacts: Sequence[Contact]) -> np.ndarray:
    """Trace of a sheet's sound in which the contacts alone speak; wider than they are, for clocks may differ."""
    cells = [round(contact.at_s * TRACE_RATE_HZ) + 1 for contact in contacts]
    trace = np.zeros(max(cells) + TRACE_RATE_HZ)
    for shift, weight in ((-1, 0.5), (1, 0.5), (0, 1.0)):
        at = np.array(cells) + shift
        trace[at] = np.maximum(trace[at], weight)
    return trace[1:]
