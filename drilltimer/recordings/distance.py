"""Who stands where, as far as it is known; what is not known makes every touchdown less certain.

Three distances decide (`score/match`): of loudspeaker to player, player to recorder and loudspeaker to recorder. What
nobody told is not made up: the touchdowns are computed as told, and the uncertainty grows by how far the truth may lie
from that. Where two distances are known the triangle they form bounds the third.

The doubt is the root mean square, over all triangles that are plausible on a court, of what the correction would be
wrong by. Where one of the player's two distances is told alone, the other is taken to be as long.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from itertools import product

from drilltimer.errors import DistanceError
from drilltimer.model import DISTANCES, Placement
from drilltimer.units import air_delay_ms

Told = Mapping[str, float | None]  # distances by their names, `air_c`, and `together_m`; None is not told

NOBODY_TOLD = Placement(unknown=frozenset(DISTANCES))
OF_PLAYER = frozenset({"speaker_to_player_m", "player_to_mic_m"})
FORGIVEN_M = 1.0
# Common practice, no source: on a court the loudspeaker and the recorder lie within half its length of the player.
PLAUSIBLE_M = tuple(0.5 + 0.5 * step for step in range(16))
# A recorder is mostly laid beside the loudspeaker, but may lie across the court.
PLAUSIBLE_APART_M = tuple(0.5 * step for step in range(17))


def told_over(before: Placement, told: Told) -> Placement:
    """`before`, as a sheet tells it, with what is told now.

    Raises
    ------
    DistanceError
        No three places have these distances.
    """
    now = {name: value for name, value in told.items() if value is not None}
    if (together_m := now.pop("together_m", None)) is not None:
        near = {"speaker_to_player_m": together_m, "player_to_mic_m": together_m}
        now = near | {"speaker_to_mic_m": before.speaker_to_mic_m} | now
    place = replace(before, **now, unknown=before.unknown - now.keys())
    if now.keys() & set(DISTANCES) and not place.unknown and _is_impossible(place):
        ways_m = (place.speaker_to_player_m, place.player_to_mic_m, place.speaker_to_mic_m)
        names = ("loudspeaker to player", "player to recorder", "loudspeaker to recorder")
        listed = ", ".join(f"{name} {way_m:g} m" for name, way_m in zip(names, ways_m, strict=True))
        raise DistanceError(
            f"{listed}: these cannot all be true",
            why="No three places lie so: the longest way is longer than the two others together.",
            fix="Measure again, and tell all three; what you leave out is the cue sheet's.",
        )
    return place


def likeliest(place: Placement) -> Placement:
    """The placement to reckon with: where one of the player's two distances is known alone, the other equals it.

    Loudspeaker and recorder mostly lie together. Where neither is known the touchdowns stay as the recorder heard them.
    """
    unknown = place.unknown & OF_PLAYER
    if unknown == {"player_to_mic_m"}:
        return replace(place, player_to_mic_m=place.speaker_to_player_m)
    if unknown == {"speaker_to_player_m"}:
        return replace(place, speaker_to_player_m=place.player_to_mic_m)
    return place


def way_doubt_ms(placement: Placement) -> float:
    """Root mean square, over all that is plausible, of what the correction for distance is wrong by; 0 if all is known.

    What is used for the correction is the `likeliest` placement.
    """
    placement, unknown = likeliest(placement), placement.unknown
    if not unknown:
        return 0.0
    ways = (
        PLAUSIBLE_M if "speaker_to_player_m" in unknown else (placement.speaker_to_player_m,),
        PLAUSIBLE_M if "player_to_mic_m" in unknown else (placement.player_to_mic_m,),
        PLAUSIBLE_APART_M if "speaker_to_mic_m" in unknown else (placement.speaker_to_mic_m,),
    )
    used_m = _extra_m(placement.speaker_to_player_m, placement.player_to_mic_m, placement.speaker_to_mic_m)
    off_m = [_extra_m(*way) - used_m for way in product(*ways) if _is_triangle(*way)]
    if not off_m:  # what is known cannot stand together; the widest doubt is the honest one
        off_m = [_extra_m(*way) - used_m for way in product(*ways)]
    return air_delay_ms(math.sqrt(sum(each**2 for each in off_m) / len(off_m)), placement.air_c)


def _extra_m(speaker_to_player_m: float, player_to_mic_m: float, speaker_to_mic_m: float) -> float:
    return speaker_to_player_m + player_to_mic_m - speaker_to_mic_m


def _is_triangle(first_m: float, second_m: float, third_m: float) -> bool:
    longest_m = max(first_m, second_m, third_m)
    return longest_m <= first_m + second_m + third_m - longest_m + 1e-9


def _is_impossible(placement: Placement) -> bool:
    """Whether no three places have these distances. What people measure by paces may be `FORGIVEN_M` off."""
    sides = (placement.speaker_to_player_m, placement.player_to_mic_m, placement.speaker_to_mic_m)
    return 2 * max(sides) > sum(sides) + FORGIVEN_M
