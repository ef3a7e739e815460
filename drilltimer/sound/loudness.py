"""Programme loudness of a sound of any length, block by block (ITU-R BS.1770-4).

Libraries need the whole sound in memory; two hours of it would be five gigabytes. Here the filters keep their state and
of each tenth of a second one number is kept.

A test holds it to EBU Tech 3341's signals and to pyloudnorm.
"""

from __future__ import annotations

import math

import numpy as np

from drilltimer.model import Samples
from drilltimer.sound.shape import Wave
from drilltimer.units import db_from_ratio, ratio_from_db

STEP_S = 0.1
STEPS_PER_BLOCK = 4  # blocks of 400 ms that overlap by three quarters
ABSOLUTE_GATE_LUFS = -70.0
RELATIVE_GATE_LU = -10.0
OFFSET_LU = -0.691  # so that 997 Hz at 0 dBFS in one channel reads -3.01 LKFS
# -300 dBFS. In true silence a filter's tail sinks to numbers so small that a processor takes 25 times as long for them.
NEXT_TO_NOTHING = 1e-15
# The standard gives coefficients at 48 kHz alone; these analogue parameters give them back there and fit every rate:
# De Man 2014, Evaluation of implementations of the EBU R128 loudness measurement, AES 137 (from memory, and checked
# against pyloudnorm's filter class of that name).
SHELF_HZ, SHELF_DB, SHELF_Q = 1681.974450955533, 3.999843853973347, 0.7071752369554196
PASS_HZ, PASS_Q = 38.13547087602444, 0.5003270373238773
SHELF_SLOPE = 0.4996667741545416


class LoudnessMeter:
    """Measures integrated loudness and sample peak.

    Parameters
    ----------
    channels : int
        All weigh the same: they are left and right, or one alone.
    """

    def __init__(self, rate_hz: int, channels: int) -> None:
        self.peak = 0.0
        self._sections = k_weighting(rate_hz)
        self._state = np.zeros((len(self._sections), 2, channels))
        self._step = round(STEP_S * rate_hz)
        self._rest = np.zeros((0, channels))
        self._powers: list[float] = []

    def feed(self, samples: Samples | Wave) -> None:
        """Take in the next frames, shape (n, channels)."""
        from scipy.signal import sosfilt

        if not len(samples):
            return
        self.peak = max(self.peak, float(np.max(np.abs(samples))))
        sound = samples.astype(np.float64) + NEXT_TO_NOTHING
        weighted, self._state = sosfilt(self._sections, sound, axis=0, zi=self._state)
        joined = np.concatenate([self._rest, weighted])
        steps = len(joined) // self._step
        whole = joined[: steps * self._step].reshape(steps, self._step, joined.shape[1])
        self._powers += np.mean(whole**2, axis=1).sum(axis=1).tolist()
        self._rest = joined[steps * self._step :]

    def lufs(self) -> float:
        """Integrated loudness, gated; minus infinity for silence or less than 0.4 s of sound."""
        steps = np.array(self._powers)
        if len(steps) < STEPS_PER_BLOCK:
            return -math.inf
        blocks = np.convolve(steps, np.full(STEPS_PER_BLOCK, 1.0 / STEPS_PER_BLOCK), mode="valid")
        loud = blocks[blocks > _power(ABSOLUTE_GATE_LUFS)]
        if not len(loud):
            return -math.inf
        kept = loud[loud > _power(_lufs(float(np.mean(loud))) + RELATIVE_GATE_LU)]
        return _lufs(float(np.mean(kept)))


def loudness_lufs(wave: Wave, rate_hz: int) -> float:
    """Integrated loudness of a word, shape (n,), to the nearest tenth of a second; under 0.4 s it is a single block."""
    from scipy.signal import sosfilt

    step = round(STEP_S * rate_hz)
    if len(wave) < STEPS_PER_BLOCK * step:
        return _lufs(float(np.mean(sosfilt(k_weighting(rate_hz), wave) ** 2)))
    meter = LoudnessMeter(rate_hz, 1)
    meter.feed(np.pad(wave, (0, step // 2))[:, None])  # in full: a word's end is a good part of it
    return meter.lufs()


def k_weighting(rate_hz: float) -> np.ndarray:
    """The two filters of the K-weighting as second-order sections, shape (2, 6)."""
    bend = math.tan(math.pi * SHELF_HZ / rate_hz)
    high, middle = ratio_from_db(SHELF_DB), ratio_from_db(SHELF_DB * SHELF_SLOPE)
    norm = 1.0 + bend / SHELF_Q + bend**2
    shelf = [
        (high + middle * bend / SHELF_Q + bend**2) / norm,
        2.0 * (bend**2 - high) / norm,
        (high - middle * bend / SHELF_Q + bend**2) / norm,
        1.0,
        2.0 * (bend**2 - 1.0) / norm,
        (1.0 - bend / SHELF_Q + bend**2) / norm,
    ]
    bend = math.tan(math.pi * PASS_HZ / rate_hz)
    norm = 1.0 + bend / PASS_Q + bend**2
    low_cut = [1.0, -2.0, 1.0, 1.0, 2.0 * (bend**2 - 1.0) / norm, (1.0 - bend / PASS_Q + bend**2) / norm]
    return np.array([shelf, low_cut])


def _power(loudness_lufs: float) -> float:
    return ratio_from_db(loudness_lufs - OFFSET_LU) ** 2


def _lufs(power: float) -> float:
    return OFFSET_LU + db_from_ratio(math.sqrt(power))
