"""A sound card, a loudspeaker, a room, a microphone and a player in one: the stream that needs no hardware."""

from __future__ import annotations

import time
from bisect import bisect_right
from collections.abc import Callable, Sequence
from itertools import cycle

import numpy as np
from numpy.typing import NDArray

from drilltimer.errors import notice
from drilltimer.model import Block, Cue, Health, Rep, Samples, Sound
from drilltimer.sim.acoustics import LEAD
from drilltimer.sim.air import Air, Distractor
from drilltimer.sim.convolve import TAIL_FRAMES
from drilltimer.sim.performance import Performance, RepTruth
from drilltimer.sim.player import SKILLS, SimulatedPlayer
from drilltimer.sim.recorder import GAIN_STEP, REACH, Recorder
from drilltimer.sim.settings import PRESETS, RoomSettings
from drilltimer.sound.mixer import Mixer
from drilltimer.units import frames_from_s, s_from_frames

Wave = NDArray[np.float64]

SHORTEST_ROUND_TRIP_S = 0.005


class SimulatedRoom:
    """An `AudioStream` whose sound card, air and player are computed.

    Parameters
    ----------
    seed : int
        Of the room, its noise and its neighbours; the player has its own.
    block_frames : int or sequence of int
        Frames per `read`; a sequence is gone through again and again. What is heard does not depend on it.
    speed : float
        0 reads as fast as it can be computed, 1 in real time, 4 four times as fast.
    now, sleep : callable
        Clock and sleep in seconds, for `speed` alone.

    Raises
    ------
    ValueError
        The round trip is shorter than 5 ms.
    """

    def __init__(
        self,
        settings: RoomSettings = PRESETS["quiet"],
        player: SimulatedPlayer | None = None,
        seed: int = 0,
        *,
        rate_hz: int = 48000,
        output_channels: int = 1,
        block_frames: int | Sequence[int] = 1024,
        speed: float = 0.0,
        now: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        if settings.round_trip_s < SHORTEST_ROUND_TRIP_S:
            raise ValueError(f"a round trip of {settings.round_trip_s} s is shorter than {SHORTEST_ROUND_TRIP_S} s")
        self.settings = settings
        self.rate_hz = rate_hz
        self.input_channels = settings.input_channels
        self.output_channels = output_channels
        self._round_trip = frames_from_s(settings.round_trip_s, rate_hz)
        self._step = _step_frames(self._round_trip)
        self._air = Air(settings, rate_hz, seed, self._step)
        self._performance = Performance(player or SimulatedPlayer(SKILLS["club"], seed), self._air, seed)
        self._recorder = Recorder(self._render, settings, 0.0, 1.0 / (1.0 + settings.clock_ppm * 1e-6))
        self._losses = _Losses(settings, rate_hz, seed, self._step)
        self._mixer = Mixer(rate_hz, output_channels)
        self._emitted = _Queue(np.zeros(self._round_trip - LEAD))
        self._heard: list[Samples] = []
        self._heard_frames = 0
        self._faults: list[int] = []  # frames before which sound was lost and the card says so
        self._position = 0
        self._block_frames = cycle([block_frames] if isinstance(block_frames, int) else block_frames)
        self._blocks = self._xruns = 0
        self._speed, self._now, self._sleep = speed, now, sleep
        self._started_s = 0.0

    def start(self) -> None:
        """Begin; the first block starts at frame 0."""
        self._started_s = self._now()

    def play(self, start: int, sound: Sound, cue: Cue, rep: Rep | None = None) -> None:
        """Add `sound` to the output from frame `start` on; at the first cue of a rep the player makes a plan."""
        self._mixer.add(start, sound, cue.pan, cue.gain_db)
        if rep is not None:
            self._performance.hear(self._emitted_at(start), sound, cue, rep)

    def silence(self) -> None:
        """Drop what has not sounded yet; the player forgets what was not asked yet, feet in the air still land."""
        self._mixer.clear()
        self._performance.forget(self._emitted_at(self._position))

    def read(self) -> Block:
        """What the microphone hears while the next frames are played, at the pace of the clock if one is set."""
        frames, start = next(self._block_frames), self._position
        played = self._mixer.mix(start, frames)
        self._emit(start, played)
        while self._heard_frames < frames:
            self._record_step()
        self._position += frames
        self._pace()
        fault = any(start <= frame < start + frames for frame in self._faults)
        self._faults = [frame for frame in self._faults if frame >= start + frames]
        self._blocks += 1
        self._xruns += fault
        return Block(start, self._take_heard(frames), played, fault)

    def health(self) -> Health:
        """Counts so far; nothing a real sound card could not know."""
        return Health(blocks=self._blocks, xruns=self._xruns, notes=(notice("simulated"),))

    def close(self) -> None:
        """Nothing to give back."""

    @property
    def truth(self) -> list[RepTruth]:
        """What really happened in every rep whose first cue was handed over, in order."""
        return self._performance.truth(self._recorder.frame_of)

    @property
    def distractors(self) -> list[Distractor]:
        """Sounds that were no landing, so far; their frames are frames of the microphone signal."""
        return [
            Distractor(each.kind, self._recorder.frame_of(each.at), each.level_db) for each in self._air.distractors
        ]

    def _emitted_at(self, frame: int) -> float:
        """Air frame in which an output frame leaves the loudspeaker."""
        return frame + self._round_trip + self._losses.lost_before(frame)

    def _emit(self, start: int, played: Samples) -> None:
        mono = played.mean(axis=1, dtype=np.float64)
        done = 0
        for frame in self._losses.between(start, start + len(mono)):
            self._emitted.push(mono[done : frame - start])
            self._emitted.push(np.zeros(self.settings.lost_frames))
            done = frame - start
        self._emitted.push(mono[done:])

    def _render(self) -> Wave:
        return self._air.render(self._emitted.pull(self._step))

    def _record_step(self) -> None:
        frame = self._recorder.frame
        if self._losses.between(frame, frame + 1):
            self._recorder.skip(self.settings.lost_frames)
            if self.settings.lost_flagged:
                self._faults.append(frame)
        # How far the loudspeaker is ahead, by the clocks alone: what happens to lie in a queue depends on the blocks.
        ahead = self._emitted_at(frame) - self._recorder.air_frame
        if ahead < self._step + LEAD + 2 * REACH + 2 and self.settings.clock_ppm:
            heard = self._recorder.pad(self._step)  # the microphone's clock is slow: the card has nothing to give
            self._faults.append(frame)
        else:
            if ahead > 2 * self._round_trip + self._step:
                self._recorder.skip(self._round_trip)  # it is fast: the card's buffer runs over
                self._faults.append(frame)
            heard = self._recorder.record(self._step)
        self._heard.append(heard)
        self._heard_frames += len(heard)

    def _take_heard(self, frames: int) -> Samples:
        joined = np.concatenate(self._heard) if len(self._heard) > 1 else self._heard[0]
        self._heard = [joined[frames:]]
        self._heard_frames = len(joined) - frames
        return joined[:frames]

    def _pace(self) -> None:
        if self._speed > 0.0:
            due_s = self._started_s + s_from_frames(self._position, self.rate_hz) / self._speed
            wait_s = due_s - self._now()
            if wait_s > 0.0:
                self._sleep(wait_s)


class _Losses:
    """Where the sound card loses frames: drawn ahead, so that every part of the room can know."""

    def __init__(self, settings: RoomSettings, rate_hz: int, seed: int, step: int) -> None:
        self._rng = np.random.default_rng([seed % 2**32, 7])
        self._mean_wait_s = 60.0 / settings.lost_per_min if settings.lost_per_min > 0.0 else 0.0
        self._lost_frames = settings.lost_frames
        self._rate_hz = rate_hz
        self._step = step
        self._frames: list[int] = []

    def lost_before(self, frame: int) -> int:
        """Frames lost up to output or input frame `frame`, which comes after a loss at that very place."""
        self._draw_beyond(frame)
        return self._lost_frames * bisect_right(self._frames, frame)

    def between(self, start: int, end: int) -> list[int]:
        """Frames from `start` to below `end` before which something is lost."""
        self._draw_beyond(end)
        return self._frames[bisect_right(self._frames, start - 1) : bisect_right(self._frames, end - 1)]

    def _draw_beyond(self, frame: int) -> None:
        while self._mean_wait_s and (not self._frames or self._frames[-1] <= frame):
            wait = frames_from_s(self._rng.exponential(self._mean_wait_s), self._rate_hz)
            steps = wait // self._step + 1  # losses fall between steps, as they fall between a driver's buffers
            self._frames.append((self._frames[-1] if self._frames else 0) + steps * self._step)


class _Queue:
    """First in, first out, for samples."""

    def __init__(self, samples: Wave) -> None:
        self._pieces = [samples]

    def push(self, samples: Wave) -> None:
        self._pieces.append(samples)

    def pull(self, frames: int) -> Wave:
        joined = np.concatenate(self._pieces)
        if len(joined) < frames:
            raise AssertionError("the air was asked for sound that is not played yet")
        self._pieces = [joined[frames:]]
        return joined[:frames]


def _step_frames(round_trip: int) -> int:
    """Longest power of two that the air can be computed ahead without needing sound that is not played yet."""
    longest = min(TAIL_FRAMES, (round_trip - LEAD - REACH - 2) // 2)
    return max(GAIN_STEP, 1 << (longest.bit_length() - 1))
