"""The air of a room: what reaches each microphone from the loudspeaker, the feet, the neighbours and the noise.

Time here is the true time, counted in frames of the loudspeaker's clock; sound cards and recorders come later.
"""

from __future__ import annotations

import heapq
import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import count

import numpy as np
from numpy.typing import NDArray

from drilltimer.sim.acoustics import LEAD, high_pass, microphone_sections, path_response, sinc_kernel
from drilltimer.sim.convolve import StepConvolver
from drilltimer.sim.impacts import DISTRACTORS, foot_strike
from drilltimer.sim.noise import NoiseSource
from drilltimer.sim.settings import Kind, RoomSettings
from drilltimer.units import air_delay_ms, db_from_ratio, frames_from_s, ratio_from_db, s_from_ms

Wave = NDArray[np.float64]

LEVEL_BAND_HZ = (40.0, 4000.0)  # in which levels of landings and noise are stated
SAMPLE_FEET = 9  # the median of so many feet is the nominal landing
DISTRACTOR_DB = (-12.0, 6.0)  # peak re the nominal landing, our choice
NEIGHBOUR_M = 6.0  # neighbours stand so much further than the player, our choice


@dataclass(frozen=True, slots=True)
class Distractor:
    """A sound that is no landing: its kind, its arrival (frame of true time) and its peak re the nominal landing."""

    kind: Kind
    at: float
    level_db: float


