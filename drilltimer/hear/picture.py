"""What the ear sees of a rep: band powers over the noise, what is known of our own sound, and fine energies.

A segment's noise is made flat by linear prediction, fitted to the median spectrum, which a transient does not bend: hum
and held notes vanish, an onset stays where it is. Its power is taken in bands of equal log width, and of 1.8 s around
the contact a picture is drawn, one column every 2 ms. Everything is relative to the segment's own noise, so that gain,
loudspeaker and room are no part of it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Literal

import numpy as np

from drilltimer.model import Samples
from drilltimer.units import db_from_ratio

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

FROM_S = -0.6  # of the picture, from the contact
FRAME_HOPS = 2  # hops of the band powers per column
COLUMN_S = FRAME_HOPS * HOP_S
FRAMES = 900
PATCH, BEFORE = 80, 2  # columns of a landing's patch, and how many of them lie before the touchdown
BEFORE_COLUMNS = 15  # before a patch: what was there already
FINE = 3  # bands of the picker, each in the two halves of a column
CHANNELS = 3 * BANDS + 2 * FINE + 2
NEPERS = 4.0  # one unit of the picture
LEAST, MOST = -2.0, 14.0  # nepers over the noise that are told apart

ORDER = 2  # of the filters
PICK_EDGES_HZ = (500.0, 1800.0)  # between the picker's three bands


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
        Its noise has the same power at all frequencies.
    predictor : float array
        Filter that did it, as from `fit_predictor`; causal, so that no onset comes sooner.
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


@dataclass(frozen=True, slots=True)
class Picture:
    """Powers of a segment around its contact; every array has `FRAMES` columns, NaN where nothing was recorded.

    Parameters
    ----------
    power : float32 array, shape (BANDS, FRAMES)
        Of what is left without our own sound, over the noise.
    left : float32 array, shape (BANDS, FRAMES)
        What is expected to be left of our own sound, over the noise.
    own : float32 array, shape (BANDS, FRAMES)
        Our own sound as it was taken out, over the noise.
    fine : float32 array, shape (2 * FINE, FRAMES)
        Energies of the picker's bands in the first and second half of a column, over their medians.
    first : float
        Sample of the segment in the middle of column 0.
    step : float
        Samples per column.
    noise : float array, shape (BANDS,)
        Power of the noise, to which all others are relative.
    """

    power: np.ndarray
    left: np.ndarray
    own: np.ndarray
    fine: np.ndarray
    first: float
    step: float
    noise: np.ndarray

    def columns(self) -> np.ndarray:
        """The picture as the net takes it; float32, shape (CHANNELS, FRAMES)."""
        time = (FROM_S + np.arange(FRAMES) * COLUMN_S) / 0.5
        lost = np.isnan(self.power[:1])
        seen = np.concatenate(
            [
                np.clip(np.log(np.maximum(self.power, 1e-6)), LEAST, MOST) / NEPERS,
                np.log1p(self.left) / NEPERS,
                np.log1p(self.own) / NEPERS,
                np.clip(np.log(np.maximum(self.fine, 1e-6)), LEAST, MOST) / NEPERS,
                time[None],
            ]
        )
        return np.asarray(np.concatenate([np.where(lost, 0.0, seen), lost]), np.float32)

    def column(self, sample: float) -> float:
        """Column (fractional) of a sample of the segment."""
        return (sample - self.first) / self.step

    def sample(self, column: float) -> float:
        """Sample of the segment in the middle of a column."""
        return self.first + column * self.step

    def with_landing(self, patch: np.ndarray, column: int) -> Picture:
        """The same, with the powers of a landing (as from `cut_patch`) added about a column."""
        begin, end = column - BEFORE, min(FRAMES, column - BEFORE + patch.shape[1])
        over = (patch / self.noise[:, None])[:, : end - begin]
        power, fine = self.power.copy(), self.fine.copy()
        power[:, begin:end] += over
        # The picker's bands are a third of all bands each; both halves of a column get the same.
        fine[:, begin:end] += over.reshape(FINE, -1, end - begin).mean(axis=1).repeat(2, axis=0)
        return replace(self, power=power, fine=fine)


def softened(picture: Picture, column: int, by_db: float) -> Picture:
    """The picture as if what stands over the noise from a landing's column on were so much softer."""
    power, fine = picture.power.copy(), picture.fine.copy()
    for rows in (power[:, column - BEFORE :], fine[:, column - BEFORE :]):
        rows -= (1.0 - 10.0 ** (-by_db / 10.0)) * np.maximum(rows - 1.0, 0.0)
    return replace(picture, power=power, fine=fine)


