"""Frames on their way from PortAudio's thread to the reader: a preallocated ring with one writer and one reader.

Notes
-----
A full ring drops what arrives, never what waits: the writer then touches no frame that the reader may be copying, so
neither needs a lock. The reader sees the gap in the frame numbers and hands it out as silence marked `xrun`, which
keeps the clock whole.
"""

from __future__ import annotations

from collections import deque

import numpy as np

from drilltimer.model import Block, Samples


class Ring:
    """Blocks heard and played, in order.

    Parameters
    ----------
    capacity : int
        Frames that fit.
    """

    def __init__(self, capacity: int, input_channels: int, output_channels: int) -> None:
        self._heard: Samples = np.zeros((capacity, input_channels), np.float32)
        self._played: Samples = np.zeros((capacity, output_channels), np.float32)
        self._marks: deque[tuple[int, int, bool]] = deque()  # start, frames, xrun of every block that waits
        self._stored = 0  # frames ever stored; changed by the writer alone
        self._taken = 0  # frames ever taken; changed by the reader alone
        self._next = 0  # frame number that the reader is due
        self._dropped = False

    def write(self, start: int, heard: Samples, played: Samples, xrun: bool) -> bool:
        """Store one block; False when there was no room and it was dropped.

        Parameters
        ----------
        start : int
            Frame number of its first frame.
        heard, played : float32 arrays, shapes (n, input channels) and (n, output channels)
            Of the same frames; played is what left, and is heard later.
        xrun : bool
            Sound was lost in or just before it.
        """
        frames = len(heard)
        if frames > len(self._heard) - (self._stored - self._taken):
            self._dropped = True
            return False
        _put(self._heard, self._stored, heard)
        _put(self._played, self._stored, played)
        self._stored += frames
        self._marks.append((start, frames, xrun or self._dropped))  # last: the reader goes by the marks
        self._dropped = False
        return True

    def read(self, at_least: int, *, rest: bool = False) -> Block | None:
        """Next `at_least` frames or a little more, never splitting a written block; None while there are fewer.

        With `rest`, for a stream that has ended, fewer will do.
        A block marked `xrun` is never appended to a clean one, so that the loss lies at a block's beginning; the
        clean block before it may be short.
        """
        count = len(self._marks)
        if not count:
            return None
        start, frames, xrun = self._marks[0]
        if start > self._next:
            return self._gap(min(start - self._next, at_least))
        used, cut = 1, False
        while frames < at_least and used < count and not cut:
            cut = self._marks[used][2]
            if not cut:
                frames += self._marks[used][1]
                used += 1
        if frames < at_least and not cut and not rest:
            return None
        return self._take(start, frames, xrun, used)

    def _take(self, start: int, frames: int, xrun: bool, marks: int) -> Block:
        block = Block(start, _get(self._heard, self._taken, frames), _get(self._played, self._taken, frames), xrun)
        for _ in range(marks):
            self._marks.popleft()
        self._taken += frames  # last: from here the writer may overwrite
        self._next = start + frames
        return block

    def _gap(self, frames: int) -> Block:
        start, self._next = self._next, self._next + frames
        heard = np.zeros((frames, self._heard.shape[1]), np.float32)
        played = np.zeros((frames, self._played.shape[1]), np.float32)
        return Block(start, heard, played, xrun=True)


def _put(ring: Samples, position: int, block: Samples) -> None:
    at = position % len(ring)
    before_end = min(len(block), len(ring) - at)
    ring[at : at + before_end] = block[:before_end]
    ring[: len(block) - before_end] = block[before_end:]


def _get(ring: Samples, position: int, frames: int) -> Samples:
    at = position % len(ring)
    if at + frames <= len(ring):
        return ring[at : at + frames].copy()
    return np.concatenate([ring[at:], ring[: at + frames - len(ring)]])
