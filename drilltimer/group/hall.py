"""A hall with several players: a microphone for each lane, which hears the other lanes too, or one for all of them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from drilltimer.model import Cue, Placement, Rep, Sound
from drilltimer.sim.air import Air, Way, loudspeaker_response
from drilltimer.sim.convolve import StepConvolver
from drilltimer.sim.performance import Performance, RepTruth
from drilltimer.sim.player import SKILLS, SimulatedPlayer
from drilltimer.sim.room import SimulatedRoom
from drilltimer.sim.settings import RoomSettings
from drilltimer.units import ratio_from_db

Part = tuple[int, int]  # a player, and the lane in which this player answers
Cast = Callable[[Rep], Sequence[Part]]


@dataclass(frozen=True, slots=True)
class Hall:
    """How lanes lie.

    Parameters
    ----------
    room : RoomSettings
        Its `placement` is the first lane's; its number of channels does not count.
    placements : tuple of Placement
        One per lane.
    lane_gap_m : float
        From one lane to the next.
    crosstalk_db : float
        Of a landing in the next lane's microphone, re its own; half as much again in decibels for each further lane.
    """

    room: RoomSettings
    placements: tuple[Placement, ...]
    lane_gap_m: float = 3.0
    crosstalk_db: float = -12.0


class LaneRoom(SimulatedRoom):
    """A `SimulatedRoom` with a microphone per lane.

    Parameters
    ----------
    players : callable
        The simulated player of a number.
    cast : callable
        Who answers a rep, and in which lane.
    **options
        As `SimulatedRoom` takes them.
    """

    def __init__(
        self,
        hall: Hall,
        players: Callable[[int], SimulatedPlayer] | None = None,
        cast: Cast | None = None,
        seed: int = 0,
        **options: Any,
    ) -> None:
        lanes = len(hall.placements)
        room = replace(hall.room, input_channels=lanes, placement=hall.placements[0], microphone_gap_m=0.0)
        super().__init__(room, seed=seed, **options)
        self._hall = hall
        self._air = self._lane_air = _LaneAir(hall, room, self.rate_hz, seed, self._step)
        self._players = players or (lambda player: SimulatedPlayer(SKILLS["club"], seed + 101 * player))
        self.cast: Cast = cast or (lambda rep: [(lane, lane) for lane in range(lanes)])
        self._seed = seed
        self._parts: dict[Part, Performance] = {}
        self._asked: dict[int, Sequence[Part]] = {}

    def play(self, start: int, sound: Sound, cue: Cue, rep: Rep | None = None) -> None:
        """Add `sound` to the output; at the first cue of a rep all who are to answer it make their plans."""
        self._mixer.add(start, sound, cue.pan, cue.gain_db)
        if rep is None:
            return
        if rep.index not in self._asked:
            self._asked[rep.index] = tuple(self.cast(rep))
        for part in self._asked[rep.index]:
            self._part(part).hear(self._emitted_at(start), sound, cue, rep)

    def silence(self) -> None:
        """Drop what has not sounded yet."""
        self._mixer.clear()
        for part in self._parts.values():
            part.forget(self._emitted_at(self._position))

    def truth_of(self, player: int, lane: int) -> list[RepTruth]:
        """What a player really did in a lane; frames are those of the lane's own microphone."""
        part = self._parts.get((player, lane))
        return part.truth(self._recorder.frame_of) if part else []

    @property
    def parts(self) -> list[Part]:
        """Everybody who answered anything."""
        return sorted(self._parts)

    def _part(self, part: Part) -> Performance:
        if part not in self._parts:
            player, lane = part
            floor = _Spot(self._lane_air, lane, self._hall)
            self._parts[part] = Performance(self._players(player), floor, self._seed + 1009 * player + lane)
        return self._parts[part]


class _LaneAir(Air):
    """The air over all lanes: a foot in one lane arrives at every microphone, later and softer."""

    def __init__(self, hall: Hall, settings: RoomSettings, rate_hz: int, seed: int, step: int) -> None:
        super().__init__(settings, rate_hz, seed, step)
        distances_m = [placement.speaker_to_mic_m for placement in hall.placements]
        self._loudspeaker = StepConvolver(loudspeaker_response(settings, rate_hz, seed, distances_m), step)
        self._ways = [
            Way(settings, rate_hz, placement.player_to_mic_m, seed + 1301 * (lane + 1), _heard_from(hall, lane))
            for lane, placement in enumerate(hall.placements)
        ]

    def add_foot_in(self, lane: int, at: float, level_db: float, seed: tuple[int, ...]) -> float:
        """As `add_foot`, for a player in a lane, at whose microphone the foot arrives at `at`."""
        return self._add_foot(self._ways[lane], lane, at, level_db, seed)


class _Spot:
    """One lane's floor, for the player who performs on it."""

    def __init__(self, air: _LaneAir, lane: int, hall: Hall) -> None:
        self._air, self._lane = air, lane
        self.rate_hz = air.rate_hz
        self.settings = replace(air.settings, placement=hall.placements[lane])

    @property
    def position(self) -> int:
        return self._air.position

    @property
    def contact_cue(self) -> NDArray[np.float64] | None:
        return self._air.contact_cue

    @contact_cue.setter
    def contact_cue(self, cue: NDArray[np.float64] | None) -> None:
        self._air.contact_cue = cue

    def add_foot(self, at: float, level_db: float, seed: tuple[int, ...]) -> float:
        return self._air.add_foot_in(self._lane, at, level_db, seed)


def _heard_from(hall: Hall, lane: int) -> list[tuple[float, float]]:
    """How much further than its own each microphone stands from a lane's player, and the gain there."""
    heard = []
    for other in range(len(hall.placements)):
        apart = abs(other - lane)
        level_db = hall.crosstalk_db * (1.0 + 0.5 * (apart - 1)) if apart else 0.0
        heard.append((apart * hall.lane_gap_m, ratio_from_db(level_db)))
    return heard
