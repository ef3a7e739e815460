"""One session as a state machine: blocks of sound in, things to play and verdicts out. No I/O and no clock of its own.

The session lays the reps on the stream's frames, hands out their sounds ahead of time, lets the listener hear, has
each rep judged, and finds room for what the player is to be told.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import replace
from itertools import islice

import numpy as np

from drilltimer.errors import Notice
from drilltimer.hear.listen import Listener
from drilltimer.model import Block, Cue, Grade, Health, Heard, Placement, Progression, Rep, Scores, Verdict
from drilltimer.score.feedback import CLEARANCE_S, Feedback, Message, Telling
from drilltimer.score.match import BY_HAND, judge, void_verdict
from drilltimer.score.progress import Ladder, LevelMove
from drilltimer.score.stats import summarize
from drilltimer.session.events import Ended, Event, Judged, Play, Shown, Silence, Snapshot
from drilltimer.session.layout import (
    EASIER_WORD,
    GUESS_WORD,
    HARDER_WORD,
    PAUSE_WORD,
    RESUME_WORD,
    Bank,
    expectations,
    later,
    place_cues,
    renewed,
)
from drilltimer.sound.render import RENDERED
from drilltimer.units import db_from_ratio, frames_from_s, s_from_frames, s_from_ms

AHEAD_S = 2.0  # sounds are handed out so long before they are due: far more than any latency
NOTICE_S = 0.4  # feedback cannot sound sooner than this after it was decided on
TAIL_S = 0.3
RESUME_S = 3.0  # from going on to the next lead-in: time to be back in place
WORD_SHOWN_S = 1.5  # a word stays on the screen so long at least
AHEAD_SOUNDS, SOUNDED = 8, 16  # still to come, and handed out: those that another one must keep clear of
SEEN_REST_S, SEEN_FIGURE_S = 15.0, 6.0  # a rest that is told from a wait, and how long the last figure stands in it
RECENT = 24  # verdicts in a snapshot
REPEAT_GAIN_DB = -3.0


class Session:
    """A session on one stream.

    A key does its work in the next `feed`: what is asked for here is an event there.

    Parameters
    ----------
    reps : sequence of Rep
        In order of time.
    bank : mapping
        Sound by (name, length) at `rate_hz`, feedback sounds included.
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
        self._paused: Notice | None = None
        self._pending: list[Event] = []
        self._sounded: deque[Play] = deque(maxlen=SOUNDED)  # handed out last
        self._to_show: deque[tuple[int, Shown]] = deque()
        self._shown: Shown | None = None
        self._unmarked: dict[int, Verdict] = {}  # as heard, of reps declared void
        self._waiting: deque[Play] = deque()  # for room to sound in; their starts mean nothing yet
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
    def paused(self) -> Notice | None:
        """Why the session stands still; None while it runs."""
        return self._paused

    def pause(self, why: Notice) -> None:
        """Stop at once: what sounds is cut, and reps that have begun are void."""
        if self._paused or self._ended:
            return
        self._paused = why
        self._waiting.clear()
        self._sounded = deque((play for play in self._sounded if play.start < self._now), maxlen=SOUNDED)
        self._pending.append(Silence())
        for rep in self.reps[len(self.verdicts) :]:
            if self._begins[rep.index] >= self._now:
                break
            placed = self._ladder.place(rep)
            self._pending.append(self._settle(placed, void_verdict(placed, why)))
        self._say(PAUSE_WORD)

    def resume(self, *, lost: bool = False) -> None:
        """Go on with the reps that had not begun, in three seconds or later; `lost`: on a stream of another latency."""
        if not self._paused:
            return
        self._paused = None
        self._listener = self._renew(self._listener, self._rate_hz, lost)
        rest = self.reps[len(self.verdicts) :]
        if rest:
            wanted = self._now + frames_from_s(RESUME_S, self._rate_hz)
            late_s = s_from_frames(max(0, wanted - self._begins[rest[0].index]), self._rate_hz)
            moved = tuple(later(rep, late_s) for rep in rest)
            self.reps = (*self.reps[: len(self.verdicts)], *moved)
            self._by_index.update((rep.index, rep) for rep in moved)
            self._say(RESUME_WORD)
        self._lay_out()

    def request(self) -> bool:
        """The player asks to be told about the last landing; whether that will be."""
        return bool((teller := self._teller()) and teller.request())

    def guess(self, message: Message) -> bool | None:
        """The player says when the last landing was; None when nothing was asked."""
        return teller.guess(message) if (teller := self._teller()) else None

    def repeat_call(self) -> str | None:
        """Say the last call again, where there is room before the next lead-in; the call, where there was one."""
        calls = [play for play in self._sounded if play.cue.role == "call" and play.start < self._now]
        if not calls or self._paused:
            return None
        cue = replace(calls[-1].cue, role="feedback", gain_db=REPEAT_GAIN_DB)
        self._waiting = deque([*(play for play in self._waiting if play.cue != cue), replace(calls[-1], cue=cue)])
        return calls[-1].rep.call

    def mark_void(self) -> None:
        """Declare the last rep void (somebody was in the way), or take that back."""
        if not self.verdicts:
            return
        last = self.verdicts[-1]
        rep = self._by_index[last.rep]
        heard = self._unmarked.pop(last.rep, None)
        move = self._ladder.put_back() if heard else self._ladder.withdraw()
        if heard is None:
            self._unmarked[last.rep] = last
            if teller := self._teller():
                teller.withdraw(last.rep)
        marked = heard or replace(void_verdict(rep, BY_HAND), contact_heard_s=last.contact_heard_s)
        self.verdicts[-1] = marked
        self._scores = None
        self._pending.append(Judged(rep, marked, move))
        self._say_move(move, rep)

    def finish(self) -> list[Event]:
        """The stream stopped early: judge what was heard so far. Reps not begun are left out."""
        events = self.take_events()
        if not self._paused:
            for heard in self._listener.finish():
                if self._begins[heard.rep] < self._now:  # the listener is told of reps well before they begin
                    events.extend(self._judge(heard))
        return [event for event in events if isinstance(event, Judged)]

    def reps_as_judged(self) -> tuple[Rep, ...]:
        """All reps, those judged so far with the level and window that they were judged by."""
        return tuple(self._by_index.values())

    def scores(self) -> Scores:
        """Scores of the reps judged so far; warm-up reps are left out."""
        if self._scores is None:
            self._scores = self._scores_of(self.verdicts)
        return self._scores

    def _scores_of(self, verdicts: Sequence[Verdict]) -> Scores:
        return summarize(verdict for verdict in verdicts if not self._by_index[verdict.rep].warm_up)

    @property
    def now(self) -> int:
        """Frame of the stream after the last one fed."""
        return self._now

    def health(self, stream: Health) -> Health:
        """The stream's health, with what the listener knows of it."""
        return replace(
            stream,
            round_trip_ms=self._listener.round_trip_ms,
            round_trip_sd_ms=self._listener.round_trip_sd_ms,
            drift_ppm=self._listener.drift_ppm,
            noise_db=self._listener.noise_db,
            own_left_db=self._listener.own_left_db,
        )

    def snapshot(self) -> Snapshot:
        """State for a screen, at any time."""
        while self._to_show and self._to_show[0][0] <= self._now:
            self._shown = self._to_show.popleft()[1]
        ahead = self.reps[min(max(len(self.verdicts) - 1, 0), len(self.reps) - 1)] if self.reps else None
        asking = bool((teller := self._teller()) and teller.asking)
        shown, heard = self._shown, self._unmarked.get(self.verdicts[-1].rep) if self.verdicts else None
        known = self.verdicts[: len(self.verdicts) - asking]  # who is to guess must not read the answer off the strip
        return Snapshot(
            done=sum(not self._by_index[verdict.rep].withheld for verdict in self.verdicts),
            total=sum(not rep.withheld for rep in self.reps),
            elapsed_s=s_from_frames(self._now - self._zero, self._rate_hz),
            left_s=max(0.0, s_from_frames(self._end - self._now, self._rate_hz)),
            last=known[-1] if known else None,
            recent=tuple(known[-RECENT:]),
            scores=self._scores_of(known) if asking else self.scores(),
            level_db=self._level_db,
            noise_db=self._listener.noise_db,
            level=self.verdicts[-1].level if self.verdicts else None,
            shown=shown,
            window=self._by_index[ahead.index].window if ahead else None,
            said=self._said(),
            paused=self._paused,
            asking=asking,
            rest_s=self._rest_s(),
            struck=bool(heard and shown and (heard.error_ms, 1) == (shown.error_ms, shown.reps)),
            guesses=sum(each.guesses for each in self._feedback),
            right_guesses=sum(each.right_guesses for each in self._feedback),
        )

    def _frame(self, session_s: float) -> int:
        return self._zero + frames_from_s(session_s, self._rate_hz)

    def _judge(self, heard: Heard) -> list[Event]:
        rep = self._ladder.place(self._by_index[heard.rep])
        judged = self._settle(rep, judge(heard, rep, self._placement, self._rate_hz))
        teller = self._teller()
        self._say_move(judged.move, rep)
        if teller is None:
            return [judged]
        asked = self._placed(self._word(GUESS_WORD, rep), self._limit()) if teller.asking else []
        return [judged, *asked, *self._tell(teller)]

    def _say_move(self, move: LevelMove | None, rep: Rep) -> None:
        """Say a move; one that was taken back before it was said needs no word, and neither does its way back."""
        if move:
            word, opposite = (HARDER_WORD, EASIER_WORD) if move.up else (EASIER_WORD, HARDER_WORD)
            kept = [play for play in self._waiting if play.cue.sound != opposite]
            self._waiting = deque(kept if len(kept) < len(self._waiting) else [*kept, *self._word(word, rep)])

    def _settle(self, rep: Rep, verdict: Verdict) -> Judged:
        self._by_index[rep.index] = rep
        self.verdicts.append(verdict)
        self._scores = None
        if teller := self._teller():
            teller.take(verdict, rep.window)
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
        while placed := self._placed(islice(self._waiting, 1)):
            self._waiting.popleft()
            yield from placed

    def _placed(self, plays: Iterable[Play], limit: int | None = None) -> list[Play]:
        """Those that find room to sound soon, or before `limit`."""
        ready, placed = self._now + frames_from_s(NOTICE_S, self._rate_hz), []
        for play in plays:
            needed = len(play.sound.samples) + frames_from_s(CLEARANCE_S, self._rate_hz)
            start = first_room(self._around(limit), ready, needed, limit)
            if start is not None:
                placed.append(self._added(replace(play, start=start)))
        return placed

    def _limit(self) -> int | None:
        """Frame at which the next rep's first sound begins; None after the last rep."""
        return next((self._begins[rep.index] for rep in self.reps[len(self.verdicts) :]), None)

    def _rest_s(self) -> float | None:
        """Until the next rep begins, where that is far, and once what the last one came to has been seen."""
        begins = self._limit()
        if begins is None or not self.verdicts or self._paused:
            return None
        ended = self._frame(self._by_index[self.verdicts[-1].rep].end_s)
        whole_s, passed_s = (s_from_frames(frame - ended, self._rate_hz) for frame in (begins, self._now))
        return whole_s - passed_s if whole_s >= SEEN_REST_S and SEEN_FIGURE_S <= passed_s < whole_s else None

    def _tell(self, teller: Feedback) -> Iterator[Event]:
        """Feedback on the last rep where there is room for it before the next lead-in."""
        verdict = self.verdicts[-1]
        rep = self._by_index[verdict.rep]
        acted = self._frame(rep.contact_s + s_from_ms(verdict.touchdown_ms or 0.0))
        due = acted + frames_from_s(teller.plan.delay_s, self._rate_hz)
        limit = self._limit()
        spoken = False
        for opens, closes in gaps(self._around(limit), self._now + frames_from_s(NOTICE_S, self._rate_hz), limit):
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

    def _around(self, limit: int | None) -> Iterator[Play]:
        """Sounds that may be in the way of another one: those handed out last, and the next few to come."""
        yield from self._sounded
        yield from islice((play for play in self._plays if limit is None or play.start < limit), AHEAD_SOUNDS)

    def _added(self, play: Play) -> Play:
        self._sounded.append(play)
        self._end = max(self._end, play.start + len(play.sound.samples) + frames_from_s(TAIL_S, self._rate_hz))
        return play

    def _say(self, word: str) -> None:
        """A word at once: nothing else sounds."""
        start = self._now + frames_from_s(NOTICE_S, self._rate_hz)
        rep = self.reps[min(len(self.verdicts), len(self.reps) - 1)]
        self._pending.extend(self._added(replace(play, start=start)) for play in self._word(word, rep))

    def _word(self, word: str, rep: Rep) -> list[Play]:
        """A word about the session itself, where the language has it; not placed yet."""
        sound = self._bank.get((word, None))
        return [] if sound is None else [Play(0, sound, Cue("feedback", word, 0.0), rep)]

    def _said(self) -> str:
        """The word that sounds, or was said a moment ago."""
        for play in reversed(self._sounded):
            end = play.start + max(len(play.sound.samples), frames_from_s(WORD_SHOWN_S, self._rate_hz))
            if play.start <= self._now < end and play.cue.sound not in RENDERED:
                return play.cue.sound
        return ""


def gaps(sounds: Iterable[Play], ready: int, limit: int | None) -> Iterator[tuple[int, int | None]]:
    """Stretches of frames without a sound, from `ready` on and up to `limit`; without a limit the last one is open."""
    spans = sorted((play.start, play.start + len(play.sound.samples)) for play in sounds)
    reach = ready
    for start, end in spans:
        if end <= ready or (limit is not None and start >= limit):
            continue
        if start > reach:
            yield reach, start
        reach = max(reach, end)
    if limit is None:
        yield reach, None
    elif limit > reach:
        yield reach, limit


def first_room(sounds: Iterable[Play], ready: int, needed: int, limit: int | None = None) -> int | None:
    """First frame from `ready` on from which so many frames up to `limit` are without a sound, or None."""
    rooms = gaps(sounds, ready, limit)
    return next((opens for opens, closes in rooms if closes is None or closes - opens >= needed), None)
