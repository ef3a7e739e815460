"""What every sound made from formula is made with: times, bands, fades and peaks.

A sound is written as a function of time and evaluated on the frames of the rate that is asked for. Nothing is
resampled, so a cue is the same sound, to the shape of its waveform, on a 44.1 kHz and on a 96 kHz device.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from drilltimer.units import frames_from_s, ratio_from_db

Wave = NDArray[np.float64]

PEAK_DB = -1.0  # re full scale; 1 dB is left for the overshoot of converters and of lossy coding
LOWEST_HZ = 600.0  # the landing is listened for below 400 Hz: keep our own sounds out of there
HIGHEST_HZ = 8000.0
HIGHEST_SHARE_OF_RATE = 0.45  # half the rate is the limit; a converter's filter takes the rest


def highest_hz(rate_hz: int) -> float:
    """Upper end of the band that a device at `rate_hz` can play, never above 8 kHz."""
    return min(HIGHEST_HZ, HIGHEST_SHARE_OF_RATE * rate_hz)


def frame_times_s(length_s: float, rate_hz: int) -> Wave:
    """Times of the frames of a sound `length_s` long, the first at zero, shape (n,)."""
    return np.arange(frames_from_s(length_s, rate_hz), dtype=np.float64) / rate_hz


def band_magnitude(frequencies_hz: Wave, lowest_hz: float, knee_hz: float, top_hz: float) -> Wave:
    """Half a cosine up from `lowest_hz` to `knee_hz`, half a cosine down to `top_hz`, zero outside.

    A signal with this magnitude spectrum W has the autocorrelation of W squared whatever its phases: one narrow
    lobe without ripples, which is what makes a cue's arrival unmistakable. The phases stay free for the ear.
    """
    rising = (frequencies_hz >= lowest_hz) & (frequencies_hz < knee_hz)
    falling = (frequencies_hz >= knee_hz) & (frequencies_hz <= top_hz)
    magnitude = np.zeros_like(frequencies_hz)
    magnitude[rising] = 0.5 - 0.5 * np.cos(np.pi * (frequencies_hz[rising] - lowest_hz) / (knee_hz - lowest_hz))
    magnitude[falling] = 0.5 + 0.5 * np.cos(np.pi * (frequencies_hz[falling] - knee_hz) / (top_hz - knee_hz))
    return magnitude


def evaluate_series(coefficients: NDArray[np.complex128], spacing_hz: float, times_s: Wave) -> Wave:
    """Real part of the Fourier series with `coefficients` at 0, 1, 2, ... times `spacing_hz`, at any times.

    The partials are equally spaced, so the sum is a polynomial in one phasor: Horner's rule needs memory for one
    sound instead of one sound per partial, and stays stable because the phasor has length one.
    """
    phasor = np.exp(2j * np.pi * spacing_hz * times_s)
    partials_sum: NDArray[np.complex128] = np.polynomial.polynomial.polyval(phasor, coefficients)
    return partials_sum.real


def high_pass(wave: Wave, corner_hz: float, order: int, rate_hz: int) -> Wave:
    """Butterworth high-pass of even `order`, causal, so that nothing sounds before the attack."""
    from scipy.signal import butter, sosfilt  # here, because this import alone costs half a second

    passed: Wave = sosfilt(butter(order, corner_hz, "highpass", fs=rate_hz, output="sos"), wave)
    return passed


def fade_out(wave: Wave, fade_s: float, rate_hz: int) -> Wave:
    """Copy of `wave` whose last `fade_s` seconds fall to exactly zero along half a cosine."""
    n = min(frames_from_s(fade_s, rate_hz), len(wave))
    faded = wave.copy()
    faded[len(wave) - n :] *= 0.5 + 0.5 * np.cos(np.linspace(0.0, np.pi, n))
    return faded


def scale_to_peak(wave: Wave, peak_db: float = PEAK_DB) -> Wave:
    """`wave` scaled to the sample peak `peak_db` re full scale."""
    return wave * float(ratio_from_db(peak_db) / np.max(np.abs(wave)))
