"""A scene of live feeding as a microphone hears it, and its truth as the development scenes tell it.

Rooms, microphones and noise are the simulator's; rackets, machines and balls are `strikes`, the rhythm is `rhythm`.
With `DRILLTIMER_CLIPS` (or `../shared/scenes/clips` beside the project) recorded footsteps and impacts take the place
of half of the formulas.
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from drilltimer.model import Placement
from drilltimer.sim.acoustics import LEAD, microphone_sections, path_response
from drilltimer.sim.impacts import foot_strike, voice
from drilltimer.sim.noise import NoiseSource
from drilltimer.sim.settings import RoomSettings
from drilltimer.units import db_from_ratio, ratio_from_db, speed_of_sound_m_s
from tests.feeding.rhythm import Play, Struck, Ways, add_neighbours, add_voices, draw_ways, play_out
from tests.feeding.strikes import ball, ball_machine, solid_paddle, string_racket

Wave = NDArray[np.float64]
RATE_HZ = 32_000
CLIPS = Path(os.environ.get("DRILLTIMER_CLIPS", Path(__file__).resolve().parents[3] / "shared" / "scenes" / "clips"))
ECHOES_S = 0.3
CLIP_BEGINS = 0.05  # of a recorded impact's peak
# How far about its place a source is found; a machine stands still, balls bounce anywhere.
STRAYS_M = {
    "feeder": 0.5,
    "machine": 0.05,
    "player": 0.4,
    "feet": 0.25,
    "next court": 1.0,
    "beside": 1.0,
    "near floor": 0.5,
    "far floor": 0.5,
}
LOW_SOURCES = {"feet", "near floor", "far floor"}
ROOMS = {
    "outdoor": (None, 0.0),
    "small hall": ((25.0, 15.0, 7.0), 0.9),
    "tent": ((36.0, 18.0, 9.0), 0.8),
    "hall": ((36.0, 20.0, 9.0), 1.4),
    "big hall": ((40.0, 36.0, 10.0), 2.0),
}


@dataclass(frozen=True, slots=True)
class Setting:
    """What a scene is asked to be; None: drawn."""

    seed: int
    play: Play | None = None
    room: str | None = None
    feeder: str | None = None
    feeder_m: float | None = None
    neighbours: bool | None = None
    snr_db: float | None = None
    contact_over_landing_db: float | None = None  # at the microphone
    length_s: float = 60.0
    clips: bool = True


@dataclass(frozen=True, slots=True)
class Scene:
    """`samples` float32 (n,), at `rate_hz`; `truth` as described in the feeding scenes' own README."""

    samples: NDArray[np.float32]
    rate_hz: int
    truth: dict


def make_scene(setting: Setting) -> Scene:
    """Draw what is left open, play it out and record it."""
    rng = np.random.default_rng([setting.seed, 77])
    play = setting.play or str(rng.choice(["rally", "rally", "feed", "return"]))
    kinds = {
        "rally": ["string", "string", "paddle"],
        "feed": ["machine", "string", "paddle"],
        "return": ["machine", "string", "paddle"],
    }
    feeder = setting.feeder or str(rng.choice(kinds[play]))
    room = setting.room or str(rng.choice(["outdoor", "outdoor", "outdoor", "small hall", "tent", "hall", "big hall"]))
    neighbours = bool(rng.random() < 0.5) if setting.neighbours is None else setting.neighbours
    air_c = float(rng.uniform(2.0, 34.0))
    feeder_m = setting.feeder_m or float(rng.uniform(8.0, 20.0))
    player_m = float(rng.uniform(2.0, 8.0))
    mic_m = float(np.clip(feeder_m - player_m * rng.uniform(0.0, 0.7), 5.0, 22.0))
    ways = draw_ways(rng, play)
    if setting.contact_over_landing_db is not None:
        ways.hit_db = setting.contact_over_landing_db + db_from_ratio(mic_m / player_m)
    play_out(ways, setting.length_s, 0.0)
    if neighbours:
        add_neighbours(ways, setting.length_s, ways.hit_db)
    voices = int(rng.integers(0, 7))
    add_voices(ways, setting.length_s, voices)
    snr_db = setting.snr_db or float(rng.choice([10.0, 14.0, 20.0, 26.0, 32.0]))
    size_m, rt60_s = ROOMS[room]
    microphone = str(rng.choice(["laptop", "phone", "usb"]))
    size_m = size_m and (
        size_m[0] * rng.uniform(0.9, 1.1),
        size_m[1] * rng.uniform(0.8, 1.2),
        size_m[2] * rng.uniform(0.8, 1.2),
    )
    settings = RoomSettings(room, size_m, rt60_s, microphone=microphone, placement=Placement(air_c=air_c))
    away_m = {
        "feeder": mic_m,
        "player": player_m,
        "feet": player_m,
        "near floor": player_m,
        "far floor": mic_m - 2.5,
        "next court": float(rng.uniform(13.0, 25.0)),
        "beside": float(rng.uniform(2.0, 12.0)),
    }
    voices_of = _sounds(rng, feeder, setting.clips)
    heard, sounds = _record(ways, settings, away_m, voices_of, setting, rng, machine=feeder == "machine")
    noise = str(rng.choice(["pink", "rumble", "wind", "crowd"]))
    samples = _with_noise(heard, sounds, microphone, noise, snr_db, feeder == "machine", setting.seed, rng)
    known = {
        "temperature_c": round(air_c, 1),
        "play": play,
        "feeder": "machine" if feeder == "machine" else "coach",
        "distances": {
            "feeder_to_mic_m": round(mic_m, 1),
            "player_to_mic_m": round(player_m, 1),
            "feeder_to_player_m": round(feeder_m, 1),
        },
    }
    condition = {
        "room": room,
        "mic": microphone,
        "snr_db": round(snr_db),
        "clipping": False,
        "play": play,
        "feeder": feeder,
        "neighbours": neighbours,
        "bed": noise,
    }
    truth = {"scene": f"s{setting.seed:03d}", "known": known, "condition": condition, **_truth(ways, sounds)}
    return Scene(samples, RATE_HZ, truth)


