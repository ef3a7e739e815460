"""One session as a state machine: blocks of sound in, things to play and verdicts out. No I/O and no clock of its own.

The session lays the reps on the stream's frames, hands out their sounds ahead of time, lets the listener hear, has
each rep judged, and finds room for what the player is to be told.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import islice, pairwise

import numpy as np

from drilltimer.hear.listen import Listener
from drilltimer.model import (
    Block,
    Cue,
    Expectation,
    Grade,
    Heard,
    Level,
    Placement,
    Progression,
    Rep,
    Scores,
    Sound,
    Verdict,
    Window,
)
from drilltimer.score.feedback import CLEARANCE_S, Feedback, Message, Telling
from drilltimer.score.match import judge
from drilltimer.score.progress import Ladder, Move
from drilltimer.score.stats import summarize
from drilltimer.sound.render import RENDERED
from drilltimer.units import db_from_ratio, frames_from_s, s_from_frames, s_from_ms

AHEAD_S = 2.0  # sounds are handed out so long before they are due: far more than any latency
NOTICE_S = 0.4  # feedback cannot sound sooner than this after it was decided on
OPENS_S = 0.3  # touchdowns are heard from so long before the contact
CLOSES_S = 1.35  # and first steps until so long after it, unless the next rep comes first
TAIL_S = 0.3
RESUME_S = 3.0  # from going on to the next lead-in: time to be back in place
WORD_SHOWN_S = 1.5  # a word stays on the screen so long at least
RECENT = 24  # verdicts in a snapshot
PAUSE_WORD, RESUME_WORD = "stop", "get-ready"
REPEAT_GAIN_DB = -3.0

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
    """A rep was heard and judged; `move` tells that the next ones are judged at another level."""

    rep: Rep
    verdict: Verdict
    move: Move | None = None


@dataclass(frozen=True, slots=True)
class Silence:
    """Everything handed out and not yet sounded must be taken back."""


@dataclass(frozen=True, slots=True)
class Ended:
    """All reps are judged and the last sound has faded."""


Event = Play | Judged | Silence | Ended


@dataclass(frozen=True, slots=True)
class Shown:
    """What the player may see by now: one landing, or the mean of `reps`. Never sooner than the ear is told."""

    grade: Grade
    error_ms: float
    reps: int = 1


@dataclass(frozen=True, slots=True)
class Snapshot:
    """What a screen may show of a running session.

    `shown` is for the player, who must not be told before feedback is due; `last`, `recent` and `scores` are the
    coach's. `said` is the word that sounds or has just sounded, `asking` that the player's guess is awaited.
    """

    done: int
    total: int
    elapsed_s: float
    left_s: float
    last: Verdict | None
    recent: tuple[Verdict, ...]
    scores: Scores
    level_db: float  # peak of the latest block, re full scale
    noise_db: float | None
    level: Level | None = None  # that the last rep was judged at
    shown: Shown | None = None
    window: Window | None = None  # of the last rep judged, or of the first to come
    said: str = ""
    paused: str = ""  # why; empty while running
    asking: bool = False
    guesses: int = 0
    right_guesses: int = 0


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


def renewed(listener: Listener, rate_hz: int, lost: bool) -> Listener:
    """A listener that goes on with what `listener` has learned; with `lost`, but for the stream's own latency."""
    for ear in listener.ears if lost else ():
        ear.line.restart()
    return Listener(rate_hz, len(listener.ears), ears=listener.ears)


