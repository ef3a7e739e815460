"""Filters, designed once: a design takes longer than filtering a rep. And the sum of channels, of which to filter."""

from __future__ import annotations

from functools import lru_cache
from typing import Literal

import numpy as np

from drilltimer.model import Samples

ORDER = 2


def filtered(
    signal: np.ndarray, kind: Literal["lowpass", "bandpass", "highpass"], edges_hz: tuple[float, ...], rate_hz: float
) -> np.ndarray:
    """A signal, shape (n,), through a causal Butterworth filter of second order."""
    from scipy.signal import sosfilt

    return np.asarray(sosfilt(_design(kind, edges_hz, rate_hz), signal))


@lru_cache(maxsize=32)
def _design(kind: str, edges_hz: tuple[float, ...], rate_hz: float) -> np.ndarray:
    from scipy.signal import butter

    return np.asarray(butter(ORDER, edges_hz if len(edges_hz) > 1 else edges_hz[0], kind, fs=rate_hz, output="sos"))


def added_up(samples: Samples) -> Samples:
    """All channels added up, shape (n,). Column by column: a sum along so short an axis takes ten times as long."""
    total = samples[:, 0].copy()
    for channel in range(1, samples.shape[1]):
        total += samples[:, channel]
    return total
