"""How like one stretch of sound another one is: the patterns by which a landing and its second foot are known.

Likeness is a normalised correlation of whitened sound as Fisher's z, whose scatter does not depend on its size, times
the root of the pattern's length: what two patterns of different lengths say can be compared.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from drilltimer.hear.bands import PREDICTOR
from drilltimer.hear.onsets import running_energy

UNIT_S = 0.008  # a pattern of this length has its z counted as it is
LENGTHS_S = (0.008, 0.016, 0.030)  # of other landings' patterns; the longest is what is kept of a landing
SHORTEST_S, LONGEST_S = 0.006, 0.025  # of the pattern of the very landing
LANDING_S = 0.090  # over which a landing's own spectrum is taken
KEPT_S = 0.150  # of a segment before and after a landing: feet are looked for there
SMOOTH_HZ = 300.0
SIZE = 4096  # of the transform for spectra
LEAST_GAIN = 0.02
NEAR_S = 0.0015  # how far a likeness may lie from the place it speaks for
MOST_Z = 0.99


def cut_pattern(residual: np.ndarray, at: float, rate_hz: float) -> np.ndarray | None:
    """What is kept of a landing: its first 30 ms, not whitened, and what a whitening filter needs before them."""
    first = int(at) - PREDICTOR
    piece = residual[max(first, 0) : int(at) + round(LENGTHS_S[-1] * rate_hz)]
    return piece.astype(np.float32) if first >= 0 and len(piece) == PREDICTOR + round(0.030 * rate_hz) else None


def keep_landing(white: np.ndarray, start: int, rate_hz: float) -> np.ndarray:
    """Leave of a whitened segment, shape (n,), the frequencies in which a landing at sample `start` is over noise.

    A Wiener filter of zero phase: where the sound is no stronger than the noise, its correlation is only noise's. What
    lies farther than `KEPT_S` from the landing is silent.
    """
    piece = white[start : start + round(LANDING_S * rate_hz)]
    whole = white[: len(white) // SIZE * SIZE].reshape(-1, SIZE)
    if not len(whole) or len(piece) < SIZE // 64:
        return white
    fade, window = np.hanning(2 * len(piece))[len(piece) :], np.hanning(SIZE)
    landing = _smooth(np.abs(np.fft.rfft(piece * fade, SIZE)) ** 2, rate_hz)
    # Median, for most frames hold no landing; a chi-squared of two degrees has its median at log 2 of the mean.
    noise = np.median(np.abs(np.fft.rfft(whole * window, axis=1)) ** 2, axis=0) / np.log(2)
    noise = _smooth(noise * np.sum(fade**2) / np.sum(window**2), rate_hz)
    gain = np.clip(1.0 - noise / np.maximum(landing, 1e-30), LEAST_GAIN, 1.0)
    kept = round(KEPT_S * rate_hz)
    return _filtered(white, gain, max(0, start - kept), min(len(white), start + kept))


def likeness_to_itself(white: np.ndarray, start: int, lags: np.ndarray, rate_hz: float) -> np.ndarray:
    """Likeness of the sound at each lag (samples, consecutive) after `start` to the sound at `start`; shape of `lags`.

    Over as long a pattern as fits before the lag (it ends where the second foot begins), and less where the later
    sound is softer. Zeros at the end of a segment.
    """
    shortest, longest = round(SHORTEST_S * rate_hz), round(LONGEST_S * rate_hz)
    piece = white[start : start + int(lags[-1]) + 1 + longest]
    if start < 0 or len(piece) <= lags[-1] + longest:
        return np.zeros(len(lags))
    energy = running_energy(piece)
    lengths = np.clip(lags - round(0.001 * rate_hz), shortest, longest)
    grown = int(np.searchsorted(lengths, longest))  # from this lag on the pattern has its full length
    products = np.zeros(len(lags))
    products[:grown] = [piece[:n] @ piece[lag : lag + n] for lag, n in zip(lags[:grown], lengths, strict=False)]
    if grown < len(lags):
        products[grown:] = np.correlate(piece[lags[grown] : lags[-1] + longest], piece[:longest])
    own, later = energy[lengths] + 1e-30, energy[lags + lengths] - energy[lags]
    softer = np.minimum(1.0, np.sqrt(later / own))
    z = _z(products / np.sqrt(own * later + 1e-30))
    return np.asarray(z * np.sqrt(lengths / (UNIT_S * rate_hz)) * softer)


def likeness_to_others(
    white: np.ndarray,
    start: int,
    lags: np.ndarray,
    patterns: Sequence[np.ndarray],
    predictor: np.ndarray,
    rate_hz: float,
) -> np.ndarray:
    """Likeness of the sound at each lag (samples, consecutive) to whichever other landing it is most like, at least 0.

    Parameters
    ----------
    white : float array, shape (n,)
    lags : int array
    patterns : sequence of float arrays
        Other landings as from `cut_pattern`; whitened here as this segment was.
    predictor : float array
        The segment's whitening filter.
    """
    longest = round(LENGTHS_S[-1] * rate_hz)
    piece = white[max(0, start + int(lags[0])) : start + int(lags[-1]) + longest]
    if not patterns or start < 0 or len(piece) < len(lags) + longest - 1:
        return np.zeros(len(lags))
    return _likeness(piece, len(lags), _parts(_whitened(patterns, predictor), len(lags), rate_hz))


@dataclass(frozen=True, slots=True)
class _Part:
    """The next samples of some landings: their spectra, and how all samples up to its end are weighed.

    `norms` are the landings' own up to there, shape (landings, 1).
    """

    first: int
    last: int
    spectra: np.ndarray
    size: int
    norms: np.ndarray
    weight: float


def _parts(landings: np.ndarray, lags: int, rate_hz: float) -> list[_Part]:
    """Landings cut at each of `LENGTHS_S`, to be found at up to so many lags: short parts need short transforms."""
    norms, parts, first = np.sqrt(running_energy(landings)), [], 0
    for length_s in LENGTHS_S:
        last = round(length_s * rate_hz)
        size = _fast_size(last - first + lags - 1)
        spectra = np.conj(np.fft.rfft(landings[:, first:last], size, axis=1))
        weight = float(np.sqrt(last / (UNIT_S * rate_hz)))
        parts.append(_Part(first, last, spectra, size, np.maximum(norms[:, last : last + 1], 1e-30), weight))
        first = last
    return parts


def _likeness(pieces: np.ndarray, lags: int, parts: Sequence[_Part]) -> np.ndarray:
    """Likeness of pieces at each of their first `lags` samples to the landing each is most like, at least 0.

    By transforms, not by matrix products: those of this size start threads whose waiting costs more than the work.

    Parameters
    ----------
    pieces : float array, shape (..., lags - 1 + the last part's end)

    Returns
    -------
    float array, shape (..., lags)
    """
    energy, scores = running_energy(pieces), np.zeros((*pieces.shape[:-1], lags))
    products = np.zeros((*pieces.shape[:-1], len(parts[0].spectra), lags), pieces.dtype)
    for part in parts:
        spectra = np.fft.rfft(pieces[..., part.first : part.last + lags - 1], part.size)[..., None, :]
        products += np.fft.irfft(spectra * part.spectra, part.size)[..., :lags]
        there = np.sqrt(np.maximum(energy[..., part.last : part.last + lags] - energy[..., :lags], 1e-30))
        alike = (products / part.norms).max(axis=-2) / there
        np.maximum(scores, part.weight * _z(alike), out=scores)
    return scores


def _whitened(patterns: Sequence[np.ndarray], predictor: np.ndarray) -> np.ndarray:
    """Patterns as from `cut_pattern`, whitened as a segment was; shape (patterns, n)."""
    from scipy.signal import lfilter

    return np.asarray(lfilter(predictor, [1.0], np.array(patterns, float), axis=1)[:, PREDICTOR:])


def _z(correlation: np.ndarray | float) -> np.ndarray:
    return np.asarray(np.arctanh(np.clip(correlation, -MOST_Z, MOST_Z)))


def _smooth(power: np.ndarray, rate_hz: float) -> np.ndarray:
    width = int(np.ceil(SMOOTH_HZ / rate_hz * 2 * (len(power) - 1)))
    kernel = np.hanning(width + 2)[1:-1]
    return np.convolve(np.pad(power, width, mode="edge"), kernel / kernel.sum(), "same")[width:-width]


def _filtered(signal: np.ndarray, gain: np.ndarray, first: int, last: int) -> np.ndarray:
    """Samples `first` to `last` of a signal through a filter of zero phase; the others are zeros.

    Its gains are spread evenly from 0 Hz to half the sample rate, and so it reaches no farther than their number.
    """
    reach = 2 * len(gain)
    begin, end = max(0, first - reach), min(len(signal), last + reach)
    size = _fast_size(end - begin + reach)
    gains = np.interp(np.linspace(0.0, 1.0, size // 2 + 1), np.linspace(0.0, 1.0, len(gain)), gain)
    near = np.fft.irfft(np.fft.rfft(signal[begin:end], size) * gains, size)
    filtered = np.zeros(len(signal))
    filtered[first:last] = near[first - begin : last - begin]
    return filtered


def _fast_size(least: int) -> int:
    from scipy.fft import next_fast_len

    return int(next_fast_len(least, real=True))
