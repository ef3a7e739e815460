"""A session of live feeding: nothing is played but feedback, and that never on the next contact."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from itertools import pairwise
from statistics import median

from drilltimer.feeding.listener import Fed, FeedListener
from drilltimer.feeding.rhythm import PlayKind
from drilltimer.history.marks import Mark
from drilltimer.model import Block, Grade, Heard, Level, Placement, Rep, Scores, Verdict, Window
from drilltimer.score.feedback import CLEARANCE_S, Feedback
from drilltimer.score.match import BY_HAND, judge
from drilltimer.score.stats import summarize
from drilltimer.session.events import Event, Judged, Play
from drilltimer.session.layout import Bank
from drilltimer.units import frames_from_s, s_from_frames, s_from_ms

NOTICE_S = 0.15  # a sound is handed over so long before it starts
# Before anything was heard of this rhythm: the shortest usual time from contact to contact, and from a rally's last
# contact to the next rally's first (common practice, no source).
USUAL_S = {"rally": 2.0, "feed": 3.0, "return": 3.0}
RALLY_PAUSE_S = 5.0
SOONER = 0.9  # the next contact may come so much sooner than any yet
RALLY_OVER = 1.35  # a rally is over when its next contact is late by this factor
HEARD_LATE_S = 0.8  # a contact is probable to the ear so long after it sounded
INTERVALS = 30


class FeedSession:
    """One session of live feeding on one stream, or on a recording.

    Parameters
    ----------
    level : str | None
        That the window belongs to; None for a window of the coach's own.
    teller : Feedback, optional
        None: nothing is told.
    bank : mapping
        The feedback's sounds by (name, length), at `rate_hz`.
    doubt_ms : float
        One sigma of what the way through the air is off by.
    """

    def __init__(
        self,
        listener: FeedListener,
        placement: Placement,
        window: Window,
        rate_hz: int,
        play: PlayKind,
        level: Level | None = None,
        teller: Feedback | None = None,
        bank: Bank | None = None,
        *,
        doubt_ms: float = 0.0,
    ) -> None:
        self.listener = listener
        self.reps: list[Rep] = []
        self.verdicts: list[Verdict] = []
        self.marks: dict[int, Mark] = {}
        self._placement, self._window, self._level = placement, window, level
        self._doubt_ms = doubt_ms
        self._rate_hz, self._play = rate_hz, play
        self._teller, self._bank = teller, bank or {}
        self._contacts: list[float] = []  # seconds, all told
        self._now = 0
        self._busy_until = 0
        self._pending: list[Event] = []

    def feed(self, block: Block) -> list[Event]:
        """Take in the next block; answers what is to be done about it."""
        self._now = block.start + len(block.samples)
        events, self._pending = self._pending, []
        for fed in self.listener.feed(block):
            events.append(self._judge(fed))
        events.extend(self._tell())
        return events

    def finish(self) -> list[Event]:
        """The sound has ended: judge what it still holds."""
        events, self._pending = self._pending, []
        return [*events, *(self._judge(fed) for fed in self.listener.finish())]

    def scores(self) -> Scores:
        """Scores of the reps so far; what a coach declared void is void."""
        return summarize(self.as_counted(verdict) for verdict in self.verdicts)

    def as_counted(self, verdict: Verdict) -> Verdict:
        """The verdict, or a void one where the coach said so; the measured value stays in `verdicts`."""
        if self.marks.get(verdict.rep) is not Mark.VOID:
            return verdict
        void = Verdict(verdict.rep, Grade.VOID, contact_heard_s=verdict.contact_heard_s, void=BY_HAND)
        return replace(
            void, level=verdict.level, window_open_ms=verdict.window_open_ms, window_close_ms=verdict.window_close_ms
        )

    def mark(self, mark: Mark) -> Verdict | None:
        """The coach's word on the last rep told; the same mark once more takes it back. None before the first rep."""
        if not self.verdicts:
            return None
        last = self.verdicts[-1]
        if self.marks.get(last.rep) is mark:
            del self.marks[last.rep]
        else:
            self.marks[last.rep] = mark
        if mark is Mark.VOID and self._teller:
            self._teller.withdraw(last.rep)
        self._pending.append(Judged(self.reps[-1], last))
        return last

    # --- inside ---

    def _judge(self, fed: Fed) -> Judged:
        contact_s = s_from_frames(fed.contact.at, self._rate_hz)
        self._contacts.append(contact_s)
        rep = Rep(
            len(self.reps), contact_s, contact_s + USUAL_S[self._play], contact_s, (), None, self._window,
            level=self._level,
        )  # fmt: skip
        heard = Heard(rep.index, fed.contact, True, fed.landing, fed.void)
        verdict = judge(heard, rep, self._placement, self._rate_hz)
        if verdict.uncertainty_ms is not None:
            doubt_ms = (verdict.uncertainty_ms**2 + self._doubt_ms**2) ** 0.5
            verdict = replace(verdict, uncertainty_ms=doubt_ms)
        self.reps.append(rep)
        self.verdicts.append(verdict)
        if self._teller:
            self._teller.take(verdict, self._window)
        return Judged(rep, verdict)

    def _tell(self) -> Iterator[Event]:
        """Feedback, where it ends before the next contact can come."""
        if not self._teller or not self.verdicts or self._now < self._busy_until:
            return
        ready = self._now + frames_from_s(NOTICE_S, self._rate_hz)
        limit_s = self.next_contact_s()
        last = self.verdicts[-1]
        acted_s = (last.contact_heard_s or 0.0) + s_from_ms(last.touchdown_ms or 0.0)
        telling = self._teller.place(
            acted_s=acted_s, ready_s=s_from_frames(ready, self._rate_hz), next_lead_in_s=limit_s
        )
        if telling is None:
            return
        start = max(frames_from_s(telling.cue.at_s, self._rate_hz), ready)
        sound = self._bank[telling.cue.sound, telling.cue.length_s]
        self._busy_until = start + len(sound.samples) + frames_from_s(CLEARANCE_S, self._rate_hz)
        yield Play(start, sound, telling.cue, self.reps[-1])

    def next_contact_s(self) -> float:
        """The earliest at which the next contact may be heard, in seconds of the stream; mostly it comes later.

        In a rally there is no room until the next contact has failed to come; then the pause's is what is left.
        """
        last_s = self._contacts[-1]
        if self.listener.latest is not None:
            last_s = max(last_s, s_from_frames(self.listener.latest, self._rate_hz))
        gaps_s = [b - a for a, b in pairwise(self._contacts[-INTERVALS - 1 :])]
        if self._play != "rally":
            return last_s + min([USUAL_S[self._play], *(SOONER * gap for gap in gaps_s if gap > 1.0)])
        inside_s = [gap for gap in gaps_s if gap < 1.0 + 1.5 * USUAL_S["rally"]]
        usual_s = median(inside_s) if len(inside_s) >= 3 else 1.25 * USUAL_S["rally"]
        known_s = s_from_frames(self._now, self._rate_hz) - HEARD_LATE_S
        if known_s < last_s + RALLY_OVER * usual_s:
            return last_s
        pauses_s = [gap for gap in gaps_s if gap >= 1.0 + 1.5 * USUAL_S["rally"]]
        return last_s + min([RALLY_PAUSE_S, *(SOONER * pause for pause in pauses_s)])
