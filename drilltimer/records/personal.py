"""A player's own window, from how long this player takes to answer a called direction. Offered, never applied.

Notes
-----
Uzu, Shinya & Oda 2009 (J Sports Sci 27(12):1233-1240, doi 10.1080/02640410903233222, abstract): players who landed
within the mean +- 1 SD of their own response time after the direction signal failed to reach the target in 0.8 % of
trials, those who landed sooner in 7.8 %. At least 20 trials, and the limits of what counts as a response, are ours.
"""

from __future__ import annotations

from dataclasses import dataclass

from drilltimer.records.entries import name_key
from drilltimer.records.history import History
from drilltimer.records.queries import sound_reps
from drilltimer.score.stats import constant_error_ms, sample_sd_ms
from drilltimer.units import ms_from_s

FEWEST = 20
LATEST = 200  # responses, and sessions, looked back on
FASTEST_MS, SLOWEST_MS = 100.0, 1000.0  # sooner is a guess, later a lapse (laboratory practice, from memory)


@dataclass(frozen=True, slots=True)
class PersonalWindow:
    """What can be offered. The times are None while responses are too few; `told` says so, or how to use it."""

    responses: int
    open_ms: float | None
    centre_ms: float | None
    close_ms: float | None
    told: str


def window_from(responses_ms: list[float]) -> PersonalWindow:
    """Window of mean +- 1 SD (divisor n - 1) around the response times, counted from the direction signal."""
    count = len(responses_ms)
    if count < FEWEST:
        return PersonalWindow(
            count, None, None, None, f"a window of the player's own: {count} of {FEWEST} answered calls so far"
        )
    mean_ms, sd_ms = constant_error_ms(responses_ms), sample_sd_ms(responses_ms)
    low_ms, high_ms = mean_ms - sd_ms, mean_ms + sd_ms
    return PersonalWindow(
        count,
        low_ms,
        mean_ms,
        high_ms,
        f"a window of the player's own, from {count} answered calls: {low_ms:.0f} to {high_ms:.0f} ms after the "
        f"direction is known (mean {mean_ms:.0f} ms, one standard deviation either side). It is not applied. "
        "To try it, write into a drill of your own: "
        f"window: {{open_ms: {low_ms:.0f}, centre_ms: {mean_ms:.0f}, close_ms: {high_ms:.0f}}}",
    )


def personal_window(history: History, player: str) -> PersonalWindow:
    """The window that can be offered to a player: first steps after the last call of their rep, the latest reps.

    A simulated player's steps say nothing of the one under whose name they are kept.
    """
    query = """
        SELECT r.* FROM (
            SELECT number, started_utc FROM sessions WHERE player = (SELECT id FROM players WHERE key = ?)
            AND source != 'simulated' ORDER BY started_utc DESC LIMIT ?
        ) s JOIN reps r ON r.session = s.number
        WHERE r.call IS NOT NULL AND r.first_step_ms IS NOT NULL AND NOT r.guessed
        ORDER BY s.started_utc DESC, s.number DESC, r.rep DESC LIMIT ?
    """
    responses_ms = []
    rows = history.rows(query, (name_key(player), LATEST, 2 * LATEST))
    for entry in sound_reps(history, f"{player}'s answered calls", rows):
        rep, first_step_ms = entry.rep, entry.verdict.first_step_ms or 0.0
        calls_s = [cue.at_s for cue in rep.cues if cue.role == "call"]
        if calls_s:
            after_s = max(calls_s) - (rep.contact_s - rep.start_s)
            response_ms = first_step_ms - ms_from_s(after_s)
            if FASTEST_MS <= response_ms <= SLOWEST_MS:
                responses_ms.append(response_ms)
    return window_from(responses_ms[:LATEST])
