"""The listener: blocks in, reps heard out. The same for a live stream and for a recording, whatever the block size."""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence

from drilltimer.hear.ear import Ear, Opinion
from drilltimer.hear.locate import SETTLED, ClockLine
from drilltimer.hear.net import load_net
from drilltimer.hear.sample_buffer import ANALYSIS_RATE_HZ, SampleBuffer, Segment
from drilltimer.model import Block, Expectation, Heard, Landing, LandingSound, Onset
from drilltimer.units import frames_from_s, ms_from_s

BEFORE_S = 0.4  # noise heard before a rep opens
AFTER_S = 0.02  # heard after it, for a rise at its very end
AHEAD_S = 0.2  # before a rep's end its contact is located and a new room learned, so that the answer is not late
SEEK_S = 0.02  # after a contact's latest end, for the filters' sake
EARLIER_S, LATER_S = 0.03, 0.005  # about a settled lag; an answer waits for the later sound
LIVE_LAGS_S = (-0.005, 0.6)  # round trips from an ideal loop to a slow wireless loudspeaker
STILL_DB = -100.0  # half of 16 bits' last step: no microphone is so still


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
