"""Power in bands over the noise, as a stream: what is kept of the sound around a contact."""

from __future__ import annotations

import numpy as np

from drilltimer.hear.bands import BANDS
from drilltimer.units import frames_from_s

BEFORE_S, AFTER_S, STEP_S = 0.3, 0.6, 0.001  # an excerpt's reach around a contact, and its steps


class PowerTrack:
    """The last stretch of a stream's band powers.

    Parameters
    ----------
    rate_hz : float
        Of the stream.
    keep_s : float
        How much is kept.
    """

    def __init__(self, rate_hz: float, keep_s: float) -> None:
        self._rate_hz, self._keep = rate_hz, frames_from_s(keep_s, rate_hz)
        self._pieces: list[tuple[np.ndarray, np.ndarray]] = []

    def put(self, at: np.ndarray, logs: np.ndarray) -> None:
        """Add what follows: stream frames, shape (n,), and log powers over the noise in nepers, shape (BANDS, n)."""
        if not len(at):
            return
        self._pieces.append((at, logs.astype(np.float32)))
        self._pieces = [piece for piece in self._pieces if piece[0][-1] >= at[-1] - self._keep]

    def cut(self, frame: float) -> np.ndarray:
        """Log powers from `BEFORE_S` before a stream frame to `AFTER_S` after it, every `STEP_S`; shape (BANDS, steps).

        Zero where nothing was heard.
        """
        wanted = frame + np.arange(-round(BEFORE_S / STEP_S), round(AFTER_S / STEP_S)) * STEP_S * self._rate_hz
        near = [piece for piece in self._pieces if piece[0][-1] >= wanted[0] and piece[0][0] <= wanted[-1]]
        out = np.zeros((BANDS, len(wanted)), np.float32)
        if not near:
            return out
        at, logs = np.concatenate([piece[0] for piece in near]), np.concatenate([piece[1] for piece in near], axis=1)
        place = np.clip(np.searchsorted(at, wanted), 0, len(at) - 1)
        heard = np.abs(at[place] - wanted) < 2.0 * STEP_S * self._rate_hz
        out[:, heard] = logs[:, place[heard]]
        return out
