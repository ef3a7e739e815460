"""Where a recording and a cue sheet meet: unknown start, another clock, beginning or end cut off.

A matched filter for the contact cue runs over the whole recording and leaves a coarse trace of where contacts may be.
The same trace of the played sound is slid along it, a stretch of the sheet at a time, so that clocks that differ by
hundreds of ppm still fit; then each contact is located finely and one line is put through all of them.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from drilltimer.hear.clockline import ClockLine
from drilltimer.hear.locate import NEAR_SHARE, locate_cue
from drilltimer.hear.warp import ClockMap
from drilltimer.model import Samples

TRACE_RATE_HZ = 200
STRETCH_S = 40.0  # a stretch of the sheet whose clock may be taken as right
WORST_SKEW_PPM = 1000.0
CEILING = 100.0  # one very loud sound must not outvote many contacts
ROOM_S = 0.030  # how far from the line a contact may lie
LINE_TOLERANCE_S = 0.002


@dataclass(frozen=True, slots=True)
class Contact:
    """A contact of the sheet: when its first sample was played, and the sound, at the recording's rate."""

    at_s: float
    template: np.ndarray


@dataclass(frozen=True, slots=True)
class Alignment:
    """The clock that fits, how many contacts lie in the recording, and how many of them were found on the line."""

    clock: ClockMap
    inside: int
    found: int


class Trace:
    """Coarse trace of where contacts may be: loudest matched-filter output in every 5 ms, noise at 1."""

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
        self._pieces.append(np.minimum(loudest, CEILING))
        self._tail = signal[round(cells * cell) :]

    def values(self) -> np.ndarray:
        """The trace so far, `TRACE_RATE_HZ` values a second."""
        return np.concatenate(self._pieces) if self._pieces else np.zeros(0)


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
    best: Alignment | None = None
    for stretch, offset_s in _coarse_fits(trace, played, contacts):
        fit = _follow(contacts, stretch, offset_s, read, rate_hz, duration_s)
        if fit is not None and (best is None or fit.found > best.found):
            best = fit
        if best is not None and best.found >= 0.8 * best.inside and best.found > 3:
            break
    return best


def _coarse_fits(trace: np.ndarray, played: np.ndarray, contacts: Sequence[Contact]) -> list[tuple[range, float]]:
    """Stretches of the sheet and the offsets at which their own trace fits the recording's best, best first."""
    from scipy.signal import oaconvolve

    recorded = np.log(np.maximum(trace, 1.0))
    recorded -= recorded.mean() if len(recorded) else 0.0
    fits: list[tuple[float, range, float]] = []
    begin = 0
    while begin < len(contacts):
        end = begin
        while end < len(contacts) and contacts[end].at_s - contacts[begin].at_s <= STRETCH_S:
            end += 1
        first = max(0, round((contacts[begin].at_s - 0.5) * TRACE_RATE_HZ))
        piece = np.log(np.maximum(played[first : round((contacts[end - 1].at_s + 0.5) * TRACE_RATE_HZ)], 1.0))
        piece = piece - piece.mean()
        padded = np.concatenate([np.zeros(len(piece)), recorded, np.zeros(len(piece))])
        score = oaconvolve(padded, piece[::-1] / max(float(np.linalg.norm(piece)), 1e-9), mode="valid")
        for place in _tops(score, 4):
            fits.append((float(score[place]), range(begin, end), (place - len(piece) - first) / TRACE_RATE_HZ))
        begin = end
    fits.sort(key=lambda fit: -fit[0])
    return [(stretch, offset_s) for _, stretch, offset_s in fits[:12]]


def _tops(score: np.ndarray, count: int) -> list[int]:
    """Places of the highest values, at least a quarter of a second apart."""
    left, places = score.copy(), []
    for _ in range(count):
        place = int(np.argmax(left))
        if left[place] <= 0.0:
            break
        places.append(place)
        left[max(0, place - TRACE_RATE_HZ // 4) : place + TRACE_RATE_HZ // 4] = 0.0
    return places


def _follow(
    contacts: Sequence[Contact],
    stretch: range,
    offset_s: float,
    read: Callable[[int, int], Samples],
    rate_hz: int,
    duration_s: float,
) -> Alignment | None:
    """Locate the stretch's contacts finely, fit a line, and follow it outwards through the whole sheet."""
    anchor_s = contacts[stretch[len(stretch) // 2]].at_s
    span_s = contacts[stretch[-1]].at_s - contacts[stretch[0]].at_s
    reach_s = ROOM_S + WORST_SKEW_PPM * 1e-6 * span_s
    outwards = sorted(range(len(contacts)), key=lambda i: abs(contacts[i].at_s - anchor_s))
    seeds: list[tuple[float, float]] = []
    for i in outwards:
        if i in stretch:
            at_s = _locate(contacts[i], contacts[i].at_s + offset_s, reach_s, read, rate_hz)
            if at_s is not None:
                seeds.append((contacts[i].at_s, at_s))
    line = _consensus(seeds)
    if line is None:
        return None
    found: list[tuple[float, float]] = []
    for i in outwards:
        expected_s = contacts[i].at_s * (1.0 + line[1]) + line[0]
        at_s = _locate(contacts[i], expected_s, ROOM_S, read, rate_hz)
        if at_s is not None and abs(at_s - expected_s) < 5 * LINE_TOLERANCE_S:
            found.append((contacts[i].at_s, at_s))
            if len(found) % 8 == 0:
                line = _consensus(found) or line
    line = _consensus(found)
    if line is None:
        return None
    on_line = sum(abs(at_s - played_s * (1.0 + line[1]) - line[0]) < LINE_TOLERANCE_S for played_s, at_s in found)
    inside = sum(0.0 <= c.at_s * (1.0 + line[1]) + line[0] < duration_s for c in contacts)
    if on_line < min(3, len(contacts)) or on_line < 0.2 * inside:
        return None
    return Alignment(ClockMap(line[0] / (1.0 + line[1]), line[1] * 1e6), inside, on_line)


def _locate(
    contact: Contact, expected_s: float, reach_s: float, read: Callable[[int, int], Samples], rate_hz: int
) -> float | None:
    first = int((expected_s - reach_s) * rate_hz)
    frames = int(2 * reach_s * rate_hz) + len(contact.template)
    arrival = locate_cue(read(first, frames), contact.template, expected=reach_s * rate_hz)
    return (first + arrival.lag) / rate_hz if arrival is not None and arrival.heard(NEAR_SHARE) else None


def _consensus(pairs: list[tuple[float, float]]) -> tuple[float, float] | None:
    """Robust line recorded = offset + (1 + skew) * played; None when there are too few pairs."""
    if not pairs:
        return None
    line = ClockLine(keep=len(pairs))
    line.put((played_s, at_s - played_s) for played_s, at_s in pairs)
    return line.offset, line.slope
