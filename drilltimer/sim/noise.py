"""Background noise that never repeats, made block by block: pink, rumble, wind and crowd."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drilltimer.sim.settings import Noise

Wave = NDArray[np.float64]

STEP_S = 0.1  # noise is made in steps of this length, whatever is asked for, so that blocks cannot change it


class NoiseSource:
    """Noise of one kind with a long-term RMS near 1; `take` gives the next frames."""

    def __init__(self, kind: Noise, rate_hz: int, seed: Sequence[int]) -> None:
        from scipy.signal import sosfilt

        self._filter = sosfilt
        self._rng = np.random.default_rng(list(seed))
        self._step = round(STEP_S * rate_hz)
        self._ramp = np.arange(self._step) / self._step
        self._layers = [_Layer(shape, rate_hz) for shape in _shapes(kind, rate_hz)]
        self._left = np.zeros(0)
        self._scale = 1.0 / math.sqrt(sum(layer.shape.weight**2 * layer.mean_square for layer in self._layers))
        self._next()  # the filters settle

    def take(self, frames: int) -> Wave:
        """The noise's next frames; no stretch comes again."""
        parts, have = [self._left], len(self._left)
        while have < frames:
            parts.append(self._next())
            have += self._step
        joined = np.concatenate(parts)
        self._left = joined[frames:]
        return joined[:frames]

    def _next(self) -> Wave:
        total = np.zeros(self._step)
        for layer in self._layers:
            white = self._rng.standard_normal(self._step)
            shaped, layer.state = self._filter(layer.shape.sections, white, zi=layer.state)
            total += shaped * (layer.gain * layer.swell(self._rng, self._ramp))
        return total * self._scale


@dataclass(frozen=True, slots=True)
class _Shape:
    """One layer of a noise: its filter, its share, and how its level wanders."""

    sections: Wave
    weight: float = 1.0  # RMS beside the other layers
    swell_db: float = 0.0  # standard deviation of the level
    kept: float = 0.0  # of the level's deviation from one step to the next


class _Layer:
    """A shape at work: filter state and present level."""

    def __init__(self, shape: _Shape, rate_hz: int) -> None:
        from scipy.signal import sosfilt

        impulse = np.zeros(rate_hz)
        impulse[0] = 1.0
        self.shape = shape
        self.gain = shape.weight / math.sqrt(float(np.sum(sosfilt(shape.sections, impulse) ** 2)))
        # mean square of a log-normal level: exp(2 s^2) with s in nepers
        self.mean_square = math.exp(2.0 * (shape.swell_db * math.log(10.0) / 20.0) ** 2)
        self.state = np.zeros((len(shape.sections), 2))
        self._level_db = 0.0

    def swell(self, rng: np.random.Generator, ramp: Wave) -> Wave | float:
        """Gain over the next step, sliding from the last level to a new one."""
        if self.shape.swell_db == 0.0:
            return 1.0
        before = self._level_db
        push_db = self.shape.swell_db * math.sqrt(1.0 - self.shape.kept**2)
        self._level_db = self.shape.kept * before + push_db * float(rng.standard_normal())
        return np.asarray(10.0 ** ((before + (self._level_db - before) * ramp) / 20.0))


def _shapes(kind: Noise, rate_hz: int) -> list[_Shape]:
    from scipy.signal import butter

    def low(corner_hz: float, order: int) -> Wave:
        return np.asarray(butter(order, corner_hz, "lowpass", fs=rate_hz, output="sos"))

    def band(low_hz: float, high_hz: float) -> Wave:
        return np.asarray(butter(1, (low_hz, high_hz), "bandpass", fs=rate_hz, output="sos"))

    if kind == "pink":
        return [_Shape(_pink(rate_hz))]
    if kind == "rumble":  # ventilation and traffic
        return [_Shape(low(60.0, 2)), _Shape(_pink(rate_hz), 0.03)]
    if kind == "wind":  # gusts of a second or two; turbulence at the microphone flutters faster
        return [
            _Shape(low(80.0, 1), 1.0, swell_db=6.0, kept=0.93),
            _Shape(band(80.0, 500.0), 0.3, swell_db=6.0, kept=0.8),
        ]
    edges_hz = ((150.0, 400.0), (400.0, 800.0), (800.0, 1600.0), (1600.0, 4000.0))
    weights = (1.0, 0.8, 0.5, 0.3)  # long-term speech falls by some 6 dB per octave above 500 Hz, from memory
    return [
        _Shape(band(*edge), weight, swell_db=5.0, kept=0.3)  # a syllable lasts 0.2-0.3 s
        for edge, weight in zip(edges_hz, weights, strict=True)
    ]


def _pink(rate_hz: int) -> Wave:
    """-3 dB per octave from 20 Hz to 10 kHz: first-order poles and zeros in turn."""
    from scipy.signal import bilinear_zpk, zpk2sos

    spacing = 4.0
    poles = -2.0 * np.pi * 10.0 * spacing ** np.arange(6)
    zeros = poles * math.sqrt(spacing)
    return np.asarray(zpk2sos(*bilinear_zpk(zeros, poles, 1.0, fs=rate_hz)))