class Air:
    """Sums everything that arrives, in steps.

    Parameters
    ----------
    step : int
        Frames per `render`; a power of two up to 4096.

    Attributes
    ----------
    position : int
        First frame not yet rendered.
    distractors : list of Distractor
        Those that have begun.
    contact_cue : float array, shape (n,), optional
        What the next court plays too, once it is known.
    """

    def __init__(self, settings: RoomSettings, rate_hz: int, seed: int, step: int) -> None:
        self.settings = settings
        self.rate_hz = rate_hz
        self.step = step
        self.position = 0
        self.distractors: list[Distractor] = []
        self.contact_cue: Wave | None = None
        self._due: list[tuple[int, int, Wave]] = []
        self._order = count()
        self._seed = seed = seed % 2**32  # any integer is a seed, the generators want natural ones
        channels = settings.input_channels
        self._pending = np.zeros((4 * rate_hz, channels))
        self._head = 0  # of what is pending
        self._feet = Way(settings, rate_hz, settings.placement.player_to_mic_m, seed, _spread(settings, 1.0))
        far_m = settings.placement.player_to_mic_m + NEIGHBOUR_M
        self._neighbours = Way(settings, rate_hz, far_m, seed + 1, _spread(settings, far_m))
        first_m = settings.placement.speaker_to_mic_m
        distances_m = [first_m + channel * settings.microphone_gap_m for channel in range(channels)]
        self._loudspeaker = StepConvolver(loudspeaker_response(settings, rate_hz, seed, distances_m), step)
        self._microphone = _Filter(microphone_sections(settings.microphone, rate_hz), channels)
        self._level = _LevelMeter(settings, rate_hz)
        self._foot_gain = self._nominal_gain()
        self._noise = [
            [
                (share, NoiseSource(kind, rate_hz, (seed, 2, channel, n)))
                for n, (kind, share) in enumerate(settings.noise)
            ]
            for channel in range(channels)
        ]
        self._noise_gain = self._calibrated_noise_gain()
        self._rng = np.random.default_rng([seed, 3])
        self._next_distractor = self._draw_distractor_frame(0)

    @property
    def noise_level_db(self) -> float:
        """RMS of the noise in 40-4000 Hz at the microphone, re full scale."""
        return self.settings.landing_db - self.settings.snr_db

    def add_foot(self, at: float, level_db: float, seed: tuple[int, ...]) -> float:
        """Let a foot's sound arrive at the first microphone at (fractional) frame `at`.

        Returns
        -------
        float
            Its peak over the RMS of the noise in dB, both in 40-4000 Hz at the microphone.
        """
        return self._add_foot(self._feet, 0, at, level_db, seed)

    def _add_foot(self, way: Way, channel: int, at: float, level_db: float, seed: tuple[int, ...]) -> float:
        clip = foot_strike(self.rate_hz, self.settings.surface, np.random.default_rng(list(seed)))
        arriving = way.carry(clip * self._foot_gain * ratio_from_db(level_db), at % 1.0)
        self._schedule(math.floor(at) - LEAD, arriving)
        return self._level.peak_db(arriving[:, channel]) - self.noise_level_db

    def render(self, emitted: Wave) -> Wave:
        """Next step at the microphones, shape (step, channels).

        Parameters
        ----------
        emitted : float array, shape (step,)
            What leaves the loudspeaker in the frames from `position + LEAD` on.
        """
        end = self.position + self.step
        while self._next_distractor - LEAD < end:
            self._add_distractor()
        while self._due and self._due[0][0] < end:
            start, _, wave = heapq.heappop(self._due)
            self._mix(start - self.position, wave)
        heard = self._take_pending() + self._noise_gain * self._noise_step()
        echo = self._loudspeaker.push(emitted)
        if echo is not None:
            heard += echo
        self.position = end
        return self._microphone.apply(heard)

    def _schedule(self, start: int, wave: Wave) -> None:
        heapq.heappush(self._due, (start, next(self._order), wave))

    def _mix(self, offset: int, wave: Wave) -> None:
        begin = self._claim(offset, len(wave))
        self._pending[begin : begin + len(wave)] += wave

    def _take_pending(self) -> Wave:
        begin = self._claim(0, self.step)
        self._head = begin + self.step
        return self._pending[begin : self._head]

    def _claim(self, offset: int, frames: int) -> int:
        """Index of the pending frames that begin `offset` after the present, with room made for them.

        Moved to the front only when the end is reached: most steps then copy nothing but themselves.
        """
        if self._head + offset + frames > len(self._pending):
            left = self._pending[self._head :]
            room = max(len(self._pending), offset + frames)
            self._pending = np.concatenate([left, np.zeros((room - len(left), left.shape[1]))])
            self._head = 0
        return self._head + offset

    def _noise_step(self) -> Wave:
        columns = [
            sum((math.sqrt(share) * source.take(self.step) for share, source in sources), np.zeros(self.step))
            for sources in self._noise
        ]
        return np.stack(columns, axis=1)

    def _draw_distractor_frame(self, after: int) -> int:
        if self.settings.distractors_per_min <= 0.0:
            return 2**62
        wait_s = self._rng.exponential(60.0 / self.settings.distractors_per_min)
        return after + LEAD + frames_from_s(wait_s, self.rate_hz)

    def _add_distractor(self) -> None:
        at = self._next_distractor
        self._next_distractor = self._draw_distractor_frame(at)
        kind = self.settings.distractor_kinds[self._rng.integers(len(self.settings.distractor_kinds))]
        level_db = float(self._rng.uniform(*DISTRACTOR_DB))
        clip = self.contact_cue if kind == "cue" else DISTRACTORS[kind](self.rate_hz, self._rng)
        if clip is None:
            return
        wave = self._neighbours.carry(clip, 0.0)
        loudness_db = self.settings.landing_db + level_db - self._level.peak_db(wave[:, 0])
        self._schedule(at - LEAD, wave * ratio_from_db(loudness_db))
        self.distractors.append(Distractor(kind, float(at), level_db))

    def _nominal_gain(self) -> float:
        peaks_db = []
        for number in range(SAMPLE_FEET):
            rng = np.random.default_rng([self._seed, 4, number])
            clip = foot_strike(self.rate_hz, self.settings.surface, rng)
            peaks_db.append(self._level.peak_db(self._feet.carry(clip, 0.0)[:, 0]))
        return ratio_from_db(self.settings.landing_db - float(np.median(peaks_db)))

    def _calibrated_noise_gain(self) -> float:
        sample = np.zeros(4 * self.rate_hz)
        for number, (kind, share) in enumerate(self.settings.noise):
            source = NoiseSource(kind, self.rate_hz, (self._seed, 5, number))
            sample += math.sqrt(share) * source.take(len(sample))
        return ratio_from_db(self.noise_level_db - self._level.rms_db(sample))


def _spread(settings: RoomSettings, distance_m: float) -> list[tuple[float, float]]:
    """Each microphone's further distance and its gain, when they stand in a row away from the player."""
    near_m = max(distance_m, settings.placement.player_to_mic_m, 1.0)
    further_m = [channel * settings.microphone_gap_m for channel in range(settings.input_channels)]
    return [(m, near_m / (near_m + m)) for m in further_m]


