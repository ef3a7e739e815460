"""Training scenes: simulated sessions of players whose feet sound alike, with everything else drawn.

A scene is three files, as the development scenes are: `NAME_played.flac`, `NAME_recorded.flac` and the truth
`NAME.json` with `reps`, `cues` (type, played_s, rep), `landings` (rep, mic_s, mic2_s) and `others` (steps).
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from unittest.mock import patch

import numpy as np
import soundfile
from numpy.typing import NDArray

from drilltimer.audio.files import find_drill, load_word
from drilltimer.drill.language import load_drill
from drilltimer.drill.schedule import schedule
from drilltimer.hear.filters import filtered
from drilltimer.model import Placement, Rep
from drilltimer.session import place_cues
from drilltimer.sim import air
from drilltimer.sim.player import SKILLS, PlannedLanding, SimulatedPlayer
from drilltimer.sim.recording import SimulatedRecording, simulate_recording
from drilltimer.sim.settings import KINDS, RoomSettings
from drilltimer.sound.bank import build_bank
from drilltimer.units import ratio_from_db
from tests.hearing.beds import babble, notes
from tests.hearing.shoes import RATE_HZ, Shoes

DRILLS = ("random-contact", "serve-return", "direction", "baseline-rally", "net-volley")
REPS = 18
ROLES = {"contact": "contact", "call": "call", "swing": "precue"}
ROOMS: dict[str, tuple[tuple[float, float, float] | None, float]] = {
    "outdoor": (None, 0.0),
    "small": ((9.0, 7.0, 3.2), 0.5),
    "hall": ((24.0, 16.0, 7.0), 1.3),
    "large hall": ((30.0, 18.0, 9.0), 2.0),
}
SNRS_DB = (6.0, 9.0, 12.0, 16.0, 20.0, 25.0, 30.0, 36.0)
ONE_IMPACT_SHARE = 0.4  # of landings: both feet at once, or one alone
STAGGER_MS, STAGGER_SPREAD, LEAST_STAGGER_MS, MOST_STAGGER_MS = 26.0, 0.55, 7.0, 80.0  # log-normal, our choice
SECOND_FOOT_DB = (-1.0, 2.5)  # mean and deviation beside the first, our choice
SILENT_DB = -120.0
BEDS = (babble, notes, None, None, None, None)  # besides the simulator's noise


@dataclass(frozen=True, slots=True)
class Truth:
    """When the feet really came down in a rep, in seconds of the recording; None where they did not."""

    first_s: float | None
    second_s: float | None
    step_s: float | None


@dataclass(frozen=True, slots=True)
class Scene:
    """A recording, the sheet of what was played, and the truth by rep."""

    name: str
    recorded: Path
    sheet: Path
    truths: Mapping[int, Truth]


class TrainingPlayer(SimulatedPlayer):
    """A player some of whose landings are one impact, and whose staggers are never negligible otherwise."""

    def answer(self, rep: Rep) -> PlannedLanding | None:
        """As every simulated player, with another second foot."""
        plan = super().answer(rep)
        if plan is None:
            return None
        rng = np.random.default_rng([self.seed % 2**32, 31, rep.index])
        if rng.random() < ONE_IMPACT_SHARE:
            return replace(plan, second_level_db=SILENT_DB)
        stagger_ms = np.clip(STAGGER_MS * np.exp(STAGGER_SPREAD * rng.normal()), LEAST_STAGGER_MS, MOST_STAGGER_MS)
        return replace(
            plan, stagger_ms=float(stagger_ms), second_level_db=plan.level_db + float(rng.normal(*SECOND_FOOT_DB))
        )


def draw_room(rng: np.random.Generator) -> RoomSettings:
    """Any room, noise, microphone, level and neighbourhood."""
    name = str(rng.choice(["outdoor", "outdoor", *ROOMS]))
    size_m, rt60_s = ROOMS[name]
    noises = rng.choice(["pink", "rumble", "wind", "crowd"], 2, replace=False)
    share = float(rng.uniform(0.5, 1.0))
    player_m, landing_db = float(rng.uniform(1.5, 6.0)), float(rng.uniform(-34.0, -24.0))
    return RoomSettings(
        name,
        size_m,
        rt60_s,
        surface=str(rng.choice(["hard", "wood", "clay", "mat"])),
        noise=((str(noises[0]), share), (str(noises[1]), 1.0 - share)),
        snr_db=float(rng.choice(SNRS_DB)),
        landing_db=landing_db,
        loudspeaker_db=landing_db + float(rng.uniform(4.0, 15.0)),
        microphone=str(rng.choice(["laptop", "laptop", "phone", "usb"])),
        distractors_per_min=float(rng.choice([0.0, 0.0, 4.0, 8.0])),
        distractor_kinds=(*KINDS, "cue"),
        placement=Placement(player_m, player_m, float(rng.uniform(0.3, 1.0)), float(rng.uniform(5.0, 32.0))),
        clock_ppm=float(rng.choice([0.0, 0.0, 50.0, -120.0])),
        input_gain_db=float(rng.choice([0.0, 0.0, 0.0, 0.0, 18.0])),
    )


def make_scene(seed: int, families: dict[str, list[NDArray[np.float64]]], folder: Path) -> Scene:
    """Make a scene, or find it made."""
    name = f"h{seed:03d}"
    if not (folder / f"{name}.json").exists():
        rng = np.random.default_rng([seed, 41])
        drill = load_drill(*find_drill(str(rng.choice(DRILLS))))
        reps = [rep for rep in schedule(drill, seed) if not rep.withheld][:REPS]
        skill = replace(
            SKILLS[str(rng.choice(["novice", "club", "expert"]))],
            constant_error_ms=float(rng.uniform(-120.0, 120.0)),
            variable_error_ms=float(rng.uniform(30.0, 110.0)),
            miss_share=0.12,
        )
        bank = build_bank((cue for rep in reps for cue in rep.cues), RATE_HZ, load_word)
        shoes, room = Shoes(rng, families), draw_room(rng)
        with patch.object(air, "foot_strike", shoes.strike):
            made = simulate_recording(
                reps,
                bank,
                room,
                seed,
                player=TrainingPlayer(skill, seed),
                offset_s=float(rng.uniform(0.2, 2.5)),
            )
        recorded = add_bed(made.recorded[:, 0].astype(np.float64), room, made.recorder_rate_hz, seed)
        _write(name, made, recorded, reps, bank, folder)
    return read_scene(folder / f"{name}.json", folder)


def add_bed(samples: NDArray[np.float64], room: RoomSettings, rate_hz: int, seed: int) -> NDArray[np.float64]:
    """A third of the scenes get a bed of words or notes as well, at a level drawn as the noise's is; shape (n,)."""
    rng = np.random.default_rng([seed, 43])
    make_bed, snr_db = BEDS[int(rng.integers(0, len(BEDS)))], float(rng.choice(SNRS_DB))
    if make_bed is None:
        return samples
    bed = make_bed(len(samples), rate_hz, rng)
    in_band = filtered(bed, "bandpass", air.LEVEL_BAND_HZ, rate_hz)
    level_db = room.landing_db + room.input_gain_db - snr_db
    return np.asarray(np.clip(samples + bed * ratio_from_db(level_db) / np.std(in_band), -1.0, 1.0))


