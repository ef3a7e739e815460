"""What a player's feet sound like in training scenes: recorded steps where a folder has them, formulas elsewhere.

Two strikes of one player in the same shoes on the same floor sound alike, never the same; how much alike is drawn anew
for each player, for nothing measured on it was found. The simulator that ships makes every strike a sound of its own.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from drilltimer.hear.filters import filtered
from drilltimer.sim.impacts import foot_strike
from drilltimer.sim.settings import Surface

Wave = NDArray[np.float64]
RATE_HZ = 48_000
RUMBLE_HZ = 30.0
SUFFIXES = {".wav", ".flac", ".ogg"}
# A recorded step begins where it first reaches 5 % of its peak; where it takes longer than that from there to 20 %,
# the beginning is a matter of opinion, and the step is not used.
BEGINS_SHARE, RISEN_SHARE, VAGUE_S = 0.05, 0.20, 0.0015
FADE_IN_S, FADE_OUT_S, LONGEST_S = 0.0002, 0.004, 0.45
AGAIN_FROM_S, AGAIN_RATIO, AGAIN_SHARE = 0.02, 3.0, 0.3  # from here on such a rise is a second impact: cut before it
SAME_SHARE = 0.5  # of strikes that are the last one's clip again
RECORDED_SHARE = 0.65  # of players, where there are recordings
LARGEST_FRESH = 0.7  # of a formula's strike, by amplitude: what no other strike has


def recorded_feet(folders: Sequence[Path], leave_out: Sequence[str] = ()) -> dict[str, list[Wave]]:
    """Recorded steps at `RATE_HZ`, peak 1, by family: the name without its number; clips that begin clearly.

    Parameters
    ----------
    folders : sequence of Path
        Their sound files are steps, one each.
    leave_out : sequence of str
        Stems of files that must not be learned from.
    """
    import soundfile
    from scipy.signal import resample_poly

    families: dict[str, list[Wave]] = {}
    for path in sorted(path for folder in folders for path in folder.iterdir() if path.suffix in SUFFIXES):
        if path.stem in leave_out:
            continue
        samples, rate_hz = soundfile.read(path, always_2d=True)
        common = int(np.gcd(RATE_HZ, rate_hz))
        wave = resample_poly(samples.mean(axis=1), RATE_HZ // common, rate_hz // common)
        clip = cut_step(filtered(wave, "highpass", (RUMBLE_HZ,), RATE_HZ))
        if clip is not None:
            families.setdefault(re.sub(r"[\d_.\-]+$", "", path.stem), []).append(clip)
    return families


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


class Shoes:
    """One player's feet; `strike` has the signature of `sim.impacts.foot_strike` and takes its place.

    Parameters
    ----------
    rng : Generator
    families : mapping of str to list of Wave
        As from `recorded_feet`.
    """

    def __init__(self, rng: np.random.Generator, families: dict[str, list[Wave]]) -> None:
        self._clips: list[Wave] = []
        if families and rng.random() < RECORDED_SHARE:
            family = families[str(rng.choice(sorted(families)))]
            chosen = rng.permutation(len(family))[: int(rng.integers(1, 5))]
            self._clips = [family[int(k)] for k in chosen]
        self._seeds = [int(seed) for seed in rng.integers(0, 1 << 30, int(rng.integers(1, 3)))]
        self._fresh = float(rng.uniform(0.0, LARGEST_FRESH))
        self._last = 0

    def strike(self, rate_hz: int, surface: Surface, rng: np.random.Generator) -> Wave:
        """One foot meeting the floor, peak 1."""
        kinds = len(self._clips) or len(self._seeds)
        if rng.random() > SAME_SHARE:
            self._last = int(rng.integers(0, kinds))
        if self._clips:
            return self._clips[self._last % kinds]
        usual = foot_strike(rate_hz, surface, np.random.default_rng(self._seeds[self._last % kinds]))
        wave = np.sqrt(1.0 - self._fresh**2) * usual + self._fresh * foot_strike(rate_hz, surface, rng)
        return np.asarray(wave / np.abs(wave).max())
