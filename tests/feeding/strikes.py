"""Rackets, machines, paddles and balls by formula: each object draws its own figures once, each strike varies a little.

The figures are guesses around what is known of ball strikes, from memory (contact of 2-6 ms, string tone of 450-750 Hz,
a solid face at 1-2 kHz); they are drawn wide, so that nothing fitted to them knows one racket.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from scipy.signal import butter, sosfilt

Wave = NDArray[np.float64]
Strike = Callable[[], Wave]
LENGTH_S = 0.12


def string_racket(rate_hz: int, rng: np.random.Generator) -> Strike:
    """Push of the ball, click of its felt, string bed's tone, frame's tone."""
    contact_s, tone_hz = rng.uniform(0.0035, 0.006), rng.uniform(430.0, 780.0)
    decay_s, tone, click = rng.uniform(0.008, 0.04), rng.uniform(0.2, 1.2), rng.uniform(0.15, 1.0)
    push, frame_hz, frame = rng.uniform(0.2, 1.0), rng.uniform(110.0, 220.0), rng.uniform(0.0, 0.3)
    band_hz = (rng.uniform(350.0, 900.0), rng.uniform(3000.0, 6500.0))

    def strike() -> Wave:
        t = _times(rate_hz)
        near = np.clip(t / contact_s, 0.0, 1.0)
        body = push * np.where(t < contact_s, np.sin(2 * np.pi * t / contact_s), 0.0)
        own_hz = tone_hz * np.exp(rng.normal(0.0, 0.02))
        body += tone * near * np.sin(2 * np.pi * own_hz * t) * np.exp(-t / (decay_s * np.exp(rng.normal(0.0, 0.15))))
        body += frame * near * np.sin(2 * np.pi * frame_hz * t) * np.exp(-t / 0.03)
        body += click * _noise(rate_hz, band_hz, rng) * np.exp(-t / 0.0025) * np.exp(rng.normal(0.0, 0.2))
        return _ended(body)

    return strike


def solid_paddle(rate_hz: int, rng: np.random.Generator) -> Strike:
    """A hard face: two or three tones of 0.7-3 kHz and a click."""
    tones = [(rng.uniform(700.0, 3000.0), rng.uniform(0.003, 0.012), rng.uniform(0.4, 1.0)) for _ in range(3)]
    click, low_hz = rng.uniform(0.2, 1.0), rng.uniform(200.0, 500.0)

    def strike() -> Wave:
        t = _times(rate_hz)
        body = 0.5 * np.sin(2 * np.pi * low_hz * t) * np.exp(-t / 0.006)
        for tone_hz, decay_s, weight in tones:
            own = weight * np.exp(rng.normal(0.0, 0.2))
            body += own * np.sin(2 * np.pi * tone_hz * t) * np.exp(-t / decay_s)
        body *= 1.0 - np.exp(-t / 0.0005)
        body += click * _noise(rate_hz, (800.0, 6500.0), rng) * np.exp(-t / 0.002)
        return _ended(body)

    return strike


def ball_machine(rate_hz: int, rng: np.random.Generator) -> Strike:
    """Wheels or air push a ball: a dull thump, a hiss, a rattle of the frame."""
    thump_hz, thump_s = rng.uniform(90.0, 320.0), rng.uniform(0.006, 0.025)
    hiss, hiss_s = rng.uniform(0.2, 1.2), rng.uniform(0.004, 0.03)
    band_hz = (rng.uniform(300.0, 900.0), rng.uniform(2000.0, 6000.0))
    tone_hz, tone = rng.uniform(350.0, 1400.0), rng.uniform(0.1, 0.8)

    def strike() -> Wave:
        t = _times(rate_hz)
        rise = 1.0 - np.exp(-t / 0.001)
        body = np.sin(2 * np.pi * thump_hz * t) * np.exp(-t / thump_s)
        body += tone * np.sin(2 * np.pi * tone_hz * t) * np.exp(-t / 0.01) * np.exp(rng.normal(0.0, 0.15))
        body += hiss * _noise(rate_hz, band_hz, rng) * np.exp(-t / hiss_s)
        return _ended(rise * body)

    return strike


def ball(rate_hz: int, rng: np.random.Generator) -> Strike:
    """A ball on the floor: low pulse, slap, shell."""
    pulse_s, slap = rng.uniform(0.004, 0.0075), rng.uniform(0.15, 0.9)
    shell_hz, shell = rng.uniform(700.0, 1400.0), rng.uniform(0.05, 0.35)
    band_hz = (rng.uniform(250.0, 500.0), rng.uniform(2000.0, 3800.0))
    thump_hz, thump = rng.uniform(80.0, 260.0), rng.uniform(0.0, 0.6)

    def strike() -> Wave:
        t = _times(rate_hz)
        body = np.where(t < pulse_s, np.sin(np.pi * t / pulse_s) ** 2, 0.0)
        body += thump * np.sin(2 * np.pi * thump_hz * t) * np.exp(-t / 0.012)
        body += slap * _noise(rate_hz, band_hz, rng) * np.exp(-t / 0.003) * np.exp(rng.normal(0.0, 0.25))
        body += shell * np.sin(2 * np.pi * shell_hz * t) * np.exp(-t / 0.006)
        return _ended(body)

    return strike


def _times(rate_hz: int) -> Wave:
    return np.arange(round(LENGTH_S * rate_hz)) / rate_hz


def _noise(rate_hz: int, band_hz: tuple[float, float], rng: np.random.Generator) -> Wave:
    sections = butter(2, band_hz, "bandpass", fs=rate_hz, output="sos")
    frames = round(LENGTH_S * rate_hz)
    noise = sosfilt(sections, rng.standard_normal(frames + 400))[400:]
    return np.asarray(noise / np.std(noise))


def _ended(wave: Wave) -> Wave:
    fade = len(wave) // 8
    wave[-fade:] *= np.linspace(1.0, 0.0, fade)
    return wave
