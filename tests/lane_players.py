"""Two players in the virtual room, a lane and a microphone each; each lane is heard in the other, later and softer.

A process of its own, sharing no code with the program it tests. It prints "ready" when its stream runs.

    python tests/lane_players.py 130 190 --noise-db -66

lands in the first lane 130 ms and in the second 190 ms after each contact.
"""

from __future__ import annotations

import argparse
import contextlib
import signal
import threading

import numpy as np
from room_player import LATENCY_S, RATE_HZ, RoomPlayer

CROSSTALK = 0.25  # -12 dB
LATE_FRAMES = 420  # three metres


class LanePlayers:
    """Two `RoomPlayer`s on one stream; `callback` belongs to PortAudio's thread."""

    def __init__(self, options: argparse.Namespace) -> None:
        self.players = []
        for delay_ms in options.delay_ms:
            own = argparse.Namespace(**{**vars(options), "delay_ms": [delay_ms], "second_foot": [], "first_step": []})
            self.players.append(RoomPlayer(own))
        self._late = np.zeros((LATE_FRAMES, 2))

    def callback(self, ear, feet, frames, stamps, flags) -> None:
        own = np.zeros((frames, 2))
        for lane, player in enumerate(self.players):
            player.callback(ear, own[:, lane : lane + 1], frames, stamps, flags)
        joined = np.concatenate([self._late, own])
        feet[:] = own + CROSSTALK * joined[:frames, ::-1]
        self._late = joined[frames:]


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("delay_ms", type=float, nargs=2)
    parser.add_argument("--threshold", type=float, default=0.06)
    parser.add_argument("--deaf-s", type=float, default=0.5)
    parser.add_argument("--noise-db", type=float)
    players = LanePlayers(parser.parse_args())
    import sounddevice

    ended = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: ended.set())
    with sounddevice.Stream(
        device="dt_lane_players", samplerate=RATE_HZ, channels=(1, 2), dtype="float32", blocksize=0,
        latency=LATENCY_S, callback=players.callback,
    ):  # fmt: skip
        print("ready", flush=True)
        with contextlib.suppress(KeyboardInterrupt):
            ended.wait()


if __name__ == "__main__":
    main()
