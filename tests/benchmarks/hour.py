"""An hour of a drill in a simulated room: how fast a recording is scored, in how much memory, and what live costs.

    python -m tests.benchmarks.hour [--minutes 60]

A drill is run with a simulated player and recorded to disk as `run --record` does, piece by piece. Then, each in a
process of its own: its first sixth, its first half and all of it are scored, and all of it is fed to a listener as a
sound card would, 1024 frames at a time. Goals: 60 times real time in one process, memory that does not grow with the
length, at most 5 % of a core live, every rep answered within 50 ms of its last frame.

Measured 2026-11-29 on a 2-core machine, nothing else running, before the net: 9.8, 29.4 and 58.8 min (120, 361, 720
reps) took 8.1, 21.5 and 41.0 s (73, 82 and 86 times real time), peak 144, 145 and 148 MB; live 0.85 % of a core, reps
answered after 30 ms (median), 41 ms (99 %), 46 ms (worst).

With the net (2026-12-01, 13 min, 160 reps): 45 to 49 times real time, peak 143 MB, live 1.2 % of a core, answers after
42 ms (median), 64 ms (99 %), 70 ms (worst): slower than the goals.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import soundfile

BLOCK = 1024
AHEAD_S = 2.0  # a session tells the listener so long ahead what is coming
LEAST_SPEED, MOST_GROWTH_MB, MOST_LIVE_SHARE, LATEST_MS = 60.0, 10.0, 0.05, 50.0
REPS_A_BLOCK = 40

DRILL = """\
name: Long
mode: predictive
lead_in: {kind: swing, length_s: 0.5}
calls: {words: [left, right], delay_s: [0.12, 0.25]}
blocks:
"""
DRILL_BLOCK = "  - {{name: part {0}, reps: {1}, rhythm: {{interval_s: 5.0, jitter_cv: 0.1, rally: {1}}}}}\n"


def record(folder: Path, minutes: float) -> Path:
    """Play and record; the path of what the microphone heard."""
    drill, heard = folder / "long.yaml", folder / "long.wav"
    parts = max(1, round(minutes * 60 / (5.0 * REPS_A_BLOCK)))
    drill.write_text(DRILL + "".join(DRILL_BLOCK.format(part, REPS_A_BLOCK) for part in range(parts)))
    command = ["run", str(drill), "--simulate", "club", "--speed", "0", "--seed", "1", "--record", str(heard), "--json"]
    done = subprocess.run(
        [sys.executable, "-c", "from drilltimer.cli import main; main()", *command],
        env=os.environ | {"DRILLTIMER_HOME": str(folder)},
        capture_output=True,
        text=True,
    )
    if done.returncode:
        raise SystemExit(done.stderr)
    return heard


def sheet_of(heard: Path) -> dict[str, Any]:
    return json.loads(heard.with_suffix(".cues.json").read_text())  # type: ignore[no-any-return]


def shorten(heard: Path, share: float) -> Path:
    """A copy of the beginning of all three files."""
    sheet, short = sheet_of(heard), heard.with_name(f"{share:.3f}.wav")
    frames = round(share * soundfile.info(heard).frames)
    played = heard.with_name(sheet["audio"])
    for source, target in ((heard, short), (played, short.with_suffix(".flac"))):
        with (
            soundfile.SoundFile(source) as reader,
            soundfile.SoundFile(target, "w", reader.samplerate, reader.channels, reader.subtype) as writer,
        ):
            for block in reader.blocks(65_536, frames=frames, dtype="float32", always_2d=True):
                writer.write(block)
    sheet["audio"] = short.with_suffix(".flac").name
    last_s = frames / sheet["rate_hz"] - 2.0
    sheet["reps"] = [rep for rep in sheet["reps"] if all(cue["at_s"] < last_s for cue in rep["cues"])]
    short.with_suffix(".cues.json").write_text(json.dumps(sheet))
    return short


def score(heard: Path) -> dict[str, float]:
    """Score a recording; processor seconds and peak memory of this process."""
    import resource

    from tests.recorded import score_recording

    began_s, by_wall_s = time.process_time(), time.perf_counter()
    scored = score_recording(heard, heard.with_suffix(".cues.json"))
    cpu_s, wall_s = time.process_time() - began_s, time.perf_counter() - by_wall_s
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return {
        "length_s": soundfile.info(heard).duration,
        "reps": len(scored.verdicts),
        "timed": scored.scores.timed,
        "cpu_s": cpu_s,
        "wall_s": wall_s,
        "peak_mb": peak / (1e6 if sys.platform == "darwin" else 1024.0),
    }


def blocks(heard: Path, played: Path) -> Iterator[Any]:
    """Both files as a sound card would give them; `run --record` writes the two frame by frame."""
    from drilltimer.model import Block

    with soundfile.SoundFile(heard) as ear, soundfile.SoundFile(played) as mouth:
        start = 0
        while len(samples := ear.read(BLOCK, dtype="float32", always_2d=True)):
            out = mouth.read(len(samples), dtype="float32", always_2d=True)
            out = np.pad(out, ((0, len(samples) - len(out)), (0, 0)))
            yield Block(start, samples, out)
            start += len(samples)


def listen(heard: Path) -> dict[str, float]:
    """Feed a listener; its share of a core, and how late each rep was answered after the last frame it waits for."""
    from drilltimer.hear.listen import AFTER_S, LATER_S, Listener
    from drilltimer.session import hearing_ranges
    from drilltimer.sound.render import render

    sheet = sheet_of(heard)
    rate_hz = sheet["rate_hz"]
    marks = []
    for rep in sheet["reps"]:
        cue = next(cue for cue in rep["cues"] if cue["role"] == "contact")
        sound = render(cue["sound"], rate_hz)
        marks.append((rep["rep"], round(cue["at_s"] * rate_hz), len(sound.samples), False))
    waiting = list(hearing_ranges(marks, rate_hz))[::-1]
    closes_s = {expected.rep: expected.closes / rate_hz for expected in waiting}
    listener = Listener(rate_hz, 1)
    late_ms: list[float] = []
    clock_ms: list[float] = []
    used_s, landings, end = 0.0, 0, 0
    for block in blocks(heard, heard.with_name(sheet["audio"])):
        end = block.start + len(block.samples)
        while waiting and waiting[-1].contact - AHEAD_S * rate_hz < end:
            listener.expect(waiting.pop())
        began_s, by_wall_s = time.process_time(), time.perf_counter()
        found = listener.feed(block)
        took_s, wall_s = time.process_time() - began_s, time.perf_counter() - by_wall_s
        used_s += took_s
        if found:
            lag_s = (listener.round_trip_ms or 0.0) / 1e3
            waited_s = max(0.0, end / rate_hz - closes_s[found[-1].rep] - lag_s - LATER_S - AFTER_S)
            late_ms.append(1e3 * (waited_s + took_s))
            clock_ms.append(1e3 * (waited_s + wall_s))
        landings += sum(each.landing is not None for each in found)
    worst = sorted(late_ms)
    return {
        "share": used_s * rate_hz / end,
        "reps": len(late_ms),
        "landings": landings,
        "median_ms": worst[len(worst) // 2],
        "p99_ms": worst[int(0.99 * len(worst))],
        "worst_ms": worst[-1],
        "first_ms": late_ms[0],
        "clock_median_ms": sorted(clock_ms)[len(clock_ms) // 2],
        "clock_worst_ms": max(clock_ms),
    }


def apart(what: str, heard: Path) -> dict[str, float]:
    """Do it in a process of its own, so that its memory and its imports are its own."""
    done = subprocess.run(
        [sys.executable, "-m", "tests.benchmarks.hour", "--only", what, str(heard)],
        capture_output=True,
        text=True,
        check=True,
    )
    return json.loads(done.stdout)  # type: ignore[no-any-return]


def main() -> int:
    """Measure, print, and say whether all goals are met."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--minutes", type=float, default=60.0)
    parser.add_argument("--only", nargs=2, help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.only:
        print(json.dumps({"score": score, "listen": listen}[asked.only[0]](Path(asked.only[1]))))
        return 0
    with tempfile.TemporaryDirectory() as folder:
        heard = record(Path(folder), asked.minutes)
        figures = [apart("score", shorten(heard, share)) for share in (1 / 6, 1 / 2)] + [apart("score", heard)]
        live = apart("listen", heard)
    for each in figures:
        print(
            f"{each['length_s'] / 60:5.1f} min: {each['reps']:.0f} reps, {each['timed']:.0f} timed, "
            f"{each['cpu_s']:.1f} s of processor time = {each['length_s'] / each['cpu_s']:.0f} times real time "
            f"({each['length_s'] / each['wall_s']:.0f} by the clock), peak {each['peak_mb']:.0f} MB"
        )
    print(
        f"live: {100 * live['share']:.2f} % of a core, {live['reps']:.0f} reps, {live['landings']:.0f} landings; "
        f"answered after {live['median_ms']:.0f} ms (median), {live['p99_ms']:.0f} ms (99 %), "
        f"{live['worst_ms']:.0f} ms (worst), {live['first_ms']:.0f} ms (first) of processor time and waiting for the "
        f"block; by the clock {live['clock_median_ms']:.0f} ms (median), {live['clock_worst_ms']:.0f} ms (worst)"
    )
    fine = (
        figures[-1]["length_s"] / figures[-1]["cpu_s"] >= LEAST_SPEED
        and figures[-1]["peak_mb"] - figures[0]["peak_mb"] <= MOST_GROWTH_MB
        and live["share"] <= MOST_LIVE_SHARE
        and live["worst_ms"] <= LATEST_MS
    )
    print("all within bounds" if fine else "OUT OF BOUNDS")
    return 0 if fine else 1


if __name__ == "__main__":
    sys.exit(main())
