"""Two clocks made one: the played sound resampled to the clock of the recording that heard it.

Whole ratios go by `resample_poly`, clock skew by fifth-order splines (at twice the rate below 32 kHz): exact enough,
and soxr has no wheel for Windows on ARM.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from drilltimer.hear.picture import added_up
from drilltimer.model import Samples

EDGE = 64  # samples of context that interpolation needs either side
FINE_RATE_HZ = 32_000  # below this the played sound is doubled first: splines need air above the signal


@dataclass(frozen=True, slots=True)
class ClockMap:
    """recorded_s = (played_s + offset_s) * (1 + skew_ppm * 1e-6)."""

    offset_s: float
    skew_ppm: float

    def recorded_s(self, played_s: float) -> float:
        """Time in the recording of a time in the played sound."""
        return (played_s + self.offset_s) * (1.0 + self.skew_ppm * 1e-6)

    def played_s(self, recorded_s: float) -> float:
        """Time in the played sound of a time in the recording."""
        return recorded_s / (1.0 + self.skew_ppm * 1e-6) - self.offset_s


def warp_played(
    read: Callable[[int, int], Samples],
    played_rate_hz: int,
    first: int,
    frames: int,
    rate_hz: int,
    clock: ClockMap,
) -> Samples:
    """Reference sound, mixed to one channel, in the recording's frames `first` to `first + frames`; shape (frames, 1).

    Parameters
    ----------
    read : callable (start, frames) -> float32 array, shape (frames, channels)
        The played sound; zeros outside of it.
    """
    from scipy.ndimage import map_coordinates
    from scipy.signal import firwin, oaconvolve, resample_poly

    begin = int(np.floor(clock.played_s(first / rate_hz) * played_rate_hz)) - EDGE
    end = int(np.ceil(clock.played_s((first + frames) / rate_hz) * played_rate_hz)) + EDGE
    piece = added_up(read(begin, end - begin)).astype(np.float64)
    sounding = np.flatnonzero(piece)
    if not len(sounding):
        return np.zeros((frames, 1), np.float32)
    # Most of a drill is silence: only where something sounds, and a margin for both filters, is worth resampling.
    quiet = max(0, int(sounding[0]) - 2 * EDGE)
    piece = piece[quiet : int(sounding[-1]) + 1 + 2 * EDGE]
    begin += quiet
    if rate_hz < 0.95 * played_rate_hz:
        taps = 2 * EDGE + 1
        low_pass = firwin(taps, 0.45 * rate_hz, fs=played_rate_hz)
        piece = oaconvolve(piece, low_pass)[EDGE : EDGE + len(piece)]
    finer = 2 if played_rate_hz < FINE_RATE_HZ else 1
    if finer > 1:
        piece = resample_poly(piece, finer, 1)
    times_s = np.arange(first, first + frames) / rate_hz
    places = (clock.played_s(0.0) + times_s / (1.0 + clock.skew_ppm * 1e-6)) * played_rate_hz - begin
    inside = slice(*np.searchsorted(places * finer, [0.0, len(piece) - 1.0]))
    warped = np.zeros((frames, 1), np.float32)
    warped[inside, 0] = map_coordinates(piece, [places[inside] * finer], order=5, mode="constant")
    return warped
