"""What the sound of a course tells about microphone, loudspeaker, room and the system between them.

Distances are asked, not measured: nobody knows when a clap was clapped, and a round trip holds the device's latency,
which differs at every start.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drilltimer.checkup.course import HISS_BAND_HZ, Course, Sounding
from drilltimer.hear.locate import locate_cue
from drilltimer.hear.picture import filtered
from drilltimer.model import Samples
from drilltimer.units import a_weighting_db, db_from_ratio, frames_from_s, ms_from_s, s_from_frames, s_from_ms

Wave = NDArray[np.float64]

LONGEST_TRIP_S = 0.6
LANDING_BAND_HZ = (60.0, 500.0)
FULL = 0.985  # of full scale: clipped samples need not be exactly 1
HUM_BASES_HZ = (50.0, 60.0)
HUM_HARMONICS = (1, 2, 3, 5)
SLICE_S = 0.02


@dataclass(frozen=True, slots=True)
class Echo:
    """A contact as it came back. `lag_ms` None: it was not heard."""

    gain_db: float
    lag_ms: float | None
    level_db: float | None  # heard over played


@dataclass(frozen=True, slots=True)
class Measured:
    """Results of a course; None where it could not be measured. Levels re full scale."""

    zeros: bool
    noise_db: float | None  # in the landing's band
    hum_hz: float | None
    hum_db: float | None  # over the noise beside it
    clipped_share: float  # of the loudest contact's sound
    echoes: tuple[Echo, ...]
    round_trip_ms: float | None
    spread_ms: float | None
    drift_ppm: float | None
    step_db: float | None  # heard between contacts that were played 20 dB apart
    hiss_drop_db: float | None  # of a noise that never changed
    gated: bool
    echo_drop_db: float | None  # first contact over the last, played alike
    contact_over_noise_db: float | None  # as ears weigh both
    lost_blocks: int
    true_rate_hz: float | None


def measure(
    course: Course, heard: Samples, played: Samples, *, lost_blocks: int = 0, true_rate_hz: float | None = None
) -> Measured:
    """What a course tells of devices, room and system.

    Parameters
    ----------
    heard, played : float32 arrays, shapes (n, channels)
        From the stream's frame 0 on.
    true_rate_hz : float, optional
        Frames per second by a clock outside of the sound card.
    """
    ear = heard.astype(np.float64).mean(axis=1)
    mouth = played.astype(np.float64).sum(axis=1)
    echoes = tuple(_echo(contact, ear, mouth, course.rate_hz) for contact in course.contacts)
    trip_ms, spread_ms, drift_ppm = _line(course, echoes)
    quiet = ear[slice(*course.silence)]
    hum_hz, hum_db = _hum(quiet, course.rate_hz)
    loud = [echo.level_db for echo in echoes if echo.level_db is not None and echo.gain_db == 0.0]
    soft = [echo.level_db for echo in echoes if echo.level_db is not None and echo.gain_db < 0.0]
    return Measured(
        zeros=not heard.any(),
        noise_db=band_level_db(quiet, course.rate_hz, LANDING_BAND_HZ) if quiet.any() else None,
        hum_hz=hum_hz,
        hum_db=hum_db,
        clipped_share=_clipped(course, heard),
        echoes=echoes,
        round_trip_ms=trip_ms,
        spread_ms=spread_ms,
        drift_ppm=drift_ppm,
        step_db=float(np.median(loud) - np.median(soft)) + _asked_db(course) if loud and soft else None,
        hiss_drop_db=_hiss_drop(course, ear, trip_ms),
        gated=_gated(course, heard),
        echo_drop_db=float(loud[0] - np.median(loud[-2:])) if len(loud) >= 4 else None,
        contact_over_noise_db=_contact_over_noise(course, ear, quiet, echoes),
        lost_blocks=lost_blocks,
        true_rate_hz=true_rate_hz,
    )


def band_level_db(signal: Wave, rate_hz: int, band_hz: tuple[float, float]) -> float:
    """RMS of `signal` in a band, re full scale."""
    return db_from_ratio(float(np.sqrt(np.mean(filtered(signal, "bandpass", band_hz, rate_hz) ** 2))))


def weighted_level_db(signal: Wave, rate_hz: int) -> float:
    """RMS of `signal` re full scale as ears weigh it: by the A curve of IEC 61672-1."""
    frequencies_hz = np.fft.rfftfreq(len(signal), 1.0 / rate_hz)[1:]
    power = 2.0 * np.abs(np.fft.rfft(signal)[1:]) ** 2 / len(signal) ** 2
    gains_db = np.array([a_weighting_db(frequency_hz) for frequency_hz in frequencies_hz.tolist()])
    return db_from_ratio(float(np.sqrt(np.sum(power * 10.0 ** (gains_db / 10.0)))))


def _contact_over_noise(course: Course, ear: Wave, quiet: Wave, echoes: tuple[Echo, ...]) -> float | None:
    """Median of how far the loud contacts stand over the room's noise at the microphone, A-weighted."""
    second = quiet[: course.rate_hz]
    levels_db = []
    for contact, echo in zip(course.contacts, echoes, strict=True):
        if echo.lag_ms is not None and contact.gain_db == 0.0:
            at = contact.start + frames_from_s(s_from_ms(echo.lag_ms), course.rate_hz)
            levels_db.append(weighted_level_db(ear[at : at + len(contact.sound.samples)], course.rate_hz))
    if not levels_db or not second.any():
        return None
    return float(np.median(levels_db)) - weighted_level_db(second, course.rate_hz)