@dataclass(slots=True)
class _Heard:
    struck: Struck
    mic_s: float
    distance_m: float
    peak: float = 0.0


def _sounds(rng: np.random.Generator, feeder: str, clips: bool) -> dict[str, Callable[[], Wave]]:
    """What each kind of sound is in this scene."""
    make = {"string": string_racket, "paddle": solid_paddle, "machine": ball_machine}
    real = _clips() if clips else {}
    surface = str(rng.choice(["hard", "wood", "clay"]))

    def foot(step: bool) -> Callable[[], Wave]:
        uses = real.get("foot", []) + (real.get("step", []) if step else [])
        chosen = [uses[int(k)] for k in rng.integers(0, len(uses), 2)] if uses and rng.random() < 0.7 else []

        def sound() -> Wave:
            if chosen:
                return chosen[int(rng.integers(0, len(chosen)))]
            return foot_strike(RATE_HZ, surface, rng)

        return sound

    def strike(kind: str) -> Callable[[], Wave]:
        impacts = real.get("impact", [])
        formula = make[kind](RATE_HZ, rng)
        if kind == "paddle" and impacts and rng.random() < 0.6:
            clip = impacts[int(rng.integers(0, len(impacts)))]
            return lambda: clip
        return formula

    def bounce() -> Callable[[], Wave]:
        impacts = real.get("ball", [])
        formula, share = ball(RATE_HZ, rng), float(rng.uniform(0.0, 0.6))
        return lambda: impacts[0] if impacts and rng.random() < share else formula()

    landing, stepping, floor = foot(False), foot(True), bounce()
    own = strike("paddle" if feeder == "paddle" else "string")
    return {
        "contact": own if feeder == "paddle" else strike(feeder),
        "own hit": own,
        "foot": landing,
        "second foot": landing,
        "step": lambda: (landing if rng.random() < 0.75 else stepping)(),
        "bounce": floor,
        "second bounce": floor,
        "far bounce": floor,
        "drop bounce": floor,
        "neighbour hit": strike("string"),
        "neighbour bounce": bounce(),
        "neighbour step": foot(True),
        "voice": lambda: (
            real["voice"][int(rng.integers(0, len(real["voice"])))] if real.get("voice") else voice(RATE_HZ, rng)
        ),
    }


_CLIPS: dict[str, list[Wave]] = {}


def _clips() -> dict[str, list[Wave]]:
    """Recorded sounds by use, each of peak 1; empty where there are none."""
    if not _CLIPS and (CLIPS / "manifest.json").exists():
        import soundfile
        from scipy.signal import resample_poly

        listed = json.loads((CLIPS / "manifest.json").read_text(encoding="utf-8"))
        for clip in listed if isinstance(listed, list) else listed["clips"]:
            wave, rate_hz = soundfile.read(CLIPS / f"{clip['id']}.flac")
            wave = resample_poly(wave, RATE_HZ, rate_hz)
            use = "ball" if "bounce" in clip["id"] or "bums" in clip["id"] else clip["use"]
            wave = wave / np.abs(wave).max()
            if use in ("impact", "ball"):  # some are silent or rustle for up to 20 ms: no true moment of a contact
                wave = wave[int(np.argmax(np.abs(wave) > CLIP_BEGINS)) :]
            _CLIPS.setdefault(use, []).append(wave)
    return _CLIPS


