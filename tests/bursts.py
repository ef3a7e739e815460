"""A sound that is easy to find."""

from __future__ import annotations

import numpy as np

RATE_HZ = 16_000


def burst(seed=1, length_s=0.03, band_hz=(1200.0, 5000.0)):
    """Decaying noise of one band: its correlation has one sharp peak."""
    n = round(length_s * RATE_HZ)
    noise = np.random.default_rng(seed).standard_normal(n) * np.exp(-np.arange(n) / (0.3 * n))
    spectrum = np.fft.rfft(noise, 4 * n)
    frequency_hz = np.fft.rfftfreq(4 * n, 1.0 / RATE_HZ)
    edge = np.clip((frequency_hz - band_hz[0]) / 200, 0, 1) * np.clip((band_hz[1] - frequency_hz) / 200, 0, 1)
    return np.fft.irfft(spectrum * edge)[:n]