class Session:
    """A session on one stream.

    A key does its work in the next `feed`: what is asked for here is an event there.

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
    progression : Progression, optional
        When the player moves to another level; never, when left out.
    renew : callable
        Makes the listener that goes on after a pause, see `renewed`.
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
        progression: Progression | None = None,
        renew: Callable[[Listener, int, bool], Listener] = renewed,
    ) -> None:
        self.reps = tuple(reps)
        self.verdicts: list[Verdict] = []
        self._bank = bank
        self._listener = listener
        self._placement = placement
        self._rate_hz = rate_hz
        self._feedback = feedback
        self._zero = zero
        self._ladder = Ladder(progression)
        self._by_index = {rep.index: rep for rep in self.reps}
        self._renew = renew
        self._now = zero
        self._level_db = db_from_ratio(0.0)
        self._paused = ""
        self._pending: list[Event] = []
        self._sounded: deque[Play] = deque(maxlen=16)  # handed out last
        self._to_show: deque[tuple[int, Shown]] = deque()
        self._shown: Shown | None = None
        self._unmarked: dict[int, Verdict] = {}  # as heard, of reps declared void
        self._repeat: Play | None = None
        self._lay_out()
        self._ended = False
        self._scores: Scores | None = None

    def _lay_out(self) -> None:
        """Put the reps still to come on the stream's frames."""
        rest = self.reps[len(self.verdicts) :]
        plays = {rep.index: place_cues(rep, self._bank, self._rate_hz, self._zero) for rep in rest}
        self._expected = deque(expectations(rest, plays, self._rate_hz, self._zero))
        self._plays = deque(sorted((play for each in plays.values() for play in each), key=lambda play: play.start))
        self._begins = {
            rep.index: min((play.start for play in plays[rep.index]), default=self._frame(rep.contact_s))
            for rep in rest
        }
        sounded = [play.start + len(play.sound.samples) for play in self._plays]
        ends = [self._frame(rep.end_s) for rep in rest]
        self._end = max([self._zero, self._now, *sounded, *ends]) + frames_from_s(TAIL_S, self._rate_hz)

    def feed(self, block: Block) -> list[Event]:
        """Take in the next block; answers what is to be done about it."""
        self._now = block.start + len(block.samples)
        self._level_db = db_from_ratio(float(np.abs(block.samples).max(initial=0.0)))
        events = self.take_events()
        if self._paused:
            return events
        horizon = self._now + frames_from_s(AHEAD_S, self._rate_hz)
        while self._expected and self._expected[0].opens <= horizon:
            self._listener.expect(self._expected.popleft())
        for heard in self._listener.feed(block):
            events.extend(self._judge(heard))
        events.extend(self._answer())
        while self._plays and self._plays[0].start <= horizon:
            play = self._plays.popleft()
            self._sounded.append(play)
            events.append(play)
        if not self._ended and len(self.verdicts) == len(self.reps) and self._now >= self._end:
            self._ended = True
            events.append(Ended())
        return events

    def take_events(self) -> list[Event]:
        """What keys and pauses left to be done; for a stream that is lost and will not be fed."""
        events, self._pending = self._pending, []
        return events

    # --- what player and coach may ask for ---

    @property
    def paused(self) -> str:
        """Why the session stands still; empty while it runs."""
        return self._paused

    def pause(self, why: str) -> None:
        """Stop at once: what sounds is cut, and reps that have begun are void."""
        if self._paused or self._ended:
            return
        self._paused = why
        self._repeat = None
        self._pending.append(Silence())
        for rep in self.reps[len(self.verdicts) :]:
            if self._begins[rep.index] >= self._now:
                break
            self._pending.append(self._settle(rep, _void(rep, why)))
        self._say(PAUSE_WORD)

    def resume(self, *, lost: bool = False) -> None:
        """Go on with the reps that had not begun, the next lead-in in three seconds or later.

        Parameters
        ----------
        lost : bool
            The stream was opened anew: its latency is another one.
        """
        if not self._paused:
            return
        self._paused = ""
        self._listener = self._renew(self._listener, self._rate_hz, lost)
        rest = self.reps[len(self.verdicts) :]
        if rest:
            wanted = self._now + frames_from_s(RESUME_S, self._rate_hz)
            late_s = s_from_frames(max(0, wanted - self._begins[rest[0].index]), self._rate_hz)
            moved = tuple(_later(rep, late_s) for rep in rest)
            self.reps = (*self.reps[: len(self.verdicts)], *moved)
            self._by_index.update((rep.index, rep) for rep in moved)
            self._say(RESUME_WORD)
        self._lay_out()

    def request(self) -> None:
        """The player asks to be told about the last landing."""
        if teller := self._teller():
            teller.request()

    def guess(self, message: Message) -> bool | None:
        """The player says when the last landing was; None when nothing was asked."""
        teller = self._teller()
        return teller.guess(message) if teller else None

    def repeat_call(self) -> None:
        """Say the last call again, where there is room before the next lead-in."""
        calls = [play for play in self._sounded if play.cue.role == "call" and play.start < self._now]
        if calls and not self._paused:
            self._repeat = calls[-1]

    def mark_void(self) -> None:
        """Declare the last rep void (somebody was in the way), or take that back."""
        if not self.verdicts:
            return
        last = self.verdicts[-1]
        rep = self._by_index[last.rep]
        heard = self._unmarked.pop(last.rep, None)
        if heard is None:
            self._unmarked[last.rep] = last
            if teller := self._teller():
                teller.withdraw(last.rep)
        marked = heard or replace(_void(rep, "declared void"), contact_heard_s=last.contact_heard_s)
        self.verdicts[-1] = marked
        self._scores = None
        self._pending.append(Judged(rep, marked))

    def finish(self) -> list[Event]:
        """The stream stopped early: judge what was heard so far."""
        return [event for heard in self._listener.finish() for event in self._judge(heard) if isinstance(event, Judged)]

    def reps_as_judged(self) -> tuple[Rep, ...]:
        """All reps, those judged so far with the level and window that they were judged by."""
        return tuple(self._by_index.values())

    def scores(self) -> Scores:
        """Scores of the reps judged so far; warm-up reps are left out."""
        if self._scores is None:
            self._scores = summarize(v for v in self.verdicts if not self._by_index[v.rep].warm_up)
        return self._scores

    def snapshot(self) -> Snapshot:
        """State for a screen, at any time."""
        while self._to_show and self._to_show[0][0] <= self._now:
            self._shown = self._to_show.popleft()[1]
        ahead = self.reps[min(max(len(self.verdicts) - 1, 0), len(self.reps) - 1)] if self.reps else None
        teller = self._teller()
        return Snapshot(
            done=len(self.verdicts),
            total=len(self.reps),
            elapsed_s=s_from_frames(self._now - self._zero, self._rate_hz),
            left_s=max(0.0, s_from_frames(self._end - self._now, self._rate_hz)),
            last=self.verdicts[-1] if self.verdicts else None,
            recent=tuple(self.verdicts[-RECENT:]),
            scores=self.scores(),
            level_db=self._level_db,
            noise_db=self._listener.noise_db,
            level=self.verdicts[-1].level if self.verdicts else None,
            shown=self._shown,
            window=self._by_index[ahead.index].window if ahead else None,
            said=self._said(),
            paused=self._paused,
            asking=bool(teller and teller.asking),
            guesses=sum(each.guesses for each in self._feedback),
            right_guesses=sum(each.right_guesses for each in self._feedback),
        )

    # --- inside ---

    def _frame(self, session_s: float) -> int:
        return self._zero + frames_from_s(session_s, self._rate_hz)

    def _judge(self, heard: Heard) -> list[Event]:
        rep = self._ladder.place(self._by_index[heard.rep])
        judged = self._settle(rep, judge(heard, rep, self._placement, self._rate_hz))
        teller = self._teller()
        if teller is None:
            return [judged]
        teller.take(judged.verdict, rep.window)
        return [judged, *self._tell(teller)]

    def _settle(self, rep: Rep, verdict: Verdict) -> Judged:
        self._by_index[rep.index] = rep
        self.verdicts.append(verdict)
        self._scores = None
        return Judged(rep, verdict, self._ladder.take(rep, verdict))

    def _teller(self) -> Feedback | None:
        """Who tells about the last rep judged."""
        if not self._feedback or not self.verdicts:
            return None
        return self._feedback[self._by_index[self.verdicts[-1].rep].block]

    def _answer(self) -> Iterator[Event]:
        """What was asked for and now finds room."""
        teller = self._teller()
        if teller is not None and teller.pressing:
            yield from self._tell(teller)
        if self._repeat is not None:
            sound = self._repeat.sound
            wanted = self._now + frames_from_s(NOTICE_S, self._rate_hz)
            needed = len(sound.samples) + frames_from_s(CLEARANCE_S, self._rate_hz)
            for opens, closes in self._gaps(wanted, None):
                if closes is None or closes - opens >= needed:
                    cue = replace(self._repeat.cue, role="feedback", gain_db=REPEAT_GAIN_DB)
                    yield self._added(Play(opens, sound, cue, self._repeat.rep))
                    self._repeat = None
                    return

    def _tell(self, teller: Feedback) -> Iterator[Event]:
        """Feedback on the last rep where there is room for it before the next lead-in."""
        verdict = self.verdicts[-1]
        rep = self._by_index[verdict.rep]
        acted = self._frame(rep.contact_s + s_from_ms(verdict.touchdown_ms or 0.0))
        due = acted + frames_from_s(teller.plan.delay_s, self._rate_hz)
        following = self.reps[len(self.verdicts)] if len(self.verdicts) < len(self.reps) else None
        limit = self._begins[following.index] if following else None
        spoken = False
        for opens, closes in self._gaps(self._now + frames_from_s(NOTICE_S, self._rate_hz), limit):
            telling = teller.place(
                acted_s=s_from_frames(acted, self._rate_hz),
                ready_s=s_from_frames(opens, self._rate_hz),
                next_lead_in_s=None if closes is None else s_from_frames(closes, self._rate_hz),
            )
            if telling is not None:
                yield self._tell_at(telling, rep)
                spoken = True
                break
        if not spoken and teller.plan.kind == "band" and verdict.grade is Grade.ON_TIME and not teller.asking:
            self._to_show.append((due, Shown(verdict.grade, verdict.error_ms or 0.0)))

    def _tell_at(self, telling: Telling, rep: Rep) -> Play:
        at = frames_from_s(telling.cue.at_s, self._rate_hz)
        cue = replace(telling.cue, at_s=s_from_frames(at - self._frame(rep.start_s), self._rate_hz))
        self._to_show.append((at, Shown(telling.grade, telling.error_ms, telling.reps)))
        return self._added(Play(at, self._bank[cue.sound, cue.length_s], cue, rep))

    def _gaps(self, ready: int, limit: int | None) -> Iterator[tuple[int, int | None]]:
        """Stretches without a sound from frame `ready` on, up to `limit`; the first two: later ones come by later."""
        ahead = islice((play for play in self._plays if limit is None or play.start < limit), 8)
        spans = sorted((play.start, play.start + len(play.sound.samples)) for play in (*self._sounded, *ahead))
        edges = [(ready, ready), *((a, b) for a, b in spans if b > ready)]
        if limit is not None:
            edges.append((limit, limit))
        reach = ready
        for (_, end), (start, _) in pairwise(edges):
            reach = max(reach, end)
            if start > reach:
                yield reach, start
        if limit is None:
            yield max([reach, *(end for _, end in edges)]), None

    def _added(self, play: Play) -> Play:
        self._sounded.append(play)
        self._end = max(self._end, play.start + len(play.sound.samples) + frames_from_s(TAIL_S, self._rate_hz))
        return play

    def _say(self, word: str) -> None:
        """A word about the session itself, where the language has it."""
        sound = self._bank.get((word, None))
        rep = self.reps[min(len(self.verdicts), len(self.reps) - 1)]
        if sound is not None:
            start = self._now + frames_from_s(NOTICE_S, self._rate_hz)
            self._pending.append(self._added(Play(start, sound, Cue("feedback", word, 0.0), rep)))

    def _said(self) -> str:
        """The word that sounds, or was said a moment ago."""
        for play in reversed(self._sounded):
            end = play.start + max(len(play.sound.samples), frames_from_s(WORD_SHOWN_S, self._rate_hz))
            if play.start <= self._now < end and play.cue.sound not in RENDERED:
                return play.cue.sound
        return ""


def _void(rep: Rep, why: str) -> Verdict:
    return Verdict(
        rep.index,
        Grade.VOID,
        rep.call,
        void=why,
        level=rep.level,
        window_open_ms=rep.window.open_ms,
        window_close_ms=rep.window.close_ms,
    )


def _later(rep: Rep, by_s: float) -> Rep:
    return replace(rep, start_s=rep.start_s + by_s, end_s=rep.end_s + by_s, contact_s=rep.contact_s + by_s)
