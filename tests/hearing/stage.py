"""Scenes made by code: a session's cues, a player's feet, strangers and a bed of noise in a room, with exact truth.

Everything is drawn: room, distances, loudspeaker, microphone, levels, noise, how the player lands, steps before and
after. What is drawn is wider than any court, so that what is learned does not hang on one.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.fft import next_fast_len
from scipy.signal import butter, fftconvolve, resample_poly, sosfilt

from drilltimer.model import Placement
from drilltimer.sim.acoustics import LEAD, path_response, sinc_kernel
from drilltimer.sim.impacts import DISTRACTORS, foot_strike
from drilltimer.sim.settings import RoomSettings
from drilltimer.sound.render import CONTACTS, render
from drilltimer.units import speed_of_sound_m_s
from tests.hearing import beds

Wave = NDArray[np.float64]
Rng = np.random.Generator
Rir = Callable[[float, bool], Wave]  # (distance in m, from the floor) -> response, direct sound 1 at index LEAD

LEVEL_BAND_HZ = (40.0, 4000.0)
THUD_SHARE = 0.45  # of recorded feet
MIXED_SHARE = 0.45  # of sessions in which feet sound different from rep to rep
MICROPHONES = {
    "laptop": (150.0, None, 2),
    "phone": (80.0, 16000.0, 2),
    "usb": (40.0, None, 2),
    "telephone": (300.0, 3400.0, 2),
    "contact": (20.0, 2000.0, 4),
}


@dataclass(frozen=True)
class Clip:
    """A recorded sound, peak 1; `family` names what it shares with others: shoe and floor, or kind of bed."""

    samples: Wave
    family: str


@dataclass(frozen=True)
class Sources:
    """Recorded sounds of one split, at one rate."""

    rate_hz: int
    foot: Sequence[Clip] = ()
    thud: Sequence[Clip] = ()  # other impacts that begin as clearly as a foot: shoes that nobody wears
    impact: Sequence[Clip] = ()
    voice: Sequence[Clip] = ()
    bed: Sequence[Clip] = ()


@dataclass(frozen=True)
class Settings:
    """What a scene is like, as far as it is not left to chance; None is drawn."""

    snr_db: float | None = None
    room: str | None = None  # outdoor, small, hall
    microphone: str | None = None
    bed: str | None = None  # a recorded bed's family, or "made"
    distractors: bool | None = None
    approach: bool | None = None
    cue_over_landing_db: float | None = None
    swing: bool | None = None
    reps: int = 14
    recorded_share: float = 0.7  # of players whose feet are recorded ones
    as_published: bool = False  # distributions as of the development scenes
    varied: bool | None = None  # feet that sound unlike any recorded ones; None: unless as published


@dataclass
class Layers:
    """What a scene can be taken apart into, to be put together anew; waves before the microphone have `LEAD` first.

    `feet` is the player's part of the recording; `strikes` are footfalls of one of the player's shoes in this room and
    `outside` strangers' sounds, neither through the microphone. `noise_rms` is of the bed as recorded, in the band in
    which landings' peaks are measured; `cue_db` the contact's peak over it. Clipped scenes are not `whole`.
    """

    feet: Wave
    strikes: list[Wave]
    outside: list[Wave]
    noise_rms: float
    cue_db: float
    microphone: str
    whole: bool


@dataclass
class Scene:
    """What was played and heard, both shape (n,) at `rate_hz`, and the truth in seconds of the recording.

    `strangers` is the part of the recording that is neither the player's, ours nor noise.
    """

    rate_hz: int
    played: Wave
    recorded: Wave
    strangers: Wave
    offset_s: float
    truth: dict
    cue_frames: dict[int, tuple[int, int]] = field(default_factory=dict)  # by rep: first frame played, frames long
    withheld: set[int] = field(default_factory=set)  # reps whose contact was announced and never came
    layers: Layers | None = None


def own_rooms(rng: Rng, kind: str, rate_hz: int, air_c: float) -> Rir:
    """Responses from the product's own simulator."""
    if kind == "outdoor":
        size_m, rt60_s = None, 0.0
    elif kind == "small":
        size_m = (rng.uniform(4.0, 11.0), rng.uniform(3.5, 8.0), rng.uniform(2.4, 4.0))
        rt60_s = rng.uniform(0.25, 0.9)
    else:
        size_m = (rng.uniform(14.0, 45.0), rng.uniform(9.0, 25.0), rng.uniform(4.5, 12.0))
        rt60_s = rng.uniform(0.8, 2.3)
    seed = int(rng.integers(1 << 30))

    def response(distance_m: float, from_floor: bool) -> Wave:
        nonlocal seed
        seed += 1
        settings = RoomSettings(
            kind, size_m, rt60_s, placement=Placement(distance_m, distance_m, 0.5, air_c), microphone="flat"
        )
        return path_response(settings, rate_hz, distance_m, seed, from_floor=from_floor)

    return response


