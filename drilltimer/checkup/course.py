"""What a sound check plays: a silence, a steady soft noise, contacts 20 dB apart with uneven gaps."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from drilltimer.model import Samples, Sound
from drilltimer.sound.render import render
from drilltimer.units import frames_from_s, ratio_from_db

SETTLE_S = 0.5
SILENCE_S = 3.0
SHORT_SILENCE_S = 1.5
HISS_S = 2.0
HISS_PEAK_DB = -18.0  # of the rendered noise: soft, and far above any floor that a session can be held in
HISS_BAND_HZ = (600.0, 4000.0)
STEP_DB = 20.0
GAPS_S = (0.9, 1.4, 0.8, 1.9, 0.9, 1.2, 0.8, 1.6, 1.0, 1.3)  # uneven: a gate or a canceller may not learn them
SHORT_GAPS_S = (0.7, 0.8, 0.7)
TAIL_S = 1.2


@dataclass(frozen=True, slots=True)
class Sounding:
    """A sound of the course at its frame, and its gain."""

    start: int
    sound: Sound
    gain_db: float


@dataclass(frozen=True, slots=True)
class Course:
    """The whole course, in frames of the stream.

    Parameters
    ----------
    silence : pair of int
        First frame and frame after the last of the stretch in which nothing is played.
    contacts : tuple of Sounding
        Loud and soft in turn, the first one loud.
    """

    rate_hz: int
    silence: tuple[int, int]
    hiss: Sounding | None
    contacts: tuple[Sounding, ...]
    end: int


def lay_out(rate_hz: int, *, short: bool = False) -> Course:
    """A course at that rate; the short one has three loud contacts and no noise."""

    def frames(time_s: float) -> int:
        return frames_from_s(time_s, rate_hz)

    begin = frames(SETTLE_S)
    now = begin + frames(SHORT_SILENCE_S if short else SILENCE_S)
    silence = (begin, now)
    hiss = None
    if not short:
        hiss = Sounding(now, steady_noise(rate_hz), 0.0)
        now += frames(HISS_S + 0.8)
    contact = render("smack", rate_hz)
    contacts = []
    for index, gap_s in enumerate(SHORT_GAPS_S if short else GAPS_S):
        gain_db = -STEP_DB if index % 2 and not short else 0.0
        contacts.append(Sounding(now, contact, gain_db))
        now += frames(gap_s)
    return Course(rate_hz, silence, hiss, tuple(contacts), now + frames(TAIL_S))


def steady_noise(rate_hz: int) -> Sound:
    """Noise that never changes, which noise suppression takes for noise; always the same samples."""
    count = frames_from_s(HISS_S, rate_hz)
    spectrum = np.fft.rfft(np.random.default_rng(1).standard_normal(count))
    places_hz = np.fft.rfftfreq(count, 1.0 / rate_hz)
    spectrum[(places_hz < HISS_BAND_HZ[0]) | (places_hz > HISS_BAND_HZ[1])] = 0.0
    wave = np.fft.irfft(spectrum, count)
    fade = np.minimum(1.0, np.minimum(np.arange(count), np.arange(count)[::-1]) / (0.05 * rate_hz))
    samples: Samples = (fade * wave * ratio_from_db(HISS_PEAK_DB) / np.abs(wave).max()).astype(np.float32)
    return Sound("steady noise", samples, rate_hz)
