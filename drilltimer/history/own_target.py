"""The touchdown after which a player's first step comes soonest, from what is kept of them. Offered, never applied."""

from __future__ import annotations

from dataclasses import dataclass
from statistics import median

from drilltimer.history.entries import name_key
from drilltimer.history.queries import sound_reps
from drilltimer.history.soonest import Soonest, soonest_step
from drilltimer.history.store import History
from drilltimer.model import FASTEST_ANSWER_MS
from drilltimer.score.match import directions_known_ms

LATEST = 400  # answered calls, and sessions, looked back on
SLOWEST_MS = 1000.0  # later is a lapse (laboratory practice, from memory)


@dataclass(frozen=True, slots=True)
class AnsweredCall:
    """One answered call: touchdown after the contact, first step after the direction was known, window's width."""

    touchdown_ms: float
    step_ms: float
    window_ms: float


@dataclass(frozen=True, slots=True)
class OwnTarget:
    """What can be offered to a player, from which answers; `told` says it, or what is missing."""

    found: Soonest
    answers: tuple[AnsweredCall, ...]
    told: str


def own_target(history: History, player: str) -> OwnTarget:
    """Where a player's first step comes soonest, from the latest reps that answered a call.

    Guesses answer nothing, and reps whose first step was not heard say nothing: both are left out. A simulated player's
    steps say nothing of the one under whose name they are kept.
    """
    query = """
        SELECT r.* FROM (
            SELECT number, started_utc FROM sessions WHERE player = (SELECT id FROM players WHERE key = ?)
            AND source != 'simulated' ORDER BY started_utc DESC LIMIT ?
        ) s JOIN reps r ON r.session = s.number
        WHERE r.call IS NOT NULL AND r.first_step_ms IS NOT NULL AND NOT r.guessed AND r.mode = 'predictive'
        AND r.error_ms IS NOT NULL AND r.coach IS NOT 'void'
        ORDER BY s.started_utc DESC, s.number DESC, r.rep DESC LIMIT ?
    """
    answers = []
    rows = history.rows(query, (name_key(player), LATEST, LATEST))
    for entry in sound_reps(history, f"{player}'s answered calls", rows):
        known_ms, verdict, window = directions_known_ms(entry.rep), entry.verdict, entry.rep.window
        if known_ms and verdict.touchdown_ms is not None and verdict.first_step_ms is not None:
            step_ms = verdict.first_step_ms - known_ms[-1]
            if FASTEST_ANSWER_MS <= step_ms <= SLOWEST_MS:  # sooner, it answered a call that was taken back
                answers.append(AnsweredCall(verdict.touchdown_ms, step_ms, window.close_ms - window.open_ms))
    window_ms = median([answer.window_ms for answer in answers] or [0.0])
    found = soonest_step([each.touchdown_ms for each in answers], [each.step_ms for each in answers], window_ms)
    return OwnTarget(found, tuple(answers), _told(found, window_ms))


def _told(found: Soonest, window_ms: float) -> str:
    if found.touchdown_ms is None or found.low_ms is None or found.high_ms is None:
        return (
            f"where the first step comes soonest is not known from {found.answers} answered calls: "
            f"about {found.missing} more are missing"
        )
    known = (
        f"from {found.answers} answered calls, the first step comes soonest after touchdowns at "
        f"{found.touchdown_ms:.0f} ms (95 % interval {found.low_ms:.0f} to {found.high_ms:.0f} ms after the contact)"
    )
    if found.missing:
        return (
            f"{known}. That is no narrower than the window, {window_ms:.0f} ms: about {found.missing} more are missing"
        )
    return (
        f"{known}. It is not applied. To try it, write into a drill of your own: "
        f"window: {{open_ms: {found.touchdown_ms - window_ms / 2:.0f}, centre_ms: {found.touchdown_ms:.0f}, "
        f"close_ms: {found.touchdown_ms + window_ms / 2:.0f}}}"
    )
