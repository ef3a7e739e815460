"""Which stream a session runs on: the sound card, or the simulated room."""

from __future__ import annotations

import difflib

from drilltimer.errors import UserError
from drilltimer.model import AudioStream, Placement


def open_room(skill: str, seed: int, placement: Placement, speed: float) -> AudioStream:
    """A simulated player of that skill in a simulated room."""
    from dataclasses import replace

    from drilltimer.sim.player import SKILLS, SimulatedPlayer
    from drilltimer.sim.room import SimulatedRoom
    from drilltimer.sim.settings import PRESETS

    if skill not in SKILLS:
        near = difflib.get_close_matches(skill, SKILLS, 1)
        raise UserError(
            f"there is no simulated player {skill!r}" + (f"; did you mean {near[0]!r}?" if near else ""),
            fix=f"Skills: {', '.join(SKILLS)}.",
        )
    settings = replace(PRESETS["quiet"], placement=placement)
    return SimulatedRoom(settings, SimulatedPlayer(SKILLS[skill], seed), seed, output_channels=2, speed=speed)


def open_card(input_name: str | None, output_name: str | None) -> AudioStream:
    """The sound card, at the device's own rate."""
    from drilltimer.audio.stream import SoundCard

    return SoundCard(input_name, output_name)
