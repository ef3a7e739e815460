"""A player in the virtual room: hears the loudspeaker through PortAudio and lands on the floor beside the microphone.

A process of its own, sharing no code with the program it tests. It prints "ready" when its stream runs and, when
ended by SIGTERM or SIGINT, "heard N" with the number of contacts it answered. It plans its landings by the time
stamps of its own stream, which the virtual sound card reports exactly.

    python tests/room_player.py 130 210 --second-foot 40 --noise-db -60

answers contacts in turn 130 and 210 ms after they are heard, the second foot 40 ms after the first.
"""

from __future__ import annotations

import argparse
import contextlib
import signal
import threading

import numpy as np

RATE_HZ = 48_000
LATENCY_S = 0.05  # with cycles of 1024 frames no answer can come sooner than 85 ms
THUD_PEAK = 0.4


def make_thud(seed: int = 7) -> np.ndarray:
    """A shoe on a wooden floor: two damped resonances and a slap, first frame audible; float32, shape (n,)."""
    t = np.arange(round(0.12 * RATE_HZ)) / RATE_HZ
    noise = np.random.default_rng(seed).standard_normal(t.size)
    slap = np.convolve(np.exp(-t / 0.003) * noise, np.hanning(48) / 24, "same")
    thud = np.exp(-t / 0.03) * np.sin(2 * np.pi * 90 * t) + 0.6 * np.exp(-t / 0.02) * np.sin(2 * np.pi * 160 * t)
    thud += 0.5 * slap
    thud[:24] *= np.arange(24) / 24
    return (THUD_PEAK * thud / np.abs(thud).max()).astype(np.float32)


class RoomPlayer:
    """Listens for sudden sounds and plays landings; `callback` belongs to PortAudio's thread."""

    def __init__(self, options: argparse.Namespace) -> None:
        self.delays_s = [delay_ms / 1e3 for delay_ms in options.delay_ms]
        self.feet = [(0.0, 1.0)]
        self.feet += [(after_ms / 1e3, 0.8) for after_ms in options.second_foot]
        self.feet += [(after_ms / 1e3, 0.7) for after_ms in options.first_step]
        self.threshold, self.deaf_s = options.threshold, options.deaf_s
        self.noise = 10 ** (options.noise_db / 20) if options.noise_db is not None else 0.0
        self.random = np.random.default_rng(11)
        self.thud = make_thud()
        self.heard = 0
        self._frame, self._last, self._deaf_until_s = 0, 0.0, -np.inf
        self._landings: list[list] = []  # [time on the stream's clock, gain, first frame or None while far off]

    def callback(self, ear, feet, frames, stamps, flags) -> None:
        self._listen(ear[:, 0], stamps.inputBufferAdcTime)
        feet[:, 0] = self.noise * self.random.standard_normal(frames) if self.noise else 0.0
        for landing in self._landings:
            self._stamp_down(landing, feet[:, 0], stamps.outputBufferDacTime)
        self._frame += frames
        self._landings = [w for w in self._landings if w[2] is None or w[2] + self.thud.size > self._frame]

    def _listen(self, ear, adc_s: float) -> None:
        jumps = np.flatnonzero(np.abs(np.diff(ear, prepend=self._last)) > self.threshold)
        self._last = ear[-1]
        for jump in jumps:
            when_s = adc_s + jump / RATE_HZ
            if when_s <= self._deaf_until_s:
                continue
            self._deaf_until_s = when_s + self.deaf_s
            delay_s = self.delays_s[self.heard % len(self.delays_s)]
            self.heard += 1
            self._landings += [[when_s + delay_s + after_s, gain, None] for after_s, gain in self.feet]

    def _stamp_down(self, landing, out, dac_s: float) -> None:
        when_s, gain, first = landing
        if first is None:
            first = max(self._frame, self._frame + round((when_s - dac_s) * RATE_HZ))
            if first >= self._frame + len(out):
                return  # planned anew in a later block, by that block's own stamp
            landing[2] = first
        start, end = max(first, self._frame), min(first + self.thud.size, self._frame + len(out))
        out[start - self._frame : end - self._frame] += gain * self.thud[start - first : end - first]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("delay_ms", type=float, nargs="*", default=[130.0], help="contact to first foot, used in turn")
    parser.add_argument("--second-foot", type=float, action="append", default=[], help="ms after the first")
    parser.add_argument("--first-step", type=float, action="append", default=[], help="ms after the first foot")
    parser.add_argument("--threshold", type=float, default=0.06, help="jump from sample to sample that is a contact")
    parser.add_argument("--deaf-s", type=float, default=0.5, help="after a contact nothing is one for so long")
    parser.add_argument("--noise-db", type=float, help="noise at the microphone, re full scale; none if not given")
    parser.add_argument("--device", default="dt_player")
    options = parser.parse_args()
    player = RoomPlayer(options)
    stop = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: stop.set())
    import sounddevice

    with sounddevice.Stream(
        device=options.device,
        samplerate=RATE_HZ,
        channels=1,
        dtype="float32",
        blocksize=0,
        latency=LATENCY_S,
        callback=player.callback,
    ):
        print("ready", flush=True)
        stop.wait()
    with contextlib.suppress(BrokenPipeError):
        print(f"heard {player.heard}", flush=True)


if __name__ == "__main__":
    main()
