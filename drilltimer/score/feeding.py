"""Touchdowns against a feeder's real contacts: where everybody stands, how sure that is, and what a coach saw.

Notes
-----
The player sees the contact at once; the microphone hears it feeder-to-mic/c later, and the foot player-to-mic/c later.
What counts is the heard interval minus (player_to_mic - feeder_to_mic)/c: a `Placement` whose loudspeaker stands at no
distance from the player. Nobody stands still: even measured distances are true only to the steps that people take.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import StrEnum

from drilltimer.model import TIMED_GRADES, Grade, Placement, Verdict
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


FEEDING = "live feeding"  # how the drill of such a session is called in the history


class Mark(StrEnum):
    """What a coach saw of a rep."""

    EARLY = "early"
    ON_TIME = "on time"
    LATE = "late"
    VOID = "void"


@dataclass(frozen=True, slots=True)
class Agreement:
    """A coach's eye beside the measurement, over the reps that have both.

    Parameters
    ----------
    marked, agreed : int
        Reps marked early, on time or late and measured, and those where both say the same.
    crossed : tuple of (Mark, Grade, int)
        How often each mark met each grade, in that order.
    mean_ms : tuple of (Mark, float)
        Mean touchdown of the reps with each mark.
    """

    marked: int
    agreed: int
    crossed: tuple[tuple[Mark, Grade, int], ...]
    mean_ms: tuple[tuple[Mark, float], ...]


AGREES: Mapping[Mark, frozenset[Grade]] = {
    Mark.EARLY: frozenset({Grade.BEFORE, Grade.EARLY}),
    Mark.ON_TIME: frozenset({Grade.ON_TIME}),
    Mark.LATE: frozenset({Grade.LATE}),
}


def agreement(verdicts: Iterable[Verdict], marks: Mapping[int, Mark]) -> Agreement:
    """Compare marks with verdicts, both by rep; reps declared void are left out."""
    pairs = [(marks[v.rep], v) for v in verdicts if marks.get(v.rep, Mark.VOID) in AGREES and v.grade in TIMED_GRADES]
    counts: dict[tuple[Mark, Grade], int] = {}
    for mark, verdict in pairs:
        counts[mark, verdict.grade] = counts.get((mark, verdict.grade), 0) + 1
    crossed = tuple((m, g, counts[m, g]) for m in Mark for g in Grade if (m, g) in counts)
    means = []
    for mark in AGREES:
        touchdowns_ms = [v.touchdown_ms for m, v in pairs if m is mark and v.touchdown_ms is not None]
        if touchdowns_ms:
            means.append((mark, math.fsum(touchdowns_ms) / len(touchdowns_ms)))
    agreed = sum(verdict.grade in AGREES[mark] for mark, verdict in pairs)
    return Agreement(len(pairs), agreed, crossed, tuple(means))
