"""One microphone channel's ear: everything it has learned, and how it reads one segment."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from drilltimer.hear.cancel import Ours, OwnSound, ResidualEcho, shift
from drilltimer.hear.decide import (
    ENOUGH,
    NOTHING,
    Hypothesis,
    Memory,
    allowed_columns,
    decide,
    is_heard_at,
    least_belief,
)
from drilltimer.hear.feet import cut_pattern, find_second_foot
from drilltimer.hear.locate import HEARD_SHARE, NEAR_SHARE, ClockLine, locate_cue
from drilltimer.hear.net import load_net
from drilltimer.hear.onsets import find_candidates
from drilltimer.hear.picture import Leftover, Picture, Whitened, draw_picture, filtered, softened, whiten
from drilltimer.model import Expectation, Onset
from drilltimer.units import db_from_ratio, ms_from_s, s_from_ms

KNOWN_LAG_S = 0.015  # a settled clock line bounds the search for a contact to this much either side
STRAY_RATIO = 8.0
# Power of a landing beside the contact's, before a landing was heard: of the development recordings' one in ten is
# softer than 15 dB under its contact, half are softer than 10 dB.
SOFTER = 10.0**-1.3
CUT_HZ = 40.0
KEPT_PICTURES = 8  # of the last reps, to try landings out in
LANDING_LEAD_S, LANDING_S = 0.004, 0.15  # of a landing that is not to be taken for a reflection of our own sound


@dataclass(frozen=True, slots=True)
class Segment:
    """One rep's stretch of sound at the analysis rate.

    Parameters
    ----------
    heard : float64 array, shape (channels, n)
        A row for each microphone; full scale is +-1.
    played : float64 array, shape (n,)
        All output channels added up.
    start : int
        Frame of the stream at which the segment begins.
    step : int
        Frames of the stream per sample of the segment.
    broken : bool
        Sound was lost inside the segment.
    clipped : bool
        The microphone reached full scale inside the segment.
    """

    heard: np.ndarray
    played: np.ndarray
    start: int
    step: int
    rate_hz: float
    broken: bool
    clipped: bool

    def frame(self, sample: float) -> float:
        """Stream frame of a (fractional) sample of the segment."""
        return self.start + sample * self.step

    def sample(self, frame: float) -> float:
        """Fractional sample of the segment at a stream frame."""
        return (frame - self.start) / self.step


@dataclass(frozen=True, slots=True)
class Zero:
    """Where a rep's contact arrived, in stream frames."""

    at: float
    heard: bool
    uncertainty_ms: float
    ratio: float


@dataclass(frozen=True, slots=True)
class Opinion:
    """What one channel makes of one segment; onsets in stream frames."""

    zero: Zero | None
    touchdown: Onset | None
    second: Onset | None
    step: Onset | None
    void: str
    look: Look | None = None

    @property
    def clarity(self) -> float:
        """How sure the touchdown is; the channel where it is surest speaks for the rep."""
        if self.look is None:
            return 0.0
        hypothesis = self.look.hypothesis
        return max(hypothesis.belief, hypothesis.none) if self.touchdown is None else 1.0 + hypothesis.belief


@dataclass(frozen=True, slots=True)
class Look:
    """One look at a segment: what is left of it without our own sound, what was removed, and how it reads.

    The rep lies between the samples `opens` and `closes`, its contact arrived at `arrival`.
    """

    residual: np.ndarray
    predicted: np.ndarray
    flat: Whitened
    own: np.ndarray
    leftovers: tuple[Leftover, ...]
    opens: float
    arrival: float
    closes: float
    hypothesis: Hypothesis


@dataclass(frozen=True, slots=True)
class _Ahead:
    """What was found before a rep's end: its contact, or why it has none; whether it taught how our sound arrives.

    And `ours`, what we played so far, as if that were all.
    """

    expected: Expectation
    zero: Zero | None
    void: str
    taught: bool = False
    ours: Ours | None = None


