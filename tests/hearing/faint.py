"""Recordings in which the contacts are faint: levels told as contact over noise, in the contact's own band.

    python -m tests.hearing.faint FOLDER [--half choose|report] [--seeds 48] [--beds FOLDER_OF_FLACS]

makes them in FOLDER, looks for their sheets and for wrong ones, and prints what was found. Two halves share no room and
no bed: thresholds are chosen on one and reported on the other. Needs `pip install pyroomacoustics`.
"""

from __future__ import annotations

import argparse
import json
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from statistics import median

import numpy as np
import soundfile
from numpy.typing import NDArray
from scipy.signal import butter, firwin, oaconvolve, resample_poly, sosfilt

from drilltimer.audio.files import load_word
from drilltimer.recordings.audio_file import AudioFile
from drilltimer.recordings.reference import open_reference
from drilltimer.recordings.sheet_search import Traces, find_playbacks
from drilltimer.sim.impacts import foot_strike
from drilltimer.sim.noise import NoiseSource
from drilltimer.sound.bank import resample
from drilltimer.sound.leadin import swing
from drilltimer.sound.render import render
from tests.hearing.beds import babble, notes
from tests.hearing.scene import sheet_of

Wave = NDArray[np.float64]
Bed = Callable[[int, int, np.random.Generator], Wave]

PLAYED_HZ = 48_000
OVER_NOISE_DB = (-6.0, -3.0, 0.0, 3.0, 6.0, 10.0, 15.0, 20.0)
WORDS = ("left", "right", "short", "deep")
PHONES = ("phone", "phone", "telephone", "laptop")
SOUND_M_S = 343.5
RESPONSE_DELAY = 40  # samples by which pyroomacoustics delays every response
LANDING_DB = 12.0  # peak over the noise's RMS, 40 Hz to 4 kHz
TOLD = ("scene", "over_noise_db", "room", "bed", "microphone", "contact", "lead")
EXACT_S, RIGHT_S = 3e-4, 1e-3


@dataclass(frozen=True, slots=True)
class Half:
    """Rooms (size in m, RT60 in s; None is outdoors) and beds."""

    rooms: dict[str, tuple[tuple[float, float, float], float] | None]
    beds: dict[str, Bed]


def sim_noise(kind: str) -> Bed:
    """A noise of the simulator's."""
    return lambda frames, rate_hz, rng: NoiseSource(kind, rate_hz, [int(rng.integers(1 << 30))]).take(frames)


def street(frames: int, rate_hz: int, rng: np.random.Generator) -> Wave:
    """Cars that pass, a hum, a horn now and then, and what is dropped and shut."""
    bed = 0.3 * sim_noise("rumble")(frames, rate_hz, rng)
    t = np.arange(frames) / rate_hz
    for _ in range(max(2, round(frames / rate_hz / 9.0))):
        sections = butter(2, [rng.uniform(250, 500), rng.uniform(1200, 3500)], "bandpass", fs=rate_hz, output="sos")
        car = sosfilt(sections, rng.standard_normal(frames))
        middle_s, width_s = rng.uniform(0, t[-1]), rng.uniform(1.0, 4.0)
        bed += car / np.std(car) * np.exp(-0.5 * ((t - middle_s) / width_s) ** 2)
    for _ in range(round(frames / rate_hz / 4.0)):
        at, length = int(rng.integers(0, frames)), round(rng.uniform(0.02, 0.7) * rate_hz)
        here = t[: min(length, frames - at)]
        pitch_hz, clank = rng.uniform(300, 3500), rng.random() < 0.6
        fade = np.exp(-here / rng.uniform(0.01, 0.06)) if clank else np.minimum(1.0, here / 0.03)
        tone = sum(np.sin(2 * np.pi * pitch_hz * k * here) / k for k in (1.0, 1.47 if clank else 2.0, 2.9))
        bed[at : at + len(here)] += rng.uniform(0.3, 1.2) * fade * tone
    return np.asarray(bed / np.std(bed))


def band_music(frames: int, rate_hz: int, rng: np.random.Generator) -> Wave:
    """Plucked notes, and drums on an even beat: strokes of noise, as short as contacts are."""
    bed = notes(frames, rate_hz, rng)
    beat = round(rng.uniform(0.25, 0.5) * rate_hz)
    for number, at in enumerate(range(0, frames - beat, beat)):
        stroke = rng.standard_normal(round(0.2 * rate_hz)) * np.exp(-np.arange(round(0.2 * rate_hz)) / (0.02 * rate_hz))
        high = butter(2, 5000.0 if number % 2 else 1500.0, "highpass", fs=rate_hz, output="sos")
        bed[at : at + len(stroke)] += rng.uniform(0.3, 1.0) * sosfilt(high, stroke)[: frames - at]
    return np.asarray(bed / np.std(bed))


