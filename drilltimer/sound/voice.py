"""A spoken word, made fit to be called on court: trimmed, out of the landing's band, evenly loud, and measured.

The same steps serve the shipped words, which a speech engine reads, and a coach's own voice by microphone. Voices put
25 to 92 % of their energy under 400 Hz (measured on five engines), where the landing is listened for; the high-pass
costs nothing in quiet and helps in noise.

References
----------
Loudness: ITU-R BS.1770 (K-weighting). Corners and thresholds are our own measurements of what
offline word recognisers still understood.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from drilltimer.errors import SoundError
from drilltimer.model import LONGEST_CALL_S, Samples
from drilltimer.sound.loudness import loudness_lufs
from drilltimer.sound.shape import PEAK_DB, Wave, high_pass
from drilltimer.units import db_from_ratio, frames_from_s, ms_from_s, ratio_from_db, s_from_frames

TARGET_LUFS = -18.0  # most words reach it without touching the peak
LIMIT_S = 0.002  # a peak is turned down over this time to either side: too short to pump, too long to crackle
LIMIT_ROUNDS = 3  # turning peaks down costs loudness, which is given back and limited again
LANDING_BAND_TOP_HZ = 400.0
OTHER_CORNER_HZ, OTHER_ORDER = 400.0, 4
# A direction sounds while the landing is being listened for. Most need the first corner alone; the vowel of "deep" has
# its strongest partial just under 400 Hz and needs the last.
DIRECTION_CORNERS_HZ, DIRECTION_ORDER = (450.0, 500.0, 550.0, 600.0), 8
DIRECTION_LOW_SHARE = 0.05

HOP_S = 0.005
ONSET_HOP_S = 0.001  # finer, because calls are scheduled by their onset
START_DB = -35.0  # re the loudest hop
END_DB = -45.0  # the /t/ of "left" is a burst of its own after a silence: -30 dB cuts it off
LEAD_S = 0.004  # kept before the start
TAIL_S = 0.012  # kept after the end
FADE_IN_S = 0.003
NOISE_S = 0.2  # of a recording, before the word, in which nobody speaks
ABOVE_NOISE_DB = 6.0  # a hop this far over the noise belongs to the word

LOWEST_RATE_HZ = 16_000  # under it the consonants that tell words apart are missing
LONG_DIRECTION_MS = 350.0
SLOW_T50_MS = 150.0
LEAST_SNR_DB = 20.0
CLIP_LEVEL = 0.99
CLIP_RUN = 3  # this many full-scale samples in a row are clipping, fewer can be chance


@dataclass(frozen=True, slots=True)
class Word:
    """A finished word and what was measured on it.

    Parameters
    ----------
    samples : float32 array, shape (n,)
        Full scale is +-1.
    onset_ms : float
        From the first sample to the first millisecond within 35 dB of the loudest 5 ms: the word's moment.
    t50_ms : float
        From the first sample to the one by which half of the energy is out.
    peak_db : float
        Sample peak re full scale.
    low_share : float
        Share of the energy under 400 Hz.
    corner_hz : float
        Of the high-pass that it went through.
    snr_db : float | None
        Word against the silence before it; None where no recording was checked.
    remarks : tuple of str
        What a coach should know though it is no reason to refuse.
    """

    samples: Samples
    rate_hz: int
    onset_ms: float
    t50_ms: float
    length_ms: float
    loudness_lufs: float
    peak_db: float
    low_share: float
    corner_hz: float
    snr_db: float | None = None
    remarks: tuple[str, ...] = ()


def prepare_word(name: str, raw: Samples, rate_hz: int, *, direction: bool, recorded: bool) -> Word:
    """Turn a raw take of one word into a finished one.

    Parameters
    ----------
    name : str
        Used in messages alone.
    raw : float array, shape (n,)
        Full scale is +-1.
    rate_hz : int
        At least 16 000.
    direction : bool
        The word is called while a landing is listened for: stronger high-pass, and it must be short.
    recorded : bool
        The take came from a microphone: its first 0.2 s are the room's noise, and it may be clipped or noisy.

    Raises
    ------
    SoundError
        Silent, clipped, noisy or, for a direction, too long; with the figures.
    """
    wave = np.asarray(raw, dtype=np.float64)
    _refuse_unusable(name, wave, rate_hz)
    if recorded:
        _refuse_clipped(name, wave, rate_hz)
    for corner_hz in DIRECTION_CORNERS_HZ if direction else (OTHER_CORNER_HZ,):
        passed = high_pass(wave, corner_hz, DIRECTION_ORDER if direction else OTHER_ORDER, rate_hz)
        noise_rms = _rms(passed[: frames_from_s(NOISE_S, rate_hz)]) if recorded else 0.0
        word = trim(passed, rate_hz, noise_rms)
        if low_share(word, rate_hz) <= DIRECTION_LOW_SHARE:
            break
    snr_db = db_from_ratio(_rms(word) / noise_rms) if noise_rms > 0.0 else None
    if snr_db is not None and snr_db < LEAST_SNR_DB:
        raise SoundError(
            f"the recording of '{name}' is noisy: the word stands {snr_db:.0f} dB above the {NOISE_S} s before it",
            why=f"At least {LEAST_SNR_DB:.0f} dB are needed, or the word was begun too soon.",
            fix="Go nearer to the microphone or somewhere quieter, and wait a moment before speaking.",
        )
    measured = _measure(_level(word, rate_hz), rate_hz, corner_hz, snr_db)
    return _judge_length(name, measured) if direction else measured


def trim(wave: Wave, rate_hz: int, noise_rms: float = 0.0) -> Wave:
    """The word alone, with short fades, from -35 dB at its start to -45 dB at its end (re its loudest hop).

    Parameters
    ----------
    noise_rms : float
        Root mean square of the room; hops near it are not the word's, however low the thresholds lie.
    """
    hop = frames_from_s(HOP_S, rate_hz)
    levels = _hop_rms(wave, hop)
    floor = noise_rms * ratio_from_db(ABOVE_NOISE_DB)
    loudest = float(np.max(levels))
    heard_start = np.flatnonzero(levels >= max(loudest * ratio_from_db(START_DB), floor))
    heard_end = np.flatnonzero(levels >= max(loudest * ratio_from_db(END_DB), floor))
    if not len(heard_start):  # nothing stands above the room: leave it whole, its signal-to-noise ratio will tell
        return wave
    first = max(int(heard_start[0]) * hop - frames_from_s(LEAD_S, rate_hz), 0)
    last = min((int(heard_end[-1]) + 1) * hop + frames_from_s(TAIL_S, rate_hz), len(wave))
    word = wave[first:last].copy()
    rise, fall = frames_from_s(FADE_IN_S, rate_hz), frames_from_s(TAIL_S, rate_hz)
    word[:rise] *= np.linspace(0.0, 1.0, rise)
    word[-fall:] *= np.linspace(1.0, 0.0, fall) ** 2
    return word


def _level(wave: Wave, rate_hz: int) -> Wave:
    """`wave` at the target loudness, its peaks turned down where they would pass -1 dBFS."""
    for _ in range(LIMIT_ROUNDS):
        wave = limit_peaks(wave * ratio_from_db(TARGET_LUFS - loudness_lufs(wave, rate_hz)), rate_hz)
    return wave


def limit_peaks(wave: Wave, rate_hz: int) -> Wave:
    """`wave` with no sample over -1 dBFS, by a gain that falls before each peak and rises after it.

    The least gain that any sample within `LIMIT_S` needs is averaged over the same time: each average runs over gains
    that are all low enough for the sample in its middle, so the peak cannot slip through.
    """
    from scipy.ndimage import minimum_filter1d, uniform_filter1d

    width = 2 * frames_from_s(LIMIT_S, rate_hz) + 1
    needed = np.minimum(1.0, ratio_from_db(PEAK_DB) / np.maximum(np.abs(wave), 1e-12))
    gain: Wave = uniform_filter1d(minimum_filter1d(needed, width), width)
    return wave * gain


def _measure(wave: Wave, rate_hz: int, corner_hz: float, snr_db: float | None) -> Word:
    """Figures of a finished word."""
    onset = onset_frame(wave, rate_hz)
    energy = np.cumsum(wave**2)
    half = int(np.searchsorted(energy, 0.5 * energy[-1]))
    return Word(
        samples=wave.astype(np.float32),
        rate_hz=rate_hz,
        onset_ms=ms_from_s(s_from_frames(onset, rate_hz)),
        t50_ms=ms_from_s(s_from_frames(half, rate_hz)),
        length_ms=ms_from_s(s_from_frames(len(wave), rate_hz)),
        loudness_lufs=loudness_lufs(wave, rate_hz),
        peak_db=db_from_ratio(float(np.max(np.abs(wave)))),
        low_share=low_share(wave, rate_hz),
        corner_hz=corner_hz,
        snr_db=snr_db,
    )


def onset_frame(wave: Wave, rate_hz: int) -> int:
    """Frame of the word's moment: its first millisecond within 35 dB of its loudest 5 ms."""
    loudest = float(np.max(_hop_rms(wave, max(1, frames_from_s(HOP_S, rate_hz)))))
    hop = max(1, frames_from_s(ONSET_HOP_S, rate_hz))
    return int(np.argmax(_hop_rms(wave, hop) >= loudest * ratio_from_db(START_DB))) * hop