class Way:
    """From one spot on the floor to every microphone.

    Parameters
    ----------
    distance_m : float
        To the nearest microphone, at whose arrival a sound is timed.
    microphones : sequence of (float, float)
        Of each: how much further it stands, in metres, and the gain there.
    """

    def __init__(
        self,
        settings: RoomSettings,
        rate_hz: int,
        distance_m: float,
        seed: int,
        microphones: Sequence[tuple[float, float]],
    ) -> None:
        responses, self._lags = [], []
        for channel, (further_m, gain) in enumerate(microphones):
            response = path_response(settings, rate_hz, distance_m + further_m, seed + 97 * channel, from_floor=True)
            responses.append(response * gain)
            lag = _frames_of_ms(air_delay_ms(further_m, settings.placement.air_c), rate_hz)
            self._lags.append(lag)
        taps = max(len(response) for response in responses)
        self._responses = [np.pad(response, (0, taps - len(response))) for response in responses]
        self._spectra: dict[int, list[NDArray[np.complex128]]] = {}

    def carry(self, clip: Wave, fraction: float) -> Wave:
        """`clip` as it arrives, shape (n, channels): its first sample `fraction` of a frame after index `LEAD`."""
        longest = math.ceil(max(self._lags)) + 2 * LEAD
        frames = len(clip) + len(self._responses[0]) + longest
        size = 1 << (frames - 1).bit_length()  # few sizes: a spectrum of each is kept
        spectra = self._spectra.setdefault(size, [])
        if not spectra:
            spectra.extend(np.fft.rfft(response, size) for response in self._responses)
        arriving = np.zeros((frames, len(spectra)))
        for channel, (spectrum, lag) in enumerate(zip(spectra, self._lags, strict=True)):
            whole, part = divmod(lag + fraction, 1.0)
            moved = np.convolve(clip, sinc_kernel(part)) if part else np.pad(clip, (LEAD - 1, LEAD - 1))
            wave = np.fft.irfft(np.fft.rfft(moved, size) * spectrum, size)
            first = int(whole) - (LEAD - 1)  # the kernel's flank reaches so far ahead
            piece = wave[max(-first, 0) :][: frames - max(first, 0)]
            arriving[max(first, 0) : max(first, 0) + len(piece), channel] = piece
        return arriving


class _Filter:
    """Second-order sections running on; passes everything when there are none."""

    def __init__(self, sections: Wave | None, channels: int) -> None:
        from scipy.signal import sosfilt

        self._filter = sosfilt
        self._sections = sections
        self._state = np.zeros((0 if sections is None else len(sections), 2, channels))

    def apply(self, samples: Wave) -> Wave:
        if self._sections is None:
            return samples
        filtered, self._state = self._filter(self._sections, samples, axis=0, zi=self._state)
        return np.asarray(filtered)


class _LevelMeter:
    """Levels in the stated band, behind the microphone."""

    def __init__(self, settings: RoomSettings, rate_hz: int) -> None:
        from scipy.signal import butter, sosfilt

        band = butter(2, LEVEL_BAND_HZ, "bandpass", fs=rate_hz, output="sos")
        microphone = microphone_sections(settings.microphone, rate_hz)
        self._sections = band if microphone is None else np.vstack([microphone, band])
        self._filter = sosfilt
        self._head = round(0.15 * rate_hz)  # a landing peaks within

    def peak_db(self, wave: Wave) -> float:
        return db_from_ratio(float(np.max(np.abs(self._filter(self._sections, wave[: self._head])))))

    def rms_db(self, wave: Wave) -> float:
        return db_from_ratio(float(np.sqrt(np.mean(self._filter(self._sections, wave) ** 2))))


def _frames_of_ms(time_ms: float, rate_hz: float) -> float:
    """Frames in `time_ms`, not rounded."""
    return s_from_ms(time_ms) * rate_hz


def loudspeaker_response(settings: RoomSettings, rate_hz: int, seed: int, distances_m: Sequence[float]) -> Wave:
    """Loudspeaker to every microphone, shape (taps, channels); tap `LEAD` is time zero."""
    columns = []
    for channel, distance_m in enumerate(distances_m):
        response = path_response(settings, rate_hz, distance_m, seed + 50 + 97 * channel, from_floor=False)
        whole, part = divmod(_frames_of_ms(air_delay_ms(distance_m, settings.placement.air_c), rate_hz), 1.0)
        moved = np.convolve(response, sinc_kernel(part))[LEAD - 1 :]
        sounding = high_pass(np.pad(moved, (int(whole), 0)), settings.loudspeaker_hz, rate_hz)
        near_m = max(settings.placement.speaker_to_mic_m, 0.2)
        further_m = max(distance_m - settings.placement.speaker_to_mic_m, 0.0)
        columns.append(sounding * ratio_from_db(settings.loudspeaker_db) * near_m / (near_m + further_m))
    taps = max(len(column) for column in columns)
    return np.stack([np.pad(column, (0, taps - len(column))) for column in columns], axis=1)