def image_rooms(rng: Rng, kind: str, rate_hz: int, air_c: float) -> Rir:
    """Responses from pyroomacoustics: whole image-source models, treble fading with time; outdoors as our own."""
    if kind == "outdoor":
        return own_rooms(rng, kind, rate_hz, air_c)
    import pyroomacoustics as pra

    if kind == "small":
        size_m = np.array([rng.uniform(5.0, 10.0), rng.uniform(4.0, 7.0), rng.uniform(2.5, 3.5)])
        rt60_s = rng.uniform(0.35, 0.7)
    else:
        size_m = np.array([rng.uniform(16.0, 36.0), rng.uniform(10.0, 20.0), rng.uniform(5.0, 10.0)])
        rt60_s = rng.uniform(1.0, 2.1)
    speed = speed_of_sound_m_s(air_c)
    volume, (a, b, c) = float(np.prod(size_m)), size_m
    absorption = min(0.95, 1.0 - math.exp(-0.161 * volume / (2 * (a * b + a * c + b * c) * rt60_s)))
    order = int(min(34 if kind == "small" else 24, rt60_s * speed / size_m.min()))
    microphone = np.array([rng.uniform(0.5, a - 0.5), rng.uniform(0.5, b - 0.5), rng.uniform(0.05, 1.1)])

    def response(distance_m: float, from_floor: bool) -> Wave:
        for _ in range(60):
            angle = rng.uniform(0.0, 2.0 * np.pi)
            height = 0.02 if from_floor else rng.uniform(0.3, 1.3)
            level = math.sqrt(max(distance_m**2 - (height - microphone[2]) ** 2, 0.05))
            place = np.array([microphone[0] + level * np.cos(angle), microphone[1] + level * np.sin(angle), height])
            if np.all(place > 0.02 - 1e-9) and np.all(place < size_m - 0.05):
                break
        else:
            place = np.clip(place, 0.02, size_m - 0.05)
        room = pra.ShoeBox(size_m, fs=rate_hz, materials=pra.Material(absorption), max_order=order)
        room.set_sound_speed(speed)
        room.add_source(place)
        room.add_microphone(microphone)
        room.compute_rir()
        rir = np.asarray(room.rir[0][0], float)
        way_m = float(np.linalg.norm(place - microphone))
        first = way_m / speed * rate_hz + pra.constants.get("frac_delay_length") // 2
        whole = math.floor(first)
        moved = np.convolve(rir, sinc_kernel(1.0 - (first - whole)))[LEAD - 1 :] if first > whole else rir
        direct = whole + (first > whole)
        out = np.concatenate([np.zeros(max(0, LEAD - direct)), moved[max(0, direct - LEAD) :]])
        out = out[: LEAD + round(min(rt60_s, 1.6) * rate_hz)] * way_m
        t = np.maximum(np.arange(len(out)) - LEAD, 0) / rate_hz
        pole = math.exp(-2.0 * math.pi * 2500.0 / rate_hz)
        low = sosfilt(np.array([[1.0 - pole, 0, 0, 1.0, -pole, 0]]), out)
        return np.asarray(low + (out - low) * np.exp(-t * 3.0 * math.log(10.0) / rt60_s * 0.8))

    return response


