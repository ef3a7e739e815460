"""Feedback and calls in tones.

Feedback is told by pitch *and* by the number of notes, so that neither good ears nor good memory is needed.

One middle note is on time, two high notes are early, three low notes are late. Each note swells and fades over tens of
milliseconds, as no contact does. A call for a side is one note that glides, down to the left and up to the right as
keys on a piano lie, so that it can be told on one loudspeaker too. Which is which is our choice.
"""

from __future__ import annotations

import numpy as np

from drilltimer.sound.shape import Wave, frame_times_s, scale_to_peak

FEEDBACK_S = 0.25
FEEDBACK_PEAK_DB = -9.0  # re full scale: heard as feedback, not as an event to move on
CALL_S = 0.14  # half of it is out sooner than of most words
CALL_PEAK_DB = -6.0
CALL_EDGE_S = 0.02  # far slower than a contact, quick enough to be heard at once
CALL_HZ = {"left": (1200.0, 800.0), "right": (1500.0, 2200.0)}
OVERTONE = 0.2  # of the second harmonic, for small loudspeakers that lose the low note


def tone_on_time(rate_hz: int) -> Wave:
    """One note at 988 Hz; 250 ms, sample peak -9 dBFS, float64 array of shape (n,)."""
    return _notes(988.0, 1, rate_hz)


def tone_early(rate_hz: int) -> Wave:
    """Two notes at 1480 Hz; 250 ms, sample peak -9 dBFS, float64 array of shape (n,)."""
    return _notes(1480.0, 2, rate_hz)


def tone_late(rate_hz: int) -> Wave:
    """Three notes at 659 Hz; 250 ms, sample peak -9 dBFS, float64 array of shape (n,)."""
    return _notes(659.0, 3, rate_hz)


def tone_left(rate_hz: int) -> Wave:
    """One note that falls from 1200 to 800 Hz; 140 ms, sample peak -6 dBFS, float64 array of shape (n,)."""
    return _glide(*CALL_HZ["left"], rate_hz)


def tone_right(rate_hz: int) -> Wave:
    """One note that rises from 1500 to 2200 Hz; 140 ms, sample peak -6 dBFS, float64 array of shape (n,)."""
    return _glide(*CALL_HZ["right"], rate_hz)


def _glide(from_hz: float, to_hz: float, rate_hz: int) -> Wave:
    """Note whose pitch moves evenly in time, its ends rounded."""
    times_s = frame_times_s(CALL_S, rate_hz)
    cycles = from_hz * times_s + 0.5 * (to_hz - from_hz) / CALL_S * times_s**2
    swell = np.minimum(1.0, np.minimum(times_s, CALL_S - times_s) / CALL_EDGE_S)
    wave = np.sin(0.5 * np.pi * np.maximum(swell, 0.0)) ** 2 * np.sin(2.0 * np.pi * cycles)
    return scale_to_peak(wave, CALL_PEAK_DB)


def _notes(pitch_hz: float, count: int, rate_hz: int) -> Wave:
    """`count` equal notes that fill `FEEDBACK_S`, each a squared half sine so that they touch at silence."""
    times_s = frame_times_s(FEEDBACK_S, rate_hz)
    swell = np.sin(np.pi * count * times_s / FEEDBACK_S) ** 2
    turns = 2.0 * np.pi * pitch_hz * times_s
    wave = swell * (np.sin(turns) + OVERTONE * np.sin(2.0 * turns))
    return scale_to_peak(wave, FEEDBACK_PEAK_DB)
