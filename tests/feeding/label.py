"""Which true sound each impact of a scene is."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from drilltimer.feeding.impact_finder import Impact, ImpactFinder
from drilltimer.feeding.listener import Court
from drilltimer.feeding.reverberation import PowerTrack
from drilltimer.feeding.sound_classes import Kind
from drilltimer.feeding.spots import placed
from drilltimer.model import Block

NEAR_S = 0.006
LOOSE_S = 0.014  # recorded impacts begin later than their first sample
BY_SIDE = {
    "bounce": Kind.BOUNCE,
    "second bounce": Kind.SECOND_BOUNCE,
    "far bounce": Kind.FAR_BOUNCE,
    "drop bounce": Kind.DROP_BOUNCE,
}
NEXT = {"hit": Kind.NEXT_CONTACT, "bounce": Kind.NEXT_BOUNCE, "step": Kind.NEXT_STEP}
ORDER = (
    Kind.CONTACT,
    Kind.OWN_CONTACT,
    Kind.LANDING,
    Kind.BOUNCE,
    Kind.FAR_BOUNCE,
    Kind.SECOND_BOUNCE,
    Kind.DROP_BOUNCE,
    Kind.STEP,
    Kind.SECOND_FOOT,
    Kind.NEXT_CONTACT,
    Kind.NEXT_BOUNCE,
    Kind.NEXT_STEP,
)


def find_impacts(samples: np.ndarray, rate_hz: int) -> tuple[list[Impact], PowerTrack]:
    """All impacts of a recording, and its band powers, through the shipped finder."""
    finder = ImpactFinder(rate_hz, track_s=len(samples) / rate_hz)
    found = []
    for start in range(0, len(samples), 10 * rate_hz):
        piece = samples[start : start + 10 * rate_hz, None].astype(np.float32)
        found += finder.feed(Block(start, piece, np.zeros((len(piece), 1), np.float32)))
    return [impact for hop in found + finder.finish() for impact in hop], finder.track


def court_of(truth: dict) -> Court:
    """What is known of the play and the place in a scene, but for the feeder's distance from the player."""
    known = truth["known"]
    near = {name: known["distances"][name] for name in ("feeder_to_mic_m", "player_to_mic_m")}
    return Court(known["play"], placed(**near, air_c=known["temperature_c"]), known["feeder"] == "machine")


def label(impacts: Sequence[Impact], rate_hz: int, truth: dict) -> np.ndarray:
    """Kind of each impact, `Kind.OTHER` where nothing true lies near; shape (n,)."""
    at_s = np.array([impact.at / rate_hz for impact in impacts])
    strength = np.array([impact.strength for impact in impacts])
    kinds = np.full(len(impacts), int(Kind.OTHER))
    events = sorted(_events(truth), key=lambda event: (ORDER.index(event[1]), event[0]))
    for time_s, kind in events:
        reach_s = NEAR_S if kind in (Kind.CONTACT, Kind.LANDING, Kind.SECOND_FOOT) else LOOSE_S
        free = np.flatnonzero((np.abs(at_s - time_s) < reach_s) & (kinds == Kind.OTHER))
        if len(free):
            kinds[free[np.argmax(strength[free])]] = kind
    return kinds


def _events(truth: dict) -> list[tuple[float, Kind]]:
    events = [(each["mic_s"], Kind.CONTACT) for each in truth["contacts"]]
    for each in truth["landings"]:
        events.append((each["mic_s"], Kind.LANDING))
        if each.get("mic2_s"):
            events.append((each["mic2_s"], Kind.SECOND_FOOT))
    events += [(each["mic_s"], Kind.OWN_CONTACT) for each in truth["player_hits"]]
    events += [(each["mic_s"], BY_SIDE[each["what"]]) for each in truth["bounces"]]
    events += [(each["mic_s"], Kind.STEP) for each in truth["steps"]]
    events += [(each["mic_s"], NEXT[each["what"]]) for each in truth["neighbours"]]
    return events
