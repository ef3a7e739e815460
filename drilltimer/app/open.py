"""Which stream a session runs on: the sound card, or the simulated room."""

from __future__ import annotations

import difflib
from contextlib import suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING

from drilltimer.app.drive import Open
from drilltimer.errors import DeviceError, UserError
from drilltimer.model import AudioStream, LandingSound, Placement

if TYPE_CHECKING:
    from drilltimer.audio.claim import Claim
    from drilltimer.audio.stream import SoundCard


@dataclass(frozen=True, slots=True)
class Rig:
    """An open stream, not yet started; where the player stands, and how the player's landings sound there.

    `reopen` opens the same devices again after a loss; None where there are none, as in a simulated room.
    """

    stream: AudioStream
    placement: Placement
    reopen: Open | None = None
    landings: tuple[tuple[LandingSound, ...], ...] = ()
    simulated: bool = False


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


@dataclass(frozen=True, slots=True)
class Card:
    """An open sound card, how to open the same one again, and the claim on its devices."""

    stream: SoundCard
    claim: Claim

    @property
    def names(self) -> tuple[str, str]:
        """Full names of microphone and loudspeaker."""
        return self.stream.source.full_name, self.stream.sink.full_name

    def again(self) -> SoundCard:
        """The same devices at the same rate and volume, opened once more."""
        from drilltimer.audio.stream import SoundCard

        card = self.stream
        stream = SoundCard(
            *self.names,
            rate_hz=card.rate_hz,
            input_channels=card.input_channels,
            output_channels=card.output_channels,
        )
        stream.volume_db = card.volume_db
        return stream


def open_card(input_name: str | None, output_name: str | None, channels: int = 1, instead: str = "") -> Card:
    """The sound card, at the device's own rate. Without names: the pair that was checked last, where it is there.

    `instead` is the command that does without one.

    Raises
    ------
    DeviceError
        There is none, it does not open, or another session uses it.
    """
    from drilltimer.audio.claim import Claim
    from drilltimer.audio.devices import PLUG_IN
    from drilltimer.audio.settings import load_settings
    from drilltimer.audio.stream import SoundCard

    stream = None
    if input_name is None and output_name is None and (known := load_settings()):
        with suppress(DeviceError):
            stream = SoundCard(known[0].input_name, known[0].output_name, input_channels=channels)
    try:
        stream = stream or SoundCard(input_name, output_name, input_channels=channels)
    except DeviceError as fault:
        if instead and fault.fix == PLUG_IN:
            fault.fix = f"{PLUG_IN} Without one: drilltimer {instead}"
        raise
    try:
        return Card(stream, Claim([stream.source.full_name, stream.sink.full_name]))
    except UserError:
        stream.close()
        raise
