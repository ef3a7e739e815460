"""Sessions made up for the tests of the history: drawn from known habits and scatters, no sound involved."""

from __future__ import annotations

import random

from drilltimer.app.plan import make_plan
from drilltimer.history.entries import RepEntry, SessionEntry
from drilltimer.history.protocol import block_entries, protocol_of
from drilltimer.history.store import History
from drilltimer.model import Grade, Placement, Rep, Verdict
from drilltimer.score.match import grade_touchdown


def made_session(
    player: str = "Kim", *, uid: str = "a", day: str = "2026-03-10", drill: str = "test-block", seed: int = 0
) -> SessionEntry:
    plan = make_plan(drill, seed)
    return SessionEntry(
        uid=uid,
        player=player,
        started_utc=f"{day}T17:20:00Z",
        drill=plan.drill.name,
        protocol=protocol_of(plan.drill),
        seed=seed,
        source="live",
        placement=Placement(3.0, 3.0, 0.3),
        input_device="laptop",
        output_device="loudspeaker",
        rate_hz=48_000,
        versions={"drilltimer": "0.1.0"},
        ending="done",
        blocks=block_entries(plan.drill),
    )


def made_reps(
    drill: str = "test-block", seed: int = 0, *, habit_ms: float = 0.0, scatter_ms: float = 40.0
) -> list[RepEntry]:
    draw = random.Random(seed)
    return [made_rep(rep, draw.gauss(habit_ms, scatter_ms)) for rep in make_plan(drill, seed).reps]


def made_rep(rep: Rep, error_ms: float) -> RepEntry:
    if rep.withheld:
        window = {"window_open_ms": rep.window.open_ms, "window_close_ms": rep.window.close_ms}
        return RepEntry(rep, Verdict(rep.index, Grade.KEPT_STILL, level=rep.level, **window))
    touchdown_ms = rep.window.centre_ms + error_ms
    grade = grade_touchdown(touchdown_ms, rep.window, rep.mode)
    verdict = Verdict(
        rep.index,
        grade,
        call=rep.call,
        touchdown_ms=touchdown_ms,
        error_ms=None if grade == Grade.MISSED else error_ms,
        uncertainty_ms=1.0,
        ear_uncertainty_ms=0.5,
        stagger_ms=20.0 + rep.index % 7,
        first_step_ms=touchdown_ms + 280.0 + 10.0 * (rep.index % 5) if rep.call else None,
        level=rep.level,
        window_open_ms=rep.window.open_ms,
        window_close_ms=rep.window.close_ms,
    )
    return RepEntry(rep, verdict)


def add(history: History, entry: SessionEntry, reps: list[RepEntry]) -> int:
    number = history.begin(entry)
    history.add_reps(number, reps)
    return number
