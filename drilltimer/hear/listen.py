"""The listener: blocks in, reps heard out. The same for a live stream and for a recording, whatever the block size.

Sound is kept, recorded and played side by side, until a rep's range is complete, and then cut at the analysis rate. A
segment that is known to be asked for is brought to that rate while its sound comes in: a rep's answer must not wait for
seconds of sound to be resampled. It is the same segment whatever the blocks' size.

The analysis rate is about 16 kHz (48 / 3; 14.7 from 44.1, 16 from 96): cues and landings live below 7 kHz, a whole-
number step keeps frames exact, and the fits cost a ninth.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from functools import lru_cache

import numpy as np

from drilltimer.hear.ear import Ear, Opinion, Segment
from drilltimer.hear.locate import SETTLED, ClockLine
from drilltimer.hear.net import load_net
from drilltimer.hear.picture import added_up
from drilltimer.model import Block, Expectation, Heard, Landing, LandingSound, Onset, Samples
from drilltimer.units import frames_from_s, ms_from_s

ANALYSIS_RATE_HZ = 14_000  # lowest rate worth analysing at: landings and cues alike live below 7 kHz
REACH = 10  # samples of the segment that the low-pass reaches to either side
STOP_BETA = 8.0  # of its Kaiser window: 80 dB
AT_ONCE = 1024  # samples of the segment to be resampled in one go, while nobody waits for them

BEFORE_S = 0.4  # noise heard before a rep opens
AFTER_S = 0.02  # heard after it, for a rise at its very end
AHEAD_S = 0.2  # before a rep's end its contact is located and a new room learned, so that the answer is not late
SEEK_S = 0.02  # after a contact's latest end, for the filters' sake
EARLIER_S, LATER_S = 0.03, 0.005  # about a settled lag; an answer waits for the later sound
LIVE_LAGS_S = (-0.005, 0.6)  # round trips from an ideal loop to a slow wireless loudspeaker
STILL_DB = -100.0  # half of 16 bits' last step: no microphone is so still


class SampleBuffer:
    """Keeps blocks until told that they are no longer needed. Memory is bounded by what is kept."""

    def __init__(self, rate_hz: float) -> None:
        self._rate_hz = rate_hz
        self._step = max(1, int(rate_hz // ANALYSIS_RATE_HZ))
        self._blocks: deque[Block] = deque()
        self._begun: int | None = None  # frame at which the segment begins that is being resampled, ...
        self._parts: list[np.ndarray] = []  # ... what is ready of it, each of shape (rows, samples), ...
        self._ready = 0  # ... and how many samples that is
        self.end = 0  # frame after the last one fed

    @property
    def start(self) -> int:
        """First frame still held."""
        return self._blocks[0].start if self._blocks else self.end

    def feed(self, block: Block) -> None:
        """Append a block; blocks must follow each other without a gap."""
        if self._blocks and block.start != self.end:
            raise ValueError(f"block starts at frame {block.start}, expected {self.end}")
        self._blocks.append(block)
        self.end = block.start + len(block.samples)
        if self._begun is not None and self._whole(self._begun, self.end) - self._ready >= AT_ONCE:
            self._go_on(self._begun, self.end)

    def forget(self, before: int) -> None:
        """Drop blocks that end at or before a frame."""
        while self._blocks and self._blocks[0].start + len(self._blocks[0].samples) <= before:
            self._blocks.popleft()

    def begin(self, first: int | None) -> None:
        """Resample from this frame on while sound comes in: a segment that begins here will be cut; None: none will."""
        if first != self._begun:
            self._begun, self._parts, self._ready = first, [], 0

    def cut(self, first: int, last: int) -> Segment:
        """Segment of the frames `first` to `last`, silent where nothing was recorded, at the analysis rate."""
        samples = self.samples(first, last)
        sound = np.zeros((self._rows, samples))
        ready = 0
        if first == self._begun:
            self._go_on(first, last)
            for part in self._parts:
                piece = part[:, : max(0, self._whole(first, last) - ready)]
                sound[:, ready : ready + piece.shape[1]] = piece
                ready += piece.shape[1]
        sound[:, ready:] = self._resampled(first, ready, samples, last)
        here = [block for block in self._blocks if block.start < last and block.start + len(block.samples) > first]
        return Segment(
            sound[:-1],
            sound[-1],
            first,
            self._step,
            self._rate_hz / self._step,
            any(block.xrun for block in here),
            _clips([block.samples[max(0, first - block.start) : last - block.start] for block in here]),
        )

    def samples(self, first: int, last: int) -> int:
        """How many a segment of these frames has."""
        return -(-(last - first) // self._step)

    @property
    def _rows(self) -> int:
        """A row for each microphone, and the last one for what was played."""
        return 1 + (self._blocks[0].samples.shape[1] if self._blocks else 1)

    def _whole(self, first: int, last: int) -> int:
        """How many samples of a segment that begins at `first` do not depend on what comes after `last`."""
        return self.samples(first, last) - (REACH if self._step > 1 else 0)

    def _go_on(self, first: int, last: int) -> None:
        """Resample what is complete of the segment that was begun."""
        whole = self._whole(first, min(last, self.end))
        if whole > self._ready:
            self._parts.append(self._resampled(first, self._ready, whole, min(last, self.end)))
            self._ready = whole

    def _resampled(self, first: int, begin: int, end: int, last: int) -> np.ndarray:
        """Samples `begin` to `end` of a segment that begins at a frame, as all before `last` make them."""
        from scipy.signal import upfirdn

        if self._step == 1 or begin >= end:
            return self._frames(first + begin, first + max(begin, end), first, last)
        low, high = first + (begin - REACH) * self._step, first + (end - 1 + REACH) * self._step + 1
        around = self._frames(low, high, first, last)
        return np.asarray(upfirdn(_low_pass(self._step), around, 1, self._step)[:, 2 * REACH : 2 * REACH + end - begin])

    def _frames(self, begin: int, end: int, first: int, last: int) -> np.ndarray:
        """Frames `begin` to `end`, silent before `first` and from `last` on; shape (rows, frames)."""
        frames = np.zeros((self._rows, end - begin))
        for block in self._blocks:
            a, b = max(begin, first, block.start), min(end, last, block.start + len(block.samples))
            if a < b:
                inside = slice(a - block.start, b - block.start)
                frames[:-1, a - begin : b - begin] = block.samples[inside].T
                frames[-1, a - begin : b - begin] = added_up(block.played[inside])
        return frames


@lru_cache(maxsize=8)
def _low_pass(step: int) -> np.ndarray:
    from scipy.signal import firwin

    return np.asarray(firwin(2 * REACH * step + 1, 1.0 / step, window=("kaiser", STOP_BETA)))


def _clips(pieces: list[Samples]) -> bool:
    """More than a cue's worth of overdrive: one loud cue may clip without hiding a landing elsewhere."""
    peak = max((max(float(piece.max(initial=0.0)), -float(piece.min(initial=0.0))) for piece in pieces), default=0.0)
    if peak <= 0.98:
        return False
    clipped = sum(int(np.count_nonzero(np.abs(piece) >= 0.999 * peak)) for piece in pieces)
    return clipped > 0.02 * sum(piece.size for piece in pieces)


