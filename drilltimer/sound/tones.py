"""Feedback in tones: told by pitch *and* by the number of notes, so that neither good ears nor good memory is needed.

One middle note is on time, two high notes are early, three low notes are late. Each note swells and fades over tens of
milliseconds, as no contact does. Which is which is our choice.
"""

from __future__ import annotations

import numpy as np

from drilltimer.sound.shape import Wave, frame_times_s, scale_to_peak

FEEDBACK_S = 0.25
FEEDBACK_PEAK_DB = -9.0  # re full scale: heard as feedback, not as an event to move on
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


def _notes(pitch_hz: float, count: int, rate_hz: int) -> Wave:
    """`count` equal notes that fill `FEEDBACK_S`, each a squared half sine so that they touch at silence."""
    times_s = frame_times_s(FEEDBACK_S, rate_hz)
    swell = np.sin(np.pi * count * times_s / FEEDBACK_S) ** 2
    turns = 2.0 * np.pi * pitch_hz * times_s
    wave = swell * (np.sin(turns) + OVERTONE * np.sin(2.0 * turns))
    return scale_to_peak(wave, FEEDBACK_PEAK_DB)
