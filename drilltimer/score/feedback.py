"""Who is told what, and when: too much too soon teaches a player to wait for the coach instead of feeling the error.

Notes
-----
Frequent knowledge of results helps practice and can hurt later performance without it (Salmoni, Schmidt & Walter 1984,
Psychol Bull 95:355-386, abstract). A delay of a few seconds beats telling at once (Swinnen, Nicholson, Schmidt &
Shapiro 1990, abstract), a band beats telling every rep (Cruz et al. 2018, Motricidade 14:107-114, abstract), summaries
suit the skilled (Schmidt, Young, Swinnen & Shapiro 1989, abstract). The evidence does not prove that hiding helps,
therefore everything here can be chosen, as a preference: corrected for publication bias, choosing oneself adds about
g = 0.1 (McKay et al. 2022, Meta-Psychology 6, from memory), an external focus about nothing (McKay et al. 2024, Psychol
Bull 150, from memory).
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from enum import StrEnum

from drilltimer.model import TIMED_GRADES, Cue, FeedbackPlan, Grade, Level, Verdict, Window

SHORTEST_DELAY_S = 0.5  # this project's choice: sooner, the player has not yet felt the landing
CLEARANCE_S = 0.15  # silence kept before a lead-in, so that its start is heard as a start
GUESS_WAIT_S = 5.0  # beyond the delay; a player who says nothing is told all the same
# (reps, one told in so many); the last share goes on. Half of the first 40, as in the faded schedule of
# Winstein & Schmidt 1990 (from memory); the steps are this project's choice.
FADED_STEPS = ((10, 1), (20, 2))
FADED_REST = 4
# Reminders: this project's choice, and meant to be rare. Stagger is heard roughly, hence the median of several.
STAGGER_LIMIT_MS = 60.0
STAGGER_REPS = 5
REMINDER_EVERY = 12  # timed reps between two reminders
TOGETHER = "both-feet-together"
TECHNIQUE = ("soft-landing", "heels-up", "watch-the-hitter")
REMINDERS: tuple[str, ...] = (TOGETHER, *TECHNIQUE)


class Message(StrEnum):
    """What a player is told about a landing, or about the mean of several."""

    EARLY = "early"
    ON_TIME = "on-time"
    LATE = "late"


@dataclass(frozen=True, slots=True)
class Telling:
    """What the player is told, and of what: the grade and error of the last rep, or of the mean of `reps` reps."""

    cue: Cue
    grade: Grade
    error_ms: float
    reps: int


DEFAULT_PLANS: Mapping[Level, FeedbackPlan] = {
    "beginner": FeedbackPlan("each"),
    "club": FeedbackPlan("band"),
    "advanced": FeedbackPlan("summary", summary_reps=5),
}


def feedback_sounds(plan: FeedbackPlan, calls: Collection[str] = ()) -> dict[Message, str]:
    """Name of the sound for each message.

    Spoken "late" is easily heard as "right", so that a drill that calls "right" is given tones whatever the plan says.
    """
    if plan.spoken and "right" not in calls:
        return {message: message.value for message in Message}
    return {message: "tone_" + message.value.replace("-", "_") for message in Message}


def place_feedback(
    plan: FeedbackPlan, length_s: float, *, acted_s: float, ready_s: float, next_lead_in_s: float | None
) -> float | None:
    """When a feedback sound of `length_s` starts, or None where there is no room for it.

    Parameters
    ----------
    acted_s, ready_s, next_lead_in_s : float
        Touchdown, earliest time that can still be played, and start of the next lead-in (None: nothing follows), all
        from one zero; the answer counts from the same zero.
    """
    wanted_s = max(acted_s + plan.delay_s, ready_s)
    if next_lead_in_s is None:
        return wanted_s
    latest_s = next_lead_in_s - CLEARANCE_S - length_s
    earliest_s = max(acted_s + SHORTEST_DELAY_S, ready_s)
    return min(wanted_s, latest_s) if latest_s >= earliest_s else None


class Feedback:
    """What is still to be told in a running session.

    Call `take` with each verdict, then `place` with the room there is. A message that finds no room waits for the next
    longer gap, the end of the rally, and is then about the mean of what went untold.

    Parameters
    ----------
    sounds : Mapping[Message, str]
        As `feedback_sounds` gives them.
    lengths_s : Mapping[str, float]
        Length of each of those sounds, and of the `REMINDERS` that there are words for.
    called : bool
        Directions are called: then nothing is said of feet that come down apart, for good returners land on the far
        foot first in two of three returns (Avilés et al. 2014, second-hand).
    """

    def __init__(
        self, plan: FeedbackPlan, sounds: Mapping[Message, str], lengths_s: Mapping[str, float], *, called: bool = False
    ) -> None:
        self.plan = plan
        self._called = called
        self.guesses = 0  # how often the player guessed
        self.right_guesses = 0
        self._sounds = sounds
        self._lengths_s = lengths_s
        self._timed: list[Verdict] = []  # since the last summary; of the other kinds only the last one is looked at
        self._staggers_ms: deque[float] = deque(maxlen=STAGGER_REPS)
        self._count = 0
        self._reminded = 0  # count at the last reminder
        self._reminders = 0
        self._waiting: list[Verdict] = []
        self._window = Window(0.0, 0.0, 0.0)
        self._requested = False
        self._open: Verdict | None = None  # awaits the player's guess

    @property
    def asking(self) -> bool:
        """The player has landed and has not yet said when."""
        return self._open is not None

    @property
    def pressing(self) -> bool:
        """Something was asked for and is not told yet."""
        return self._requested or bool(self._open and self._waiting)

    def take(self, verdict: Verdict, window: Window) -> None:
        """Take note of a judged rep. Missed, void and withheld ones are for the screen: there is no error to tell."""
        self._open = None
        if verdict.grade not in TIMED_GRADES:
            return
        self._window = window
        self._count += 1
        if verdict.stagger_ms is not None:
            self._staggers_ms.append(verdict.stagger_ms)
        if self.plan.guess_first and self.plan.kind != "none":
            self._open = verdict
        self._timed.append(verdict)
        if self.plan.kind == "summary":
            if len(self._timed) >= self.plan.summary_reps:
                self._waiting, self._timed = self._timed, []
        else:
            self._timed = [verdict]
            if self._waiting or self._is_due(verdict):
                self._waiting.append(verdict)

    def withdraw(self, rep: int) -> None:
        """Forget a rep that was declared void."""
        self._waiting = [verdict for verdict in self._waiting if verdict.rep != rep]
        self._timed = [verdict for verdict in self._timed if verdict.rep != rep]
        if self._open is not None and self._open.rep == rep:
            self._open = None
        self._requested = self._requested and bool(self._waiting)

    def request(self) -> bool:
        """The player asks for the last landing; whether it will be told. Never where the plan is `none`."""
        if self.plan.kind == "none" or not self._timed:
            return False
        self._waiting, self._requested = self._timed[-1:], True
        return True

    def guess(self, message: Message) -> bool | None:
        """The player says when it was; answers whether that is right, None when nothing was asked."""
        if self._open is None:
            return None
        right = _message_of(self._open.grade) is message
        self.guesses += 1
        self.right_guesses += right
        self._waiting, self._requested, self._open = [self._open], True, None
        return right

    def place(self, *, acted_s: float, ready_s: float, next_lead_in_s: float | None) -> Telling | None:
        """Feedback to play in the room that there is, or None. Times as in `place_feedback`."""
        if self._open is not None and ready_s < acted_s + self.plan.delay_s + GUESS_WAIT_S:
            return None
        told = _mean_of(self._waiting, self._window) if self._waiting else None
        if told and self.plan.kind == "band" and not self._requested and self._passes(*told):
            told, self._waiting = None, []
        reminder = None if self._requested else self._due_reminder(told)
        if reminder is None and told is None:
            return None
        sound = reminder or self._sounds[_message_of(told[0] if told else Grade.ON_TIME)]
        at_s = place_feedback(
            self.plan, self._lengths_s[sound], acted_s=acted_s, ready_s=ready_s, next_lead_in_s=next_lead_in_s
        )
        if at_s is None:
            return None
        if reminder is not None:
            self._reminded = self._count
            self._reminders += 1
        grade, error_ms = told or (self._timed[-1].grade, self._timed[-1].error_ms or 0.0)
        telling = Telling(Cue("feedback", sound, at_s), grade, error_ms, max(1, len(self._waiting)))
        self._waiting, self._requested, self._open = [], False, None
        return telling

    def _due_reminder(self, told: tuple[Grade, float] | None) -> str | None:
        """A word about the feet: rare, and only where nothing else is told, or nothing but "on time" once more."""
        if not self.plan.reminders or self.plan.kind in ("none", "on_request", "summary") or not self._timed:
            return None
        if told and not (self.plan.kind == "each" and told[0] is Grade.ON_TIME):
            return None
        if self._count - self._reminded < REMINDER_EVERY:
            return None
        if self._timed[-1].grade is not Grade.ON_TIME:
            return None
        wide = len(self._staggers_ms) == STAGGER_REPS and sorted(self._staggers_ms)[STAGGER_REPS // 2]
        apart = not self._called and wide and wide > STAGGER_LIMIT_MS
        word = TOGETHER if apart else TECHNIQUE[self._reminders % len(TECHNIQUE)]
        return word if word in self._lengths_s else None

    def _is_due(self, verdict: Verdict) -> bool:
        match self.plan.kind:
            case "each":
                return True
            case "band":
                return not self._passes(verdict.grade, verdict.error_ms or 0.0)
            case "faded":
                return is_told_when_faded(self._count)
            case _:
                return False

    def _passes(self, grade: Grade, error_ms: float) -> bool:
        band_ms = self.plan.band_ms
        return grade is Grade.ON_TIME if band_ms is None else abs(error_ms) <= band_ms


def _message_of(grade: Grade) -> Message:
    if grade is Grade.ON_TIME:
        return Message.ON_TIME
    return Message.LATE if grade is Grade.LATE else Message.EARLY


def is_told_when_faded(count: int) -> bool:
    """Whether the `count`-th timed rep, counted from 1, is told about in a faded schedule."""
    done = 0
    for reps, one_in in FADED_STEPS:
        if count <= done + reps:
            return (count - done) % one_in == 0
        done += reps
    return (count - done) % FADED_REST == 0


def _mean_of(verdicts: list[Verdict], window: Window) -> tuple[Grade, float]:
    """Grade and error of one verdict, or of the mean touchdown of several."""
    if len(verdicts) == 1:
        return verdicts[0].grade, verdicts[0].error_ms or 0.0
    error_ms = math.fsum(verdict.error_ms or 0.0 for verdict in verdicts) / len(verdicts)
    touchdown_ms = window.centre_ms + error_ms
    if touchdown_ms < window.open_ms:
        return Grade.EARLY, error_ms
    return (Grade.ON_TIME if touchdown_ms <= window.close_ms else Grade.LATE), error_ms
