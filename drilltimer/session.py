"""One session as a state machine: blocks of sound in, things to play and verdicts out. No I/O and no clock of its own.

The session lays the reps on the stream's frames, hands out their sounds ahead of time, lets the listener hear, has
each rep judged, and finds room for what the player is to be told.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from drilltimer.hear.listen import Listener
from drilltimer.model import Block, Cue, Expectation, Heard, Placement, Rep, Scores, Sound, Verdict
from drilltimer.score.feedback import Feedback
from drilltimer.score.match import judge
from drilltimer.score.stats import summarize
from drilltimer.units import db_from_ratio, frames_from_s, s_from_frames, s_from_ms

AHEAD_S = 2.0  # sounds are handed out so long before they are due: far more than any latency
NOTICE_S = 0.4  # feedback cannot sound sooner than this after it was decided on
OPENS_S = 0.3  # touchdowns are heard from so long before the contact
CLOSES_S = 1.35  # and first steps until so long after it, unless the next rep comes first
TAIL_S = 0.3

Bank = Mapping[tuple[str, float | None], Sound]


@dataclass(frozen=True, slots=True)
class Play:
    """A sound to be played, its first sample at frame `start` of the stream."""

    start: int
    sound: Sound
    cue: Cue
    rep: Rep


@dataclass(frozen=True, slots=True)
class Judged:
    """A rep was heard and judged."""

    rep: Rep
    verdict: Verdict


@dataclass(frozen=True, slots=True)
class Ended:
    """All reps are judged and the last sound has faded."""


Event = Play | Judged | Ended


@dataclass(frozen=True, slots=True)
class Snapshot:
    """What a screen may show of a running session."""

    done: int
    total: int
    elapsed_s: float
    left_s: float
    last: Verdict | None
    recent: tuple[Verdict, ...]
    scores: Scores
    level_db: float  # peak of the latest block, re full scale
    noise_db: float | None


def place_cues(rep: Rep, bank: Bank, rate_hz: int, zero: int = 0) -> list[Play]:
    """Sounds of a rep at their frames; `zero` is the frame of the session's start."""
    plays = []
    for cue in rep.cues:
        sound = bank[cue.sound, cue.length_s]
        at = zero + frames_from_s(rep.start_s + cue.at_s, rate_hz)
        plays.append(Play(at - sound.anchor, sound, cue, rep))
    return plays


def expectations(
    reps: Sequence[Rep], plays: Mapping[int, Sequence[Play]], rate_hz: int, zero: int = 0
) -> list[Expectation]:
    """What the listener must look out for, rep by rep; `plays` are each rep's sounds by the rep's index."""
    contacts = []
    for rep in reps:
        contact = next((play for play in plays[rep.index] if play.cue.role == "contact"), None)
        at = contact.start if contact else zero + frames_from_s(rep.contact_s, rate_hz)
        contacts.append((rep.index, at, len(contact.sound.samples) if contact else 0, rep.withheld))
    return list(hearing_ranges(contacts, rate_hz))


def hearing_ranges(contacts: Sequence[tuple[int, int, int, bool]], rate_hz: int) -> Iterator[Expectation]:
    """Expectations from (rep, frame, frames long, withheld) of contacts in time order; neighbours share the time."""
    before, after = frames_from_s(OPENS_S, rate_hz), frames_from_s(CLOSES_S, rate_hz)
    for place, (rep, at, frames, withheld) in enumerate(contacts):
        opens, closes = at - before, at + after
        if place:
            opens = max(opens, contacts[place - 1][1] + before)
        if place + 1 < len(contacts):
            closes = min(closes, max(contacts[place + 1][1] - before, at + before))
        yield Expectation(rep, at, frames, opens, closes, withheld)


