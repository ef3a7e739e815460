"""Backgrounds that come in words and notes: what the simulator's noise lacks, and what begins like impacts do."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from drilltimer.audio.files import load_word
from drilltimer.sound.bank import resample

Wave = NDArray[np.float64]
WORDS = ("left", "right", "short", "deep", "back", "ready", "seven", "stop", "yellow", "good", "twelve", "half-way")
WORDS_PER_S = 9.0
NOTES_HZ = 110.0


def babble(frames: int, rate_hz: int, rng: np.random.Generator) -> Wave:
    """Many people talking at once, in this project's own words; RMS 1."""
    words = [load_word(word) for word in WORDS]
    voices = [resample(word, rate_hz).samples for word in words if word is not None]
    bed = np.zeros(frames)
    for _ in range(round(frames / rate_hz * WORDS_PER_S)):
        voice = voices[int(rng.integers(0, len(voices)))]
        at = int(rng.integers(0, frames))
        piece = voice[: frames - at]
        bed[at : at + len(piece)] += piece * rng.uniform(0.3, 1.0)
    return np.asarray(bed / np.std(bed))


def notes(frames: int, rate_hz: int, rng: np.random.Generator) -> Wave:
    """Plucked notes of six harmonics, two to ten a second; RMS 1."""
    bed, at = np.zeros(frames), 0
    while at < frames:
        length = min(round(rng.uniform(0.2, 1.0) * rate_hz), frames - at)
        t = np.arange(length) / rate_hz
        pitch_hz = NOTES_HZ * 2.0 ** (int(rng.integers(0, 30)) / 12.0)
        tone = sum(np.sin(2.0 * np.pi * pitch_hz * k * t) / k for k in range(1, 7))
        bed[at : at + length] += tone * np.minimum(1.0, t / 0.01) * np.exp(-2.0 * t)
        at += round(rng.uniform(0.1, 0.4) * rate_hz)
    return np.asarray(bed / np.std(bed))
