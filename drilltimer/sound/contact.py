"""The sounds of racket meeting ball: smack (the default), tock (the loud one), racket (the player's own).

Two more, knock and snap, are for two courts beside each other. One has the band below 3 kHz, the other the one above:
no room, loudspeaker or microphone, all of which only weigh and delay what is there, can make one of the other. Their
normalised cross-correlation is 0.023 at most (smack and tock: 0.27), 0.03 in four rooms by three kinds of microphone
from 1 to 10 m; with the other court up to 10 dB louder and within 40 ms every contact was located within 0.1 ms (320
draws, `tests/group/test_sides.py`). The price is a wider lobe, 0.65 ms at -3 dB for 0.23.

A true racket sound has most of its energy below 330 Hz (a pulse of 4.5 ms), in the very band where the landing is
listened for, and a tonal pop cannot be located: its correlation has a second peak 2.5 ms early. So the spectrum is
fixed first, 0.6 to 8 kHz, for one sharp correlation lobe, and the phases are then spent on a sound with a sharp
attack and a quick decay.

References
----------
String-bed pitch 500-700 Hz: R. Cross, "Measuring String Tension", 2006. Fixing magnitude and envelope by turns:
R. W. Gerchberg and W. O. Saxton, Optik 35, 1972 (from memory).
"""

from __future__ import annotations

from functools import lru_cache
from random import Random

import numpy as np
from numpy.typing import NDArray

from drilltimer.sound.shape import (
    HIGHEST_HZ,
    LOWEST_HZ,
    Wave,
    band_magnitude,
    evaluate_series,
    fade_out,
    frame_times_s,
    high_pass,
    highest_hz,
    scale_to_peak,
)

CRACK_S = 0.030
CRACK_POINTS = 8192
CRACK_RATE_HZ = 48_000.0  # of the design grid alone; the result is a Fourier series, valid at any rate
CRACK_ROUNDS = 300
CRACK_HEADROOM = 1.6  # how far the envelope may be passed; 1.0 leaves ripples in the spectrum
ATTACK_S = 0.0003
FADE_S = 0.004

# Frequency ratio, amplitude, decay time: an inharmonic bar-like bank over the string-bed pitch. Our choice,
# for the correlation it leaves; no listening test has been made.
STRING_MODES = (
    (1.00, 0.50, 0.0120),
    (1.59, 1.00, 0.0085),
    (2.14, 0.95, 0.0070),
    (2.92, 0.85, 0.0055),
    (4.06, 0.75, 0.0042),
    (5.55, 0.60, 0.0032),
    (7.60, 0.45, 0.0024),
)
STRINGS_S = 0.055
STRINGS_EDGE_S = 0.00025

FALL_S = 0.030
FALL_DECAY_S = 0.0050
FALL_SPACING_HZ = 3.0
TOCK_LEAD_S = 0.001  # stationary phase is an approximation: a little sound comes before its zero
KNOCK_LEAD_S = 0.0006

# Where the bands of two courts part. At 8 kHz of rate something of the upper one is still left.
KNOCK_TOP_HZ = 3400.0
SNAP_LOWEST_HZ = 2600.0  # the skirts cross, both far down there


def smack(rate_hz: int) -> Wave:
    """Default contact: a coded noise burst for the machine, a quieter string bed for the ear.

    Returns
    -------
    float64 array, shape (n,)
        55 ms, sample peak -1 dBFS, zero at the contact itself.
    """
    return _struck(_crack(99, 1500.0, HIGHEST_HZ, 0.0045, rate_hz), _strings(620.0, rate_hz), 0.4)


def racket(rate_hz: int) -> Wave:
    """The player's own contact in a rally: darker and longer than `smack`, and only weakly correlated with it (0.26).

    Returns
    -------
    float64 array, shape (n,)
        55 ms, sample peak -1 dBFS.
    """
    return _struck(_crack(1005, 1400.0, 6000.0, 0.0065, rate_hz), _strings(830.0, rate_hz), 0.3)


def tock(rate_hz: int) -> Wave:
    """Loud contact: a chirp falling from 8 to 0.6 kHz, with the lowest crest of the three.

    Returns
    -------
    float64 array, shape (n,)
        30 ms, sample peak -1 dBFS.
    """
    return _falling(1500.0, HIGHEST_HZ, TOCK_LEAD_S, rate_hz)


def knock(rate_hz: int) -> Wave:
    """Contact of one of two courts: a dull knock, a chirp falling from 3.4 to 0.6 kHz.

    Returns
    -------
    float64 array, shape (n,)
        30 ms, sample peak -1 dBFS.
    """
    return _falling(1200.0, KNOCK_TOP_HZ, KNOCK_LEAD_S, rate_hz)


def snap(rate_hz: int) -> Wave:
    """Contact of the other one of two courts: a bright snap from 2.6 to 8 kHz; at most 0.03 correlated with `knock`.

    Returns
    -------
    float64 array, shape (n,)
        55 ms, sample peak -1 dBFS.
    """
    crack = _crack(1050, 3400.0, HIGHEST_HZ, 0.0040, rate_hz, SNAP_LOWEST_HZ)
    return _struck(crack, _strings(1300.0, rate_hz, SNAP_LOWEST_HZ), 0.3)


