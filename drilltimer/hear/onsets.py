"""Where sounds begin: rises over the noise in many bands, each traced back to its first rise.

The signal is whitened by linear prediction (the noise becomes flat, hum and held notes vanish, an onset stays where it
is), cut into bands, and a rise is the mean over the bands of the growth of log power above each band's own median.
The moment itself comes from an arrival picker on the whitened signal, as seismologists use (Akaike's criterion for
the best split into two variances: Maeda 1985, Zisin 38:365-379), summed over three bands: a fluctuation of the noise
in one band does not outvote a rise in the others.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from drilltimer.hear.filters import filtered
from drilltimer.units import ms_from_s

PREDICTOR = 24  # taps of the whitening filter
FRAME_S = 0.008
HOP_S = 0.001
LAG_S = 0.016  # a rise is measured over this span
BANDS = 12
ROWS = 1024  # frames transformed at once: more do not stay in a processor's cache
LOWEST_HZ = 60.0
QUIET = 1e-10  # power of a sample below which nothing counts: half of 16 bits' last step
SMEAR_S = 0.004
LEAKAGE = 1e-4  # of a loud band into all others, through the analysis window's side lobes
LEAST_SHARE = 0.002  # no room stays so still that less than this share of our sound is left
MERGE_S = 0.005  # two rises traced to the same moment are one
BACK_S, AHEAD_S = 0.022, 0.008  # reach of the picker around a rise
PICK_EDGES_HZ = (500.0, 1800.0)  # between the picker's three bands
LATE_MS, LATE_SHARE, VAGUE_MS = 0.21, 0.36, 2.0  # how late the picker is: a share of its vagueness up to a limit
LEAST_SCATTER_MS, SCATTER_SHARE, VAGUEST_MS = 0.12, 0.65, 6.0
VAGUE_GAIN = 12.0  # twice the log-likelihood that a moment may lack and still be possible
WORTH_QUANTILE = 0.75  # of the local maxima of the strength, this share is not worth tracing back: noise
COLOUR_S = 0.014
COLOUR_EDGES_HZ = (60, 150, 300, 600, 1000, 1600, 2500, 4000, 7000)


@dataclass(frozen=True, slots=True)
class Rise:
    """Beginning of a sound.

    Parameters
    ----------
    at : float
        Sample of the take.
    strength : float
        Mean over bands of the rise of log power, in nepers of power.
    colour_db : float array, shape (8,)
        Band powers of its first 14 ms over what was there before.
    contrast : float
        Power of the whitened signal in the 3 ms after the onset over the noise.
    vague_s : float
        How long the stretch is in which the onset might lie almost as well (log-likelihood within 6 of the best).
    """

    at: float
    strength: float
    colour_db: np.ndarray
    contrast: float
    vague_s: float

    @property
    def level_db(self) -> float:
        """Power of its first 14 ms, all bands."""
        return level_of(self.colour_db)


def level_of(colour_db: np.ndarray) -> float:
    """Power of all bands together, in dB."""
    return float(10.0 * np.log10(np.sum(10.0 ** (colour_db / 10.0))))


def lateness_ms(rise: Rise) -> float:
    """How much later than the touchdown the picker puts it: the vaguer, the more of its beginning is in the noise."""
    return LATE_MS + LATE_SHARE * min(ms_from_s(rise.vague_s), VAGUE_MS)


def scatter_ms(rise: Rise) -> float:
    """One sigma of the picker's error about that: measured, it is some two thirds of the stretch of doubt."""
    return math.hypot(LEAST_SCATTER_MS, min(SCATTER_SHARE * ms_from_s(rise.vague_s), VAGUEST_MS))


@dataclass(frozen=True, slots=True)
class Rises:
    """What was found in a take.

    Parameters
    ----------
    rises : tuple of Rise
        In time order.
    strengths : float array
        Of every local maximum, noise included.
    white : float array, shape (n,)
        The take, whitened.
    predictor : float array
        By which filter it was whitened.
    logs : float array, shape (BANDS, frames)
        Log power over the noise in nepers, at least 0, every `hop` samples, the first one at sample `middle`.
    """

    rises: tuple[Rise, ...]
    strengths: np.ndarray
    white: np.ndarray
    predictor: np.ndarray
    hop: int
    middle: int
    logs: np.ndarray


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
    """A take whose noise was made flat.

    Parameters
    ----------
    white : float array, shape (n,)
    predictor : float array
        The filter that did it.
    power : float array, shape (BANDS, frames)
        Of `white`, a frame every `hop` samples.
    hop : int
    gains : float array, shape (BANDS, 1)
        By how much the filter raised the power in each band.
    """

    white: np.ndarray
    predictor: np.ndarray
    power: np.ndarray
    hop: int
    gains: np.ndarray


