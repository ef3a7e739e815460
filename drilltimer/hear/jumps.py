"""How a sound's power jumps at a place, band by band: another impact does that, a dying sound does not."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

LOWEST_DB, HIGHEST_DB = -5.0, 15.0  # of a jump; more says no more
TINY = 1e-20


def running_energy(signal: np.ndarray) -> np.ndarray:
    """Energy before each sample of a signal, shape (n,), and in all of it; shape (n + 1,)."""
    return np.concatenate([[0.0], np.cumsum(np.square(signal))])


def mean_power(energy: np.ndarray, first: np.ndarray, frames: int) -> np.ndarray:
    """Mean power of the `frames` samples from each of `first` on, what lies outside counting as silence."""
    low, high = (np.clip(each, 0, len(energy) - 1) for each in (first, first + frames))
    return np.asarray((energy[high] - energy[low]) / frames)


def jump_db(energy: np.ndarray, at: np.ndarray, after_s: float, before_s: float, rate_hz: float) -> np.ndarray:
    """Power after each place over that before it, the greatest of each row of `at`; limited to what counts."""
    after, before = round(after_s * rate_hz), round(before_s * rate_hz)
    there, earlier = mean_power(energy, at, after), mean_power(energy, at - before, before)
    jumps_db = 10.0 * np.log10((there + TINY) / (earlier + TINY))
    return np.asarray(np.clip(jumps_db.max(axis=-1), LOWEST_DB, HIGHEST_DB))


def split_gain_at(energy: np.ndarray, at: np.ndarray, after_s: float, before_s: float, rate_hz: float) -> np.ndarray:
    """Log-likelihood (times two) gained by taking before and after for two powers, the greatest of each row of `at`.

    As `onsets.split_gain`, between fixed ends. Zero where the second power is not the greater one.
    """
    after, before = round(after_s * rate_hz), round(before_s * rate_hz)
    first = mean_power(energy, at - before, before) + TINY
    second = mean_power(energy, at, after) + TINY
    whole = mean_power(energy, at - before, before + after) + TINY
    gain = (after + before) * np.log(whole) - before * np.log(first) - after * np.log(second)
    return np.asarray(np.maximum(np.where(second > first, gain, 0.0).max(axis=-1), 0.0))


def louder_db(energies: Sequence[np.ndarray], at: np.ndarray, than: int, span_s: float, rate_hz: float) -> np.ndarray:
    """Power of the span from each place on over that from sample `than` on, in each band; shape (bands, places)."""
    frames = round(span_s * rate_hz)
    ratios = [
        (mean_power(energy, at, frames) + TINY) / (mean_power(energy, np.array([than]), frames) + TINY)
        for energy in energies
    ]
    return np.asarray(10.0 * np.log10(ratios))
