"""Backgrounds from formulas, one function each: what begins like impacts do, and what only hides them. RMS 1."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.signal import butter, sosfilt

from drilltimer.sim.impacts import ball_bounce, ball_strike, clap, foot_strike

Wave = NDArray[np.float64]
Rng = np.random.Generator


def coloured(frames: int, rate_hz: int, rng: Rng) -> Wave:
    """Stationary noise falling by 0 to 9 dB an octave, with one broad peak."""
    spectrum = np.fft.rfft(rng.standard_normal(frames))
    hz = np.maximum(np.fft.rfftfreq(frames, 1.0 / rate_hz), 20.0)
    peak_db = rng.uniform(-6.0, 12.0) * np.exp(-0.5 * (np.log2(hz / _log_uniform(rng, 100.0, 4000.0)) / 0.7) ** 2)
    gain = (hz / 500.0) ** (-rng.uniform(0.0, 1.5)) * 10.0 ** (peak_db / 20.0)
    return _unit(np.fft.irfft(spectrum * gain, frames))


def rumble(frames: int, rate_hz: int, rng: Rng) -> Wave:
    """Deep noise and some hiss."""
    spectrum = np.fft.rfft(rng.standard_normal(frames))
    hz = np.maximum(np.fft.rfftfreq(frames, 1.0 / rate_hz), 20.0)
    hiss = rng.uniform(0.001, 0.05)
    return _unit(np.fft.irfft(spectrum * ((hz / 60.0) ** -1.5 + hiss), frames))


def wind(frames: int, rate_hz: int, rng: Rng) -> Wave:
    """Gusts: deep noise whose level and colour wander, with pops at the microphone."""
    gust = _slow(frames, rate_hz, rng, rng.uniform(0.3, 2.0))
    deep = sosfilt(butter(2, _log_uniform(rng, 80.0, 400.0), fs=rate_hz, output="sos"), rng.standard_normal(frames))
    whistle = _band(frames, rate_hz, rng, _log_uniform(rng, 300.0, 1500.0), 0.5)
    return _unit(_unit(deep) * np.exp(1.2 * gust) + rng.uniform(0.0, 0.3) * _unit(whistle) * np.exp(gust))


def traffic(frames: int, rate_hz: int, rng: Rng) -> Wave:
    """Tyres and engines that pass by."""
    bed = 0.3 * rumble(frames, rate_hz, rng)
    t = np.arange(frames) / rate_hz
    for _ in range(1 + int(frames / rate_hz / rng.uniform(4.0, 12.0))):
        at_s, width_s = rng.uniform(0.0, t[-1]), rng.uniform(0.8, 4.0)
        near = 1.0 / (1.0 + ((t - at_s) / width_s) ** 2)
        turn, engine = np.exp(2.0j * np.pi * rng.uniform(40.0, 120.0) * t), np.zeros(frames)
        harmonic = np.ones(frames, complex)
        for k in range(1, 8):
            harmonic *= turn
            angle = rng.uniform(0.0, 6.0)
            engine += (np.cos(angle) * harmonic.imag + np.sin(angle) * harmonic.real) / k
        bed += near * (
            _band(frames, rate_hz, rng, _log_uniform(rng, 400.0, 1500.0), 0.8) + rng.uniform(0, 0.5) * engine
        )
    return _unit(bed)


def ventilation(frames: int, rate_hz: int, rng: Rng) -> Wave:
    """A fan: noise, hum and its harmonics, a slow beat."""
    t = np.arange(frames) / rate_hz
    hum = sum(
        rng.uniform(0.0, 1.0) / k * np.sin(2.0 * np.pi * rng.choice([50.0, 60.0, 23.0]) * k * t) for k in range(1, 12)
    )
    return _unit(coloured(frames, rate_hz, rng) + rng.uniform(0.0, 1.5) * hum)


def applause(frames: int, rate_hz: int, rng: Rng) -> Wave:
    """Many hands, each at its own pace; sometimes few enough to be told apart."""
    return _many(frames, rate_hz, rng, [clap], _log_uniform(rng, 5.0, 300.0))


def balls(frames: int, rate_hz: int, rng: Rng) -> Wave:
    """Courts beside: strokes, bounces and feet."""
    return _many(frames, rate_hz, rng, [ball_strike, ball_bounce, _step], _log_uniform(rng, 2.0, 12.0))


def rain(frames: int, rate_hz: int, rng: Rng) -> Wave:
    """Drops on a roof."""
    drops = np.zeros(frames)
    count = int(frames / rate_hz * _log_uniform(rng, 30.0, 2000.0))
    drops[rng.integers(0, frames, count)] = rng.standard_normal(count) * rng.exponential(1.0, count)
    return _unit(
        _filter(drops, rate_hz, (_log_uniform(rng, 200.0, 1000.0), 5000.0)) + 0.002 * rng.standard_normal(frames)
    )


def notes(frames: int, rate_hz: int, rng: Rng) -> Wave:
    """Music: plucked and bowed notes of several voices, with or without a drum."""
    bed = np.zeros(frames)
    for _ in range(int(rng.integers(1, 4))):
        pace_s, decay, attack_s = rng.uniform(0.12, 0.6), _log_uniform(rng, 0.7, 12.0), _log_uniform(rng, 0.002, 0.05)
        base_hz = _log_uniform(rng, 60.0, 500.0)
        at = 0
        while at < frames:
            length = min(round(rng.uniform(0.2, 1.0) * rate_hz), frames - at)
            t = np.arange(length) / rate_hz
            pitch_hz = base_hz * 2.0 ** (int(rng.integers(0, 24)) / 12.0)
            tone = sum(np.sin(2.0 * np.pi * pitch_hz * k * t) / k for k in range(1, 7) if pitch_hz * k < rate_hz / 2)
            bed[at : at + length] += tone * np.minimum(1.0, t / attack_s) * np.exp(-decay * t) * rng.uniform(0.3, 1.0)
            at += round(rng.choice([0.5, 1.0, 1.0, 2.0]) * pace_s * rate_hz)
    if rng.random() < 0.5:
        bed += rng.uniform(0.3, 1.5) * np.std(bed) * _many(frames, rate_hz, rng, [_drum], rng.uniform(1.0, 6.0))
    return _unit(bed)


def babble(frames: int, rate_hz: int, rng: Rng, voices: Sequence[Wave] = ()) -> Wave:
    """People talking at once: voices given, or syllables of our own."""
    bed = np.zeros(frames)
    for _ in range(int(frames / rate_hz * _log_uniform(rng, 1.5, 12.0)) + 1):
        piece = voices[int(rng.integers(len(voices)))] if len(voices) else _syllable(rate_hz, rng)
        at = int(rng.integers(0, frames))
        piece = piece[: frames - at]
        bed[at : at + len(piece)] += piece * rng.uniform(0.2, 1.0)
    return _unit(bed)


def drums(frames: int, rate_hz: int, rng: Rng) -> Wave:
    """A band or a class's loudspeaker: a bar of drums again and again, with notes or without."""
    beat_s, beats = 60.0 / rng.uniform(70.0, 170.0) / 2.0, 8
    bank = [_unit(_drum(rate_hz, rng)) for _ in range(4)]
    bar = [(k, int(rng.integers(len(bank))), rng.uniform(0.1, 1.0)) for k in range(beats) for _ in range(2)]
    bar = [hit for hit in bar if rng.random() < 0.6] or bar[:1]
    bed = np.zeros(frames)
    for begin_s in np.arange(0.0, frames / rate_hz, beats * beat_s):
        for k, drum, loud in bar:
            at = round((begin_s + k * beat_s + rng.normal(0.0, 0.004)) * rate_hz)
            if 0 <= at < frames:
                piece = bank[drum][: frames - at]
                bed[at : at + len(piece)] += loud * piece
    return _unit(_unit(bed) + rng.uniform(0.0, 1.5) * notes(frames, rate_hz, rng))


