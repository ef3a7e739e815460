"""A group session as a state machine: blocks of sound in, things to play and verdicts out. No I/O, no clock of its own.

Stage after stage is put on the stream's frames shortly before the one before it ends. What a coach asks for (pause,
skip, repeat, extend) moves what comes after it; what then would pass the time limit is left out, from its end.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from drilltimer.errors import Notice, notice
from drilltimer.group import announce
from drilltimer.group.contacts import Contacts, Turn, lay_contacts, lay_turns, scored_stations
from drilltimer.group.crowd import Gathering, estimate
from drilltimer.group.events import Begun, CoachNotice, Gathered, GroupEvent, Moved, ScoredRep
from drilltimer.group.hearing import Hearing
from drilltimer.group.plan import FINISH_S, MAX_PLAYERS, GroupPlan
from drilltimer.group.roster import Roster, RosterMove
from drilltimer.group.running import MakeBank, Running, leave, lengthen, put_on_stream, rest_of, say_words
from drilltimer.group.scoring import answering, heard_together, score_rep
from drilltimer.group.timeline import Stage, Timetable, fit, retime
from drilltimer.model import Block, Drill, Health, Heard, Rep
from drilltimer.session.events import Ended, Silence
from drilltimer.session.layout import PAUSE_WORD
from drilltimer.session.session import AHEAD_S, NOTICE_S
from drilltimer.units import frames_from_s, s_from_frames

PREPARE_S = AHEAD_S + 1.0  # a stage is put on the stream so long before the one before it ends
RESUME_LEAD_S = 5.0  # after a pause, and the shortest lead after a skip: room for the countdown
LEAST_LEFT_S = 3.0  # of work, after a pause: less is not worth a countdown, our choice
REPEAT_LEAD_S = 10.0
EXTEND_S = 15.0


class GroupSession:
    """A group plan on one stream.

    Parameters
    ----------
    course : Timetable
        The plan laid out: when which stage is where.
    drills : mapping
        Drill by name.
    make_bank : callable
        Sounds of some cues, at the stream's rate.
    lengths_s : mapping
        Length of every word there is a recording of, by the word as `announce` writes it.
    zero : int
        Frame of the stream at which the session starts.
    """

    def __init__(
        self,
        plan: GroupPlan,
        course: Timetable,
        drills: Mapping[str, Drill],
        make_bank: MakeBank,
        lengths_s: Mapping[str, float],
        rate_hz: int,
        zero: int = 0,
        seed: int = 0,
    ) -> None:
        self.roster = Roster(plan)
        self.results: list[ScoredRep] = []
        self.gatherings: list[Gathering] = []
        self.lanes = scored_stations(plan)
        self._drills, self._make_bank, self._lengths_s = drills, make_bank, lengths_s
        self.rate_hz, self.zero, self._seed = rate_hz, zero, seed
        self._hearing = Hearing(plan, self.lanes, rate_hz)
        self._ahead = list(course.stages)  # not yet on the stream
        self._told: dict[str, int] = {}  # words that are said once, each with the frame at which it is over
        self._again: list[str] | None = None  # opening words of a stage that is repeated
        self._now = zero
        self._rep_count = self._stage_count = 0
        self._current: Running | None = None
        self._next: Running | None = None
        self._closing: list[Running] = []  # over, but not all is heard yet
        self._free = zero  # frame at which the latest stage's work ends
        self._paused: Notice | None = None
        self._over = self._ended = self._finishing = False
        self._paused_at = zero
        self._stood = 0  # frames, in pauses
        self._pending: list[GroupEvent] = []

    # --- the stream's side ---

    def feed(self, block: Block) -> list[GroupEvent]:
        """Take in the next block; answers what is to be done about it."""
        self._now = block.start + len(block.samples)
        events = self.take_events()
        if self._paused or self._ended:
            return events
        self._move_on()
        horizon = self._now + frames_from_s(AHEAD_S, self.rate_hz)
        for running in self._live():
            while running.expected and running.expected[0].opens <= horizon:
                expected = running.expected.popleft()
                self._hearing.expect(expected, running.contacts.lanes_of[expected.rep], running.stage.kind)
        for heard in self._hearing.feed(block):
            self._judge(heard)
        for running in self._live():
            self._pending += running.due(self._now, self.rate_hz)
        if self._over and self._now >= self._free + frames_from_s(FINISH_S, self.rate_hz) and not self._closing:
            self._ended = True
            self._pending.append(Ended())
        return [*events, *self.take_events()]

    def take_events(self) -> list[GroupEvent]:
        """What keys and pauses left to be done; for a stream that is lost and will not be fed."""
        events, self._pending = self._pending, []
        return events

    @property
    def running(self) -> Running | None:
        """The stage that runs or is led up to; None when all is over."""
        return self._current

    @property
    def ahead(self) -> tuple[Stage, ...]:
        """Stages that follow it."""
        return (*((self._next.stage,) if self._next else ()), *self._ahead)

    @property
    def plan(self) -> GroupPlan:
        """The plan, with everybody who has come since."""
        return self.roster.plan

    def finish(self) -> list[GroupEvent]:
        """The stream stopped early: judge what was heard so far."""
        if not self._paused:
            for heard in self._hearing.finish():
                self._judge(heard)
        return [event for event in self.take_events() if isinstance(event, ScoredRep | Gathered)]

    def health(self, stream: Health) -> Health:
        """The stream's health, with what the microphones know of it."""
        return self._hearing.health(stream)

    def cast(self, rep: Rep) -> list[tuple[int, int]]:
        """Who answers a rep, each with the input channel nearby: what a simulated hall must know."""
        running = next((each for each in self._live() if rep.index in each.reps), None)
        if running is None:
            return []
        if not self._hears_lanes(running.stage):
            channel = (self._hearing.group_channel or 1) - 1
            return [(player, channel) for player in heard_together(running.stage, self.plan)]
        return answering(rep, running, self.plan, self.lanes)

    # --- what a coach may ask for ---

    @property
    def now(self) -> int:
        """Frame of the stream after the last one fed."""
        return self._now

    @property
    def moment(self) -> int:
        """What a board counts down from: `now`, or the frame at which a pause began."""
        return self._paused_at if self._paused else self._now

    @property
    def paused(self) -> Notice | None:
        """Why the session stands still; None while it runs."""
        return self._paused

    def pause(self, why: Notice) -> None:
        """Stop at once: what sounds is cut, and reps that have begun are void."""
        if self._paused or self._over or self._ended:
            return
        self._paused, self._paused_at = why, self._now
        self._cut(why)
        self._say(self._now + frames_from_s(NOTICE_S, self.rate_hz), PAUSE_WORD)

    def resume(self, *, lost: bool = False) -> None:
        """Go on with what is left of the stage, after a countdown."""
        if not self._paused:
            return
        self._paused = None
        self._stood += self._now - self._paused_at
        self._pending.append(Silence())  # the word that told of the pause may still sound
        self._hearing.renew(lost)
        running = self._current
        if running is None:
            self._free = self._now
            self._rearrange()
            return
        lead = max(frames_from_s(RESUME_LEAD_S, self.rate_hz), running.start - self._paused_at)
        start = self._now + lead
        stage, contacts = rest_of(running, self._paused_at, self.rate_hz)
        left_s = self.plan.time_limit_s - FINISH_S - s_from_frames(start - self.zero, self.rate_hz)
        if left_s <= 0.0 or stage.work_s < LEAST_LEFT_S:
            self._leave(stage if left_s <= 0.0 else None)
            return
        if stage.work_s > left_s:
            stage = replace(stage, work_s=left_s)
            contacts = replace(contacts, reps=tuple(rep for rep in contacts.reps if rep.end_s <= left_s))
        opening = self._opening_again(running, stage, self._paused_at)
        self._current = self._put(stage, contacts, start, opening, running.whole_s)
        self._current.source = running.source
        self._rearrange()

    def skip(self) -> None:
        """Leave the stage that runs, or is led up to, and go on with the next one."""
        if self._refuses():
            return
        if self._current is None and self._ahead:  # nothing of it has sounded
            del self._ahead[0]
        self._again = None
        self._cut(notice("skipped"))
        self._leave()

    def repeat(self) -> None:
        """Do the stage that runs once more from its beginning; nobody changes place for it."""
        if self._refuses() or self._current is None:
            return
        stage = self._current.source
        self._again = self._opening_again(self._current, stage, self._now)
        self._cut(notice("repeated"))
        self._leave(replace(stage, lead_s=min(stage.lead_s, REPEAT_LEAD_S)))

    def extend(self) -> bool:
        """Lengthen the work that runs by 15 s; False when the change is called already, or the booking ends."""
        if self._refuses():
            return False
        running = self._current
        more = frames_from_s(EXTEND_S, self.rate_hz)
        limit = self.zero + frames_from_s(self.plan.time_limit_s - FINISH_S, self.rate_hz)
        if running is None or self._next or self._finishing or running.end + more > limit:
            self._pending.append(CoachNotice(notice("too_late")))
            return False
        turn = replace(running.contacts.turns[-1], opens_s=0.0, closes_s=EXTEND_S)
        stage = replace(running.stage, work_s=EXTEND_S)
        contacts = self._lay(stage, (turn,))
        if running.take_back(lambda say: say.cue.sound == announce.TEN_SECONDS, self._now):
            self._pending.append(Silence())  # in a movement nothing else can be on its way just then
        words = announce.last_seconds(stage, EXTEND_S, running.whole_s + EXTEND_S, self._lengths_s)
        heard = self._hearing.hears(stage.kind)
        added = put_on_stream(stage, running.end, contacts, words, self._make_bank, self.rate_hz, self.zero, heard)
        lengthen(running, added, EXTEND_S)
        self._free = running.end
        self._rearrange()
        return True

    def move(self, player: int) -> RosterMove | None:
        """Take a player (place in the list) out at once, or bring one in with the next change-over.

        The place after the last is somebody new; beyond it there is nobody: None.
        """
        if not 0 <= player <= len(self.plan.players) or player >= MAX_PLAYERS or self._ended:
            return None
        move = self.roster.move(player, s_from_frames(self._now - self.zero, self.rate_hz))
        called, deserted = (False, False) if move.inside else leave(self._live(), player, self._now)
        if called and not self._paused:  # what else was handed out sounds all the same
            self._pending += [Silence(), *(s for each in self._live() for s in each.handed if s.start > self._now)]
            if self._finishing:
                self._finish_words(self._free)
        self._ahead = [self.roster.seated(stage) for stage in self._ahead]
        self._pending.append(Moved(move, silences=deserted))
        return move

    # --- inside ---

    def _refuses(self) -> bool:
        """Whether nothing can be asked for now; a coach whose session stands still is told."""
        if self._paused:
            self._pending.append(CoachNotice(notice("go_on_first")))
        return bool(self._paused) or self._over or self._ended

    def _leave(self, again: Stage | None = None) -> None:
        """Go on with what comes next, or with a stage that is put before it, after a lead with room for its words."""
        self._hearing.renew(lost=False)
        self._current, self._free = None, self._now
        ahead = [again, *self._ahead] if again else self._ahead
        self._ahead = [replace(stage, lead_s=max(RESUME_LEAD_S, stage.lead_s)) for stage in ahead[:1]] + ahead[1:]
        self._rearrange()

    def _live(self) -> list[Running]:
        return [running for running in (*self._closing, self._current, self._next) if running is not None]

    def _move_on(self) -> None:
        """Put the next stage on the stream when it is time, and leave the one that is over."""
        if self._current is None and self._ahead:
            self._current = self._prepare()
            self._pending.append(Begun(self._current.stage))
        running = self._current
        if running is not None:
            soon = self._now >= running.end - frames_from_s(PREPARE_S, self.rate_hz)
            if soon and self._ahead and self._next is None:
                self._next = self._prepare()
            elif soon and not self._ahead and self._next is None and not self._finishing:
                self._finish_words(running.end)
            if self._now >= running.end:
                self._closing.append(running)
                self._current, self._next = self._next, None
                self._pending += [Begun(self._current.stage)] if self._current else []
        elif not self._ahead and not self._finishing:
            self._finish_words(self._now + frames_from_s(NOTICE_S, self.rate_hz))
        self._over = self._current is None and self._finishing
        self._closing = [each for each in self._closing if each.awaits(self._now, self.rate_hz)]

    def _prepare(self) -> Running:
        """The next stage, on the stream."""
        stage = self.roster.seated(self._ahead.pop(0))
        first = self._stage_count == 0
        self._stage_count += 1
        start = self._free + frames_from_s(stage.lead_s, self.rate_hz)
        opening, self._again = self._again, None
        if opening is None:
            gone_s = s_from_frames(start - self.zero - self._stood, self.rate_hz)
            whole_s = gone_s + stage.work_s + sum(each.lead_s + each.work_s for each in self._ahead) + FINISH_S
            opening = announce.opening_words(stage, first, gone_s / whole_s, self._told, self._lengths_s)
        return self._put(stage, self._lay(stage, lay_turns(self.plan, stage)), start, opening, stage.work_s)

    def _lay(self, stage: Stage, turns: tuple[Turn, ...]) -> Contacts:
        drill = self._drills[stage.drill] if stage.drill else None
        seed = self._seed + 1000 * self._stage_count
        contacts = lay_contacts(self.plan, turns, drill, seed, self._rep_count)
        self._rep_count += len(contacts.reps)
        if not self._hears_lanes(stage):
            return replace(contacts, lanes_of={rep.index: (0,) for rep in contacts.reps})
        return contacts

    def _put(self, stage: Stage, contacts: Contacts, start: int, opening: Sequence[str], whole_s: float) -> Running:
        """A stage on the stream, its words said from now on at the earliest."""
        earliest = self._now + frames_from_s(NOTICE_S, self.rate_hz)
        lead_s = min(stage.lead_s, s_from_frames(start - earliest, self.rate_hz))
        calls = self._calls(stage, contacts)
        words = announce.stage_words(stage, contacts.turns, calls, opening, lead_s, whole_s, self._lengths_s)
        running = put_on_stream(
            stage, start, contacts, words, self._make_bank, self.rate_hz, self.zero, self._hearing.hears(stage.kind)
        )
        running.opening, running.whole_s = tuple(opening), whole_s
        for say in running.says:
            if say.cue.sound in opening and say.cue.sound in announce.ONCE:
                self._told[say.cue.sound] = say.end
        self._free = running.end
        return running

    def _opening_again(self, running: Running, stage: Stage, cut_at: int) -> list[str]:
        called = bool(self._calls(stage, running.contacts))
        return announce.again_words(stage, running.unsaid(cut_at), called, self._lengths_s)

    def _calls(self, stage: Stage, contacts: Contacts) -> list[list[announce.Name]]:
        return announce.calls(self.plan, contacts.turns, self._lengths_s) if self._hears_lanes(stage) else []

    def _hears_lanes(self, stage: Stage) -> bool:
        return stage.kind == "stations" and bool(self.lanes)

    def _finish_words(self, at: int) -> None:
        self._finishing, self._free = True, at
        self._say(at, announce.FINISHED, announce.WELL_DONE)

    def _say(self, at: int, *words: str) -> None:
        """Words one after the other, outside of any stage."""
        self._pending += say_words(words, at, self._make_bank, self._lengths_s, self.rate_hz)

    def _cut(self, why: Notice) -> None:
        """Take back what has not sounded; what has begun is void, and a stage that was to follow waits again."""
        self._pending.append(Silence())
        for running in self._live():
            for index in running.begun(self._now):
                for lane in sorted(running.unheard[index]):
                    self._judge(Heard(index, None, False, None, lane=lane), why)
            running.expected.clear()
        if self._next is not None:
            self._ahead.insert(0, self._next.stage)
            self._next = None
        self._closing, self._finishing = [], False
        self._told = {word: end for word, end in self._told.items() if end <= self._now}

    def _rearrange(self) -> None:
        """Time what is still to come anew; leave out what would pass the time limit."""
        now_s = s_from_frames(self._free - self.zero, self.rate_hz)
        before = len(self._ahead)
        self._ahead = [self.roster.seated(stage) for stage in fit(retime(self._ahead, now_s), self.plan.time_limit_s)]
        if lost := before - len(self._ahead):
            self._pending.append(CoachNotice(notice("no_time", stages=lost)))

    def _judge(self, heard: Heard, why: Notice | None = None) -> None:
        """A rep was heard, or cut for that reason."""
        running = next((each for each in self._live() if heard.rep in each.unheard), None)
        if running is None or heard.lane not in running.unheard[heard.rep]:
            return
        running.unheard[heard.rep].discard(heard.lane)
        if not running.unheard[heard.rep]:
            del running.unheard[heard.rep]
        if not self._hears_lanes(running.stage):
            rep = running.reps[heard.rep]
            gathering = estimate(heard, rep, self.plan.placement, self.rate_hz)
            self.gatherings.append(gathering)
            self._pending.append(Gathered(rep, gathering))
            return
        scored = score_rep(heard, running, self.plan, self.lanes, self.rate_hz, why)
        if scored is not None:
            self.results.append(scored)
            self._pending.append(scored)
