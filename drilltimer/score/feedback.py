"""Who is told what, and when: too much too soon teaches a player to wait for the coach instead of feeling the error.

Notes
-----
Frequent knowledge of results helps practice and can hurt later performance without it (Salmoni, Schmidt & Walter 1984,
Psychol Bull 95:355-386, abstract). A delay of a few seconds beats telling at once (Swinnen, Nicholson, Schmidt &
Shapiro 1990, abstract), a band beats telling every rep (Cruz et al. 2018, Motricidade 14:107-114, abstract), summaries
suit the skilled (Schmidt, Young, Swinnen & Shapiro 1989, abstract). The evidence does not prove that hiding helps,
therefore everything here can be chosen.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Literal

from drilltimer.model import TIMED_GRADES, Cue, Grade, Level, Verdict, Window

FeedbackKind = Literal["each", "band", "summary", "faded", "on_request", "none"]

SHORTEST_DELAY_S = 0.5  # this project's choice: sooner, the player has not yet felt the landing
CLEARANCE_S = 0.15  # silence kept before a lead-in, so that its start is heard as a start
# (reps, one told in so many); the last share goes on. Half of the first 40, as in the faded schedule of
# Winstein & Schmidt 1990 (from memory); the steps are this project's choice.
FADED_STEPS = ((10, 1), (20, 2))
FADED_REST = 4


class Message(StrEnum):
    """What a player is told about a landing, or about the mean of several."""

    EARLY = "early"
    ON_TIME = "on-time"
    LATE = "late"


@dataclass(frozen=True, slots=True)
class FeedbackRule:
    """When and about what the player is told.

    Parameters
    ----------
    kind : {"each", "band", "summary", "faded", "on_request", "none"}
        `each` timed rep; only those outside a `band`; a `summary` of several; `faded`, each rep at first and fewer
        later; `on_request` of the player alone; `none` at all, as in a test block.
    delay_s : float
        From touchdown to feedback. Shortened, down to half a second, where the next lead-in comes sooner.
    band_ms : float | None
        Error either side that is passed over in silence; None: the drill's window.
    summary_reps : int
        Timed reps that one summary tells about.
    spoken : bool
        Words instead of tones.

    Raises
    ------
    ValueError
        When a number makes no sense.
    """

    kind: FeedbackKind = "each"
    delay_s: float = 3.0
    band_ms: float | None = None
    summary_reps: int = 5
    spoken: bool = False

    def __post_init__(self) -> None:
        if not SHORTEST_DELAY_S <= self.delay_s < math.inf:
            raise ValueError(f"feedback delay is {self.delay_s} s, but must be at least {SHORTEST_DELAY_S} s")
        if self.band_ms is not None and not 0 <= self.band_ms < math.inf:
            raise ValueError(f"feedback band is {self.band_ms} ms, but must not be negative")
        if self.summary_reps < 1:
            raise ValueError(f"a feedback summary of {self.summary_reps} reps tells nothing")


DEFAULT_RULES: Mapping[Level, FeedbackRule] = {
    "beginner": FeedbackRule("each"),
    "club": FeedbackRule("band"),
    "advanced": FeedbackRule("summary", summary_reps=5),
}


def feedback_sounds(rule: FeedbackRule, calls: Collection[str] = ()) -> dict[Message, str]:
    """Name of the sound for each message.

    Spoken "late" is easily heard as "right", so that a drill that calls "right" is given tones whatever the rule says.
    """
    if rule.spoken and "right" not in calls:
        return {message: message.value for message in Message}
    return {message: "tone_" + message.value.replace("-", "_") for message in Message}


def place_feedback(
    rule: FeedbackRule, length_s: float, *, acted_s: float, ready_s: float, next_lead_in_s: float | None
) -> float | None:
    """When a feedback sound of `length_s` starts, or None where there is no room for it.

    Parameters
    ----------
    rule : FeedbackRule
    length_s : float
    acted_s, ready_s, next_lead_in_s : float
        Touchdown, earliest time that can still be played, and start of the next lead-in (None: nothing follows), all
        from one zero; the answer counts from the same zero.
    """
    wanted_s = max(acted_s + rule.delay_s, ready_s)
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
    rule : FeedbackRule
    sounds : Mapping[Message, str]
        As `feedback_sounds` gives them.
    lengths_s : Mapping[str, float]
        Length of each of those sounds.
    """

    def __init__(self, rule: FeedbackRule, sounds: Mapping[Message, str], lengths_s: Mapping[str, float]) -> None:
        self._rule = rule
        self._sounds = sounds
        self._lengths_s = lengths_s
        self._timed: list[Verdict] = []  # since the last summary; of the other kinds only the last one is looked at
        self._count = 0
        self._waiting: list[Verdict] = []
        self._window = Window(0.0, 0.0, 0.0)
        self._requested = False

    def take(self, verdict: Verdict, window: Window) -> None:
        """Take note of a judged rep. Missed, void and withheld ones are for the screen: there is no error to tell."""
        if verdict.grade not in TIMED_GRADES:
            return
        self._window = window
        self._count += 1
        self._timed.append(verdict)
        if self._rule.kind == "summary":
            if len(self._timed) >= self._rule.summary_reps:
                self._waiting, self._timed = self._timed, []
        else:
            self._timed = [verdict]
            if self._waiting or self._is_due(verdict):
                self._waiting.append(verdict)

    def request(self) -> None:
        """The player asks for the last landing. Without effect where the rule is `none`."""
        if self._rule.kind != "none" and self._timed:
            self._waiting = self._timed[-1:]
            self._requested = True

    def place(self, *, acted_s: float, ready_s: float, next_lead_in_s: float | None) -> Cue | None:
        """Feedback to play in the room that there is, or None. Times as in `place_feedback`."""
        message = self._message()
        if message is None:
            self._waiting = []
            return None
        sound = self._sounds[message]
        at_s = place_feedback(
            self._rule, self._lengths_s[sound], acted_s=acted_s, ready_s=ready_s, next_lead_in_s=next_lead_in_s
        )
        if at_s is None:
            return None
        self._waiting, self._requested = [], False
        return Cue("feedback", sound, at_s)

    def _is_due(self, verdict: Verdict) -> bool:
        match self._rule.kind:
            case "each":
                return True
            case "band":
                return not self._passes(verdict.grade, verdict.error_ms or 0.0)
            case "faded":
                return is_told_when_faded(self._count)
            case _:
                return False

    def _passes(self, grade: Grade, error_ms: float) -> bool:
        band_ms = self._rule.band_ms
        return grade is Grade.ON_TIME if band_ms is None else abs(error_ms) <= band_ms

    def _message(self) -> Message | None:
        """What the waiting verdicts come to; None where nothing waits or a band passes it over."""
        if not self._waiting:
            return None
        grade, error_ms = _mean_of(self._waiting, self._window)
        if self._rule.kind == "band" and not self._requested and self._passes(grade, error_ms):
            return None
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
