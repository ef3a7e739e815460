"""A segment whose noise is made flat, and its power band by band.

The signal is whitened by linear prediction (the noise becomes flat, hum and held notes vanish, an onset stays where it
is) and cut into bands of equal log width.

The filter is fitted to the median spectrum: a transient does not bend a median.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

PREDICTOR = 24  # taps of the whitening filter
FRAME_S = 0.008
HOP_S = 0.001
BANDS = 12
ROWS = 1024  # frames transformed at once: more do not stay in a processor's cache
LOWEST_HZ = 60.0
QUIET = 1e-10  # power of a sample below which nothing counts: half of 16 bits' last step
SMEAR_S = 0.004
LEAKAGE = 1e-4  # of a loud band into all others, through the analysis window's side lobes
LEAST_SHARE = 0.002  # no room stays so still that less than this share of our sound is left


@dataclass(frozen=True, slots=True)
class Leftover:
    """A part of our own sound that was predicted and removed.

    Parameters
    ----------
    power : float array, shape (BANDS, frames)
        Of that part, as from `own_powers`.
    share : float array, shape (BANDS,)
        Share of it that stays behind: it counts as noise (clipping, people moving, a response not yet learned).
    """

    power: np.ndarray
    share: np.ndarray


@dataclass(frozen=True, slots=True)
class Whitened:
    """A segment whose noise was made flat.

    Parameters
    ----------
    white : float array, shape (n,)
    predictor : float array
        The filter that did it.
    power : float array, shape (BANDS, frames)
        Of `white`, a frame every `hop` samples.
    gains : float array, shape (BANDS, 1)
        By how much the filter raised the power in each band.
    """

    white: np.ndarray
    predictor: np.ndarray
    power: np.ndarray
    hop: int
    gains: np.ndarray


def whiten(residual: np.ndarray, rate_hz: float) -> Whitened:
    """A segment, shape (n,), whitened by linear prediction."""
    from scipy.signal import lfilter

    predictor = fit_predictor(residual)
    white = np.asarray(lfilter(predictor, [1.0], residual))
    power, hop = band_powers(white, rate_hz)
    return Whitened(white, predictor, power, hop, band_gains(predictor, rate_hz)[:, None])


def quiet_power(predictor: np.ndarray, rate_hz: float) -> float:
    """Power of a whitened segment's frame below which nothing counts."""
    return float(QUIET * np.sum(predictor**2) * round(FRAME_S * rate_hz))


def smeared(leftover: Leftover, gains: np.ndarray, rate_hz: float, hop: int) -> np.ndarray:
    """What must be expected to be left of our own sound in a whitened segment; shape (BANDS, frames).

    A filter's own ringing and small moves smear what stays behind by some milliseconds.
    """
    from scipy.ndimage import maximum_filter1d

    spread = gains * maximum_filter1d(leftover.power, 2 * round(SMEAR_S * rate_hz / hop) + 1, axis=1)
    everywhere = LEAKAGE * spread.max(axis=0, keepdims=True)
    return np.asarray(np.maximum(np.maximum(leftover.share, LEAST_SHARE)[:, None] * spread, everywhere))


def leftover_share(left: np.ndarray, gone: np.ndarray) -> np.ndarray:
    """Share of our own sound's power `gone` that stays behind in `left`, both of shape (BANDS, frames).

    Told for each band in which our sound dominates, NaN elsewhere; shape (BANDS,).
    """
    noise = np.median(left, axis=1, keepdims=True) / np.log(2)
    loud = gone > 30.0 * noise
    shares = np.full(len(left), np.nan)
    for band in np.flatnonzero(loud.sum(axis=1) >= 4):
        shares[band] = np.median(np.maximum(left[band] - noise[band], 0.0)[loud[band]] / gone[band][loud[band]])
    return shares


def own_powers(own: np.ndarray, rate_hz: float) -> np.ndarray:
    """Band powers of our own sound, which is silent most of the time; shape (BANDS, frames)."""
    frame, hop = _framing(rate_hz)
    frames = (len(own) - frame) // hop + 1
    power = np.zeros((BANDS, max(frames, 0)))
    sounding = np.flatnonzero(own)
    if not len(sounding) or frames <= 0:
        return power
    first = max(0, (int(sounding[0]) - frame) // hop)
    last = min(frames - 1, int(sounding[-1]) // hop)
    power[:, first : last + 1], _ = band_powers(own[first * hop : last * hop + frame], rate_hz)
    return power


def fit_predictor(signal: np.ndarray) -> np.ndarray:
    """Whitening filter (1, -a1, ...) for the typical, not the mean, spectrum: transients do not bend a median."""
    from scipy.linalg import solve_toeplitz

    frame, hop = 512, 256
    if len(signal) < 2 * frame:
        return np.array([1.0])
    pieces = np.lib.stride_tricks.sliding_window_view(signal, frame)[::hop]
    power = np.median(np.abs(np.fft.rfft(pieces * np.hanning(frame), axis=1)) ** 2, axis=0)
    power[0] = power[1]
    auto = np.fft.irfft(power)
    if auto[0] <= 0.0:
        return np.array([1.0])
    column = auto[:PREDICTOR].copy()
    column[0] *= 1.0 + 1e-4
    return np.concatenate([[1.0], -solve_toeplitz(column, auto[1 : PREDICTOR + 1])])


def band_powers(signal: np.ndarray, rate_hz: float) -> tuple[np.ndarray, int]:
    """Power in `BANDS` bands of equal log width; shape (BANDS, frames); and the hop in samples."""
    from scipy.fft import rfft

    frame, hop = _framing(rate_hz)
    size, low, high = _band_edges(rate_hz)
    edges = np.column_stack([low, high]).ravel()
    pieces = np.lib.stride_tricks.sliding_window_view(signal.astype(np.float32), frame)[::hop]
    window = np.hanning(frame + 1)[:-1].astype(np.float32)
    bands = np.empty((BANDS, len(pieces)))
    padded = np.zeros((ROWS, size), np.float32)  # by ourselves: five times as fast as inside the transform
    for first in range(0, len(pieces), ROWS):
        some = pieces[first : first + ROWS]
        np.multiply(some, window, out=padded[: len(some), :frame])
        spectra = rfft(padded[: len(some)], axis=1)
        squares = np.square(spectra.view(np.float32))  # of real and imaginary parts by turns
        sums = np.add.reduceat(squares, 2 * edges, axis=1)[:, ::2]  # and, in between, what lies between two bands
        bands[:, first : first + ROWS] = (sums / (high - low)).T
    return bands, hop


def band_gains(predictor: np.ndarray, rate_hz: float) -> np.ndarray:
    """By how much a filter raises the power in each band; shape (BANDS,)."""
    size, low, high = _band_edges(rate_hz)
    power = np.abs(np.fft.rfft(predictor, size)) ** 2
    return np.array([power[a:b].mean() for a, b in zip(low, high, strict=True)])


def _framing(rate_hz: float) -> tuple[int, int]:
    return round(FRAME_S * rate_hz), max(1, round(HOP_S * rate_hz))


def _band_edges(rate_hz: float) -> tuple[int, np.ndarray, np.ndarray]:
    """Size of the transform, and first and last-but-one bin of each band."""
    size = 1 << int(np.ceil(np.log2(2 * _framing(rate_hz)[0])))
    edges = np.geomspace(LOWEST_HZ, 0.475 * rate_hz, BANDS + 1) * size / rate_hz
    low = np.maximum(1, np.round(edges[:-1]).astype(int))
    return size, low, np.maximum(low + 1, np.round(edges[1:]).astype(int))
