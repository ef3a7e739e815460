"""What is measured: one case is a room, a drill and a player, repeated with other seeds."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from drilltimer.sim.player import SKILLS, Skill
from drilltimer.sim.settings import PRESETS, RoomSettings


@dataclass(frozen=True)
class Case:
    """A row of the accuracy table."""

    group: str
    label: str
    room: RoomSettings
    drill: str = "random-contact"
    skill: Skill = field(default_factory=lambda: SKILLS["club"])
    seeds: tuple[int, ...] = (1, 2)
    reps: int = 20
    recorder_rate_hz: int = 48_000


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
    cases += [Case("neighbours", f"{n} a minute", replace(hall, distractors_per_min=n)) for n in (0.0, 4.0, 12.0)]
    cases += [Case("clock", f"{ppm:+.0f} ppm", replace(quiet, clock_ppm=ppm)) for ppm in (300.0, -300.0)]
    cases += [Case("recorder", "44.1 kHz", quiet, recorder_rate_hz=44_100)]
    return cases


def quick_cases() -> list[Case]:
    """What the test-suite can afford."""
    return [
        Case("SNR, dry", "20 dB", PRESETS["dry"], seeds=(1, 2, 3)),
        Case("room", "quiet", PRESETS["quiet"], seeds=(1,)),
    ]
