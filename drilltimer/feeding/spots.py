"""Touchdowns against a feeder's real contacts: where everybody stands, and how sure that is.

Notes
-----
The player sees the contact at once; the microphone hears it feeder-to-mic/c later, and the foot player-to-mic/c later.
What counts is the heard interval minus (player_to_mic - feeder_to_mic)/c: a `Placement` whose loudspeaker stands at no
distance from the player. Nobody stands still: even measured distances are true only to the steps that people take.
"""

from __future__ import annotations

import math
from dataclasses import replace

from drilltimer.model import Placement
from drilltimer.units import air_delay_ms

FEEDER_STRAYS_M, MACHINE_STRAYS_M, PLAYER_STRAYS_M = 0.4, 0.1, 0.2  # one sigma, about a measured spot; our choice
USUAL_FEEDER_M, FEEDER_SPREAD_M = 12.0, 4.0  # of a feeder whom nobody measured: anywhere between net and base line
USUAL_PLAYER_M, PLAYER_SPREAD_M = 5.0, 2.0
AIR_SPREAD_C = 8.0  # about what `Placement` takes for usual


def placed(
    feeder_to_mic_m: float | None = None,
    player_to_mic_m: float | None = None,
    feeder_to_player_m: float | None = None,
    air_c: float | None = None,
) -> Placement:
    """Who stands where as far as somebody told it (None: nobody did), the feeder in the loudspeaker's place."""
    told = {
        "speaker_to_player_m": feeder_to_player_m,
        "player_to_mic_m": player_to_mic_m,
        "speaker_to_mic_m": feeder_to_mic_m,
        "air_c": air_c,
    }
    known = {name: value for name, value in told.items() if value is not None}
    return Placement(**known, unknown=frozenset(told.keys() - known.keys()))


def reckoned(told: Placement) -> Placement:
    """The placement to reckon with: usual distances stand in, and the "loudspeaker" is at the player's eye."""
    player_m = USUAL_PLAYER_M if "player_to_mic_m" in told.unknown else told.player_to_mic_m
    return replace(told, speaker_to_player_m=0.0, player_to_mic_m=player_m, speaker_to_mic_m=_feeder_m(told, player_m))


def doubt_ms(told: Placement, *, machine: bool = False) -> float:
    """One sigma of what the way through the air is off by; a machine stays where it is."""
    place, unknown = reckoned(told), told.unknown
    strays_m = MACHINE_STRAYS_M if machine else FEEDER_STRAYS_M
    feeder_m = _feeder_spread_m(told, place.player_to_mic_m) if "speaker_to_mic_m" in unknown else strays_m
    player_m = PLAYER_SPREAD_M if "player_to_mic_m" in unknown else PLAYER_STRAYS_M
    off_ms = air_delay_ms(math.hypot(feeder_m, player_m), place.air_c)
    if "air_c" in unknown:
        way_ms = air_delay_ms(place.speaker_to_mic_m - place.player_to_mic_m, place.air_c)
        off_ms = math.hypot(off_ms, way_ms * 0.5 * AIR_SPREAD_C / 293.0)
    return off_ms


def _feeder_m(told: Placement, player_m: float) -> float:
    if "speaker_to_mic_m" not in told.unknown:
        return told.speaker_to_mic_m
    if "speaker_to_player_m" in told.unknown:
        return USUAL_FEEDER_M
    return math.sqrt(told.speaker_to_player_m**2 + player_m**2) if player_m < told.speaker_to_player_m else player_m


def _feeder_spread_m(told: Placement, player_m: float) -> float:
    """The triangle with a known side bounds the unknown one: within the player's distance either way."""
    return FEEDER_SPREAD_M if "speaker_to_player_m" in told.unknown else player_m / math.sqrt(2.0)