def _write(
    name: str, made: SimulatedRecording, recorded: NDArray[np.float64], reps: list[Rep], bank: dict, folder: Path
) -> None:
    cues, landings, others = [], [], []
    for rep in reps:
        for play in place_cues(rep, bank, RATE_HZ):
            kind = play.cue.role if play.cue.role in {"contact", "call"} else "swing"
            cues.append({"rep": rep.index, "type": kind, "played_s": max(play.start, 0) / RATE_HZ})
    for truth in made.truth:
        if truth.touchdown_at is None or truth.second_touchdown_at is None:
            continue
        silent = (truth.second_snr_db or 0.0) < (truth.snr_db or 0.0) + SILENT_DB / 2
        second_s = None if silent else truth.second_touchdown_at / made.recorder_rate_hz
        landings.append({"rep": truth.rep, "mic_s": truth.touchdown_at / made.recorder_rate_hz, "mic2_s": second_s})
        if truth.first_step_at is not None:
            others.append(
                {"rep": truth.rep, "type": "first_step", "mic_s": truth.first_step_at / made.recorder_rate_hz}
            )
    files = {kind: f"{name}_{kind}.flac" for kind in ("played", "recorded")}
    soundfile.write(folder / files["played"], np.clip(made.played, -1.0, 1.0), RATE_HZ)
    soundfile.write(folder / files["recorded"], np.clip(recorded, -1.0, 1.0), made.recorder_rate_hz)
    document = {"scene": name, **files, "fs_played": RATE_HZ, "reps": [{"rep": rep.index} for rep in reps]}
    document |= {"cues": cues, "landings": landings, "others": others}
    (folder / f"{name}.json").write_text(json.dumps(document), encoding="utf-8")


def read_scene(path: Path, workspace: Path) -> Scene:
    """A scene with its truth; its sheet is written into `workspace`, for the scene's own folder may be read-only."""
    truth = json.loads(path.read_text(encoding="utf-8"))
    sheet = workspace / f"{truth['scene']}.cues.json"
    sheet.write_text(json.dumps(sheet_of(truth, path.parent)), encoding="utf-8")
    steps = {each["rep"]: each["mic_s"] for each in truth["others"] if each["type"] == "first_step"}
    landings = {each["rep"]: each for each in truth["landings"]}
    truths = {
        rep["rep"]: Truth(
            landings.get(rep["rep"], {}).get("mic_s"), landings.get(rep["rep"], {}).get("mic2_s"), steps.get(rep["rep"])
        )
        for rep in truth["reps"]
    }
    return Scene(truth["scene"], path.parent / truth["recorded"], sheet, truths)


def sheet_of(truth: dict, folder: Path = Path()) -> dict:
    """A sheet as a stranger would write it by hand: nothing but what the contract demands."""
    reps = [
        {
            "rep": rep["rep"],
            "cues": [
                {"role": ROLES[cue["type"]], "at_s": cue["played_s"]}
                for cue in truth["cues"]
                if cue["rep"] == rep["rep"]
            ],
        }
        for rep in truth["reps"]
    ]
    return {"schema": 1, "audio": str(folder / truth["played"]), "rate_hz": truth["fs_played"], "reps": reps}
