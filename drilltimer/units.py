"""The only home of a conversion: frames, seconds, milliseconds, decibels, metres of air, loudness, counts, text.

Notes
-----
Speed of sound: ISO 9613-1, c = 343.2 * sqrt(T / 293.15 K) m/s (humidity is worth at most 0.7 % and is ignored).
"""

from __future__ import annotations

import math
import unicodedata

ABSOLUTE_ZERO_C = -273.15
REFERENCE_TEMPERATURE_K = 293.15
REFERENCE_SPEED_M_S = 343.2


def frames_from_s(time_s: float, rate_hz: float) -> int:
    """Nearest whole frame to `time_s` seconds at `rate_hz`."""
    return round(time_s * rate_hz)


def s_from_frames(frames: float, rate_hz: float) -> float:
    """Seconds that `frames` (whole or fractional) last at `rate_hz`."""
    return frames / rate_hz


def ms_from_s(time_s: float) -> float:
    """Milliseconds in `time_s` seconds."""
    return time_s * 1e3


def s_from_ms(time_ms: float) -> float:
    """Seconds in `time_ms` milliseconds."""
    return time_ms * 1e-3


def db_from_ratio(ratio: float) -> float:
    """Decibels of an amplitude ratio; minus infinity for zero."""
    return 20.0 * math.log10(ratio) if ratio > 0 else -math.inf


def ratio_from_db(level_db: float) -> float:
    """Amplitude ratio of a level in decibels."""
    return math.exp(level_db * math.log(10.0) / 20.0)


def speed_of_sound_m_s(air_c: float) -> float:
    """Speed of sound in air of `air_c` degrees Celsius (ISO 9613-1).

    Raises
    ------
    ValueError
        Below absolute zero.
    """
    if air_c <= ABSOLUTE_ZERO_C:
        raise ValueError(f"air temperature {air_c} °C is below absolute zero")
    return REFERENCE_SPEED_M_S * math.sqrt((air_c - ABSOLUTE_ZERO_C) / REFERENCE_TEMPERATURE_K)


def air_delay_ms(distance_m: float, air_c: float) -> float:
    """Milliseconds that sound needs for `distance_m` metres (signed) in air of `air_c` degrees Celsius."""
    return ms_from_s(distance_m / speed_of_sound_m_s(air_c))


def a_weighting_db(frequency_hz: float) -> float:
    """Gain of the A curve at `frequency_hz`, 0 dB at 1 kHz.

    Notes
    -----
    Closed form of IEC 61672-1 with its four corner frequencies rounded to 20.6, 107.7, 737.9 and 12194 Hz.

    Raises
    ------
    ValueError
        At or below 0 Hz, where the curve has no value.
    """
    if frequency_hz <= 0:
        raise ValueError(f"A-weighting has no value at {frequency_hz} Hz")
    square = frequency_hz**2
    ratio = (12194.0**2 * square**2) / (
        (square + 20.6**2) * math.sqrt((square + 107.7**2) * (square + 737.9**2)) * (square + 12194.0**2)
    )
    return db_from_ratio(ratio) + 2.0


def count_of(count: int, noun: str) -> str:
    """A count with its English noun, which takes an s unless it is one: "1 session", "2 sessions"."""
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"


_STEERING = frozenset({"Cc", "Cf", "Cs", "Co", "Zl", "Zp"})  # Unicode's categories of what is no letter to be seen


def printable(text: str) -> str:
    """Text on one line that steers no terminal: what would, or turns letters round, is written as escapes."""
    if text.isprintable():
        return text
    return "".join(
        each.encode("unicode_escape").decode() if unicodedata.category(each) in _STEERING else each for each in text
    )
