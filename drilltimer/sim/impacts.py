"""Sounds of feet, balls, hands and voices, from formulas.

Every waveform starts at its first sample and nothing precedes it, so that its moment is known exactly. No published
spectrum of landings on real courts was found; the bands follow Ekimov & Sabatier 2006 (JASA 120:762-768: force of a
footstep below 500 Hz, friction above), the several peaks Stiles & Dixon 2006 (J Appl Biomech 22:14-24), the peak times
of a forefoot landing (10-20 ms, 40-60 ms) are from memory, all other figures are our choice.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drilltimer.sim.settings import Kind, Surface

Wave = NDArray[np.float64]
Generator = np.random.Generator


@dataclass(frozen=True, slots=True)
class Floor:
    """How a floor answers a shoe: band of its resonances and of the slap, how long they last, share of friction."""

    modes_hz: tuple[float, float]
    mode_decay_s: tuple[float, float]
    slap_hz: tuple[float, float]
    slap_share: tuple[float, float]
    friction_share: float


FLOORS: dict[Surface, Floor] = {
    "hard": Floor((90.0, 500.0), (0.008, 0.030), (400.0, 3000.0), (0.4, 1.2), 0.03),
    "wood": Floor((60.0, 320.0), (0.020, 0.070), (300.0, 2200.0), (0.2, 0.8), 0.02),
    "clay": Floor((70.0, 300.0), (0.006, 0.020), (300.0, 2500.0), (0.3, 0.9), 0.12),
    "mat": Floor((60.0, 220.0), (0.010, 0.030), (200.0, 1000.0), (0.05, 0.3), 0.02),
}


EDGE_FIRST_SHARE, EDGE_LEAD_S, EDGE_WEIGHT = 0.6, (0.0005, 0.004), (0.2, 0.6)


def foot_strike(rate_hz: int, surface: Surface, rng: Generator) -> Wave:
    """One foot meeting the floor, 0.3 s, peak 1: floor resonances, slap of the sole, friction, up to three loads.

    Attack times are drawn from 0.2 to 3 ms. The first load may be the weaker one: touchdown is not the loudest moment.
    Of ten feet six touch with an edge of the sole first, softly, 0.5 to 4 ms before the load. Without that they began
    more sharply than recorded feet do and were easier to time: 13 recorded steps and landings take a median of 0.42 and
    2.2 ms from their first sample to 12 and 50 % of their peak, a quarter of them more than 0.54 and 3.4 ms (40 Hz to 7
    kHz; the development scenes' clips, from open games). These take 0.46 and 1.7, a quarter 0.71 and 2.6.
    """
    floor = FLOORS[surface]
    frames = round(0.3 * rate_hz)
    attack_s = _log_uniform(rng, 0.0002, 0.003)
    loads = [(0.0, rng.uniform(0.5, 1.0))]
    if rng.random() < 0.6:
        loads.append((rng.uniform(0.010, 0.020), rng.uniform(0.2, 0.9)))
    if rng.random() < 0.6:
        loads.append((rng.uniform(0.040, 0.060), rng.uniform(0.2, 0.7)))
    wave = np.zeros(frames)
    for number, (at_s, weight) in enumerate(loads):
        start = round(at_s * rate_hz)
        softness = 1.0 if number == 0 else 3.0  # a rolling foot loads the floor more gently than a falling one
        wave[start:] += weight * _load(rate_hz, frames - start, floor, attack_s * softness, rng)
    friction = _band_noise(rate_hz, frames, (600.0, 5000.0), rng) * _envelope(rate_hz, frames, 0.005, 0.05)
    wave += floor.friction_share * _peak_one(friction)
    if rng.random() < EDGE_FIRST_SHARE:
        wave = _edge_first(rate_hz, _peak_one(wave), rng)
    return _faded(_peak_one(wave))


def _edge_first(rate_hz: int, load: Wave, rng: Generator) -> Wave:
    """A foot that touches softly, with an edge of its sole, before it is loaded."""
    lead_s = _log_uniform(rng, *EDGE_LEAD_S)
    touch = _band_noise(rate_hz, len(load), (200.0, 3000.0), rng) * _envelope(rate_hz, len(load), lead_s / 2.0, 0.01)
    loaded = np.pad(load, (round(lead_s * rate_hz), 0))[: len(load)]
    return np.asarray(loaded + rng.uniform(*EDGE_WEIGHT) * _peak_one(touch))


def _load(rate_hz: int, frames: int, floor: Floor, attack_s: float, rng: Generator) -> Wave:
    times_s = np.arange(frames) / rate_hz
    body = np.zeros(frames)
    for _ in range(5):
        mode_hz = _log_uniform(rng, *floor.modes_hz)
        decay_s = rng.uniform(*floor.mode_decay_s)
        body += rng.uniform(0.3, 1.0) * np.sin(2.0 * np.pi * mode_hz * times_s) * np.exp(-times_s / decay_s)
    body *= 1.0 - np.exp(-times_s / attack_s)
    slap = _band_noise(rate_hz, frames, floor.slap_hz, rng) * _envelope(
        rate_hz, frames, attack_s, rng.uniform(0.003, 0.012)
    )
    return _peak_one(body) + rng.uniform(*floor.slap_share) * _peak_one(slap)


def ball_strike(rate_hz: int, rng: Generator) -> Wave:
    """Ball on strings or paddle: a string tone of 450-650 Hz and frame tones of 1-2.5 kHz, contact of 2-5 ms."""
    tones = [(rng.uniform(450.0, 650.0), 0.012, 0.6), *((rng.uniform(1000.0, 2500.0), 0.006, 0.8) for _ in range(3))]
    return _struck(rate_hz, tones, 0.001, rng)


def ball_bounce(rate_hz: int, rng: Generator) -> Wave:
    """Ball on the floor: a dull thump of 150-400 Hz and its shell near 1 kHz."""
    tones = [(rng.uniform(150.0, 400.0), 0.012, 1.0), (rng.uniform(800.0, 1300.0), 0.005, 0.5)]
    return _struck(rate_hz, tones, 0.0015, rng)


def clap(rate_hz: int, rng: Generator) -> Wave:
    """Hands or a racket slapped: 0.8-4 kHz, over within 30 ms."""
    frames = round(0.06 * rate_hz)
    noise = _band_noise(rate_hz, frames, (800.0, 4000.0), rng)
    return _faded(_peak_one(noise * _envelope(rate_hz, frames, 0.0004, rng.uniform(0.004, 0.010))))


def voice(rate_hz: int, rng: Generator) -> Wave:
    """A shouted syllable: gliding harmonics under three formants, rising over 20-50 ms, 0.2-0.6 s long."""
    frames = round(rng.uniform(0.2, 0.6) * rate_hz)
    times_s = np.arange(frames) / rate_hz
    pitch_hz = rng.uniform(110.0, 260.0) * (1.0 + rng.uniform(-0.3, 0.2) * times_s)
    phase = 2.0 * np.pi * np.cumsum(pitch_hz) / rate_hz
    formants_hz = np.array([rng.uniform(350.0, 800.0), rng.uniform(900.0, 2000.0), rng.uniform(2300.0, 3000.0)])
    wave = np.zeros(frames)
    for number in range(1, 20):
        gain = np.sum(1.0 / (1.0 + ((number * pitch_hz.mean() - formants_hz) / 120.0) ** 2))
        wave += gain * np.sin(number * phase)
    length_s = frames / rate_hz
    wave *= (1.0 - np.exp(-times_s / rng.uniform(0.02, 0.05))) * np.minimum(1.0, (length_s - times_s) / 0.05)
    return _peak_one(wave)


def neighbour_step(rate_hz: int, rng: Generator) -> Wave:
    """Another player's foot on the same floor."""
    return foot_strike(rate_hz, "hard", rng)


def neighbour_landing(rate_hz: int, rng: Generator) -> Wave:
    """Another player's two feet, 0-50 ms apart."""
    first, second = foot_strike(rate_hz, "hard", rng), foot_strike(rate_hz, "hard", rng)
    gap = round(rng.uniform(0.0, 0.05) * rate_hz)
    wave = np.zeros(len(first) + gap)
    wave[: len(first)] += first
    wave[gap:] += second
    return _peak_one(wave)


DISTRACTORS: dict[Kind, Callable[[int, Generator], Wave]] = {
    "strike": ball_strike,
    "bounce": ball_bounce,
    "clap": clap,
    "voice": voice,
    "step": neighbour_step,
    "landing": neighbour_landing,
}


def _struck(rate_hz: int, tones: list[tuple[float, float, float]], attack_s: float, rng: Generator) -> Wave:
    """Damped sines, given as (Hz, decay in s, weight), behind one attack, with some noise of the impact itself."""
    frames = round(0.12 * rate_hz)
    times_s = np.arange(frames) / rate_hz
    wave = np.zeros(frames)
    for tone_hz, decay_s, weight in tones:
        wave += weight * np.sin(2.0 * np.pi * tone_hz * times_s) * np.exp(-times_s / decay_s)
    wave += 0.3 * _band_noise(rate_hz, frames, (500.0, 6000.0), rng) * np.exp(-times_s / 0.002)
    return _faded(_peak_one(wave * (1.0 - np.exp(-times_s / attack_s))))


def _band_noise(rate_hz: int, frames: int, band_hz: tuple[float, float], rng: Generator) -> Wave:
    """Noise between two corners with the energy of a causal filter: nothing before the first sample."""
    from scipy.signal import butter, sosfilt

    sections = butter(2, band_hz, "bandpass", fs=rate_hz, output="sos")
    lead = round(0.02 * rate_hz)  # lets the filter settle, so that the noise begins at full strength
    return np.asarray(sosfilt(sections, rng.standard_normal(lead + frames))[lead:])


def _envelope(rate_hz: int, frames: int, attack_s: float, decay_s: float) -> Wave:
    times_s = np.arange(frames) / rate_hz
    return np.asarray((1.0 - np.exp(-times_s / attack_s)) * np.exp(-times_s / decay_s))


def _faded(wave: Wave) -> Wave:
    """Bring the last tenth to zero, so that the end is no second event."""
    fade = len(wave) // 10
    wave[-fade:] *= np.linspace(1.0, 0.0, fade)
    return wave


def _peak_one(wave: Wave) -> Wave:
    return np.asarray(wave / np.max(np.abs(wave)))


def _log_uniform(rng: Generator, low: float, high: float) -> float:
    return float(low * (high / low) ** rng.random())