class Listener:
    """Hears contacts and landings.

    Parameters
    ----------
    channels : int
        Input channels; each is heard by itself, and the one in which a rep is clearest speaks for it.
    lags_s : pair of float
        Least and greatest time after which the microphone may hear what was played.
    ears : list of Ear, optional
        What another listener has learned, to go on with.
    known_lag_s : float, optional
        The lag, when something else has measured it: a contact that cannot be heard is then put there.
    landings : sequence of sequences of LandingSound
        For each channel, the player's landings as heard there before; empty when none are known.
    """

    def __init__(
        self,
        rate_hz: int,
        channels: int = 1,
        lags_s: tuple[float, float] = LIVE_LAGS_S,
        ears: list[Ear] | None = None,
        known_lag_s: float | None = None,
        landings: Sequence[Sequence[LandingSound]] = (),
    ) -> None:
        _load_ahead()
        self.rate_hz = rate_hz
        step = max(1, rate_hz // ANALYSIS_RATE_HZ)
        self.ears = ears or [Ear(rate_hz / step, rate_hz) for _ in range(channels)]
        if known_lag_s is not None and ears is None:
            for ear in self.ears:
                ear.line.put((frame, known_lag_s * rate_hz) for frame in range(SETTLED))
        for ear, known in zip(self.ears, landings, strict=False):
            ear.memory.recall(known)
        self._lags = (lags_s[0] * rate_hz, lags_s[1] * rate_hz)
        self._buffer = SampleBuffer(rate_hz)
        self._due: deque[Expectation] = deque()
        self._prepared: tuple[Expectation, tuple[int, int]] | None = None  # and its first frame and last
        self._sought: tuple[Expectation, float | None] | None = None  # and the lag of its contact if that was heard

    def expect(self, expected: Expectation) -> None:
        """Look out for a contact. Expectations come in time order, before their sound is fed."""
        self._due.append(expected)

    def feed(self, block: Block) -> list[Heard]:
        """Take in the next block; answers every rep that it completes."""
        self._buffer.feed(block)
        heard = []
        while self._due:
            self._buffer.begin(self._span(self._due[0])[0])
            self._seek(self._due[0])
            self._prepare(self._due[0])
            if self._buffer.end < self._span(self._due[0])[1]:
                break
            heard.extend(self._hear(self._due.popleft()))
        if not heard:
            for ear in self.ears:
                ear.catch_up()
        oldest = self._buffer.end - self._margin()
        if self._due:
            oldest = min(oldest, self._span(self._due[0])[0])
        else:
            self._buffer.begin(None)
        self._buffer.forget(oldest)
        return heard

    def finish(self) -> list[Heard]:
        """No more sound will come: answer what is still due, `void` where the sound ended too early."""
        heard = []
        while self._due:
            expected = self._due.popleft()
            lag = self._lag_range(expected)
            if self._buffer.end < expected.closes + lag[0] - self._rate(0.3):
                heard.extend(self._unheard(expected, "ended_before"))
            else:
                heard.extend(self._hear(expected))
        return heard

    @property
    def round_trip_ms(self) -> float | None:
        """Typical time from playing to hearing; None before a contact was heard."""
        lag = self._best_line().lag(self._buffer.end)
        return None if lag is None else ms_from_s(lag / self.rate_hz)

    @property
    def round_trip_sd_ms(self) -> float | None:
        """Spread of the round trip about the session's clock line."""
        line = self._best_line()
        return ms_from_s(line.spread / self.rate_hz) if line.settled else None

    @property
    def drift_ppm(self) -> float | None:
        """By how much the microphone's clock runs faster than the loudspeaker's."""
        line = self._best_line()
        return line.slope * 1e6 if line.settled else None

    @property
    def noise_db(self) -> float | None:
        """Typical noise of the quietest channel, re full scale; None before it is known, and where there is none."""
        return min((noise_db for noise_db in self._noises_db if noise_db >= STILL_DB), default=None)

    @property
    def is_still(self) -> bool:
        """Whether it falls silent between the sounds, as no microphone does: something mutes what is soft."""
        return bool(self._noises_db) and max(self._noises_db) < STILL_DB

    @property
    def _noises_db(self) -> list[float]:
        return [ear.noise_db for ear in self.ears if ear.noise_db is not None]

    @property
    def landings(self) -> tuple[tuple[LandingSound, ...], ...]:
        """For each channel, the landings heard there, for a later listener on the same devices."""
        return tuple(ear.memory.landings for ear in self.ears)

    def audible_share(self) -> float | None:
        """Share of the player's landings that would be heard here, on the best channel; None before some are known."""
        return max((share for ear in self.ears if (share := ear.audible_share()) is not None), default=None)

    @property
    def own_left_db(self) -> float | None:
        """What is left of our own contact cues after their removal, re what was heard of them; the best channel's."""
        return min((ear.own_left_db for ear in self.ears if ear.own_left_db is not None), default=None)

    def _best_line(self) -> ClockLine:
        """Clock line of the channel that heard the most contacts: another may be dead."""
        return max((ear.line for ear in self.ears), key=len)

    def _rate(self, time_s: float) -> int:
        return frames_from_s(time_s, self.rate_hz)

    def _margin(self) -> int:
        """Sound kept although no rep is due: an expectation may still arrive for it."""
        return self._rate(3.0) + int(self._lags[1])

    def _lag_range(self, expected: Expectation) -> tuple[float, float]:
        line = self._best_line()
        known = line.lag(expected.contact) if line.settled else self._lag_found(expected)
        if known is None:
            return self._lags
        return known - self._rate(EARLIER_S), known + self._rate(LATER_S)

    def _span(self, expected: Expectation) -> tuple[int, int]:
        if self._prepared is not None and self._prepared[0] == expected:
            return self._prepared[1]  # what was learned since does not move it
        low, high = self._lag_range(expected)
        return expected.opens + int(low) - self._rate(BEFORE_S), expected.closes + int(high) + self._rate(AFTER_S)

    def _hear(self, expected: Expectation) -> list[Heard]:
        """What the microphones make of a rep: one answer here, one per lane where each player has a microphone."""
        segment = self._cut(expected)
        opinions = [ear.read(segment, channel, expected, self._lags) for ear, channel in self._readers(expected)]
        return [report(expected, max(opinions, key=worth), segment)]

    def _seek(self, expected: Expectation) -> None:
        """While the lag is unknown, find a contact as soon as it must have come, so that its rep waits for no more."""
        arrived = expected.contact + expected.contact_frames + int(self._lags[1]) + self._rate(SEEK_S)
        known = self._sought is not None and self._sought[0] == expected
        if known or self._best_line().settled or self._buffer.end < arrived:
            return
        segment = self._buffer.cut(self._span(expected)[0], arrived)
        found = [ear.seek(segment, channel, expected, self._lags) for ear, channel in self._readers(expected)]
        best = max((zero for zero in found if zero is not None), key=lambda zero: zero.ratio, default=None)
        self._sought = expected, None if best is None else best.at - expected.contact

    def _lag_found(self, expected: Expectation) -> float | None:
        """Lag of a rep's contact, where that was found already."""
        return self._sought[1] if self._sought is not None and self._sought[0] == expected else None

    def _prepare(self, expected: Expectation) -> None:
        """Let the ears that will answer do shortly before a rep ends what they can, once."""
        first, last = self._span(expected)
        nearly = last - self._rate(AHEAD_S)
        if self._is_prepared(expected) or self._buffer.end < nearly:
            return
        self._prepared = expected, (first, last)
        arrived = expected.contact + expected.contact_frames + int(self._lag_range(expected)[1]) + self._rate(SEEK_S)
        if arrived > nearly:
            return  # the next rep comes so soon that the contact may not be over
        segment = self._buffer.cut(first, nearly)
        for ear, channel in self._readers(expected):
            ear.prepare(segment, channel, expected, self._lags, self._buffer.samples(first, last))

    def _is_prepared(self, expected: Expectation) -> bool:
        return self._prepared is not None and self._prepared[0] == expected

    def _readers(self, expected: Expectation) -> list[tuple[Ear, int]]:
        """Ears that will answer a rep, and their channels."""
        return [(ear, channel) for channel, ear in enumerate(self.ears)]

    def _unheard(self, expected: Expectation, why: str) -> list[Heard]:
        return [Heard(expected.rep, None, False, None, why)]

    def _cut(self, expected: Expectation) -> Segment:
        first, last = self._span(expected)
        return self._buffer.cut(first, last)


def worth(opinion: Opinion) -> tuple[bool, float]:
    """How much one channel's opinion counts beside another's."""
    return opinion.zero is not None, opinion.clarity


def report(expected: Expectation, opinion: Opinion, segment: Segment) -> Heard:
    """What is told of a rep: one channel's opinion, in frames of the stream."""
    contact = None
    if opinion.zero is not None:
        contact = Onset(opinion.zero.at, 0.0, opinion.zero.uncertainty_ms)
    landing = None
    if opinion.touchdown is not None:
        landing = Landing(opinion.touchdown, opinion.second, opinion.step)
    void = opinion.void
    if not void and landing is None and segment.clipped:
        void = "overdriven"
    return Heard(expected.rep, contact, opinion.zero is not None and opinion.zero.heard, landing, void)


def _load_ahead() -> None:
    """Load now what the first rep would otherwise wait a third of a second for."""
    load_net()
    import scipy.fft
    import scipy.linalg
    import scipy.ndimage
    import scipy.signal  # noqa: F401