def whiten(residual: np.ndarray, rate_hz: float) -> Whitened:
    """A take, shape (n,), whitened by linear prediction."""
    from scipy.signal import lfilter

    predictor = fit_predictor(residual)
    white = np.asarray(lfilter(predictor, [1.0], residual))
    power, hop = band_powers(white, rate_hz)
    return Whitened(white, predictor, power, hop, band_gains(predictor, rate_hz)[:, None])


def find_rises(
    residual: np.ndarray, leftovers: Sequence[Leftover], rate_hz: float, flat: Whitened | None = None
) -> Rises:
    """Rises in a take, shape (n,), from which our own sound was removed; `flat` when it was whitened before."""
    from scipy.ndimage import maximum_filter1d
    from scipy.signal import find_peaks

    flat = flat or whiten(residual, rate_hz)
    white, predictor, power, hop = flat.white, flat.predictor, flat.power, flat.hop
    noise = np.median(power, axis=1, keepdims=True) / np.log(2)
    noise = np.maximum(noise, QUIET * np.sum(predictor**2) * round(FRAME_S * rate_hz))
    for leftover in leftovers:
        # A filter's own ringing and small moves smear what stays behind by some milliseconds.
        spread = flat.gains * maximum_filter1d(leftover.power, 2 * round(SMEAR_S * rate_hz / hop) + 1, axis=1)
        everywhere = LEAKAGE * spread.max(axis=0, keepdims=True)
        noise = noise + np.maximum(np.maximum(leftover.share, LEAST_SHARE)[:, None] * spread, everywhere)
    logs = np.log(np.maximum(power / np.maximum(noise, 1e-30), 1.0))
    lag = max(1, round(LAG_S * rate_hz / hop))
    growth = np.zeros_like(logs)
    growth[:, lag:] = np.maximum(logs[:, lag:] - logs[:, :-lag], 0.0)
    strength = growth.mean(axis=0)
    peaks, _ = find_peaks(strength, distance=max(1, round(0.008 * rate_hz / hop)))
    middle = round(FRAME_S * rate_hz) // 2
    parts = picking_bands(white, rate_hz)
    worth = float(np.quantile(strength[peaks], WORTH_QUANTILE)) if len(peaks) else 0.0
    found: dict[int, tuple[float, float]] = {}
    seen = peaks[strength[peaks] >= worth]
    for peak, (at, vague_s) in zip(seen, trace_back(parts, middle + seen * hop, rate_hz), strict=True):
        near = [other for other in found if abs(other - at) < MERGE_S * rate_hz]
        if all(found[other][0] < strength[peak] for other in near):
            for other in near:
                del found[other]
            found[at] = (float(strength[peak]), vague_s)
    places = sorted(found)
    rises = tuple(
        Rise(float(at), found[at][0], colour_db, float(contrast), found[at][1])
        for at, colour_db, contrast in zip(
            places, colours(residual, places, rate_hz), contrasts(white, places, rate_hz), strict=True
        )
    )
    return Rises(rises, strength[peaks], white, predictor, hop, middle, logs)


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


def picking_bands(white: np.ndarray, rate_hz: float) -> list[tuple[float, np.ndarray]]:
    """The picker's bands of a whitened signal, each with its weight.

    The filters are causal: they may delay a rise by a fraction of a millisecond, they cannot put it too early. The
    weight is the root of the band's share of independent samples, between counting bands and counting samples.
    """
    low_hz, high_hz = PICK_EDGES_HZ
    parts = (
        (filtered(white, "lowpass", (low_hz,), rate_hz), low_hz),
        (filtered(white, "bandpass", (low_hz, high_hz), rate_hz), high_hz - low_hz),
        (filtered(white, "highpass", (high_hz,), rate_hz), rate_hz / 2 - high_hz),
    )
    return [(float(np.sqrt(2.0 * width_hz / rate_hz)), part) for part, width_hz in parts]