def cut_patch(picture: Picture, column: int) -> np.ndarray:
    """Power that a landing at a column brought, over what was there just before; absolute, shape (BANDS, PATCH)."""
    begin = column - BEFORE
    before = picture.power[:, max(0, begin - BEFORE_COLUMNS) : max(1, begin)]
    here = picture.power[:, max(begin, 0) : begin + PATCH]
    patch = np.zeros((BANDS, PATCH))
    late = max(0, -begin)
    patch[:, late : late + here.shape[1]] = np.maximum(here - np.median(before, axis=1, keepdims=True), 0.0)
    return np.asarray(np.nan_to_num(patch) * picture.noise[:, None])


def level_db(patch: np.ndarray) -> float:
    """Level of the loudest 10 ms of a patch, re full scale."""
    loudest = np.convolve(patch.sum(axis=0), np.full(5, 0.2), "valid").max(initial=0.0)
    return db_from_ratio(float(np.sqrt(max(loudest, 1e-20))))


def draw_picture(
    flat: Whitened, leftovers: Sequence[Leftover], own: np.ndarray, arrival: float, rate_hz: float
) -> Picture:
    """Draw what the net sees of a segment.

    Parameters
    ----------
    flat : Whitened
        What is left of the segment without our own sound.
    leftovers : sequence of Leftover
        What is expected to be left of it.
    own : float array, shape (BANDS, frames)
        Band powers of our own sound, not whitened.
    arrival : float
        Sample at which the contact arrived.
    """
    hop = flat.hop
    middle = round(FRAME_S * rate_hz) / 2 + hop / 2  # of the first two frames
    first = round((arrival + FROM_S * rate_hz - middle) / hop)
    noise = np.median(flat.power, axis=1) / np.log(2)
    noise = np.maximum(noise, quiet_power(flat.predictor, rate_hz))[:, None]
    left = np.zeros_like(flat.power)
    for leftover in leftovers:
        left += smeared(leftover, flat.gains, rate_hz, hop)
    fine = _fine_energies(flat.white, round(middle + first * hop), hop, rate_hz)
    return Picture(
        _pairs(flat.power / noise, first),
        _pairs(left / noise, first),
        _pairs(flat.gains * own / noise, first),
        fine,
        middle + first * hop,
        FRAME_HOPS * hop,
        noise[:, 0] / flat.gains[:, 0],
    )


def _pairs(rows: np.ndarray, first: int) -> np.ndarray:
    """Means of two by two frames from `first` on, NaN outside; shape (rows, FRAMES)."""
    wanted = np.full((len(rows), FRAME_HOPS * FRAMES), np.nan, np.float32)
    begin, end = max(first, 0), min(first + wanted.shape[1], rows.shape[1])
    if begin < end:
        wanted[:, begin - first : end - first] = rows[:, begin:end]
    return np.asarray(wanted.reshape(len(rows), FRAMES, FRAME_HOPS).mean(axis=2))


def _fine_energies(white: np.ndarray, first: int, hop: int, rate_hz: float) -> np.ndarray:
    """Energies of the picker's bands hop by hop; column k is the hop before and after sample first + 2 k hop."""
    rows = []
    begin = first - hop
    frames = FRAME_HOPS * FRAMES
    for _, part in picking_bands(white, rate_hz):
        energy = running_energy(part)
        edges = begin + hop * np.arange(frames + 1)
        inside = (edges >= 0) & (edges <= len(part))
        sums = np.diff(energy[np.clip(edges, 0, len(part))])
        sums[~(inside[:-1] & inside[1:])] = np.nan
        whole = len(part) // hop * hop
        typical = np.median(np.square(part[:whole]).reshape(-1, hop).sum(axis=1)) if whole else 1.0
        rows += list((sums / max(typical, 1e-20)).reshape(FRAMES, FRAME_HOPS).T)
    return np.asarray(rows, np.float32)


def filtered(
    signal: np.ndarray, kind: Literal["lowpass", "bandpass", "highpass"], edges_hz: tuple[float, ...], rate_hz: float
) -> np.ndarray:
    """A signal, shape (n,), through a causal Butterworth filter of second order."""
    from scipy.signal import sosfilt

    return np.asarray(sosfilt(_design(kind, edges_hz, rate_hz), signal))


@lru_cache(maxsize=32)  # a design takes longer than filtering a rep
def _design(kind: str, edges_hz: tuple[float, ...], rate_hz: float) -> np.ndarray:
    from scipy.signal import butter

    return np.asarray(butter(ORDER, edges_hz if len(edges_hz) > 1 else edges_hz[0], kind, fs=rate_hz, output="sos"))


def added_up(samples: Samples) -> Samples:
    """All channels added up, shape (n,). Column by column: a sum along so short an axis takes ten times as long."""
    total = samples[:, 0].copy()
    for channel in range(1, samples.shape[1]):
        total += samples[:, channel]
    return total


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


def running_energy(signals: np.ndarray) -> np.ndarray:
    """Energy before each sample of signals, shape (..., n), and in all of each; shape (..., n + 1)."""
    energy = np.zeros((*signals.shape[:-1], signals.shape[-1] + 1))
    np.cumsum(np.square(signals), axis=-1, out=energy[..., 1:])
    return energy
