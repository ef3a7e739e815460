"""Every sound that a session will need, ready at the device's rate before the first frame is played."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from math import gcd

import numpy as np

from drilltimer.errors import SoundError
from drilltimer.model import Cue, Samples, Sound
from drilltimer.sound.render import RENDERED, render
from drilltimer.units import frames_from_s

CUT_FADE_S = 0.01  # where a longer recording is cut off: it must not begin with a click
Bank = dict[tuple[str, float | None], Sound]


def build_bank(cues: Iterable[Cue], rate_hz: int, words: Callable[[str], Sound | None]) -> Bank:
    """Gather the sounds of `cues`, each once.

    Parameters
    ----------
    rate_hz : int
        Rate of the output.
    words : callable
        Gives the recorded sound of a name, at any rate, or None. It is asked first, so that a coach's own recording
        replaces a sound made from formula.

    Returns
    -------
    dict
        Sound at `rate_hz` by (name, length in seconds or None), as the cues ask for it.

    Raises
    ------
    SoundError
        A sound is neither recorded nor made from formula.
    """
    bank: Bank = {}
    for cue in cues:
        key = (cue.sound, cue.length_s)
        if key not in bank:
            bank[key] = _find(cue, rate_hz, words)
    return bank


def resample(sound: Sound, rate_hz: int) -> Sound:
    """`sound` at another rate, its anchor at the nearest frame."""
    if sound.rate_hz == rate_hz:
        return sound
    from scipy.signal import resample_poly  # here, because this import alone costs half a second

    shared = gcd(sound.rate_hz, rate_hz)
    samples: Samples = resample_poly(sound.samples, rate_hz // shared, sound.rate_hz // shared).astype(np.float32)
    return Sound(sound.name, samples, rate_hz, round(sound.anchor * rate_hz / sound.rate_hz))


def _last(sound: Sound, length_s: float) -> Sound:
    """What a sound made to measure has room for: its end, which is its moment."""
    frames = frames_from_s(length_s, sound.rate_hz) + 1
    samples = sound.samples[-frames:].copy()
    if len(samples) < len(sound.samples):
        fade = min(frames_from_s(CUT_FADE_S, sound.rate_hz), len(samples))
        samples[:fade] *= np.linspace(0.0, 1.0, fade, dtype=np.float32)
    return Sound(sound.name, samples, sound.rate_hz, len(samples) - 1)


def _find(cue: Cue, rate_hz: int, words: Callable[[str], Sound | None]) -> Sound:
    recorded = words(cue.sound)
    if recorded is not None:
        sound = resample(recorded, rate_hz)
        return sound if cue.length_s is None else _last(sound, cue.length_s)
    if cue.sound in RENDERED:
        return render(cue.sound, rate_hz, cue.length_s)
    raise SoundError(
        f"there is no sound for '{cue.sound}' ({cue.role})",
        why="It is neither a shipped word, nor a file in your sounds folder, nor a sound made from formula.",
        fix=f'Record it: drilltimer sounds record "{cue.sound}". Made from formula: {", ".join(RENDERED)}.',
    )