class Feet:
    """One player's strikes: recorded clips of one family, or formulas; strikes of one player sound alike.

    `varied` ones are more than were recorded: other impacts, two of them as heel and toe, softer floors, shorter rings.
    """

    def __init__(self, rng: Rng, sources: Sources, share: float, varied: bool) -> None:
        self._rng, self._rate_hz = rng, sources.rate_hz
        self._clips: list[Wave] = []
        if sources.foot and rng.random() < share:
            self._clips = self._family(sources, varied)
            if varied and rng.random() < 0.2:
                toes, after = self._family(sources, varied), round(rng.uniform(0.0, 0.04) * self._rate_hz)
                loud = rng.uniform(0.2, 1.0)
                self._clips = [_both(clip, toes[k % len(toes)], after, loud) for k, clip in enumerate(self._clips)]
            if varied and rng.random() < 0.3:
                fade_s, rise_s = 0.01 * 12.0 ** rng.random(), 1e-4 * 20.0 ** rng.random()
                self._clips = [_shaped(clip, fade_s, rise_s, self._rate_hz) for clip in self._clips]
        self._formula = _thud if rng.random() < 0.5 else _strike
        self._surface = str(rng.choice(["hard", "wood", "clay", "mat"]))
        self._seeds = [int(seed) for seed in rng.integers(0, 1 << 30, int(rng.integers(1, 4)))]
        self._fresh = float(rng.uniform(0.0, 0.8))
        self._same = float(rng.uniform(0.2, 0.8))
        self._last = 0

    def _family(self, sources: Sources, varied: bool) -> list[Wave]:
        rng = self._rng
        clips = sources.thud if varied and sources.thud and rng.random() < THUD_SHARE else sources.foot
        families = sorted({clip.family for clip in clips})
        wanted = families[int(rng.integers(len(families)))]
        family = [clip.samples for clip in clips if clip.family == wanted]
        chosen = rng.permutation(len(family))[: int(rng.integers(1, 5))]
        speed, tilt = 1.0, 0.0
        if rng.random() < 0.6:  # another shoe, another weight
            speed, tilt = 2.0 ** rng.uniform(-0.45, 0.45), rng.uniform(-0.5, 0.5)
        return [_retimed(family[int(k)], speed, tilt, rng) for k in chosen]

    def strike(self) -> Wave:
        """One foot meeting the floor, peak 1, from its first sample on."""
        rng = self._rng
        if rng.random() > self._same:
            self._last = int(rng.integers(len(self._clips) or len(self._seeds)))
        if self._clips:
            return self._clips[self._last]
        usual = self._formula(self._rate_hz, self._surface, np.random.default_rng(self._seeds[self._last]))
        fresh = self._formula(self._rate_hz, self._surface, rng)
        size = min(len(usual), len(fresh))
        wave = np.sqrt(1.0 - self._fresh**2) * usual[:size] + self._fresh * fresh[:size]
        return np.asarray(wave / np.abs(wave).max())


def _strike(rate_hz: int, surface: str, rng: Rng) -> Wave:
    return foot_strike(rate_hz, surface, rng)  # type: ignore[arg-type]


