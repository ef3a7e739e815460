"""A folder of recordings scored by one process and by two: how much faster, and whether the results are the same.

    python -m tests.benchmarks.folder [--recordings 6] [--minutes 10]

A drill is played in a simulated room and recorded; the folder holds copies of that recording with other noise,
so that no two are equal. Goal: two processes on two processors need at most 60 % of the time.

Measured 2026-11-25 with other jobs on the machine (load 3 to 5 on 2 cores): four recordings of 5 min took 22.2 s in one
process and 14.5 s in two, results equal.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import soundfile

from tests.benchmarks.hour import record

MOST_SHARE = 0.6
NOISE = 1e-3


def fill(folder: Path, recordings: int, minutes: float) -> None:
    """One recorded session, and copies of it with other noise."""
    heard = record(folder, minutes)
    samples, rate_hz = soundfile.read(heard, dtype="float32")
    for number in range(1, recordings):
        noise = np.random.default_rng(number).standard_normal(len(samples), np.float32)
        soundfile.write(folder / f"copy-{number}.wav", samples + np.float32(NOISE) * noise, rate_hz)


def score(folder: Path, jobs: int) -> tuple[float, dict[str, str]]:
    """Seconds by the clock, and every result."""
    out = folder / "scores"
    shutil.rmtree(out, ignore_errors=True)
    program = [sys.executable, "-c", "from drilltimer.cli import main; main()"]
    command = [*program, "score", str(folder), "--jobs", str(jobs)]
    began_s = time.perf_counter()
    done = subprocess.run(command, capture_output=True, text=True, env=os.environ | {"OMP_NUM_THREADS": "1"})
    took_s = time.perf_counter() - began_s
    if done.returncode:
        raise SystemExit(done.stderr)
    return took_s, {path.name: path.read_text() for path in sorted(out.rglob("*.json"))}


def main() -> int:
    """Measure, print, and say whether the goal is met."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--recordings", type=int, default=6)
    parser.add_argument("--minutes", type=float, default=10.0)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        fill(folder, asked.recordings, asked.minutes)
        (alone_s, one), (together_s, two) = score(folder, 1), score(folder, 2)
        summary = json.loads(two["summary.json"])
    sound_s = asked.recordings * 60 * asked.minutes
    print(
        f"{summary['scored']} recordings of {asked.minutes:g} min: one process {alone_s:.1f} s "
        f"({sound_s / alone_s:.0f} times real time), two {together_s:.1f} s ({sound_s / together_s:.0f}), "
        f"{alone_s / together_s:.2f} times as fast; results {'equal' if one == two else 'DIFFER'}"
    )
    return 0 if one == two and together_s <= MOST_SHARE * alone_s else 1


if __name__ == "__main__":
    raise SystemExit(main())
