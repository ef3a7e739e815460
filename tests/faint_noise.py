"""A recording in which nothing is heard: what is tested is what else the command reads."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import soundfile


def write_noise(path: Path, *, rate_hz: int = 48_000, length_s: float = 3.0) -> None:
    samples = 0.01 * np.random.default_rng(1).standard_normal(round(length_s * rate_hz))
    soundfile.write(path, samples, rate_hz, subtype="PCM_16")