def _thud(rate_hz: int, surface: str, rng: Rng) -> Wave:
    """Any impact: modes of any pitch and decay, bursts of noise, one to three loads, sharp or soft."""
    t = np.arange(round(rng.uniform(0.06, 0.35) * rate_hz)) / rate_hz
    wave = np.zeros(len(t))
    attack_s = 10.0 ** rng.uniform(-4.0, -2.5)
    for load in range(int(rng.integers(1, 4))):
        start = 0 if load == 0 else min(int(rng.uniform(0.004, 0.07) * rate_hz), len(t) // 2)
        tt = t[: len(t) - start]
        if not len(tt):
            continue
        body = np.zeros(len(tt))
        for _ in range(int(rng.integers(1, 8))):
            hz, decay_s = 45.0 * 60.0 ** rng.random(), 0.003 * 25.0 ** rng.random()
            body += rng.uniform(0.1, 1.0) * np.sin(2 * np.pi * hz * tt) * np.exp(-tt / decay_s)
        low = 80.0 * 25.0 ** rng.random()
        high = min(low * rng.uniform(2.0, 20.0), 0.45 * rate_hz)
        burst = sosfilt(butter(1, (low, high), "bandpass", fs=rate_hz, output="sos"), rng.standard_normal(len(tt)))
        burst *= np.exp(-tt / (0.002 * 30.0 ** rng.random()))
        part = body / max(np.abs(body).max(), 1e-9) + rng.uniform(0.05, 2.0) * burst / max(np.abs(burst).max(), 1e-9)
        part *= 1.0 - np.exp(-tt / (attack_s * (1.0 if load == 0 else rng.uniform(1.0, 4.0))))
        wave[start:] += (1.0 if load == 0 else rng.uniform(0.1, 1.5)) * part
    fade = len(wave) // 8
    wave[-fade:] *= np.linspace(1.0, 0.0, fade)
    return np.asarray(wave / np.abs(wave).max())


def cut_thud(wave: Wave, rate_hz: int) -> Wave | None:
    """An impact from its first sample on, peak 1, at most 0.4 s; None where its beginning is not clear."""
    size = np.abs(wave) / max(float(np.abs(wave).max(initial=0.0)), 1e-9)
    begins, risen = (int(np.argmax(size >= share)) for share in (0.05, 0.20))
    clip = wave[begins : begins + round(0.4 * rate_hz)].copy()
    if risen - begins > 0.0015 * rate_hz or len(clip) < 0.03 * rate_hz:
        return None
    power = np.square(clip)
    if power[: round(0.1 * rate_hz)].sum() < 0.6 * power.sum():
        return None
    fade = len(clip) // 6
    clip[-fade:] *= np.linspace(1.0, 0.0, fade)
    return np.asarray(clip / np.abs(clip).max())


def _retimed(clip: Wave, speed: float, tilt: float, rng: Rng) -> Wave:
    if speed != 1.0:
        clip = resample_poly(clip, 1000, round(1000 * speed))
    if tilt:
        clip = np.asarray(clip + tilt * np.concatenate([[0.0], np.diff(clip)]) * (1.0 if tilt > 0 else -1.0))
        if tilt < 0:
            pole = -0.9 * tilt
            clip = sosfilt(np.array([[1.0 - pole, 0, 0, 1.0, -pole, 0]]), clip)
    peak = float(np.abs(clip).max(initial=0.0))
    return np.asarray(clip / peak) if peak else clip


def _both(heel: Wave, toe: Wave, after: int, loud: float) -> Wave:
    wave = np.pad(heel, (0, max(0, after + len(toe) - len(heel))))
    wave[after : after + len(toe)] += loud * toe
    return np.asarray(wave / np.abs(wave).max())


def _shaped(clip: Wave, fade_s: float, rise_s: float, rate_hz: int) -> Wave:
    t = np.arange(len(clip)) / rate_hz
    wave = clip * np.exp(-t / fade_s) * (1.0 - np.exp(-(t + 0.5 / rate_hz) / rise_s))
    return np.asarray(wave / max(float(np.abs(wave).max()), 1e-9))


def make_scene(seed: int, sources: Sources, settings: Settings = Settings(), rooms: Callable = own_rooms) -> Scene:
    """A scene; the same seed, sources and settings give the same one."""
    return _Maker(np.random.default_rng([seed, 77]), sources, settings, rooms).make(seed)


class _Maker:
    def __init__(self, rng: Rng, sources: Sources, settings: Settings, rooms: Callable) -> None:
        self.rng, self.sources, self.wish = rng, sources, settings
        self.rate_hz = sources.rate_hz
        self.air_c = float(rng.uniform(5.0, 32.0))
        self.speed = speed_of_sound_m_s(self.air_c)
        self.room = settings.room or str(rng.choice(["outdoor", "outdoor", "small", "small", "hall", "hall", "hall"]))
        self.rir = rooms(rng, self.room, self.rate_hz, self.air_c)
        weights = [0.33, 0.3, 0.22, 0.09, 0.06]
        self.microphone = settings.microphone or str(rng.choice(list(MICROPHONES), p=weights))
        snr = rng.uniform(3.0, 24.0) if rng.random() < 0.75 else rng.uniform(24.0, 42.0)
        self.snr_db = float(snr if settings.snr_db is None else settings.snr_db)
        self.varied = not settings.as_published if settings.varied is None else settings.varied
        self.far_sounds: list[Wave] = []
        over = float(rng.uniform(2.5, 15.5) if settings.as_published else rng.uniform(-6.0, 17.0))
        self.cue_db = over if settings.cue_over_landing_db is None else settings.cue_over_landing_db
        self.sections = microphone_sections(self.microphone, self.rate_hz)
        self.band = butter(2, LEVEL_BAND_HZ, "bandpass", fs=self.rate_hz, output="sos")

    def through(self, wave: Wave) -> Wave:
        return np.asarray(sosfilt(self.sections, wave))

    def peak(self, wave: Wave) -> float:
        """Peak at the microphone, in the level band."""
        piece = np.pad(wave, (0, 200))[: round(0.25 * self.rate_hz)]
        return float(np.abs(sosfilt(self.band, self.through(piece))).max())

    def make(self, seed: int) -> Scene:
        rng, rate_hz = self.rng, self.rate_hz
        self.play_cues()
        frames = len(self.played) + round(1.5 * rate_hz)
        near = self.wish.as_published or rng.random() < 0.8
        speaker_m = float(rng.uniform(0.3, 1.0) if near else rng.uniform(1.0, 5.0))
        offset_s = float(rng.uniform(0.05, 0.4))
        speaker = self.rir(speaker_m, False)
        speaker = np.asarray(
            sosfilt(butter(2, float(rng.uniform(120.0, 260.0)), "highpass", fs=rate_hz, output="sos"), speaker)
        )
        cue_gain = 10.0 ** (self.cue_db / 20.0) / max(self.peak(fftconvolve(self.contact, speaker)), 1e-9)
        # Time of a played frame at the microphone: offset, then the air.
        delay = (offset_s + speaker_m / self.speed) * rate_hz
        heard = np.zeros(frames + round(2.0 * rate_hz))
        add(heard, fftconvolve(self.played, speaker) * cue_gain, delay - LEAD)
        feet = np.zeros_like(heard)
        strangers = np.zeros_like(heard)
        self.delay_s = delay / rate_hz
        self.perform(feet)
        self.disturb(strangers)
        noise = self.noise(len(heard))
        level = 10.0 ** (-self.snr_db / 20.0) / max(float(np.std(sosfilt(self.band, self.through(noise)))), 1e-12)
        total = heard + feet + strangers + noise * level
        gain = 10.0 ** (rng.uniform(-38.0, -18.0) / 20.0)
        recorded = self.through(total) * gain
        outside, own = self.through(strangers) * gain, self.through(feet) * gain
        clipped = bool(rng.random() < 0.1 and not self.wish.as_published)
        if clipped:
            recorded = np.clip(recorded, -1, 1)
            limit = np.abs(recorded).max() * 10.0 ** (-rng.uniform(2.0, 14.0) / 20.0)
            recorded = np.clip(recorded, -limit, limit)
        peak = np.abs(recorded).max()
        if peak > 0.95:
            recorded, outside, own = (each * 0.95 / peak for each in (recorded, outside, own))
            gain *= 0.95 / peak
        recorded = recorded[:frames]
        recorded = np.round(recorded * 32767.0) / 32767.0
        truth = {
            "scene": f"m{seed:05d}",
            "duration_s": frames / rate_hz,
            "speed_of_sound_m_s": self.speed,
            "speaker_to_mic_m": speaker_m,
            "clock": {"offset_s": offset_s, "skew_ppm": 0.0},
            "condition": {
                "room": self.room,
                "mic": self.microphone,
                "snr_db": self.snr_db,
                "bed": self.bed_name,
                "distractors": self.distractors,
                "approach": self.approach,
                "cue_over_landing_db": self.cue_db,
                "swing": self.swing,
                "recorded_feet": self.recorded_feet,
            },
            "cues": [{**cue, "mic_s": cue["played_s"] + self.delay_s} for cue in self.cues],
            "reps": self.reps,
            "landings": self.landings,
            "others": self.others,
        }
        layers = Layers(
            own[:frames],
            [fftconvolve(self.alike[0].strike(), rir) for rir in self.alike[1] for _ in range(4)],
            self.far_sounds,
            gain * 10.0 ** (-self.snr_db / 20.0),
            self.snr_db + self.cue_db,
            self.microphone,
            not clipped,
        )
        return Scene(
            rate_hz, self.played, recorded, outside[:frames], offset_s, truth, self.cue_frames, self.withheld, layers
        )

    def play_cues(self) -> None:
        """What the loudspeaker plays."""
        rng, rate_hz = self.rng, self.rate_hz
        self.contact = self.draw_contact()
        self.swing = bool(rng.random() < 0.45) if self.wish.swing is None else self.wish.swing
        calls = bool(rng.random() < 0.55) and len(self.sources.voice) > 0
        lead = self.draw_lead_in() if self.swing else np.zeros(0)
        at = round(rng.uniform(1.6, 2.2) * rate_hz)
        placed: list[tuple[int, Wave]] = []
        self.cues, self.cue_frames, self.reps, self.withheld = [], {}, [], set()
        call_db, lead_db = float(rng.uniform(-12.0, 3.0)), float(rng.uniform(-14.0, 0.0))
        for rep in range(self.wish.reps):
            if rep:
                at += round(rng.uniform(2.4, 4.6) * rate_hz)
            if len(lead):
                placed.append((at - len(lead), lead * 10.0 ** (lead_db / 20.0)))
                self.cues.append({"rep": rep, "type": "swing", "played_s": (at - len(lead)) / rate_hz})
            if not self.wish.as_published and rep > 3 and rng.random() < 0.06:
                self.withheld.add(rep)
            else:
                placed.append((at, self.contact))
                self.cues.append({"rep": rep, "type": "contact", "played_s": at / rate_hz, "played_sample": at})
            self.cue_frames[rep] = (at, len(self.contact))
            if calls:
                word = self.sources.voice[int(rng.integers(len(self.sources.voice)))].samples
                later = at + round(rng.uniform(0.08, 0.5) * rate_hz)
                placed.append((later, word[: round(0.9 * rate_hz)] * 10.0 ** (call_db / 20.0)))
                self.cues.append({"rep": rep, "type": "call", "played_s": later / rate_hz})
            self.reps.append({"rep": rep})
        self.played = np.zeros(at + round(1.8 * rate_hz))
        for start, wave in placed:
            begin = max(0, -start)
            end = min(len(wave), len(self.played) - start)
            self.played[start + begin : start + end] += wave[begin:end]
        self.played *= 0.7 / max(np.abs(self.played).max(), 1e-9)
        self.contact = self.played[self.cue_frames[0][0] : sum(self.cue_frames[0])]

    def draw_contact(self) -> Wave:
        """The product's own contacts, or a stranger's: a burst of noise, a chirp, a struck bar."""
        rng, rate_hz = self.rng, self.rate_hz
        if self.wish.as_published:
            t = np.arange(round(0.025 * rate_hz)) / rate_hz
            band = butter(2, (1500.0, min(6000.0, 0.44 * rate_hz)), "bandpass", fs=rate_hz, output="sos")
            wave = sosfilt(band, rng.standard_normal(len(t))) * np.exp(-t / 0.006)
            return np.asarray(wave / np.abs(wave).max())
        if rng.random() < 0.5:
            return render(str(rng.choice(CONTACTS)), rate_hz).samples.astype(float)
        t = np.arange(round(rng.uniform(0.02, 0.06) * rate_hz)) / rate_hz
        low = _log_uniform(rng, 500.0, 2200.0)
        high = min(low * rng.uniform(2.5, 5.0), 0.44 * rate_hz)
        wave = sosfilt(butter(2, (low, high), "bandpass", fs=rate_hz, output="sos"), rng.standard_normal(len(t)))
        wave *= np.exp(-t / _log_uniform(rng, 0.003, 0.012)) * np.minimum(1.0, (t[-1] - t) / 0.003)
        if rng.random() < 0.3:
            wave = wave + 0.6 * np.abs(wave).max() * np.sin(2 * np.pi * low * t) * np.exp(-t / 0.01)
        return np.asarray(wave / np.abs(wave).max())

    def draw_lead_in(self) -> Wave:
        """A rising sweep that ends at the contact; now and then a tick or a toss before it."""
        rng, rate_hz = self.rng, self.rate_hz
        if rng.random() < 0.3 and not self.wish.as_published:
            return render("swing", rate_hz, float(rng.uniform(0.25, 1.0))).samples.astype(float)
        length_s = 0.35 if self.wish.as_published else rng.uniform(0.25, 0.8)
        t = np.arange(round(length_s * rate_hz)) / rate_hz
        low, high = rng.uniform(150.0, 400.0), rng.uniform(800.0, 3000.0)
        phase = 2 * np.pi * np.cumsum(low * (high / low) ** (t / t[-1])) / rate_hz
        return np.asarray(np.sin(phase) * (t / t[-1]) ** rng.uniform(0.5, 2.0) * 0.7)

    def perform(self, feet_out: Wave) -> None:
        """The player's session."""
        rng = self.rng
        # Most players keep their shoes on; where they do not, what was heard before says nothing.
        kinds = 4 if self.wish.as_published or rng.random() < MIXED_SHARE else 1
        shoes = [Feet(rng, self.sources, self.wish.recorded_share, self.varied) for _ in range(kinds)]
        self.recorded_feet = any(each._clips for each in shoes)
        player_m = float(rng.uniform(1.5, 7.0))
        spots = [self.rir(player_m + float(rng.uniform(-0.4, 0.4)), True) for _ in range(3)]
        behind = [self.rir(player_m + float(rng.uniform(0.3, 1.3)), True) for _ in range(2)]
        self.alike = shoes[0], (*spots, behind[0])
        references = [
            1.0 / float(np.median([self.peak(fftconvolve(feet.strike(), rir)) for rir in spots for _ in range(2)]))
            for feet in shoes
        ]
        self.approach = bool(rng.random() < 0.6) if self.wish.approach is None else self.wish.approach
        centre_s, spread_s = float(rng.uniform(-0.06, 0.32)), float(rng.uniform(0.02, 0.11))
        shifts = rng.random() < 0.4
        vary_db = float(rng.uniform(0.5, 4.0))
        double_share = float(rng.uniform(0.2, 0.9))
        step_share = float(rng.uniform(0.2, 0.9))
        self.landings, self.others = [], []
        for rep, (start, _) in self.cue_frames.items():
            worn = int(rng.integers(kinds))
            feet, reference = shoes[worn], references[worn]
            contact_s = start / self.rate_hz + self.delay_s
            if self.wish.as_published:
                missing, early = rng.random() < 0.09, rng.random() < 0.07
                after_s = float(np.clip(rng.gamma(4.0, 0.055), 0.06, 0.5))
                after_s = -float(rng.uniform(0.03, 0.16)) if early else after_s
            else:
                missing = rng.random() < (0.6 if rep in self.withheld else 0.12)
                shift_s = 0.12 if shifts and rep >= self.wish.reps // 2 else 0.0
                after_s = float(rng.normal(centre_s + shift_s, spread_s))
                if rng.random() < 0.35:
                    after_s = float(rng.uniform(-0.25, 0.6))
                after_s = float(np.clip(after_s, -0.27, 0.66))
            if missing:
                self.stray_steps(feet, feet_out, behind, contact_s, reference)
                continue
            level_db = float(rng.normal(0.0, vary_db))
            spot = spots[int(rng.integers(len(spots)))]
            first_s = contact_s + after_s
            double = rng.random() < (0.6 if self.wish.as_published else double_share)
            second_db = float(np.clip(rng.normal(-0.5, 3.0), -9.0, 9.0))
            gap_s = float(np.clip(0.028 * math.exp(0.6 * rng.normal()), 0.005, 0.085)) if double else 0.0
            if self.wish.as_published and double:
                gap_s = float(rng.uniform(0.005, 0.06))
            self.put(feet_out, feet, spot, first_s, level_db, reference)
            second_s = None
            if double:
                second_s = first_s + gap_s
                self.put(feet_out, feet, spot, second_s, level_db + second_db, reference)
            loudest = level_db + max(0.0, second_db if double else 0.0)
            self.landings.append({"rep": rep, "mic_s": first_s, "mic2_s": second_s, "level_db": level_db})
            if self.approach:
                self.step_in(feet, feet_out, behind, first_s, loudest, reference, rep)
            if rng.random() < (0.6 if self.wish.as_published else step_share):
                low, high = (0.2, 0.5) if self.wish.as_published else (0.13, 0.5)
                step_s = (second_s or first_s) + float(rng.uniform(low, high))
                step_db = level_db + float(rng.normal(-4.0, 3.5))
                self.put(feet_out, feet, behind[0], step_s, step_db, reference)
                self.others.append({"rep": rep, "type": "first_step", "kind": "step", "mic_s": step_s})
                while rng.random() < 0.4:
                    step_s += float(rng.uniform(0.18, 0.45))
                    self.put(feet_out, feet, behind[0], step_s, step_db + float(rng.normal(0.0, 3.0)), reference)
                    self.others.append({"rep": rep, "type": "later_step", "kind": "step", "mic_s": step_s})

    def step_in(
        self, feet: Feet, out: Wave, behind: list[Wave], landing_s: float, landing_db: float, reference: float, rep: int
    ) -> None:
        """Footfalls before the landing: one step, two, or bounces on the toes."""
        rng = self.rng
        kind = rng.choice(["none", "approach_step", "run_up", "toe_bounces"], p=[0.25, 0.35, 0.2, 0.2])
        loud = (-12.0, 0.0) if self.wish.as_published else (-16.0, 3.0)
        if kind == "approach_step":
            before = [(rng.uniform(0.2, 0.45) if rng.random() < 0.8 else rng.uniform(0.13, 0.6), rng.uniform(*loud))]
        elif kind == "run_up":
            before = [(rng.uniform(0.22, 0.35), rng.uniform(*loud)), (rng.uniform(0.5, 0.65), rng.uniform(*loud))]
        elif kind == "toe_bounces":
            at, before = float(rng.uniform(0.2, 0.4)), []
            for _ in range(int(rng.integers(2, 5))):
                before.append((at, rng.uniform(-18.0, -6.0)))
                at += float(rng.uniform(0.25, 0.4))
        else:
            before = []
        for before_s, over_db in before:
            name = "toe_bounce" if kind == "toe_bounces" else "approach_step"
            spot = behind[int(rng.integers(len(behind)))]
            self.put(out, feet, spot, landing_s - float(before_s), landing_db + float(over_db), reference, louder=True)
            self.others.append(
                {
                    "rep": rep,
                    "type": name,
                    "kind": "step",
                    "mic_s": landing_s - float(before_s),
                    "level_db": float(over_db),
                }
            )

    def stray_steps(self, feet: Feet, out: Wave, behind: list[Wave], contact_s: float, reference: float) -> None:
        """A rep without a landing is mostly still; now and then the player shuffles, softly, long before or after."""
        rng = self.rng
        if self.wish.as_published or rng.random() < 0.75:
            return
        for _ in range(int(rng.integers(1, 3))):
            at_s = contact_s + float(rng.uniform(0.75, 1.2) if rng.random() < 0.5 else rng.uniform(-1.2, -0.5))
            self.put(out, feet, behind[0], at_s, float(rng.uniform(-14.0, -4.0)), reference)

    def put(
        self, out: Wave, feet: Feet, rir: Wave, at_s: float, level_db: float, reference: float, louder: bool = False
    ) -> None:
        """A foot whose first sound arrives at `at_s`, its peak so far over the median landing's."""
        wave = fftconvolve(feet.strike(), rir)
        gain = 10.0 ** (level_db / 20.0)
        gain *= 1.0 / max(self.peak(wave), 1e-9) if louder else reference
        if at_s > 0.0:
            add(out, wave * gain, at_s * self.rate_hz - LEAD)

    def disturb(self, out: Wave) -> None:
        """Strangers' sounds: impacts, voices, feet."""
        rng = self.rng
        wanted = bool(rng.random() < 0.55) if self.wish.distractors is None else self.wish.distractors
        self.distractors = 0
        if not wanted:
            return
        per_min = float(rng.uniform(6.0, 10.0) if self.wish.as_published else rng.uniform(4.0, 24.0))
        count = max(1, int(rng.poisson(per_min * len(self.played) / self.rate_hz / 60.0)))
        far = [self.rir(float(rng.uniform(2.0, 12.0)), bool(rng.random() < 0.5)) for _ in range(3)]
        other = Feet(rng, self.sources, self.wish.recorded_share, self.varied)
        for _ in range(count):
            kind = str(rng.choice(["impact", "impact", "voice", "feet"]))
            if kind == "feet":
                clip = other.strike()
            elif kind == "voice" and self.sources.voice and rng.random() < 0.8:
                clip = self.sources.voice[int(rng.integers(len(self.sources.voice)))].samples
            elif kind == "impact" and self.sources.impact and rng.random() < 0.7:
                clip = self.sources.impact[int(rng.integers(len(self.sources.impact)))].samples
            else:
                clip = DISTRACTORS[str(rng.choice(list(DISTRACTORS)))](self.rate_hz, rng)  # type: ignore[index]
            wave = fftconvolve(clip, far[int(rng.integers(len(far)))])
            self.far_sounds.append(wave)
            loud = float(rng.uniform(-12.0, 6.0))
            at_s = float(rng.uniform(0.3, len(self.played) / self.rate_hz))
            if rng.random() < 0.5:  # where it matters
                start, _ = self.cue_frames[int(rng.integers(len(self.cue_frames)))]
                at_s = start / self.rate_hz + self.delay_s + float(rng.uniform(-0.5, 0.9))
            add(out, wave * 10.0 ** (loud / 20.0) / max(self.peak(wave), 1e-9), max(0.0, at_s) * self.rate_hz)
            self.others.append({"rep": None, "type": "distractor", "kind": kind, "mic_s": at_s + LEAD / self.rate_hz})
            self.distractors += 1

    def noise(self, frames: int) -> Wave:
        """One or two beds, recorded or made, and a little of the microphone's own."""
        rng, wanted = self.rng, frames
        kinds = 1 if self.wish.bed or rng.random() < 0.6 else 2
        frames = next_fast_len(wanted, real=True)
        total, names = np.zeros(frames), []
        for _ in range(kinds):
            recorded = [bed for bed in self.sources.bed if self.wish.bed in (None, bed.family)]
            use = bool(recorded) and self.wish.bed != "made" and (self.wish.bed or rng.random() < 0.5)
            if use:
                families = sorted({bed.family for bed in recorded})
                family = families[int(rng.integers(len(families)))]
                some = [bed for bed in recorded if bed.family == family]
                wave = some[int(rng.integers(len(some)))].samples
                start = int(rng.integers(0, len(wave)))
                bed = np.resize(np.roll(wave, -start), frames)
                names.append(family)
            else:
                kind = beds.STEADY if rng.random() < 0.6 else beds.EVENTFUL
                make = kind[int(rng.integers(len(kind)))]
                if make is beds.babble and len(self.sources.voice):
                    bed = beds.babble(frames, self.rate_hz, rng, [clip.samples for clip in self.sources.voice])
                else:
                    bed = make(frames, self.rate_hz, rng)
                names.append(f"made {make.__name__}")
            level = max(float(np.std(sosfilt(self.band, self.through(bed)))), 1e-9)
            total += bed / level * (1.0 if not total.any() else 10.0 ** (rng.uniform(-10.0, 0.0) / 20.0))
        self.bed_name = "+".join(names)
        hiss = rng.standard_normal(frames)
        level = float(np.std(sosfilt(self.band, self.through(total))))
        hiss *= (
            level
            * 10.0 ** (rng.uniform(-45.0, -20.0) / 20.0)
            / max(np.std(sosfilt(self.band, self.through(hiss))), 1e-9)
        )
        return (total + hiss)[:wanted]


def microphone_sections(kind: str, rate_hz: int) -> Wave:
    """Second-order sections of a microphone."""
    low_hz, high_hz, order = MICROPHONES[kind]
    sections = [butter(2, low_hz, "highpass", fs=rate_hz, output="sos")]
    if high_hz is not None and high_hz < 0.45 * rate_hz:
        sections.append(butter(order, high_hz, "lowpass", fs=rate_hz, output="sos"))
    return np.vstack(sections)


def add(out: Wave, wave: Wave, at: float) -> None:
    """Add a wave whose index 0 falls on a fractional place."""
    whole = math.floor(at)
    part = at - whole
    moved = np.convolve(wave, sinc_kernel(part)) if part > 1e-9 else np.pad(wave, (LEAD - 1, LEAD - 1))
    first = whole - (LEAD - 1)
    begin, end = max(0, -first), min(len(moved), len(out) - first)
    if begin < end:
        out[first + begin : first + end] += moved[begin:end]


def _log_uniform(rng: Rng, low: float, high: float) -> float:
    return float(low * (high / low) ** rng.random())