def _record(
    ways: Ways,
    settings: RoomSettings,
    away_m: dict[str, float],
    voices_of: dict[str, Callable[[], Wave]],
    setting: Setting,
    rng: np.random.Generator,
    *,
    machine: bool,
) -> tuple[Wave, list[_Heard]]:
    """Every sound through the air to the microphone; the arrivals and peaks of all."""
    from scipy.signal import oaconvolve, sosfilt

    speed_m_s = speed_of_sound_m_s(settings.placement.air_c)
    frames = round((setting.length_s + 2.0) * RATE_HZ)
    total, heard = np.zeros(frames), []
    sections = microphone_sections(settings.microphone, RATE_HZ)
    for source in sorted({each.source for each in ways.sounds}):
        room_seed = int(rng.integers(1, 1 << 30))  # one for all spots: the walls answer each of them alike
        strays_m = STRAYS_M["machine" if source == "feeder" and machine else source]
        for spot in range(3):
            distance_m = max(1.0, away_m[source] + float(rng.uniform(-strays_m, strays_m)))
            if "floor" in source:
                distance_m = max(1.5, distance_m + float(rng.uniform(-1.5, 2.5)))
            dry = np.zeros(frames)
            for each in (one for one in ways.sounds if one.source == source and one.spot == spot):
                wave = voices_of[each.what]()
                peak = float(np.abs(wave).max())
                gain = ratio_from_db(each.over_landing_db) / distance_m / peak
                at = (each.at_s + distance_m / speed_m_s) * RATE_HZ
                _add(dry, at, gain * wave)
                heard.append(_Heard(each, at / RATE_HZ, distance_m, gain * peak))
            low = source in LOW_SOURCES
            response = path_response(settings, RATE_HZ, distance_m, room_seed, from_floor=low, early_s=ECHOES_S)
            total += oaconvolve(dry, response)[LEAD : LEAD + frames]
    return (sosfilt(sections, total) if sections is not None else total), heard


def _add(track: Wave, at: float, wave: Wave) -> None:
    """Add a sound whose first sample lies at fractional frame `at`."""
    whole = int(at)
    if not 0 <= whole < len(track):
        return
    part = at - whole
    moved = np.append(wave, 0.0) * (1.0 - part) + np.append(0.0, wave) * part
    kept = moved[: len(track) - whole]
    track[whole : whole + len(kept)] += kept


def _with_noise(
    heard: Wave,
    sounds: list[_Heard],
    microphone: str,
    noise: str,
    snr_db: float,
    hum: bool,
    seed: int,
    rng: np.random.Generator,
) -> NDArray[np.float32]:
    """Noise scaled to the median landing, a motor's hum, a level, 16 bits."""
    from scipy.signal import butter, sosfilt

    band = butter(2, (40.0, 4000.0), "bandpass", fs=RATE_HZ, output="sos")
    sections = microphone_sections(microphone, RATE_HZ)
    bed = NoiseSource(noise, RATE_HZ, [seed, 5]).take(len(heard))
    bed = sosfilt(sections, bed) if sections is not None else bed
    if hum:
        t = np.arange(len(bed)) / RATE_HZ
        for k in range(1, 6):
            bed += 0.5 / k * np.std(bed) * np.sin(2 * np.pi * 49.0 * k * t + k)
    in_band = sosfilt(band, heard)
    peaks = []
    for each in sounds:
        if each.struck.what == "foot":
            first = round(each.mic_s * RATE_HZ)
            peaks.append(np.abs(in_band[first : first + round(0.03 * RATE_HZ)]).max(initial=0.0))
    bed *= float(np.median(peaks)) / ratio_from_db(snr_db) / np.std(sosfilt(band, bed))
    mixed = heard + bed
    mixed *= 10.0 ** rng.uniform(-1.2, 0.05) / np.abs(mixed).max()
    return np.asarray(np.round(np.clip(mixed, -1.0, 1.0) * 32767.0) / 32768.0, np.float32)


def _truth(ways: Ways, sounds: list[_Heard]) -> dict:
    """Truth lists by kind, in time order."""
    sounds = sorted(sounds, key=lambda each: each.mic_s)
    contacts = {each.struck.rep: each for each in sounds if each.struck.what == "contact"}
    seconds = {each.struck.rep: each.mic_s for each in sounds if each.struck.what == "second foot"}
    out: dict[str, list[dict]] = {
        key: [] for key in ("contacts", "landings", "player_hits", "bounces", "steps", "neighbours", "voices")
    }
    for each in sounds:
        struck, row = each.struck, {"mic_s": each.mic_s, "rep": each.struck.rep}
        if struck.what == "contact":
            first = struck.rep in ways.firsts
            out["contacts"].append(row | {"landing": ways.landings[struck.rep], "first_of_rally": first})
        elif struck.what == "foot":
            after_ms = 1e3 * (struck.at_s - contacts[struck.rep].struck.at_s)
            out["landings"].append(row | {"after_contact_ms": after_ms, "mic2_s": seconds.get(struck.rep)})
        elif struck.what == "own hit":
            out["player_hits"].append(row)
        elif struck.what == "step":
            out["steps"].append(row)
        elif struck.what == "voice":
            out["voices"].append(row | {"dur_s": 1.0})
        elif "bounce" in struck.what and struck.source != "next court":
            out["bounces"].append(
                row | {"side": "player" if struck.source == "near floor" else "feeder", "what": struck.what}
            )
        elif struck.source == "next court":
            out["neighbours"].append(row | {"what": struck.what.split()[1]})
    return out
