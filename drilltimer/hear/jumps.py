"""How a sound's power jumps at a place, band by band: another impact does that, a dying sound does not."""

from __future__ import annotations

import numpy as np

LOWEST_DB, HIGHEST_DB = -5.0, 15.0  # of a jump; more says no more
TINY = 1e-20


def mean_power(energy: np.ndarray, first: np.ndarray, frames: int) -> np.ndarray:
    """Mean power of the `frames` samples from each of `first` on, what lies outside counting as silence.

    Shape (..., *first.shape), as the next two for each row of `at`.
    """
    low, high = (np.clip(each, 0, energy.shape[-1] - 1) for each in (first, first + frames))
    return np.asarray((energy[..., high] - energy[..., low]) / frames)


def jump_db(energy: np.ndarray, at: np.ndarray, after_s: float, before_s: float, rate_hz: float) -> np.ndarray:
    """Power after each place over that before it, the greatest of each row of `at`; limited to what counts."""
    after, before = round(after_s * rate_hz), round(before_s * rate_hz)
    ratios = (mean_power(energy, at, after) + TINY) / (mean_power(energy, at - before, before) + TINY)
    return np.asarray(np.clip(10.0 * np.log10(ratios.max(axis=-1)), LOWEST_DB, HIGHEST_DB))


def split_gain_at(energy: np.ndarray, at: np.ndarray, after_s: float, before_s: float, rate_hz: float) -> np.ndarray:
    """Log-likelihood (times two) gained by taking before and after for two powers, the greatest of each row of `at`.

    As `onsets.split_gain`, between fixed ends. Zero where the second power is not the greater one.
    """
    after, before = round(after_s * rate_hz), round(before_s * rate_hz)
    first, second = mean_power(energy, at - before, before) + TINY, mean_power(energy, at, after) + TINY
    whole = (before * first + after * second) / (before + after)
    gain = (after + before) * np.log(whole) - before * np.log(first) - after * np.log(second)
    return np.asarray(np.maximum(np.where(second > first, gain, 0.0).max(axis=-1), 0.0))


def louder_db(energy: np.ndarray, at: np.ndarray, than: int, span_s: float, rate_hz: float) -> np.ndarray:
    """Power of the span from each place on over that from sample `than` on; shape (..., places)."""
    frames = round(span_s * rate_hz)
    there, first = mean_power(energy, at, frames), mean_power(energy, np.array([than]), frames)
    return np.asarray(10.0 * np.log10((there + TINY) / (first + TINY)))