STEADY: tuple[Callable[[int, int, Rng], Wave], ...] = (coloured, rumble, wind, traffic, ventilation, rain)
EVENTFUL: tuple[Callable[[int, int, Rng], Wave], ...] = (applause, balls, notes, drums, babble)


def _step(rate_hz: int, rng: Rng) -> Wave:
    return foot_strike(rate_hz, "hard", rng)


def _drum(rate_hz: int, rng: Rng) -> Wave:
    t = np.arange(round(0.15 * rate_hz)) / rate_hz
    hz = _log_uniform(rng, 50.0, 300.0) * (1.0 + np.exp(-t / 0.01))
    skin = np.sin(2.0 * np.pi * np.cumsum(hz) / rate_hz) * np.exp(-t / rng.uniform(0.02, 0.1))
    snare = rng.uniform(0.0, 1.0) * rng.standard_normal(len(t)) * np.exp(-t / rng.uniform(0.005, 0.06))
    return np.asarray(skin + snare)


def _syllable(rate_hz: int, rng: Rng) -> Wave:
    t = np.arange(round(rng.uniform(0.08, 0.35) * rate_hz)) / rate_hz
    pitch_hz = rng.uniform(90.0, 260.0) * (1.0 + rng.uniform(-0.3, 0.3) * t)
    phase = 2.0 * np.pi * np.cumsum(pitch_hz) / rate_hz
    formants = [_log_uniform(rng, 300.0, 900.0), _log_uniform(rng, 900.0, 2600.0)]
    voice = np.zeros(len(t))
    for k in range(1, 24):
        gain = sum(1.0 / (1.0 + ((k * pitch_hz.mean() - f) / 120.0) ** 2) for f in formants)
        voice += gain * np.sin(k * phase)
    if rng.random() < 0.4:
        voice[: len(t) // 4] = 3.0 * _filter(rng.standard_normal(len(t)), rate_hz, (1500.0, 6000.0))[: len(t) // 4]
    return np.asarray(voice * np.hanning(len(t)) ** 0.5)


def _many(frames: int, rate_hz: int, rng: Rng, kinds: Sequence[Callable[[int, Rng], Wave]], per_s: float) -> Wave:
    bank = [_unit(kind(rate_hz, rng)) for kind in kinds for _ in range(6)]
    bed = np.zeros(frames)
    swell = np.exp(0.5 * _slow(frames, rate_hz, rng, 0.5))
    for at in rng.integers(0, frames, max(1, int(frames / rate_hz * per_s))):
        piece = bank[int(rng.integers(len(bank)))][: frames - at]
        bed[at : at + len(piece)] += piece * 10.0 ** (rng.uniform(-20.0, 0.0) / 20.0) * swell[at]
    return _unit(bed + 1e-3 * rng.standard_normal(frames))


def _slow(frames: int, rate_hz: int, rng: Rng, per_s: float) -> Wave:
    knots = rng.standard_normal(max(4, int(frames / rate_hz * per_s) + 4))
    return np.interp(np.linspace(0.0, len(knots) - 1.0, frames), np.arange(len(knots)), knots)


def _band(frames: int, rate_hz: int, rng: Rng, middle_hz: float, octaves: float) -> Wave:
    return _unit(_filter(rng.standard_normal(frames), rate_hz, (middle_hz * 2**-octaves, middle_hz * 2**octaves)))


def _filter(wave: Wave, rate_hz: int, band_hz: tuple[float, float]) -> Wave:
    high = min(band_hz[1], 0.45 * rate_hz)
    return np.asarray(
        sosfilt(butter(2, (min(band_hz[0], 0.8 * high), high), "bandpass", fs=rate_hz, output="sos"), wave)
    )


def _unit(wave: Wave) -> Wave:
    return np.asarray(wave / max(float(np.std(wave)), 1e-9))


def _log_uniform(rng: Rng, low: float, high: float) -> float:
    return float(low * (high / low) ** rng.random())
