"""What the ear sees of a rep: band powers over the noise, what is known of our own sound, and fine energies.

A picture of 1.8 s around the contact, one column every 2 ms. Everything is relative to the segment's own noise, so that
gain, loudspeaker and room are no part of it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from drilltimer.hear.bands import BANDS, FRAME_S, HOP_S, Leftover, Whitened, quiet_power, smeared
from drilltimer.hear.onsets import picking_bands, running_energy
from drilltimer.units import db_from_ratio

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
