"""What makes a landing that is claimed for a lane doubtful although it stands out over its neighbours.

Its first foot may be softer than what the next lane lets through, and the second be taken for it. Or the sound came
from no lane at all: all microphones hear it at once. The weights are those of a logistic regression on simulated halls
(seeds 1, 2, 11 to 14; DEVELOPERS.md, "Accuracy").
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from drilltimer.hear.ear import Look
from drilltimer.hear.evidence import Evidence, weigh
from drilltimer.hear.jumps import TINY, mean_power, running_energy
from drilltimer.hear.onsets import Rise, picking_bands
from drilltimer.units import ms_from_s

FIRST_FOOT_S = (0.005, 0.095)  # before what was told
LEAST_STRENGTH = 0.5
USUAL_STAGGER_S = 0.032
JUMP_AFTER_S, JUMP_BEFORE_S = (0.0, 0.003), (-0.004, 0.0035)  # first moment and length, in seconds
VAGUEST_MS = 8.0
MOST_NEPERS = 2.0
LOWEST_DB = -25.0
AT_ONCE_S = (-0.001, -0.0005, 0.0, 0.0005, 0.001)
AT_ONCE_DB = 5.0  # median jump in other lanes: of 8, 1 own landing in 1000 and three in four sounds from no lane
AT_ONCE_LANES = 3  # others; of fewer, one player's foot may sound in half

FIRST_FOOT = {
    "one": -2.21,
    "strength": 4.14,  # log
    "beyond": 1.35,  # nepers over each neighbour, up to MOST_NEPERS
    "level": 0.081,  # dB re what was told
    "lag_unusual": -3.04,  # squared log of the lag over USUAL_STAGGER_S
    "told_strength": 0.45,  # log
    "vague": -0.304,  # ms
    "told_beyond": 0.155,
    "told_second": -0.725,  # another foot was heard after what was told
}


@dataclass(frozen=True, slots=True)
class LaneSound:
    """What a lane's microphone heard in a rep: running energy in the picker's three bands, and what rises."""

    energy: np.ndarray
    rises: tuple[Rise, ...]
    rate_hz: float


def lane_sound(look: Look, rate_hz: float) -> LaneSound:
    """Of one lane, its own sound removed."""
    bands = np.array([part for _, part in picking_bands(look.residual, rate_hz)])
    return LaneSound(running_energy(bands), look.heard, rate_hz)


def jumps_db(sound: LaneSound, at: float) -> np.ndarray:
    """By how much the power jumps at a sample, in each of three bands."""
    powers = [
        mean_power(sound.energy, np.array(round(at + first_s * sound.rate_hz)), round(span_s * sound.rate_hz))
        for first_s, span_s in (JUMP_AFTER_S, JUMP_BEFORE_S)
    ]
    return np.asarray(10.0 * np.log10((powers[0] + TINY) / (powers[1] + TINY)))


def at_once(others: Sequence[LaneSound], at: float) -> bool:
    """Whether other lanes' microphones heard a sound at the same sample: then it was no lane's foot."""
    if len(others) < AT_ONCE_LANES:
        return False
    jumped_db = [
        max(float(jumps_db(sound, at + move_s * sound.rate_hz).mean()) for move_s in AT_ONCE_S) for sound in others
    ]
    return float(np.median(jumped_db)) > AT_ONCE_DB


def feet_before(here: LaneSound, told: Rise) -> list[Rise]:
    """What may be the first foot of a landing of which `told` is the second."""
    first, last = (told.at - ago_s * here.rate_hz for ago_s in reversed(FIRST_FOOT_S))
    return [rise for rise in here.rises if first < rise.at < last and rise.strength >= LEAST_STRENGTH]


def first_foot_odds(
    feet: Sequence[Rise], told: Rise, beyond: Sequence[float], second: bool, rate_hz: float
) -> np.ndarray:
    """Log odds that each of `feet` is the first foot and `told` the second; shape (feet,).

    Parameters
    ----------
    feet : sequence of Rise
        As from `feet_before`.
    told : Rise
    beyond : sequence of float
        Nepers by which each of them, and last `told`, exceeds what the neighbours account for.
    second : bool
        Whether another foot was heard after what was told.
    rate_hz : float
    """
    ones = np.ones(len(feet))
    lags_s = np.array([(told.at - rise.at) / rate_hz for rise in feet])
    evidence: Evidence = {
        "one": ones,
        "strength": np.log([rise.strength for rise in feet]),
        "beyond": np.minimum(beyond[:-1], MOST_NEPERS),
        "level": np.maximum([rise.level_db - told.level_db for rise in feet], LOWEST_DB),
        "lag_unusual": np.log(lags_s / USUAL_STAGGER_S) ** 2,
        "told_strength": ones * np.log(max(told.strength, 0.05)),
        "vague": np.minimum([ms_from_s(rise.vague_s) for rise in feet], VAGUEST_MS),
        "told_beyond": ones * beyond[-1],
        "told_second": ones * second,
    }
    return weigh(evidence, FIRST_FOOT)
