"""One step cut out of a recording: where it begins, and before what sounds like a second impact."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Wave = NDArray[np.float64]
RATE_HZ = 48_000
RUMBLE_HZ = 30.0
# A recorded step begins where it first reaches 5 % of its peak; where it takes longer than that from there to 20 %,
# the beginning is a matter of opinion, and the step is not used.
BEGINS_SHARE, RISEN_SHARE, VAGUE_S = 0.05, 0.20, 0.0015
FADE_IN_S, FADE_OUT_S, LONGEST_S = 0.0002, 0.004, 0.45
AGAIN_FROM_S, AGAIN_RATIO, AGAIN_SHARE = 0.02, 3.0, 0.3  # from here on such a rise is a second impact: cut before it


def cut_step(wave: Wave) -> Wave | None:
    """One impact from its first sample on, peak 1; None where its beginning is not clear."""
    size = np.abs(wave) / max(float(np.abs(wave).max(initial=0.0)), 1e-9)
    begins, risen = (int(np.argmax(size >= share)) for share in (BEGINS_SHARE, RISEN_SHARE))
    clip = wave[begins : begins + round(LONGEST_S * RATE_HZ)].copy()
    if risen - begins > VAGUE_S * RATE_HZ or len(clip) < AGAIN_FROM_S * RATE_HZ:
        return None
    window = round(0.005 * RATE_HZ)
    power = np.convolve(np.square(clip), np.ones(window) / window)[window - 1 :: window]
    loud = np.sqrt(np.maximum(power, 1e-12))
    for k in range(round(AGAIN_FROM_S * RATE_HZ) // window, len(loud)):
        if loud[k] > AGAIN_RATIO * loud[k - 2 : k].min() and loud[k] > AGAIN_SHARE * loud.max():
            clip = clip[: (k - 1) * window]
            break
    fade_in, fade_out = round(FADE_IN_S * RATE_HZ), min(round(FADE_OUT_S * RATE_HZ), len(clip) // 4)
    clip[:fade_in] *= np.linspace(0.0, 1.0, fade_in)
    clip[-fade_out:] *= np.linspace(1.0, 0.0, fade_out)
    return np.asarray(clip / np.abs(clip).max())
