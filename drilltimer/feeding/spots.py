"""Touchdowns against a feeder's real contacts: where everybody stands, and how sure that is.

Notes
-----
The player sees the contact at once; the microphone hears it feeder-to-mic/c later, and the foot player-to-mic/c later.
What counts is the heard interval minus (player_to_mic - feeder_to_mic)/c: a `Placement` whose loudspeaker stands at no
distance from the player. Nobody stands still: even measured distances are true only to the steps that people take.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from drilltimer.model import Placement
from drilltimer.units import air_delay_ms

FEEDER_STRAYS_M, MACHINE_STRAYS_M, PLAYER_STRAYS_M = 0.4, 0.1, 0.2  # one sigma, about a measured spot; our choice
USUAL_FEEDER_M, FEEDER_SPREAD_M = 12.0, 4.0  # of a feeder whom nobody measured: anywhere between net and base line
USUAL_PLAYER_M, PLAYER_SPREAD_M = 5.0, 2.0
USUAL_AIR_C, AIR_SPREAD_C = 20.0, 8.0


@dataclass(frozen=True, slots=True)
class Spots:
    """Distances in metres and air in °C as far as somebody told them; None: nobody did."""

    feeder_to_mic_m: float | None = None
    player_to_mic_m: float | None = None
    feeder_to_player_m: float | None = None
    air_c: float | None = None
    machine: bool = False

    @property
    def placement(self) -> Placement:
        """To reckon with: light is instant, so that the "loudspeaker" is at the player's eye."""
        player_m = USUAL_PLAYER_M if self.player_to_mic_m is None else self.player_to_mic_m
        feeder_m = self._feeder_m(player_m)
        return Placement(0.0, player_m, feeder_m, USUAL_AIR_C if self.air_c is None else self.air_c)

    @property
    def doubt_ms(self) -> float:
        """One sigma of what the way through the air is off by."""
        strays_m = MACHINE_STRAYS_M if self.machine else FEEDER_STRAYS_M
        feeder_m = strays_m if self.feeder_to_mic_m is not None else self._feeder_spread_m()
        player_m = PLAYER_STRAYS_M if self.player_to_mic_m is not None else PLAYER_SPREAD_M
        place = self.placement
        doubt_ms = air_delay_ms(math.hypot(feeder_m, player_m), place.air_c)
        if self.air_c is None:
            way_ms = air_delay_ms(place.speaker_to_mic_m - place.player_to_mic_m, place.air_c)
            doubt_ms = math.hypot(doubt_ms, way_ms * 0.5 * AIR_SPREAD_C / 293.0)
        return doubt_ms

    def _feeder_m(self, player_m: float) -> float:
        if self.feeder_to_mic_m is not None:
            return self.feeder_to_mic_m
        if self.feeder_to_player_m is None:
            return USUAL_FEEDER_M
        return math.sqrt(self.feeder_to_player_m**2 + player_m**2) if player_m < self.feeder_to_player_m else player_m

    def _feeder_spread_m(self) -> float:
        """The triangle with a known side bounds the unknown one: within the player's distance either way."""
        if self.feeder_to_player_m is None:
            return FEEDER_SPREAD_M
        player_m = USUAL_PLAYER_M if self.player_to_mic_m is None else self.player_to_mic_m
        return player_m / math.sqrt(2.0)
