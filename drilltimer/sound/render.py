"""Every sound that is made from formula, by name."""

from __future__ import annotations

from collections.abc import Callable
from difflib import get_close_matches

import numpy as np

from drilltimer.errors import SoundError
from drilltimer.model import Sound
from drilltimer.sound import contact, leadin, tones
from drilltimer.sound.shape import Wave

LOWEST_RATE_HZ = 8_000
HIGHEST_RATE_HZ = 192_000
SHORTEST_SWING_S = 0.05
LONGEST_SWING_S = 3.0

_FIXED: dict[str, Callable[[int], Wave]] = {
    "smack": contact.smack,
    "tock": contact.tock,
    "racket": contact.racket,
    "knock": contact.knock,
    "snap": contact.snap,
    "toss": leadin.toss,
    "bounce": leadin.bounce,
    "tick": leadin.tick,
    "tone_early": tones.tone_early,
    "tone_late": tones.tone_late,
    "tone_on_time": tones.tone_on_time,
    "tone_left": tones.tone_left,
    "tone_right": tones.tone_right,
}
SWING = "swing"  # the one sound made to measure
RENDERED: tuple[str, ...] = (*_FIXED, SWING)
CONTACTS: tuple[str, ...] = ("smack", "tock", "racket", "knock", "snap")  # made to be located by matched filter


def render(name: str, rate_hz: int, length_s: float | None = None) -> Sound:
    """Make the sound `name` from its formula at `rate_hz`.

    Parameters
    ----------
    name : str
        One of `RENDERED`.
    rate_hz : int
        Frames per second of the device, 8 000 to 192 000.
    length_s : float, optional
        Length of a swing, 0.35 s when not given, at most 3 s. Every other sound has its own length.

    Returns
    -------
    Sound
        Sample peak at or under -1 dBFS. The anchor is frame 0, for a swing its last frame. The same arguments
        always give the same samples.

    Raises
    ------
    SoundError
        Unknown name, a rate or a length out of range.
    """
    if name not in RENDERED:
        near = get_close_matches(name, RENDERED, n=3) or RENDERED
        raise SoundError(f"no sound called '{name}' is made from formula", fix=f"Did you mean: {', '.join(near)}?")
    if not LOWEST_RATE_HZ <= rate_hz <= HIGHEST_RATE_HZ:
        raise SoundError(
            f"sounds cannot be made at {rate_hz} Hz",
            why=f"The range is {LOWEST_RATE_HZ} to {HIGHEST_RATE_HZ} Hz.",
            fix="Choose another device or set its rate to 48000 Hz.",
        )
    if name == SWING:
        return _render_swing(rate_hz, leadin.SWING_S if length_s is None else length_s)
    if length_s is not None:
        raise SoundError(
            f"the length of '{name}' is fixed, it cannot be made {length_s} s long", fix="Drop the length."
        )
    return Sound(name, _FIXED[name](rate_hz).astype(np.float32), rate_hz)


def _render_swing(rate_hz: int, length_s: float) -> Sound:
    if not SHORTEST_SWING_S <= length_s <= LONGEST_SWING_S:
        raise SoundError(
            f"a swing cannot last {length_s} s", fix=f"Choose {SHORTEST_SWING_S} to {LONGEST_SWING_S} seconds."
        )
    samples = leadin.swing(rate_hz, length_s).astype(np.float32)
    return Sound(SWING, samples, rate_hz, anchor=len(samples) - 1)
