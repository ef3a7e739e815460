"""The sounds that announce a contact: swing, toss, bounce, tick.

None of them may pass for a contact, neither to the ear nor to the matched filter that looks for one: they are
softer, slower to rise, or tonal.
"""

from __future__ import annotations

from random import Random

import numpy as np

from drilltimer.sound.shape import PEAK_DB, Wave, fade_out, frame_times_s, scale_to_peak
from drilltimer.units import frames_from_s

SWING_S = 0.35
SWING_PEAK_DB = PEAK_DB - 18.0  # re full scale; 18 dB under the contact leaves its location unchanged
SWING_FROM_HZ = 800.0
SWING_TO_HZ = 2600.0
SWING_PARTIALS = 48  # enough that the ear hears a band of noise and not a chord
SWING_HALF_WIDTH = 0.2  # of the centre, so the band keeps its width to the ear while it rises
SWING_SEED = 11
SWING_STOP_S = 0.006


def swing(rate_hz: int, length_s: float) -> Wave:
    """Noise band that rises in pitch and level and stops exactly at the contact, as a racket's rush does.

    Made of gliding partials with fixed random places in the band, so that it has a closed form at every rate.

    Parameters
    ----------
    length_s : float
        From the first frame to the last, which is the contact's frame.

    Returns
    -------
    float64 array, shape (n,)
        Its last frame is zero.
    """
    times_s = np.arange(frames_from_s(length_s, rate_hz) + 1) / rate_hz
    end_s = times_s[-1]
    growth = np.log(SWING_TO_HZ / SWING_FROM_HZ)
    cycles = SWING_FROM_HZ * end_s / growth * np.expm1(growth * times_s / end_s)  # integral of the rising centre
    draw = Random(SWING_SEED)
    wave = np.zeros_like(times_s)
    for _ in range(SWING_PARTIALS):
        place = 1.0 + SWING_HALF_WIDTH * (2.0 * draw.random() - 1.0)
        wave += np.cos(2.0 * np.pi * (place * cycles + draw.random()))
    wave *= (times_s / end_s) ** 2 * np.minimum(1.0, (end_s - times_s) / SWING_STOP_S)
    return scale_to_peak(wave, SWING_PEAK_DB)


def toss(rate_hz: int) -> Wave:
    """The hand lets go of the ball: a soft tone that glides up and swells for 40 ms before it fades.

    Returns
    -------
    float64 array, shape (n,)
        160 ms, sample peak -10 dBFS.
    """
    times_s = frame_times_s(0.16, rate_hz)
    end_s = 0.16
    wave = np.sin(2.0 * np.pi * (900.0 * times_s + 0.5 * 500.0 / end_s * times_s**2))
    rise = np.minimum(1.0, times_s / 0.04)
    wave *= np.sin(0.5 * np.pi * rise) ** 2 * np.exp(-np.maximum(times_s - 0.04, 0.0) / 0.035)
    return scale_to_peak(fade_out(wave, 0.03, rate_hz), -10.0)


def bounce(rate_hz: int) -> Wave:
    """The ball bounces on the far side: one damped tone with a blunt edge, lower and duller than any contact.

    Returns
    -------
    float64 array, shape (n,)
        60 ms, sample peak -9 dBFS.
    """
    times_s = frame_times_s(0.06, rate_hz)
    wave = np.sin(2.0 * np.pi * 880.0 * times_s) + 0.25 * np.sin(2.0 * np.pi * 1390.0 * times_s)
    wave *= np.sin(0.5 * np.pi * np.minimum(1.0, times_s / 0.004)) ** 2 * np.exp(-times_s / 0.012)
    return scale_to_peak(fade_out(wave, 0.01, rate_hz), -9.0)


def tick(rate_hz: int) -> Wave:
    """One of a count-in: a short pure tone of 1.76 kHz.

    Returns
    -------
    float64 array, shape (n,)
        40 ms, sample peak -9 dBFS.
    """
    times_s = frame_times_s(0.04, rate_hz)
    wave = np.sin(2.0 * np.pi * 1760.0 * times_s)
    wave *= np.sin(0.5 * np.pi * np.minimum(1.0, times_s / 0.002)) ** 2 * np.exp(-times_s / 0.010)
    return scale_to_peak(fade_out(wave, 0.008, rate_hz), -9.0)
