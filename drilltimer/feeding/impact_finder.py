"""Every beginning of a sound in a stream, with the figures by which kinds of impact are told apart.

`onsets` finds rises in a segment; here segments follow each other, each overlapping the last, so that noise and
whitening are those of the seconds around and a rise is reported once. The first segment begins when the first second is
complete.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from drilltimer.feeding.reverberation import PowerTrack
from drilltimer.hear.ear import Segment
from drilltimer.hear.listen import SampleBuffer
from drilltimer.hear.onsets import OnsetCandidate, OnsetCandidates, find_candidates, lateness_ms, scatter_ms
from drilltimer.hear.picture import filtered, running_energy
from drilltimer.model import Block
from drilltimer.units import frames_from_s

TAKE_S = 6.0
HOP_S = 1.0
AHEAD_S = 0.3  # a rise is reported when this much is known after it: decay and picker need it
LEAST_STRENGTH = 0.5  # below, nearly all rises are noise
DECAY_EDGES_S = (-0.0003, 0.003, 0.008, 0.020, 0.050, 0.110)
BEFORE_S = (-0.020, -0.002)
LEAST_LEFT = 0.05  # of a stretch's power that is its own, whatever was there before
RUMBLE_HZ = 80.0
SHADOW_S = 0.09  # a louder sound so shortly before casts echoes
TRACK_S = 6.0  # of band powers kept: a contact is judged at most 4 s late
OWN_SOUND_S = 0.45  # what we play is heard at most so much later
LEVEL = 0  # place of the level among the features


@dataclass(frozen=True, slots=True)
class Impact:
    """Beginning of a sound in the stream.

    Parameters
    ----------
    at : float
        Stream frame.
    strength : float
        As of an `OnsetCandidate`.
    late_ms, scatter_ms : float
        By how much its beginning is usually picked too late, and one sigma about that.
    level_db : float
        Power of its first 14 ms, over what was there before.
    features : float array, shape (17,)
        Level (in 6 dB), colour (8, in 6 dB), strength, contrast, decay (4, in 5 dB), attack, and how much louder a
        sound just before was; each scaled so that one unit is about a spread within a class.
    """

    at: float
    strength: float
    late_ms: float
    scatter_ms: float
    level_db: float
    features: np.ndarray


class ImpactFinder:
    """Cuts a stream into segments and tells what begins in each.

    Parameters
    ----------
    channels : int
        Microphones; the one in which the first sounds stand out most is listened to from then on.
    track_s : float
        How much of the band powers is kept.
    """

    def __init__(self, rate_hz: float, channels: int = 1, track_s: float = TRACK_S) -> None:
        self._rate_hz = rate_hz
        self._buffer = SampleBuffer(rate_hz)
        self._channel: int | None = None if channels > 1 else 0
        self._origin: int | None = None
        self._recent: list[tuple[float, float]] = []  # frame and level of the last impacts
        self._own: list[tuple[int, int]] = []  # stretches in which we ourselves were sounding
        self.until = 0  # every impact before this frame has been told
        self.broken: list[tuple[int, int]] = []  # stretches in which sound was lost
        self.track = PowerTrack(rate_hz, track_s)

    def feed(self, block: Block) -> list[list[Impact]]:
        """Take the next block; one list for each hop that is now complete."""
        if self._origin is None:
            self._origin = self.until = self._buffer.end = block.start
        self._note_own(block)
        self._buffer.feed(block)
        return list(self._hops(final=False))

    def finish(self) -> list[list[Impact]]:
        """What the end of the sound still holds."""
        return [] if self._origin is None else list(self._hops(final=True))

    def _hops(self, *, final: bool) -> list[list[Impact]]:
        hop, ahead = frames_from_s(HOP_S, self._rate_hz), frames_from_s(AHEAD_S, self._rate_hz)
        told = []
        while self.until + hop + ahead <= self._buffer.end or (final and self.until < self._buffer.end):
            told.append(self._hop(self.until, self.until + hop))
            self.until += hop
            self._buffer.forget(self.until + hop + ahead - frames_from_s(TAKE_S, self._rate_hz))
        return told

    def _hop(self, first: int, last: int) -> list[Impact]:
        """Impacts that begin in these frames."""
        end = last + frames_from_s(AHEAD_S, self._rate_hz)
        begin = max(self._origin or 0, end - frames_from_s(TAKE_S, self._rate_hz))
        segment = self._buffer.cut(begin, min(end, self._buffer.end))
        if segment.broken:
            self.broken.append((first, last))
        if segment.heard.shape[1] < 2 * round(HOP_S * segment.rate_hz) // 3:
            return []
        channel = self._choose(segment.heard, segment.rate_hz)
        heard = segment.heard[channel]
        found = find_candidates(heard, [], segment.rate_hz)
        self._keep_powers(found, segment, first, last)
        candidates = [candidate for candidate in found.candidates if candidate.strength >= LEAST_STRENGTH]
        candidates = [candidate for candidate in candidates if first <= segment.frame(candidate.at) < last]
        candidates = [candidate for candidate in candidates if not self._is_own(segment.frame(candidate.at))]
        decays = decay_db(heard, candidates, segment.rate_hz)
        return [
            self._impact(segment.frame(candidate.at), candidate, decay)
            for candidate, decay in zip(candidates, decays, strict=True)
        ]

    def _keep_powers(self, found: OnsetCandidates, segment: Segment, first: int, last: int) -> None:
        at = segment.start + (found.middle + np.arange(found.logs.shape[1]) * found.hop) * segment.step
        new = (at >= first) & (at < last)
        self.track.put(at[new], found.logs[:, new])

    def _impact(self, at: float, candidate: OnsetCandidate, decay: np.ndarray) -> Impact:
        level_db = candidate.level_db
        self._recent = [each for each in self._recent if at - each[0] < SHADOW_S * self._rate_hz]
        louder_db = max((level - level_db for _, level in self._recent), default=-30.0)
        self._recent.append((at, level_db))
        features = np.concatenate(
            [
                [level_db / 6.0],
                np.clip(candidate.colour_db - level_db, -40.0, 0.0) / 6.0,
                [3.0 * np.log(candidate.strength), np.log(np.clip(candidate.contrast, 0.3, 3e4))],
                np.clip(decay[1:] - decay[0], -40.0, 20.0) / 5.0,
                [np.clip(decay[0] - level_db, -25.0, 25.0) / 5.0, np.clip(louder_db, -25.0, 25.0) / 10.0],
            ]
        )
        return Impact(at, candidate.strength, lateness_ms(candidate), scatter_ms(candidate), level_db, features)

    def _choose(self, heard: np.ndarray, rate_hz: float) -> int:
        if self._channel is None:
            sums = [
                sum(candidate.strength for candidate in find_candidates(each, [], rate_hz).candidates) for each in heard
            ]
            self._channel = int(np.argmax(sums))
        return self._channel

    def _note_own(self, block: Block) -> None:
        sounding = np.flatnonzero(np.abs(block.played).max(axis=1, initial=0.0) > 0.0)
        if len(sounding):
            last = block.start + int(sounding[-1]) + frames_from_s(OWN_SOUND_S, self._rate_hz)
            self._own.append((block.start + int(sounding[0]), last))
        reach = frames_from_s(TAKE_S, self._rate_hz)
        self._own = [each for each in self._own if each[1] > block.start - reach]

    def _is_own(self, at: float) -> bool:
        return any(first <= at < last for first, last in self._own)


def decay_db(heard: np.ndarray, candidates: list[OnsetCandidate], rate_hz: float) -> np.ndarray:
    """Power between `DECAY_EDGES_S` after each rise over what was there before; shape (rises, 5)."""
    if not candidates:
        return np.zeros((0, len(DECAY_EDGES_S) - 1))
    audible = filtered(heard, "highpass", (RUMBLE_HZ,), rate_hz)
    energy = running_energy(audible)
    at = np.array([candidate.at for candidate in candidates])

    def power(from_s: float, to_s: float) -> np.ndarray:
        first = np.clip((at + from_s * rate_hz).astype(int), 0, len(heard))
        last = np.clip((at + to_s * rate_hz).astype(int), 0, len(heard))
        return np.asarray((energy[last] - energy[first]) / np.maximum(last - first, 1))

    before = power(*BEFORE_S)
    spans = [power(a, b) for a, b in pairwise(DECAY_EDGES_S)]
    return np.asarray([10.0 * np.log10(np.maximum(p - before, LEAST_LEFT * p) + 1e-13) for p in spans]).T