def _judge_length(name: str, word: Word) -> Word:
    """Refuse a direction that is still sounding when the player must move; remark on one that comes close to it."""
    if word.length_ms > ms_from_s(LONGEST_CALL_S):
        raise SoundError(
            f"'{name}' lasts {word.length_ms:.0f} ms, a direction may last {ms_from_s(LONGEST_CALL_S):.0f} ms",
            why="A longer call is still sounding when the player must already be moving.",
            fix="Say it shorter, or choose a shorter word.",
        )
    remarks = []
    if word.length_ms > LONG_DIRECTION_MS:
        remarks.append(f"long for a direction: {word.length_ms:.0f} ms, under {LONG_DIRECTION_MS:.0f} ms is better")
    if word.t50_ms > SLOW_T50_MS:
        remarks.append(f"comes late: half of it is out after {word.t50_ms:.0f} ms, {SLOW_T50_MS:.0f} ms is better")
    return replace(word, remarks=tuple(remarks))


def low_share(wave: Wave, rate_hz: int) -> float:
    """Share of the energy under 400 Hz, where the landing is listened for."""
    power = np.abs(np.fft.rfft(wave)) ** 2
    frequencies_hz = np.fft.rfftfreq(len(wave), 1.0 / rate_hz)
    return float(np.sum(power[frequencies_hz < LANDING_BAND_TOP_HZ]) / np.sum(power))