class Session:
    """A session on one stream.

    Parameters
    ----------
    reps : sequence of Rep
        In order of time.
    bank : mapping
        Sound by (name, length) at `rate_hz`, feedback sounds included.
    listener : Listener
    placement : Placement
    rate_hz : int
    feedback : sequence of Feedback
        One per block of the drill; empty to tell nothing.
    zero : int
        Frame of the stream at which the session starts.
    """

    def __init__(
        self,
        reps: Sequence[Rep],
        bank: Bank,
        listener: Listener,
        placement: Placement,
        rate_hz: int,
        feedback: Sequence[Feedback] = (),
        zero: int = 0,
    ) -> None:
        self.reps = tuple(reps)
        self.verdicts: list[Verdict] = []
        self._bank = bank
        self._listener = listener
        self._placement = placement
        self._rate_hz = rate_hz
        self._feedback = feedback
        self._zero = zero
        self._by_index = {rep.index: rep for rep in self.reps}
        plays = {rep.index: place_cues(rep, bank, rate_hz, zero) for rep in self.reps}
        self._expected = deque(expectations(self.reps, plays, rate_hz, zero))
        self._plays = deque(sorted((play for each in plays.values() for play in each), key=lambda play: play.start))
        self._first_sound = {index: min((p.start for p in each), default=None) for index, each in plays.items()}
        self._now = zero
        self._level_db = db_from_ratio(0.0)
        sounded = [play.start + len(play.sound.samples) for play in self._plays]
        ends = [zero + frames_from_s(rep.end_s, rate_hz) for rep in self.reps]
        self._end = max([zero, *sounded, *ends]) + frames_from_s(TAIL_S, rate_hz)
        self._ended = False

    def feed(self, block: Block) -> list[Event]:
        """Take in the next block; answers what is to be done about it."""
        self._now = block.start + len(block.samples)
        self._level_db = db_from_ratio(float(np.abs(block.samples).max(initial=0.0)))
        horizon = self._now + frames_from_s(AHEAD_S, self._rate_hz)
        while self._expected and self._expected[0].opens <= horizon:
            self._listener.expect(self._expected.popleft())
        events: list[Event] = []
        for heard in self._listener.feed(block):
            events.extend(self._judge(heard))
        while self._plays and self._plays[0].start <= horizon:
            events.append(self._plays.popleft())
        if not self._ended and len(self.verdicts) == len(self.reps) and self._now >= self._end:
            self._ended = True
            events.append(Ended())
        return events

    def finish(self) -> list[Event]:
        """The stream stopped early: judge what was heard so far."""
        return [event for heard in self._listener.finish() for event in self._judge(heard) if isinstance(event, Judged)]

    def scores(self) -> Scores:
        """Scores of all reps judged so far."""
        return summarize(self.verdicts)

    def snapshot(self) -> Snapshot:
        """State for a screen, at any time."""
        return Snapshot(
            done=len(self.verdicts),
            total=len(self.reps),
            elapsed_s=s_from_frames(self._now - self._zero, self._rate_hz),
            left_s=max(0.0, s_from_frames(self._end - self._now, self._rate_hz)),
            last=self.verdicts[-1] if self.verdicts else None,
            recent=tuple(self.verdicts[-20:]),
            scores=self.scores(),
            level_db=self._level_db,
            noise_db=self._listener.noise_db,
        )

    def _judge(self, heard: Heard) -> list[Event]:
        rep = self._by_index[heard.rep]
        verdict = judge(heard, rep, self._placement, self._rate_hz)
        self.verdicts.append(verdict)
        events: list[Event] = [Judged(rep, verdict)]
        told = self._tell(rep, verdict)
        if told is not None:
            events.append(told)
        return events

    def _tell(self, rep: Rep, verdict: Verdict) -> Play | None:
        """Feedback on a rep where there is room for it before the next lead-in."""
        if not self._feedback:
            return None
        feedback = self._feedback[rep.block]
        feedback.take(verdict, rep.window)
        start = self._zero + frames_from_s(rep.start_s, self._rate_hz)
        following = [s for i, s in self._first_sound.items() if i > rep.index and s is not None]
        touchdown_s = rep.contact_s - rep.start_s + s_from_ms(verdict.touchdown_ms or 0.0)
        cue = feedback.place(
            acted_s=touchdown_s,
            ready_s=s_from_frames(self._now - start, self._rate_hz) + NOTICE_S,
            next_lead_in_s=s_from_frames(min(following) - start, self._rate_hz) if following else None,
        )
        if cue is None:
            return None
        sound = self._bank[cue.sound, cue.length_s]
        at = start + frames_from_s(cue.at_s, self._rate_hz)
        self._end = max(self._end, at + len(sound.samples) + frames_from_s(TAIL_S, self._rate_hz))
        return Play(at, sound, cue, rep)
