"""Where sounds begin: rises over the noise in many bands, each traced back to its first rise.

The signal is whitened and cut into bands, and a rise is the mean over the bands of the growth of log power above each
band's own median.
The moment itself comes from an arrival picker on the whitened signal, as seismologists use (Akaike's criterion for
the best split into two variances: Maeda 1985, Zisin 38:365-379), summed over three bands: a fluctuation of the noise
in one band does not outvote a rise in the others.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from drilltimer.hear.picture import FRAME_S, Leftover, Whitened, picking_bands, quiet_power, smeared, whiten
from drilltimer.units import ms_from_s

LAG_S = 0.016  # a rise is measured over this span
MERGE_S = 0.005  # two rises traced to the same moment are one
BACK_S, AHEAD_S = 0.022, 0.008  # reach of the picker around a rise
LATE_MS, LATE_SHARE, VAGUE_MS = 0.21, 0.36, 2.0  # how late the picker is: a share of its vagueness up to a limit
LEAST_SCATTER_MS, SCATTER_SHARE, VAGUEST_MS = 0.12, 0.65, 6.0
VAGUE_GAIN = 12.0  # twice the log-likelihood that a moment may lack and still be possible
WORTH_QUANTILE = 0.75  # of the local maxima of the strength, this share is not worth tracing back: noise
COLOUR_S = 0.014
COLOUR_EDGES_HZ = (60, 150, 300, 600, 1000, 1600, 2500, 4000, 7000)


@dataclass(frozen=True, slots=True)
class OnsetCandidate:
    """Beginning of a sound.

    Parameters
    ----------
    at : float
        Sample of the segment.
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


def lateness_ms(candidate: OnsetCandidate) -> float:
    """How much later than the touchdown the picker puts it: the vaguer, the more of its beginning is in the noise."""
    return LATE_MS + LATE_SHARE * min(ms_from_s(candidate.vague_s), VAGUE_MS)


def scatter_ms(candidate: OnsetCandidate) -> float:
    """One sigma of the picker's error about that: measured, it is some two thirds of the stretch of doubt."""
    return math.hypot(LEAST_SCATTER_MS, min(SCATTER_SHARE * ms_from_s(candidate.vague_s), VAGUEST_MS))


@dataclass(frozen=True, slots=True)
class OnsetCandidates:
    """What was found in a segment.

    Parameters
    ----------
    candidates : tuple of OnsetCandidate
        In time order.
    strengths : float array
        Of every local maximum, noise included.
    white : float array, shape (n,)
        The segment, whitened.
    predictor : float array
        Filter by which it was whitened: another sound is to be compared with it through the same.
    logs : float array, shape (BANDS, frames)
        Log power over the noise in nepers, at least 0, every `hop` samples, the first one at sample `middle`.
    """

    candidates: tuple[OnsetCandidate, ...]
    strengths: np.ndarray
    white: np.ndarray
    predictor: np.ndarray
    hop: int
    middle: int
    logs: np.ndarray


def find_candidates(
    residual: np.ndarray, leftovers: Sequence[Leftover], rate_hz: float, flat: Whitened | None = None
) -> OnsetCandidates:
    """Rises in a segment, shape (n,), from which our own sound was removed; `flat` when it was whitened before."""
    from scipy.signal import find_peaks

    flat = flat or whiten(residual, rate_hz)
    white, predictor, power, hop = flat.white, flat.predictor, flat.power, flat.hop
    noise = np.median(power, axis=1, keepdims=True) / np.log(2)
    noise = np.maximum(noise, quiet_power(predictor, rate_hz))
    for leftover in leftovers:
        noise = noise + smeared(leftover, flat.gains, rate_hz, hop)
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
    candidates = tuple(
        OnsetCandidate(float(at), found[at][0], colour_db, float(contrast), found[at][1])
        for at, colour_db, contrast in zip(
            places, colours(residual, places, rate_hz), contrasts(white, places, rate_hz), strict=True
        )
    )
    return OnsetCandidates(candidates, strength[peaks], white, predictor, hop, middle, logs)


def trace_back(
    parts: Sequence[tuple[float, np.ndarray]], places: np.ndarray, rate_hz: float
) -> list[tuple[int, float]]:
    """First sample of each sound whose rise was seen around one of `places`, and how vague it is in seconds.

    `parts` as from `picking_bands`. All places but those at the ends of the segment are looked at in one go.
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


def split_gain(signal: np.ndarray, power: float = 2.0) -> np.ndarray:
    """Log-likelihood (times two) gained by splitting a signal before each index into a weaker and a stronger part.

    Along the last axis; zero where the second part is not the stronger one, and within 4 samples of either end. Samples
    are taken for normally distributed; with a `power` of 1, by Laplace's law, a lone click of rain or fire counts less.
    """
    n = signal.shape[-1]
    gain = np.zeros(signal.shape)
    if n < 12:
        return gain
    moment = np.cumsum(np.abs(signal) ** power, axis=-1) + 1e-30
    k = np.arange(4, n - 4)
    total, before = moment[..., -1:], moment[..., 3 : n - 5]
    first, second = before / k, np.maximum((total - before) / (n - k), 1e-30)
    split = n * np.log(total / n) - k * np.log(first) - (n - k) * np.log(second)
    gain[..., 4 : n - 4] = np.where(second > first, 2.0 / power * split, 0.0)
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