def trace_back(
    parts: Sequence[tuple[float, np.ndarray]], places: np.ndarray, rate_hz: float
) -> list[tuple[int, float]]:
    """First sample of each sound whose rise was seen around one of `places`, and how vague it is in seconds.

    `parts` as from `picking_bands`. All places but those at the ends of the take are looked at in one go.
    """
    back, ahead = round(BACK_S * rate_hz), round(AHEAD_S * rate_hz)
    inside = (places >= back) & (places + ahead <= len(parts[0][1]))
    rows = places[inside, None] - back + np.arange(back + ahead)
    whole = np.sum([weight * split_gain(part[rows]) for weight, part in parts], axis=0)
    tops = iter(zip(places[inside] - back, *_tops(whole), strict=True))
    found = []
    for at, is_inside in zip(places, inside, strict=True):
        if is_inside:
            low, best, vague = next(tops)
        else:
            low = max(0, int(at) - back)
            cut = np.sum([weight * split_gain(part[low : at + ahead]) for weight, part in parts], axis=0)
            (best,), (vague,) = _tops(cut[None])
        found.append((int(low + best), float(vague) / rate_hz))
    return found


def _tops(gains: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Place of the best gain in each row, and over how many about it the gain is hardly worse."""
    columns = np.arange(gains.shape[1])
    best = np.argmax(gains, axis=1)[:, None]
    worse = gains <= np.take_along_axis(gains, best, axis=1) - VAGUE_GAIN
    before = np.where(worse & (columns < best), columns, -1).max(axis=1)
    after = np.where(worse & (columns > best), columns, gains.shape[1]).min(axis=1)
    return best[:, 0], after - before - 1


def split_gain(signal: np.ndarray) -> np.ndarray:
    """Log-likelihood (times two) gained by splitting a signal before each index into a weaker and a stronger part.

    Along the last axis; zero where the second part is not the stronger one, and within 4 samples of either end.
    """
    n = signal.shape[-1]
    gain = np.zeros(signal.shape)
    if n < 12:
        return gain
    energy = np.cumsum(np.square(signal), axis=-1) + 1e-30
    k = np.arange(4, n - 4)
    total, before = energy[..., -1:], energy[..., 3 : n - 5]
    first, second = before / k, np.maximum((total - before) / (n - k), 1e-30)
    split = n * np.log(total / n) - k * np.log(first) - (n - k) * np.log(second)
    gain[..., 4 : n - 4] = np.where(second > first, split, 0.0)
    return gain


def colours(signal: np.ndarray, places: Sequence[int], rate_hz: float) -> np.ndarray:
    """Band powers (dB) of the 14 ms from each place, over what was there in the 14 ms before; shape (places, 8)."""
    n = round(COLOUR_S * rate_hz)
    padded = np.concatenate([np.zeros(n), signal, np.zeros(n)])
    windows = np.lib.stride_tricks.sliding_window_view(padded, n)
    at = np.asarray(places, int)
    after, before = _edge_powers(windows[at + n], rate_hz), _edge_powers(windows[at], rate_hz)
    return np.asarray(10.0 * np.log10(np.maximum(after - before, 0.05 * after) + 1e-14))


def _edge_powers(pieces: np.ndarray, rate_hz: float) -> np.ndarray:
    """Powers between `COLOUR_EDGES_HZ` of pieces of shape (pieces, n)."""
    power = np.abs(np.fft.rfft(pieces * np.hanning(pieces.shape[1]), 512, axis=1)) ** 2 / pieces.shape[1]
    edges = np.searchsorted(np.fft.rfftfreq(512, 1.0 / rate_hz), COLOUR_EDGES_HZ)
    sums = np.concatenate([np.zeros((len(power), 1)), np.cumsum(power, axis=1)], axis=1)
    return np.asarray(sums[:, edges[1:]] - sums[:, edges[:-1]])


def contrasts(white: np.ndarray, places: Sequence[int], rate_hz: float) -> np.ndarray:
    """Power of the whitened signal in the 3 ms from each place over the median power in the 60 ms before."""
    after, before = round(0.003 * rate_hz), round(0.06 * rate_hz)
    power, at = np.square(white), np.asarray(places, int)
    energy = np.concatenate([[0.0], np.cumsum(power)])
    last = np.minimum(at + after, len(power))
    loud = (energy[last] - energy[at]) / np.maximum(last - at, 1)
    whole = at >= before
    noise = np.array([np.median(power[: max(1, each)]) for each in at[~whole]])
    rows = power[at[whole, None] - before + np.arange(before)]
    noise = np.concatenate([noise, np.median(rows, axis=1)])  # places come in time order
    return np.asarray(loud / np.maximum(noise / 0.455, 1e-30))
