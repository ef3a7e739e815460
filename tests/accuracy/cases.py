"""What is measured: one case is a room, a drill and a player, repeated with other seeds."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Literal

from drilltimer.sim.player import SKILLS, Skill
from drilltimer.sim.settings import PRESETS, RoomSettings

Overlap = Literal["contact", "call", "free"]


@dataclass(frozen=True)
class Trip:
    """What becomes of a recording before it is scored: `coded` is a file ending, at 64 kbit/s."""

    pauses: int = 0
    cut: bool = False
    telephone: bool = False
    coded: str = ""


@dataclass(frozen=True)
class Case:
    """A row of the accuracy table; `only` counts the landings over which such a sound of our own lies.

    With a `trip` the drill is rendered first, and its recording goes through all of that.
    """

    group: str
    label: str
    room: RoomSettings
    drill: str = "random-contact"
    skill: Skill = field(default_factory=lambda: SKILLS["club"])
    seeds: tuple[int, ...] = (1, 2)
    reps: int = 20
    recorder_rate_hz: int = 48_000
    only: Overlap | None = None
    trip: Trip | None = None


def with_stagger(stagger_ms: float) -> Skill:
    """A club player whose feet come down so far apart."""
    return replace(SKILLS["club"], stagger_ms=stagger_ms, stagger_sd_ms=0.0)


STEPPING = {
    "none": replace(SKILLS["club"], step_in_share=0.0, bounce_share=0.0),
    "a step in": replace(SKILLS["club"], step_in_share=1.0, bounce_share=0.0),
    "bounces on the toes": replace(SKILLS["club"], step_in_share=0.0, bounce_share=1.0),
}


def all_cases() -> list[Case]:
    """Every row, in the table's order."""
    hall, dry = PRESETS["hall"], PRESETS["dry"]
    quiet = replace(hall, distractors_per_min=0.0)
    cases = [Case("SNR, dry", f"{snr} dB", replace(dry, snr_db=float(snr))) for snr in (36, 28, 20, 14, 9)]
    cases += [Case("room", name, PRESETS[name]) for name in ("quiet", "hall", "court", "squash", "windy", "club")]
    cases += [Case("microphone", kind, replace(quiet, microphone=kind)) for kind in ("laptop", "phone", "usb")]
    cases += [Case("feet apart", f"{ms} ms", quiet, skill=with_stagger(ms)) for ms in (0, 15, 30, 60)]
    cases += [Case("steps before", label, quiet, skill=skill) for label, skill in STEPPING.items()]
    cases += [Case("calls", "left and right, 120-200 ms after contact", quiet, drill="serve-return")]
    cases += overlap_cases()
    cases += [Case("neighbours", f"{n} a minute", replace(hall, distractors_per_min=n)) for n in (0.0, 4.0, 12.0)]
    cases += [Case("clock", f"{ppm:+.0f} ppm", replace(quiet, clock_ppm=ppm)) for ppm in (300.0, -300.0)]
    cases += [Case("recorder", "44.1 kHz", quiet, recorder_rate_hz=44_100)]
    return cases + trip_cases()


def trip_cases() -> list[Case]:
    """Practice with a phone, in a hall without neighbours: rendered, recorded, brought back, scored."""
    phone = replace(PRESETS["hall"], distractors_per_min=0.0, microphone="phone")
    gain = replace(phone, gain_control=True)
    worst = replace(gain, clock_ppm=-1000.0)
    return [
        Case("phone", "clean", phone, trip=Trip()),
        Case("phone", "gain control", gain, trip=Trip()),
        Case("phone", "MP3, 64 kbit/s", phone, trip=Trip(coded="mp3")),
        Case("phone", "OGG, 64 kbit/s", phone, trip=Trip(coded="ogg")),
        Case("phone", "M4A, 64 kbit/s", phone, trip=Trip(coded="m4a")),
        Case("phone", "clock +1000 ppm", replace(phone, clock_ppm=1000.0), trip=Trip()),
        Case("phone", "clock -1000 ppm", replace(phone, clock_ppm=-1000.0), trip=Trip()),
        Case("phone", "beginning and end missing", phone, trip=Trip(cut=True)),
        Case("phone", "paused twice", phone, trip=Trip(pauses=2)),
        Case("phone", "overdriven by 12 dB", replace(phone, input_gain_db=24.0), trip=Trip()),
        Case("phone", "300-3400 Hz at 8 kHz", phone, trip=Trip(telephone=True), recorder_rate_hz=8000),
        Case("phone", "gain, -1000 ppm, paused, cut, MP3", worst, trip=Trip(pauses=1, cut=True, coded="mp3")),
    ]


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