def _falling(knee_hz: float, top_hz: float, lead_s: float, rate_hz: int) -> Wave:
    """Chirp with a prescribed spectrum, the highest frequency first.

    The delay of each frequency is set so that the power decays exponentially (stationary phase): where E(f) is the
    share of the energy above f, f sounds at -decay * ln(1 - E(f)).
    """
    top_hz = min(top_hz, highest_hz(rate_hz))
    frequencies_hz = np.arange(0.0, top_hz, FALL_SPACING_HZ)
    magnitude = band_magnitude(frequencies_hz, LOWEST_HZ, knee_hz, top_hz)
    energy_above = np.cumsum((magnitude**2)[::-1])[::-1]
    energy_above /= energy_above[0]
    delay_s = np.minimum(-FALL_DECAY_S * np.log(np.maximum(1.0 - energy_above, 1e-4)), 0.8 * FALL_S)
    phase = -2.0 * np.pi * np.cumsum(delay_s) * FALL_SPACING_HZ
    times_s = frame_times_s(FALL_S, rate_hz) - lead_s
    wave = evaluate_series(magnitude * np.exp(1j * phase), FALL_SPACING_HZ, times_s)
    early = times_s < 0.0
    wave[early] *= (1.0 + times_s[early] / lead_s) ** 2
    return scale_to_peak(fade_out(wave, FADE_S, rate_hz))


def _struck(crack: Wave, strings: Wave, colour: float) -> Wave:
    """Crack plus strings at `colour` times its root energy, scaled to the peak."""
    wave = colour * strings / np.sqrt(np.sum(strings**2))
    wave[: len(crack)] += crack / np.sqrt(np.sum(crack**2))
    return scale_to_peak(wave)


def _strings(pitch_hz: float, rate_hz: int, lowest_hz: float = LOWEST_HZ) -> Wave:
    """Decaying modes struck by a quarter-millisecond edge, without what would fall below the lowest frequency."""
    times_s = frame_times_s(STRINGS_S, rate_hz)
    wave = np.zeros_like(times_s)
    for ratio, amplitude, decay_s in STRING_MODES:
        if lowest_hz <= ratio * pitch_hz < highest_hz(rate_hz):
            wave += amplitude * np.exp(-times_s / decay_s) * np.sin(2.0 * np.pi * ratio * pitch_hz * times_s)
    wave *= np.minimum(1.0, times_s / STRINGS_EDGE_S)
    return fade_out(high_pass(wave, lowest_hz, 4, rate_hz), FADE_S, rate_hz)


def _crack(
    seed: int, knee_hz: float, top_hz: float, decay_s: float, rate_hz: int, lowest_hz: float = LOWEST_HZ
) -> Wave:
    """Noise burst with a prescribed spectrum *and* a prescribed envelope, at any rate.

    The seeds in use rise within 0.6 ms and were, among 400 (smack), 250 (racket) and 150 (snap), the best compromise
    between a low crest, low side lobes of the correlation and a low correlation with the other contacts.
    """
    spacing_hz = CRACK_RATE_HZ / CRACK_POINTS
    coefficients = _crack_series(seed, lowest_hz, knee_hz, top_hz, decay_s)
    reach_hz = min(top_hz, highest_hz(rate_hz))
    if reach_hz < top_hz:
        frequencies_hz = spacing_hz * np.arange(len(coefficients), dtype=np.float64)
        designed = band_magnitude(frequencies_hz, lowest_hz, knee_hz, top_hz)
        playable = band_magnitude(frequencies_hz, lowest_hz, knee_hz, reach_hz)
        coefficients = coefficients * np.divide(playable, designed, out=np.zeros_like(designed), where=designed > 0)
    wave = evaluate_series(coefficients, spacing_hz, frame_times_s(CRACK_S, rate_hz))
    return fade_out(wave, FADE_S, rate_hz)


@lru_cache(maxsize=8)
def _crack_series(seed: int, lowest_hz: float, knee_hz: float, top_hz: float, decay_s: float) -> NDArray[np.complex128]:
    """Fourier coefficients of a crack, found by fixing the magnitude and the envelope by turns.

    The search costs about 0.1 s and does not depend on the rate, so it is made once per process. `random.Random` and
    not NumPy's generators draws the starting noise, because only its stream is promised to stay the same.
    """
    spacing_hz = CRACK_RATE_HZ / CRACK_POINTS
    frequencies_hz = spacing_hz * np.arange(CRACK_POINTS // 2 + 1, dtype=np.float64)
    magnitude = band_magnitude(frequencies_hz, lowest_hz, knee_hz, top_hz)
    times_s = np.arange(CRACK_POINTS) / CRACK_RATE_HZ
    attack = np.where(times_s < ATTACK_S, 0.5 - 0.5 * np.cos(np.pi * times_s / ATTACK_S), 1.0)
    envelope = attack * np.exp(-np.maximum(times_s - ATTACK_S, 0.0) / (2.0 * decay_s)) * (times_s < CRACK_S)

    draw = Random(seed)
    wave = np.array([draw.random() - 0.5 for _ in range(CRACK_POINTS)]) * envelope
    one_sided = np.zeros(CRACK_POINTS, dtype=np.complex128)  # its inverse transform is the analytic signal
    for _ in range(CRACK_ROUNDS):
        one_sided[: len(magnitude)] = 2.0 * magnitude * np.exp(1j * np.angle(np.fft.rfft(wave)))
        analytic = np.fft.ifft(one_sided)
        loudness = np.abs(analytic)
        bound = envelope * (CRACK_HEADROOM * np.sqrt(np.sum(loudness**2) / np.sum(envelope**2)))
        wave = analytic.real * np.minimum(1.0, bound / np.maximum(loudness, 1e-12))
    inside = np.flatnonzero(magnitude)
    series = np.zeros(inside[-1] + 1, dtype=np.complex128)
    series[inside] = np.fft.rfft(wave)[inside] * (2.0 / CRACK_POINTS)
    series.flags.writeable = False  # the cache hands out one array to everybody
    return series