def _refuse_unusable(name: str, wave: Wave, rate_hz: int) -> None:
    if wave.ndim != 1:
        raise ValueError(f"a word has one channel: shape (n,), not {wave.shape}")
    if rate_hz < LOWEST_RATE_HZ:
        raise SoundError(
            f"the recording of '{name}' has {rate_hz} samples a second",
            why="Too few for the consonants that tell words apart.",
            fix=f"Record at {LOWEST_RATE_HZ} Hz or more; 48000 Hz is usual.",
        )
    shortest = frames_from_s(NOISE_S, rate_hz) // 2
    if len(wave) < shortest or not np.any(wave):
        raise SoundError(
            f"the recording of '{name}' holds no word: {ms_from_s(s_from_frames(len(wave), rate_hz)):.0f} ms,"
            f" peak {np.max(np.abs(wave), initial=0.0):.3f} of full scale",
            why="The microphone may be muted, or this terminal may not be allowed to use it.",
            fix="Check the system's input level and privacy settings, then record again.",
        )


def _refuse_clipped(name: str, wave: Wave, rate_hz: int) -> None:
    full = np.abs(wave) >= CLIP_LEVEL
    runs = np.convolve(full, np.ones(CLIP_RUN), "valid") >= CLIP_RUN
    if np.any(runs):
        at_s = s_from_frames(int(np.argmax(runs)), rate_hz)
        raise SoundError(
            f"the recording of '{name}' is clipped: {int(np.sum(full))} samples at full scale, first at {at_s:.2f} s",
            why="The input level is too high.",
            fix="Lower the microphone's level or speak from further away, then record again.",
        )


def _hop_rms(wave: Wave, hop: int) -> Wave:
    """Root mean square per hop, the last one padded with silence, shape (ceil(n / hop),)."""
    padded = np.pad(wave, (0, -len(wave) % hop)).reshape(-1, hop)
    rms: Wave = np.sqrt(np.mean(padded**2, axis=1))
    return rms


def _rms(wave: Wave) -> float:
    return float(np.sqrt(np.mean(wave**2)))
