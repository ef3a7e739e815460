"""The queue of sounds that are due, turned into blocks of frames.

The mixer has no clock. It is asked for frames by number and gives the same samples for a frame however the frames are
cut into blocks.
"""

from __future__ import annotations

import math
from bisect import insort
from collections import deque
from dataclasses import dataclass
from heapq import heappop, heappush
from itertools import count
from operator import attrgetter

import numpy as np

from drilltimer.model import Samples, Sound
from drilltimer.units import ratio_from_db

MASTER_DB = -5.0  # a contact, rendered at -1 dBFS, leaves at -6 dBFS; the rest is room for a call on top of it
LIMIT_KNEE = 0.9  # below, the limiter changes nothing
LIMIT_CEILING = 1.0


@dataclass(frozen=True, slots=True)
class _Placed:
    """A sound on the output's frames, already panned and weighted: shape (n, 1 or 2)."""

    start: int
    end: int
    order: int  # of adding: sums in this order round the same way however the frames are cut
    samples: Samples


_BY_ORDER = attrgetter("order")


class Mixer:
    """Frame-addressed mixer for one thread that adds and one audio callback that mixes.

    Parameters
    ----------
    rate_hz : int
        Rate of the output; sounds must come at this rate.
    channels : int
        Output channels. Sounds go to the first two; a single channel ignores pan.

    Notes
    -----
    There is no lock, because a callback that waits for one can miss its block. The two threads share a `deque`, whose
    `append` and `popleft` are atomic; everything else belongs to one of them alone. Gain, pan and copying are
    done by the thread that adds, so that the callback only slices and sums.
    """

    def __init__(self, rate_hz: int, channels: int) -> None:
        if channels < 1:
            raise ValueError(f"an output needs at least one channel, not {channels}")
        self.rate_hz = rate_hz
        self.channels = channels
        self._orders = count()
        self._arriving: deque[_Placed | None] = deque()  # None: forget all that came before
        # The callback's own. A session planned an hour ahead waits in the heap and costs a block nothing.
        self._waiting: list[tuple[int, int, _Placed]] = []  # a heap by start
        self._playing: list[_Placed] = []  # by order of adding
        self._master_db = MASTER_DB
        self._master = np.float32(ratio_from_db(MASTER_DB))

    @property
    def master_db(self) -> float:
        """Gain of the whole output in dB; by default -5, so that a contact peaks at -6 dBFS. Takes effect at once."""
        return self._master_db

    @master_db.setter
    def master_db(self, gain_db: float) -> None:
        self._master_db = gain_db
        self._master = np.float32(ratio_from_db(gain_db))

    def add(self, start: int, sound: Sound, pan: float = 0.0, gain_db: float = 0.0) -> None:
        """Place `sound` so that its first sample is frame `start` of the output.

        Parameters
        ----------
        start : int
            May lie in the past: what is left of the sound is played.
        sound : Sound
            At the mixer's rate.
        pan : float
            -1 left to +1 right at constant power: each side at 0 dB in the middle, +3 dB when alone. Ignored on a
            single channel.
        gain_db : float
            On top of the master gain.

        Raises
        ------
        ValueError
            The sound has another rate, or the pan is out of range.
        """
        if sound.rate_hz != self.rate_hz:
            raise ValueError(f"sound '{sound.name}' is at {sound.rate_hz} Hz, the mixer at {self.rate_hz} Hz")
        if not -1.0 <= pan <= 1.0:
            raise ValueError(f"pan must lie between -1 and 1, not {pan}")
        gains = np.float32(ratio_from_db(gain_db)) * _pan_gains(pan, self.channels)
        samples = np.multiply(sound.samples[:, np.newaxis], gains, dtype=np.float32)
        self._arriving.append(_Placed(start, start + len(samples), next(self._orders), samples))

    def clear(self) -> None:
        """Forget every sound added so far, and cut what sounds; what is added later is played."""
        self._arriving.append(None)

    def mix(self, start: int, frames: int, out: Samples | None = None) -> Samples:
        """Frames `start` to `start + frames` of the output.

        Sounds that have ended before `start` are forgotten, so frames must be asked for in rising order.

        Parameters
        ----------
        out : float32 array, shape (frames, channels), optional
            Written over and returned; without it a new array is made.

        Returns
        -------
        float32 array, shape (frames, channels)
            Never beyond +-1.
        """
        block = np.empty((frames, self.channels), dtype=np.float32) if out is None else out
        block.fill(0.0)
        end = start + frames
        self._admit(end)
        ended = False
        for placed in self._playing:
            first, last = max(placed.start, start), min(placed.end, end)
            if first < last:
                part = placed.samples[first - placed.start : last - placed.start]
                block[first - start : last - start, : part.shape[1]] += part
            ended = ended or placed.end <= end
        if ended:
            self._playing = [placed for placed in self._playing if placed.end > end]
        block *= self._master
        limit(block)
        return block

    def _admit(self, end: int) -> None:
        """Take over what was added since the last block, and set playing what begins before frame `end`."""
        while self._arriving:
            placed = self._arriving.popleft()
            if placed is None:
                self._waiting, self._playing = [], []
                continue
            heappush(self._waiting, (placed.start, placed.order, placed))
        while self._waiting and self._waiting[0][0] < end:
            insort(self._playing, heappop(self._waiting)[2], key=_BY_ORDER)


def limit(block: Samples) -> None:
    """Bend `block`, in place, so that nothing leaves +-1; samples within +-0.9 stay as they are.

    The limiter has no memory, so cutting the frames into other blocks cannot change a sample. The bend is a ratio
    and not a tanh: additions and divisions round the same way in every vector width, transcendental functions need not.
    """
    if block.size == 0 or (block.max() <= LIMIT_KNEE and block.min() >= -LIMIT_KNEE):
        return
    room = np.float32(LIMIT_CEILING - LIMIT_KNEE)
    over = np.maximum(np.abs(block) - np.float32(LIMIT_KNEE), 0.0) / room
    bent = np.float32(LIMIT_KNEE) + room * (over / (1.0 + over))
    np.minimum(bent, np.float32(LIMIT_CEILING), out=bent)
    np.copyto(block, np.copysign(bent, block), where=over > 0.0)


def _pan_gains(pan: float, channels: int) -> Samples:
    """Gain per channel, shape (1,) for one channel, else (2,): the squares always sum to 2."""
    if channels == 1:
        return np.ones(1, dtype=np.float32)
    angle = (pan + 1.0) * math.pi / 4.0
    return (math.sqrt(2.0) * np.array([math.cos(angle), math.sin(angle)])).astype(np.float32)
