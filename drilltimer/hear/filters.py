"""Filters, designed once: a design takes longer than filtering a rep."""

from __future__ import annotations

from functools import lru_cache
from typing import Literal

import numpy as np

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
