"""Two simulated hours at full speed: memory, processor time, cue times against the stream, full scale.

    python tests/benchmarks/soak.py [--hours 2]

The stream is a cheap loop (what is played comes back with noise and a thud after each contact), so that nearly all of
the time measured is the program's own: mixing, hearing, judging, drawing ten times a second.

Measured 2026-11-25 on a 2-core machine: 1.95 h, 960 reps, 2.3 % of a core in all, memory 149 MB after ten minutes and
152 MB at the end, every contact on its frame, output peak 0.51 of full scale.
"""

from __future__ import annotations

import argparse
import io
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
from rich.console import Console

from drilltimer.app.live import run_live
from drilltimer.app.plan import make_plan
from drilltimer.model import Block, Health, Placement
from drilltimer.sound.mixer import Mixer
from drilltimer.ui.live import LiveScreen
from drilltimer.ui.palette import DARK
from drilltimer.ui.wording import load_wording
from drilltimer.units import ratio_from_db

RATE_HZ = 48_000
BLOCK = 1024
TRIP = 8192
LANDING = round(0.130 * RATE_HZ)


class Loop:
    """An `AudioStream` that costs next to nothing, and checks each contact against the frame it was planned for."""

    rate_hz, input_channels, output_channels = RATE_HZ, 1, 2

    def __init__(self):
        random = np.random.default_rng(1)
        t = np.arange(round(0.1 * RATE_HZ)) / RATE_HZ
        self._thud = (0.2 * np.exp(-t / 0.03) * np.sin(2 * np.pi * 90 * t)).astype(np.float32)
        self._noise = (ratio_from_db(-62.0) * random.standard_normal(10 * RATE_HZ)).astype(np.float32)
        self._mixer = Mixer(RATE_HZ, 2)
        self._frame, self._tail = 0, np.zeros(TRIP, np.float32)
        self._feet: list[int] = []
        self._due: list[tuple[int, np.ndarray]] = []
        self.peak, self.contacts, self.shifted, self.reports = 0.0, 0, 0, []

    def start(self):
        pass

    def play(self, start, sound, cue, rep=None):
        self._mixer.add(start, sound, cue.pan, cue.gain_db)
        if cue.role == "contact":
            self._due.append((start, sound.samples))
            self._feet.append(start + TRIP + LANDING)

    def silence(self):
        self._mixer.clear()

    def read(self):
        start, end = self._frame, self._frame + BLOCK
        played = self._mixer.mix(start, BLOCK)
        self.peak = max(self.peak, float(np.abs(played).max()))
        self._verify(start, end, played)
        self._tail = np.concatenate([self._tail, played.sum(axis=1)])
        heard = 0.15 * self._tail[:BLOCK]
        self._tail = self._tail[BLOCK:]
        at = start % (len(self._noise) - BLOCK)
        heard += self._noise[at : at + BLOCK]
        for foot in self._feet:
            a, b = max(foot, start), min(foot + len(self._thud), end)
            if a < b:
                heard[a - start : b - start] += self._thud[a - foot : b - foot]
        self._feet = [foot for foot in self._feet if foot + len(self._thud) > end]
        self._frame = end
        if (start // BLOCK) % round(600 * RATE_HZ / BLOCK) == 0:
            self.reports.append((start / RATE_HZ, resident_mb(), time.process_time()))
        return Block(start, heard[:, np.newaxis], played)

    def _verify(self, start, end, played):
        """A contact whose loudest sample lies in this block must have it at exactly its own frame."""
        for due in [due for due in self._due if due[0] + int(np.abs(due[1]).argmax()) < end]:
            self._due.remove(due)
            at = due[0] + int(np.abs(due[1]).argmax())
            if at >= start:
                self.contacts += 1
                nearby = np.abs(played[max(0, at - start - 8) : at - start + 9, 0])
                self.shifted += int(nearby.argmax() != min(8, at - start))

    def health(self):
        return Health(blocks=self._frame // BLOCK)

    def close(self):
        pass


class NoKeys:
    def pressed(self):
        return ""

    def __enter__(self):
        return self

    def __exit__(self, *_):
        return None


def resident_mb():
    """Memory in use now; on systems without /proc, the most that ever was."""
    try:
        return int(Path("/proc/self/statm").read_text().split()[1]) * 4096 / 1e6
    except OSError:
        import resource

        return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / (1e6 if sys.platform == "darwin" else 1e3)


def drill_text(hours):
    blocks = max(1, round(hours * 6))
    block = "  - {{name: part {0}, reps: 80, rhythm: {{interval_s: 7.4, jitter_cv: 0.1, rally: 80}}}}\n"
    return "name: Soak\nlead_in: {kind: swing, length_s: 0.5}\nfeedback: {kind: each}\nblocks:\n" + "".join(
        block.format(number) for number in range(blocks)
    )


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--hours", type=float, default=2.0)
    hours = parser.parse_args().hours
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "soak.yaml"
        path.write_text(drill_text(hours))
        plan = make_plan(str(path), seed=1)
    loop = Loop()
    console = Console(file=io.StringIO(), force_terminal=True, width=100, height=30)

    def now():
        if console.file.tell() > 1e6:  # what a terminal would have taken away
            console.file.seek(0)
            console.file.truncate()
        return loop._frame / RATE_HZ

    screen = LiveScreen("Soak", load_wording(), DARK, console=console, keys=NoKeys(), now=now)
    began_s = time.process_time()
    outcome = run_live(
        plan, loop, Placement(), on_rep=lambda *_: None, on_trouble=print, screen=screen
    )  # fmt: skip
    used_s, played_s = time.process_time() - began_s, loop._frame / RATE_HZ
    print(f"{played_s / 3600:.2f} h, {len(outcome.verdicts)} reps, {outcome.scores.timed} timed")
    for at_s, memory_mb, cpu_s in loop.reports:
        print(f"  after {at_s / 60:5.0f} min: {memory_mb:6.1f} MB, {cpu_s:6.1f} s of processor time")
    print(f"processor: {used_s:.0f} s = {100 * used_s / played_s:.1f} % of a core")
    print(f"contacts: {loop.contacts}, not at their frame: {loop.shifted}; output peak {loop.peak:.3f} of full scale")
    settled = [memory for at_s, memory, _ in loop.reports if at_s >= 600]
    fine = loop.shifted == 0 and loop.peak <= 1.0 and used_s <= 0.10 * played_s
    flat = len(settled) < 2 or settled[-1] - settled[0] <= 20.0
    print("all within bounds" if fine and flat else "OUT OF BOUNDS")
    return 0 if fine and flat else 1


if __name__ == "__main__":
    sys.exit(main())