def _asked_db(course: Course) -> float:
    return max(contact.gain_db for contact in course.contacts) - min(contact.gain_db for contact in course.contacts)


def _echo(contact: Sounding, ear: Wave, mouth: Wave, rate_hz: int) -> Echo:
    """Where and how strong one contact came back: matched filter with what was really played."""
    frames = len(contact.sound.samples)
    template = mouth[contact.start : contact.start + frames]
    reach = frames_from_s(LONGEST_TRIP_S, rate_hz)
    found = locate_cue(ear[contact.start : contact.start + reach + frames], template)
    if found is None or not found.heard():
        return Echo(contact.gain_db, None, None)
    at = contact.start + round(found.lag)
    piece = ear[at : at + frames]
    gain = abs(float(np.dot(piece, template[: len(piece)]))) / float(np.dot(template, template))
    return Echo(contact.gain_db, ms_from_s(s_from_frames(found.lag, rate_hz)), db_from_ratio(gain))


def _line(course: Course, echoes: tuple[Echo, ...]) -> tuple[float | None, float | None, float | None]:
    """Round trip, its spread about a straight line, and the line's slope."""
    pairs = [
        (s_from_frames(contact.start, course.rate_hz), echo.lag_ms)
        for contact, echo in zip(course.contacts, echoes, strict=True)
        if echo.lag_ms is not None
    ]
    if not pairs:
        return None, None, None
    times_s, lags_ms = np.array(pairs).T
    trip_ms = float(np.median(lags_ms))
    if len(pairs) < 3:
        return trip_ms, None, None
    i, j = np.triu_indices(len(pairs), 1)
    slope_ms_s = float(np.median((lags_ms[j] - lags_ms[i]) / (times_s[j] - times_s[i])))
    rest = lags_ms - slope_ms_s * times_s
    return trip_ms, float(np.std(rest)), slope_ms_s * 1e3


def _clipped(course: Course, heard: Samples) -> float:
    """Share of the samples during the loud contacts' sound that lie at full scale."""
    shares = [0.0]
    for contact in course.contacts:
        if contact.gain_db == 0.0:
            end = contact.start + frames_from_s(LONGEST_TRIP_S, course.rate_hz) + len(contact.sound.samples)
            piece = np.abs(heard[contact.start : end])
            peak = float(piece.max(initial=0.0))
            if peak >= FULL:
                loud = piece[piece > 0.3 * peak]
                shares.append(float(np.mean(loud >= FULL)))
    return float(np.median(shares[1:])) if len(shares) > 1 else 0.0


def _hum(quiet: Wave, rate_hz: int) -> tuple[float | None, float | None]:
    """Mains frequency whose harmonics stand out of the silence, and by how much the strongest does."""
    if len(quiet) < rate_hz or not quiet.any():
        return None, None
    power = np.abs(np.fft.rfft(quiet * np.hanning(len(quiet)))) ** 2
    step_hz = rate_hz / len(quiet)

    def around(centre_hz: float, low_hz: float, high_hz: float) -> Wave:
        offsets = np.abs(np.arange(len(power)) * step_hz - centre_hz)
        return np.asarray(power[(offsets >= low_hz) & (offsets <= high_hz)])

    best: tuple[float | None, float | None] = None, None
    for base_hz in HUM_BASES_HZ:
        over_db = [
            10.0
            * np.log10(around(k * base_hz, 0.0, 1.5).max() / max(float(np.median(around(k * base_hz, 4, 14))), 1e-30))
            for k in HUM_HARMONICS
        ]
        second = sorted(over_db)[-2]  # one line alone may be anything
        if second > 15.0 and (best[1] is None or max(over_db) > best[1]):
            best = base_hz, float(max(over_db))
    return best


def _hiss_drop(course: Course, ear: Wave, trip_ms: float | None) -> float | None:
    """By how much the steady noise was heard softer at its end than at its beginning."""
    if course.hiss is None or trip_ms is None:
        return None
    rate_hz = course.rate_hz
    start = course.hiss.start + frames_from_s(trip_ms * 1e-3, rate_hz)
    hissing = ear[start - rate_hz : start + len(course.hiss.sound.samples)]
    noise = filtered(hissing, "bandpass", HISS_BAND_HZ, rate_hz)

    def level_db(begin_s: float, end_s: float) -> float:
        piece = noise[rate_hz + frames_from_s(begin_s, rate_hz) : rate_hz + frames_from_s(end_s, rate_hz)]
        return db_from_ratio(float(np.sqrt(np.mean(piece**2))))

    begin_db, end_db = level_db(0.08, 0.3), level_db(1.3, 1.9)
    if begin_db < level_db(-0.6, -0.1) + 6.0:  # drowned in the room's own noise
        return None
    return begin_db - end_db


def _gated(course: Course, heard: Samples) -> bool:
    """Whether the microphone falls silent between sounds, where a room never does."""
    frames = frames_from_s(SLICE_S, course.rate_hz)
    used = heard[: course.end, 0]
    count = len(used) // frames
    levels = np.sqrt(np.mean(used[: count * frames].reshape(count, frames).astype(np.float64) ** 2, axis=1))
    dead = levels < 1e-6  # -120 dB: below the noise of any microphone
    return bool(0.05 < np.mean(dead) < 1.0)