CHOOSE = Half(
    {"outdoor": None, "small": ((9.0, 7.0, 3.2), 0.5), "hall": ((24.0, 16.0, 7.0), 1.3)},
    {"pink": sim_noise("pink"), "crowd": sim_noise("crowd"), "babble": babble, "street": street},
)
REPORT = Half(
    {"outdoor": None, "smaller": ((6.0, 5.0, 2.7), 0.4), "squash": ((9.8, 6.4, 5.6), 0.6), "gym": ((30, 18, 8), 1.1)},
    {"rumble": sim_noise("rumble"), "wind": sim_noise("wind"), "notes": notes, "band": band_music},
)
HALVES = {"choose": CHOOSE, "report": REPORT}


def recorded_beds(folder: Path) -> dict[str, Bed]:
    """Beds that somebody recorded, by name."""

    def bed(path: Path) -> Bed:
        def make(frames: int, rate_hz: int, rng: np.random.Generator) -> Wave:
            sound, own_hz = soundfile.read(path, dtype="float64", always_2d=True)
            sound = resample_poly(sound[: own_hz * 300].mean(axis=1), rate_hz, own_hz)
            sound = np.tile(sound, -(-2 * frames // len(sound)))
            at = int(rng.integers(0, frames))
            return np.asarray(sound[at : at + frames] / np.std(sound[at : at + frames]))

        return make

    return {path.stem: bed(path) for path in sorted(folder.glob("*.flac"))}


def foreign_pop(rng: np.random.Generator) -> Wave:
    """Noise of 1.5 to 6 kHz, 25 ms long, 6 ms decay."""
    t = np.arange(round(0.025 * PLAYED_HZ)) / PLAYED_HZ
    noise = rng.standard_normal(len(t) + 2000)
    sections = butter(4, (1500.0, 6000.0), "bandpass", fs=PLAYED_HZ, output="sos")
    pop = sosfilt(sections, noise)[2000:] * np.exp(-t / 0.006)
    return np.asarray(0.7 * pop / np.abs(pop).max())


def foreign_swing(rng: np.random.Generator) -> Wave:
    """A sweep of 350 ms that rises to the contact."""
    t = np.arange(round(0.35 * PLAYED_HZ)) / PLAYED_HZ
    from_hz, to_hz = rng.uniform(200.0, 600.0), rng.uniform(1200.0, 4000.0)
    cycles = from_hz * t + 0.5 * (to_hz - from_hz) / t[-1] * t**2
    return np.asarray(rng.uniform(0.1, 0.4) * (t / t[-1]) * np.sin(2 * np.pi * cycles))


def way_to_microphone(
    room: tuple[tuple[float, float, float], float] | None, apart_m: float, rng: np.random.Generator
) -> Wave:
    """Impulse response at `PLAYED_HZ`, less `RESPONSE_DELAY`; the direct sound is `apart_m` away."""
    import pyroomacoustics

    if room is None:
        mirrored_m = float(np.hypot(apart_m, 2 * rng.uniform(0.2, 1.0)))
        response = np.zeros(2000)
        for way_m, gain in ((apart_m, 1.0), (mirrored_m, 0.85)):
            at = np.arange(2000) - way_m / SOUND_M_S * PLAYED_HZ
            response += gain / way_m * np.sinc(at) * np.where(np.abs(at) < 40, 0.5 + 0.5 * np.cos(np.pi * at / 40), 0)
        return response
    size, rt60_s = np.array(room[0]), room[1]
    absorption, order = pyroomacoustics.inverse_sabine(rt60_s, size)
    box = pyroomacoustics.ShoeBox(
        size, fs=PLAYED_HZ, materials=pyroomacoustics.Material(absorption), max_order=min(order, 25)
    )
    box.set_sound_speed(SOUND_M_S)
    middle = np.array([rng.uniform(1.0, size[0] - 1.5), rng.uniform(1.0, size[1] - 1.0), rng.uniform(0.3, 1.2)])
    box.add_source(middle + np.array([apart_m, 0.0, 0.0]))
    box.add_microphone(middle)
    box.compute_rir()
    return np.asarray(box.rir[0][0][RESPONSE_DELAY:])


def through_microphone(sound: Wave, kind: str, rate_hz: int) -> Wave:
    """What a microphone keeps."""
    if kind == "telephone":  # linear phase, its delay taken back: the truth stays exact
        taps = 2 * (rate_hz // 200) + 1
        return np.asarray(oaconvolve(sound, firwin(taps, (300.0, 3400.0), fs=rate_hz, pass_zero=False), mode="same"))
    sound = sosfilt(butter(2, 150.0 if kind == "laptop" else 80.0, "highpass", fs=rate_hz, output="sos"), sound)
    if kind == "phone":
        sound = sosfilt(butter(2, 16_000.0, fs=rate_hz, output="sos"), sound)
    return np.asarray(sound)


def own_band(sound: Wave, rate_hz: int) -> tuple[float, float]:
    """The band that holds the middle 90 % of a sound's energy, Hz."""
    energy = np.cumsum(np.abs(np.fft.rfft(sound, 1 << 15)) ** 2)
    low, high = np.searchsorted(energy / energy[-1], (0.05, 0.95)) * rate_hz / (1 << 15)
    return float(low), float(high)


def band_power(sound: Wave, band_hz: tuple[float, float], rate_hz: int) -> float:
    """Mean square within a band."""
    spectrum = np.abs(np.fft.rfft(sound)) ** 2
    frequency_hz = np.fft.rfftfreq(len(sound), 1.0 / rate_hz)
    inside = (frequency_hz >= band_hz[0]) & (frequency_hz <= band_hz[1])
    return float(2.0 * spectrum[inside].sum() / len(sound) ** 2)


def place(bed: Wave, sound: Wave, at: float) -> None:
    """Add a sound at a frame that need not be whole."""
    whole = int(np.floor(at))
    size = len(sound) + 256
    padded = np.zeros(size)
    padded[128 : 128 + len(sound)] = sound
    moved = np.fft.irfft(np.fft.rfft(padded) * np.exp(-2j * np.pi * np.fft.rfftfreq(size) * (at - whole)), size)
    first = max(0, whole - 128)
    last = min(len(bed), whole - 128 + size)
    if first < last:
        bed[first:last] += moved[first - whole + 128 : last - whole + 128]


@dataclass(frozen=True, slots=True)
class Recorder:
    """What records: microphone, frames a second by its file, and the same by true time."""

    microphone: str
    rate_hz: int
    skew_ppm: float

    @property
    def true_hz(self) -> float:
        """Frames in a true second."""
        return self.rate_hz * (1.0 + self.skew_ppm * 1e-6)

    def hear(self, sound: Wave) -> Wave:
        """A sound at `PLAYED_HZ` as it is recorded."""
        return through_microphone(resample_poly(sound, self.rate_hz, PLAYED_HZ), self.microphone, self.rate_hz)


def draw_cues(
    contacts_s: Wave, contact: Wave, lead: Wave | None, rng: np.random.Generator
) -> list[tuple[int, str, int, Wave]]:
    """What is played: rep, kind, frame at `PLAYED_HZ` and sound; seven reps in ten have a call after the contact."""
    words = [word for name in WORDS if (word := load_word(name)) is not None]
    calls = [resample(word, PLAYED_HZ).samples.astype(float) for word in words]
    cues = []
    for rep, at_s in enumerate(contacts_s):
        at = round(at_s * PLAYED_HZ)
        cues.append((rep, "contact", at, contact))
        if lead is not None:
            cues.append((rep, "swing", at - len(lead), lead))
        if rng.random() < 0.7:
            call = calls[int(rng.integers(len(calls)))]
            cues.append((rep, "call", round((at_s + rng.uniform(0.15, 0.5)) * PLAYED_HZ), call))
    return cues


def add_bed_and_landings(
    recorded: Wave, bed: Bed, contact: Wave, snr_db: float, touchdowns_s: Wave, by: Recorder, rng: np.random.Generator
) -> None:
    """Noise at a level told by a contact as it is heard, from its first sample on, and thuds `LANDING_DB` above it."""
    band_hz = own_band(contact, by.rate_hz)
    growing = np.cumsum(contact[: round(0.08 * by.rate_hz)] ** 2)
    sounding = int(np.searchsorted(growing, 0.95 * growing[-1]))
    power = band_power(contact[:sounding], band_hz, by.rate_hz)
    noise = by.hear(bed(-(-len(recorded) * PLAYED_HZ // by.rate_hz), PLAYED_HZ, rng))[: len(recorded)]
    noise += 1e-3 * np.std(noise) * rng.standard_normal(len(noise))
    noise *= np.sqrt(power / band_power(noise, band_hz, by.rate_hz) / 10.0 ** (snr_db / 10.0))
    loudness = np.sqrt(band_power(noise, (40.0, min(4000.0, 0.45 * by.rate_hz)), by.rate_hz))
    for at_s in touchdowns_s:
        thud = by.hear(foot_strike(PLAYED_HZ, "wood", rng))
        place(recorded, loudness * 10.0 ** (LANDING_DB / 20.0) * rng.uniform(0.7, 1.4) * thud, at_s * by.true_hz)
    recorded += noise


def make_scene(seed: int, half: Half, folder: Path, name: str, snr_db: float) -> Path:
    """Make a scene `NAME.json` with its two sounds, or find it made; its contacts are `snr_db` over the noise."""
    path = folder / f"{name}.json"
    if path.exists():
        return path
    rng = np.random.default_rng([seed, 73])
    room, bed = str(rng.choice(list(half.rooms))), str(rng.choice(list(half.beds)))
    microphone = str(rng.choice(PHONES))
    rate_hz = 8_000 if microphone == "telephone" else int(rng.choice([44_100, 48_000]))
    by = Recorder(microphone, rate_hz, float(rng.choice([0.0, 50.0, -120.0])))
    sound, leads = str(rng.choice(["pop", "pop", "smack", "tock", "racket"])), str(rng.choice(["", "swing"]))
    contact = foreign_pop(rng) if sound == "pop" else render(sound, PLAYED_HZ).samples.astype(float)
    lead = foreign_swing(rng) if sound == "pop" else swing(PLAYED_HZ, 0.35)
    contacts_s = np.round((1.0 + np.cumsum(rng.uniform(3.0, 4.5, int(rng.integers(14, 17))))) * PLAYED_HZ) / PLAYED_HZ
    offset_s, apart_m = float(rng.uniform(0.1, 3.0)), float(rng.uniform(0.3, 1.0))
    cues = draw_cues(contacts_s, contact, lead if leads else None, rng)
    response = way_to_microphone(half.rooms[room], apart_m, rng)
    response = sosfilt(butter(2, 180.0, "highpass", fs=PLAYED_HZ, output="sos"), response)
    played = np.zeros(round((contacts_s[-1] + 3.0) * PLAYED_HZ))
    recorded = np.zeros(round((contacts_s[-1] + offset_s + 4.0) * by.rate_hz))
    sounds = {id(each): each for _, _, _, each in cues}
    heard = {key: by.hear(np.pad(oaconvolve(each, response), (0, 480))) for key, each in sounds.items()}
    for _, _, at, each in cues:
        played[at : at + len(each)] += each
        place(recorded, heard[id(each)], (at / PLAYED_HZ + offset_s) * by.true_hz)
    way_s = apart_m / SOUND_M_S
    touchdowns_s = contacts_s + offset_s + 0.05 + rng.gamma(4.0, 0.035, len(contacts_s))
    first = heard[id(contact)][round(way_s * by.rate_hz) :]
    add_bed_and_landings(
        recorded, half.beds[bed], first, snr_db, touchdowns_s[rng.random(len(contacts_s)) < 0.9], by, rng
    )
    files = {kind: f"{name}_{kind}.flac" for kind in ("played", "recorded")}
    soundfile.write(folder / files["played"], np.clip(played, -1.0, 1.0), PLAYED_HZ)
    soundfile.write(folder / files["recorded"], 0.5 * recorded / np.abs(recorded).max(), by.rate_hz)
    truth = {
        "scene": name,
        **files,
        "fs_played": PLAYED_HZ,
        "cues": [{"rep": rep, "type": kind, "played_s": at / PLAYED_HZ} for rep, kind, at, _ in cues],
        "reps": [{"rep": rep} for rep in range(len(contacts_s))],
        "arrivals_s": list((contacts_s + offset_s + way_s) * by.true_hz / by.rate_hz),
        "room": room,
        "bed": bed,
        "over_noise_db": snr_db,
        "microphone": microphone,
        "contact": sound,
        "lead": leads,
    }
    path.write_text(json.dumps(truth), encoding="utf-8")
    return path


@dataclass(frozen=True, slots=True)
class Answer:
    """What became of a sheet in a recording: contacts heard, and their errors (s) by the clock."""

    truth: dict
    heard: int
    errors_s: tuple[float, ...]
    wrong: int  # wrong sheets tried
    false: int  # and found
    took_s: float


def write_sheet(truth: dict, folder: Path) -> Path:
    """The sheet as its file."""
    path = folder / f"{truth['scene']}.cues.json"
    path.write_text(json.dumps(sheet_of(truth, folder)), encoding="utf-8")
    return path


def look(
    recorded: Path, sheet: Path, arrivals_s: list[float], traces: Traces, heard: AudioFile
) -> tuple[int, list[float]]:
    """Contacts heard in the fullest playback, and each one's error by its clock; 0 and none where it is not found."""
    with open_reference(sheet) as played:
        playbacks = find_playbacks(played, heard, traces)
        if not playbacks:
            return 0, []
        errors = []
        for segment in playbacks[0].segments:
            for i in range(segment.first, segment.last + 1):
                at_s = played.sounded[i].start / played.file.rate_hz
                if i < len(arrivals_s):
                    errors.append(segment.clock.recorded_s(at_s) - arrivals_s[i])
        return playbacks[0].contacts_heard, errors


def answer(path: Path, wrong: list[Path]) -> Answer:
    """Look for the right sheet, and for wrong ones."""
    truth, folder = json.loads(path.read_text()), path.parent
    recorded = folder / truth["recorded"]
    with AudioFile(recorded) as heard:
        traces = Traces(heard)
        began = time.process_time()
        found, errors = look(recorded, write_sheet(truth, folder), truth["arrivals_s"], traces, heard)
        took_s = time.process_time() - began
        false = 0
        for other in wrong:
            count, _ = look(recorded, write_sheet(json.loads(other.read_text()), folder), [], traces, heard)
            false += count > 0
    return Answer(truth, found, tuple(errors), len(wrong), false, took_s)


def table(answers: list[Answer], by: Callable[[Answer], object], name: str) -> str:
    """Figures by what `by` says of an answer."""
    lines = [f"{name:>14s}  found        clock <1 ms  <0.3 ms  heard  median us  false finds"]
    for value in sorted({by(each) for each in answers}, key=lambda value: (isinstance(value, str), value)):
        mine = [each for each in answers if by(each) == value]
        contacts = sum(len(each.truth["arrivals_s"]) for each in mine)
        errors = np.abs([error for each in mine for error in each.errors_s])
        right, exact = (np.sum(errors < limit_s) / contacts for limit_s in (RIGHT_S, EXACT_S))
        found, false = sum(each.heard > 0 for each in mine), sum(each.false for each in mine)
        heard, typical_us = sum(each.heard for each in mine) / contacts, 1e6 * median(errors) if len(errors) else 0.0
        lines.append(
            f"{value!s:>14.14s}  {found:3d} of {len(mine):3d}   {right:8.3f}     {exact:7.3f}  {heard:5.2f}"
            f"  {typical_us:9.0f}   {false:d} of {sum(each.wrong for each in mine):d}"
        )
    return "\n".join(lines)


def _work(job: tuple[Path, list[Path]]) -> Answer:
    return answer(*job)


def main() -> None:
    """Make, look and tell."""
    from concurrent.futures import ProcessPoolExecutor

    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--half", choices=list(HALVES), default="report")
    parser.add_argument("--seeds", type=int, default=48)
    parser.add_argument("--wrong", type=int, default=2)
    parser.add_argument("--beds", type=Path)
    told = parser.parse_args()
    half = HALVES[told.half]
    if told.beds:
        half = Half(half.rooms, recorded_beds(told.beds))
    folder = told.folder / (told.half + ("-recorded" if told.beds else ""))
    folder.mkdir(parents=True, exist_ok=True)
    first = 1000 * list(HALVES).index(told.half)
    paths = [
        make_scene(first + seed, half, folder, f"f{seed:03d}", OVER_NOISE_DB[seed % len(OVER_NOISE_DB)])
        for seed in range(told.seeds)
    ]
    jobs = [(path, [paths[(i + 1 + k) % len(paths)] for k in range(told.wrong)]) for i, path in enumerate(paths)]
    with ProcessPoolExecutor(2) as pool:
        answers = list(pool.map(_work, jobs))
    for name in ("over_noise_db", "room", "bed", "microphone", "contact", "lead"):
        print(table(answers, told_as(name), name), end="\n\n")
    loud = [each for each in answers if each.truth["over_noise_db"] >= 0.0]
    print(table(loud, lambda each: "0 dB and over", "all"))
    print(f"seconds of computing for one recording: {np.mean([each.took_s for each in answers]):.2f}")
    for each in loud:
        worst_ms = 1e3 * max(np.abs(each.errors_s), default=np.inf)
        if worst_ms > 1e3 * EXACT_S:
            print(*(each.truth[key] for key in TOLD), f"heard {each.heard}, worst {worst_ms:.2f} ms")


def told_as(name: str) -> Callable[[Answer], object]:
    """What an answer's truth has under a name."""
    return lambda each: each.truth[name]


if __name__ == "__main__":
    main()