class Ear:
    """State learned by one channel, and the reading of segments. Feed segments in time order."""

    def __init__(self, analysis_rate_hz: float, rate_hz: float) -> None:
        self._rate_hz = rate_hz
        self.line = ClockLine()
        self.own = OwnSound(analysis_rate_hz)
        self.memory = Memory()
        self.noise_power: deque[float] = deque(maxlen=40)
        self._contact_power: deque[float] = deque(maxlen=20)
        self._residual_echo = ResidualEcho()
        self._pictures: dict[int, tuple[Picture, tuple[float, float]]] = {}
        self._stray: float | None = None
        self._learn_later: Callable[[], None] | None = None
        self._ahead: _Ahead | None = None

    @property
    def noise_db(self) -> float | None:
        """Typical level of the microphone's noise, re full scale."""
        return db_from_ratio(math.sqrt(float(np.median(self.noise_power)))) if self.noise_power else None

    @property
    def own_left_db(self) -> float | None:
        """Typical power of what is left of the contact cue; see `ResidualEcho.left_db`."""
        return self._residual_echo.left_db

    def read(self, segment: Segment, channel: int, expected: Expectation, lags: tuple[float, float]) -> Opinion:
        """Hear one rep out: where its contact arrived, and what landed after it.

        Parameters
        ----------
        lags : pair of float
            Least and greatest lag, in stream frames, that a device can have.
        """
        self.catch_up()
        heard, void = self._signal(segment, channel)
        if heard is None:
            return _silent(void)
        ahead = self._seek(segment, heard, expected, lags)
        zero = ahead.zero
        if zero is None:
            return _silent(ahead.void or "no_contact")
        taught = ahead.taught or self._teach(segment, heard, expected, zero)
        ours = ahead.ours
        if ours is None or not np.array_equal(ours.played, segment.played):
            ours = self._ours(segment, expected, zero)
        seen = self._look(segment, ours, heard, expected, zero)
        if zero.heard and not taught:
            self._learn_later = partial(self._learn_own, segment, ours.arrived, heard, seen, expected, zero)
        self.noise_power.append(float(np.median(np.abs(seen.residual)) / 0.6745) ** 2)
        return self._conclude(segment, expected.rep, zero, seen, ahead.void)

    def seek(self, segment: Segment, channel: int, expected: Expectation, lags: tuple[float, float]) -> Zero | None:
        """Find a contact in a segment that holds its latest arrival, long before its rep ends; None: not heard."""
        heard, _ = self._signal(segment, channel)
        zero = None if heard is None else self._seek(segment, heard, expected, lags, keep=True).zero
        return zero if zero is not None and zero.heard else None

    def prepare(
        self, segment: Segment, channel: int, expected: Expectation, lags: tuple[float, float], samples: int
    ) -> None:
        """Do with a segment that is nearly over what it allows already: nobody waits for that.

        Its contact is found, our own sound predicted, and learned from it while the room is new. The whole segment will
        have so many `samples`.
        """
        self.catch_up()
        heard, _ = self._signal(segment, channel)
        if heard is None:
            return
        ahead = self._seek(segment, heard, expected, lags, keep=True)
        if ahead.zero is not None:
            taught = self._teach(segment, heard, expected, ahead.zero)
            whole = replace(segment, played=np.pad(segment.played, (0, samples - len(segment.played))))
            self._ahead = replace(ahead, taught=taught, ours=self._ours(whole, expected, ahead.zero))

    def _seek(
        self, segment: Segment, heard: np.ndarray, expected: Expectation, lags: tuple[float, float], keep: bool = False
    ) -> _Ahead:
        """A rep's contact: what was found before, or else found now and, if asked, kept for the next question."""
        ahead, self._ahead = self._ahead, None
        if ahead is None or ahead.expected != expected:
            ahead = _Ahead(expected, *self._zero(segment, heard, expected, lags))
        if keep:
            self._ahead = ahead
        return ahead

    def _teach(self, segment: Segment, heard: np.ndarray, expected: Expectation, zero: Zero) -> bool:
        """Whether the room is so new that a rep, looked at once for this alone, taught how our own sound arrives."""
        if not zero.heard or not self.own.young:
            return False
        first_ever = self.own.blank
        if first_ever:
            end = _end(segment, expected, zero)
            self.own.learn(_arrived(segment, expected, zero)[:end], heard[:end])
        ours = self._ours(segment, expected, zero)
        seen = self._look(segment, ours, heard, expected, zero)
        if first_ever:
            self.own.forget()  # that was learned with the landing in it
        self._learn_own(segment, ours.arrived, heard, seen, expected, zero)
        return True

    def _signal(self, segment: Segment, channel: int) -> tuple[np.ndarray | None, str]:
        """What one microphone heard, without rumble; or None, and why there is nothing to hear."""
        if segment.broken:
            return None, "lost_in_rep"
        if not np.any(segment.heard[channel]):
            return None, "digital_silence"
        return filtered(segment.heard[channel], "highpass", (CUT_HZ,), segment.rate_hz), ""

    def catch_up(self) -> None:
        """Learn what the last segment had to teach: not before it was answered, for a player waits for that."""
        if self._learn_later is not None:
            self._learn_later()
            self._learn_later = None

    def read_masked(
        self, segment: Segment, expected: Expectation, opinion: Opinion, masks: Sequence[Leftover]
    ) -> Opinion:
        """Read a segment anew, other players' sounds taken for noise as far as they are expected here."""
        seen = opinion.look
        if seen is None or opinion.zero is None:
            return opinion
        hypothesis = self._decide(replace(seen, leftovers=(*seen.leftovers, *masks)), segment.rate_hz, expected.rep)
        return self._conclude(segment, expected.rep, opinion.zero, replace(seen, hypothesis=hypothesis), "")

    def faint_lag(
        self, segment: Segment, channel: int, expected: Expectation, lags: tuple[float, float]
    ) -> float | None:
        """Lag (frames) at which a contact most likely arrived, though it may be too faint to be sure; None: nowhere."""
        heard, _ = self._signal(segment, channel)
        if heard is None or expected.withheld:
            return None
        zero = self._measure(segment, heard, expected, lags, None, NEAR_SHARE)
        return None if zero is None else zero.at - expected.contact

    def _conclude(self, segment: Segment, rep: int, zero: Zero, seen: Look, void: str) -> Opinion:
        hypothesis = seen.hypothesis
        if not hypothesis.is_told:
            self.memory.learn(rep, None, sure=hypothesis.sure)
            return Opinion(zero, None, None, None, void or hypothesis.doubt, seen)
        self.memory.learn(
            rep, hypothesis, cut_pattern(seen.residual, hypothesis.likely, segment.rate_hz), hypothesis.sure
        )
        found = find_candidates(seen.residual, seen.leftovers, segment.rate_hz, seen.flat)
        foot = find_second_foot(found, hypothesis.likely, self.memory.patterns(rep), segment.rate_hz)
        late = s_from_ms(hypothesis.late_ms) * self._rate_hz
        first = Onset(
            segment.frame(hypothesis.likely) - late, hypothesis.level_db, hypothesis.uncertainty_ms, hypothesis.belief
        )
        second = None if foot is None else replace(first, at=segment.frame(foot) - late)
        step = None if hypothesis.step is None else replace(first, at=segment.frame(hypothesis.step))
        return Opinion(zero, first, second, step, void, seen)

    def _look(self, segment: Segment, ours: Ours, heard: np.ndarray, expected: Expectation, zero: Zero) -> Look:
        """Take our own sound out and read what is left."""
        lag = (zero.at - expected.contact) / segment.step
        residual = heard - ours.rest - ours.contact
        flat = whiten(residual, segment.rate_hz)
        # Band by band, whitening is a factor: what is left need not be cut into bands once more.
        leftovers = self._residual_echo.weigh(flat.power / flat.gains, ours.contact_power, ours.rest_power)
        if zero.heard:
            self._contact_power.append(float(ours.contact_power.sum(axis=0).max(initial=0.0)))
        opens, closes = (segment.sample(edge) + lag for edge in (expected.opens, expected.closes))
        predicted, own = ours.rest + ours.contact, ours.contact_power + ours.rest_power
        seen = Look(residual, predicted, flat, own, leftovers, opens, segment.sample(zero.at), closes, NOTHING)
        return replace(seen, hypothesis=self._decide(seen, segment.rate_hz, expected.rep))

    def _decide(self, seen: Look, rate_hz: float, rep: int) -> Hypothesis:
        picture = draw_picture(seen.flat, seen.leftovers, seen.own, seen.arrival, rate_hz)
        self._pictures[rep] = picture, (seen.opens, seen.closes)
        if len(self._pictures) > KEPT_PICTURES:
            del self._pictures[next(iter(self._pictures))]
        net, usual = load_net(), self.memory.usual(rep)
        if usual is None:
            usual = net.typical * SOFTER * float(np.median(self._contact_power or [0.0]))
        edges = seen.opens, seen.closes
        least = least_belief(self.memory.sureness(rep))
        return decide(picture, net, self.memory.marks(rep), usual, edges, seen.flat.white, rate_hz, least)

    def audible_share(self) -> float | None:
        """Share of a player's landings that are heard here, where there was one in each of the last reps.

        Each landing told is made as loud as each other one in turn; a rep without one counts as not heard. None before
        some are known.
        """
        known = self.memory.landings_by_rep()
        if len(known) < ENOUGH:
            return None
        net, shares = load_net(), []
        for rep, (picture, edges) in self._pictures.items():
            if (landing := known.get(rep)) is None:
                shares.append(0.0)
                continue
            allowed, marks = allowed_columns(picture, *edges), self.memory.marks(rep)
            least = least_belief(self.memory.sureness(rep))
            column = round(picture.column(landing.likely))
            tried = [softened(picture, column, landing.level_db - other.level_db) for other in known.values()]
            shares.append(float(np.mean([is_heard_at(each, net, marks, allowed, column, least) for each in tried])))
        return float(np.mean(shares))

    def _learn_own(
        self, segment: Segment, played: np.ndarray, heard: np.ndarray, seen: Look, expected: Expectation, zero: Zero
    ) -> None:
        """Learn from a rep how our own sound arrives, the landing left out."""
        if seen.hypothesis.none < 0.5:
            first = max(0, int(seen.hypothesis.likely) - round(LANDING_LEAD_S * segment.rate_hz))
            last = first + round(LANDING_S * segment.rate_hz)
            heard = heard.copy()
            heard[first:last] = seen.predicted[first:last]
        end = _end(segment, expected, zero)
        self.own.learn(played[:end], heard[:end])

    def _zero(
        self, segment: Segment, heard: np.ndarray, expected: Expectation, lags: tuple[float, float]
    ) -> tuple[Zero | None, str]:
        """Arrival of the contact cue, measured or else inferred from the clock line."""
        known = self.line.lag(expected.contact)
        inferred = None
        if known is not None:
            spread_ms = ms_from_s(max(self.line.spread, 1.0) / self._rate_hz)
            inferred = Zero(expected.contact + known, False, 2.0 * spread_ms, 0.0)
        if expected.withheld:
            return inferred, ""
        reach = KNOWN_LAG_S * self._rate_hz
        if known is not None and self.line.settled:
            near = self._measure(segment, heard, expected, (known - reach, known + reach), known, NEAR_SHARE)
            if near is not None:
                self._stray = None
                self.line.put([(expected.contact, near.at - expected.contact)])
                return near, ""
        anywhere = self._measure(segment, heard, expected, lags, known)
        if anywhere is None:
            return inferred, ""
        lag = anywhere.at - expected.contact
        if not self.line.settled:
            self.line.put([(expected.contact, lag)])
            return anywhere, ""
        if anywhere.ratio < STRAY_RATIO:
            return inferred, ""
        if self._stray is not None and abs(lag - self._stray) < reach:
            self.line.restart()  # twice at the same new place: the latency stepped
            self.line.put([(expected.contact, lag)])
            self._stray = None
            return anywhere, ""
        self._stray = lag
        return None, "lost_time"

    def _measure(
        self,
        segment: Segment,
        heard: np.ndarray,
        expected: Expectation,
        lags: tuple[float, float],
        known: float | None,
        least_share: float = HEARD_SHARE,
    ) -> Zero | None:
        start = round(segment.sample(expected.contact))
        template = segment.played[start : start + max(8, expected.contact_frames // segment.step)]
        first = max(0, start + math.floor(lags[0] / segment.step) - 4)
        last = min(len(heard), start + math.ceil(lags[1] / segment.step) + len(template) + 4)
        near = None if known is None else start + known / segment.step - first
        arrival = locate_cue(heard[first:last], template, near)
        if arrival is None or not arrival.heard(least_share):
            return None
        lag = (first + arrival.lag - start) * segment.step
        sigma_ms = ms_from_s(arrival.uncertainty * segment.step / self._rate_hz)
        return Zero(expected.contact + lag, True, max(sigma_ms, 0.03), arrival.ratio)

    def _ours(self, segment: Segment, expected: Expectation, zero: Zero) -> Ours:
        """What we played in a segment, as far as the way to the microphone is known."""
        start = max(0, round(segment.sample(zero.at)))
        end = start if expected.withheld else start + expected.contact_frames // segment.step
        return self.own.as_heard(segment.played, _arrived(segment, expected, zero), slice(start, end))


def _arrived(segment: Segment, expected: Expectation, zero: Zero) -> np.ndarray:
    """What was played, moved to where it was heard."""
    return shift(segment.played, (zero.at - expected.contact) / segment.step)


def _end(segment: Segment, expected: Expectation, zero: Zero) -> int:
    """Sample at which a rep ends.

    Until the lag is known, a segment holds the next rep too, and its landing is not for this one to leave out.
    """
    return int(segment.sample(expected.closes + zero.at - expected.contact))


def _silent(why: str) -> Opinion:
    return Opinion(None, None, None, None, why)
