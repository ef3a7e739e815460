"""What is measured: one case is a room, a drill and a player, repeated with other seeds."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Literal

from drilltimer.sim.player import SKILLS, Skill
from drilltimer.sim.settings import PRESETS, RoomSettings

Overlap = Literal["contact", "call", "free"]


@dataclass(frozen=True)
class Case:
    """A row of the accuracy table; `only` counts the landings over which such a sound of our own lies."""

    group: str
    label: str
    room: RoomSettings
    drill: str = "random-contact"
    skill: Skill = field(default_factory=lambda: SKILLS["club"])
    seeds: tuple[int, ...] = (1, 2)
    reps: int = 20
    recorder_rate_hz: int = 48_000
    only: Overlap | None = None


def with_stagger(stagger_ms: float) -> Skill:
    """A club player whose feet come down so far apart."""
    return replace(SKILLS["club"], stagger_ms=stagger_ms, stagger_sd_ms=0.0)


def all_cases() -> list[Case]:
    """Every row, in the table's order."""
    hall, dry = PRESETS["hall"], PRESETS["dry"]
    quiet = replace(hall, distractors_per_min=0.0)
    cases = [Case("SNR, dry", f"{snr} dB", replace(dry, snr_db=float(snr))) for snr in (36, 28, 20, 14, 9)]
    cases += [Case("room", name, PRESETS[name]) for name in ("quiet", "hall", "court", "squash", "windy", "club")]
    cases += [Case("microphone", kind, replace(quiet, microphone=kind)) for kind in ("laptop", "phone", "usb")]
    cases += [Case("feet apart", f"{ms} ms", quiet, skill=with_stagger(ms)) for ms in (0, 15, 30, 60)]
    cases += [Case("calls", "left and right, 120-200 ms after contact", quiet, drill="serve-return")]
    cases += overlap_cases()
    cases += [Case("neighbours", f"{n} a minute", replace(hall, distractors_per_min=n)) for n in (0.0, 4.0, 12.0)]
    cases += [Case("clock", f"{ppm:+.0f} ppm", replace(quiet, clock_ppm=ppm)) for ppm in (300.0, -300.0)]
    cases += [Case("recorder", "44.1 kHz", quiet, recorder_rate_hz=44_100)]
    return cases


def overlap_cases() -> list[Case]:
    """The same sessions of one player, who lands anywhere, three times: by what sounds at the landing."""
    anywhere = replace(SKILLS["club"], constant_error_ms=-80.0, variable_error_ms=80.0)
    quiet = replace(PRESETS["hall"], distractors_per_min=0.0)
    labels: dict[Overlap, str] = {
        "contact": "within 60 ms of the contact", "call": "during a call", "free": "neither of the two"
    }  # fmt: skip
    return [
        Case("landing", label, quiet, "direction", anywhere, (1, 2, 3, 4, 5), reps=24, only=only)
        for only, label in labels.items()
    ]


def live_cases() -> list[Case]:
    """Rows of the table that sets live beside later."""
    return [Case("live against later", name, PRESETS[name]) for name in ("quiet", "hall", "squash", "club")]


def quick_cases() -> list[Case]:
    """What the test-suite can afford."""
    return [
        Case("SNR, dry", "20 dB", PRESETS["dry"], seeds=(1, 2, 3)),
        Case("room", "quiet", PRESETS["quiet"], seeds=(1,)),
    ]
