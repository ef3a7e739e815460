"""Before and after: which sessions may be compared, and what changed between them.

Only sessions that asked for the same (one protocol) and in which the contact was announced alike (one mode) are
compared. Simulated sessions are compared with simulated ones alone.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from statistics import median

from drilltimer.errors import HistoryError
from drilltimer.model import TIMED_GRADES, Grade, Mode
from drilltimer.records.entries import RepEntry, SessionEntry
from drilltimer.records.history import History
from drilltimer.records.queries import find_player, reps, sessions_of_drill
from drilltimer.score.change import FEWEST_REPS, Change, DayToDay, Estimate, change_of, scatter, share_change, trimmed
from drilltimer.score.stats import typical_error_ms
from drilltimer.units import count_of

TEST_DRILL = "Test block"
FEWEST_TRIMMED = 5
FEWEST_TESTS = 4  # three differences in a row: with fewer, their scatter is a guess
LATEST_TESTS = 20  # looked back on for the day-to-day error
PLACEMENT_M = 0.1  # how well a distance is measured with steps or a tape (our choice): 0.3 ms each way

NUMBER_OR_DAY = "Give a session's number as 'drilltimer history PLAYER' lists it, or a date as 2026-05-31."

FIGURES = (
    ("constant_error_ms", "constant error", "ms"),
    ("variable_error_ms", "scatter", "ms"),
    ("absolute_error_ms", "absolute error", "ms"),
    ("in_window_share", "in the window", "%"),
    ("missed_share", "missed", "%"),
    ("stagger_ms", "stagger", "ms"),
    ("first_step_ms", "first step", "ms"),
)


@dataclass(frozen=True, slots=True)
class Side:
    """One of the two tests: what was measured, and what could not be."""

    entry: SessionEntry
    scored: int
    void: int
    warm_up: int
    ear_ms: float  # median uncertainty of a touchdown, one standard deviation


@dataclass(frozen=True, slots=True)
class Comparison:
    """Two tests of one player. `changes` by the names in `FIGURES`; `tests` comparable ones were looked back on."""

    player: str
    mode: Mode
    before: Side
    after: Side
    changes: dict[str, Change]
    tests: int
    notes: tuple[str, ...]


def compare(
    history: History, player: str, *, drill: str = TEST_DRILL, first: str | None = None, last: str | None = None
) -> list[Comparison]:
    """Compare two tests, one comparison for each mode in them.

    Parameters
    ----------
    history : History
    player : str
    drill : str
        Name of the drill; sessions of different drills are never compared.
    first, last : str, optional
        A session's number, or a date (YYYY-MM-DD, UTC): the first test on or after it, the last test on or before it.
        Left out: the first and the last of the tests that are like the last.

    Raises
    ------
    HistoryError
        Fewer than two comparable tests, or two that asked for different things.
    """
    name = find_player(history, player).name
    tests = sessions_of_drill(history, name, drill)
    if not tests:
        raise HistoryError(
            f"{name} has no session of the drill {drill!r}",
            fix="'drilltimer run test-block --player NAME' makes a test.",
        )
    after = _chosen(tests, last, newest=True) if last else tests[-1]
    alike = [test for test in tests if _kind(test) == _kind(after)]
    before = _chosen(tests if first and _is_number(first) else alike, first, newest=False) if first else alike[0]
    if before.number == after.number:
        raise HistoryError(
            f"{name} has one session of {drill!r} to compare, and it takes two",
            why=_left_out(tests, alike),
            fix="Make another test, or choose with --from and --to.",
        )
    if _kind(before) != _kind(after):
        raise HistoryError(
            f"sessions {before.number} and {after.number} are not comparable: they asked for different things",
            why="The drill's file was changed in between, or one of them was simulated.",
            fix="Compare tests that were made alike.",
        )
    entries = reps(history, before.number), reps(history, after.number)
    modes: list[Mode] = ["predictive", "reactive"]
    return [
        _compare(history, (before, after), entries, mode, alike, _left_out(tests, alike))
        for mode in modes
        if any(each.rep.mode == mode and not each.rep.warm_up for each in entries[1])
    ]


def figures(entries: Sequence[RepEntry], systematic_ms: float = 0.0) -> dict[str, Estimate | None]:
    """The figures in milliseconds of one test's counted reps of one mode; None where there is too little."""
    timed = [each.verdict for each in entries if each.verdict.grade in TIMED_GRADES]
    errors_ms = [verdict.error_ms for verdict in timed if verdict.error_ms is not None]
    staggers_ms = [verdict.stagger_ms for verdict in timed if verdict.stagger_ms is not None]
    steps_ms = [v.first_step_ms for v in timed if v.first_step_ms is not None and not v.guessed]
    return {
        "constant_error_ms": _estimate(errors_ms, systematic_ms),
        "variable_error_ms": scatter(errors_ms) if len(errors_ms) >= FEWEST_TRIMMED else None,
        "absolute_error_ms": _estimate([abs(error_ms) for error_ms in errors_ms], systematic_ms),
        "stagger_ms": _estimate(staggers_ms, 0.0),
        "first_step_ms": _estimate(steps_ms, systematic_ms),
    }


def counted(entries: Sequence[RepEntry], mode: Mode) -> list[RepEntry]:
    """Reps of one mode that count: no warm-up, none that the coach declared void."""
    kept = [each for each in entries if each.rep.mode == mode and not each.rep.warm_up]
    return [each for each in kept if each.coach != "void"]


def systematic_ms(entries: Sequence[RepEntry]) -> float:
    """What all touchdowns of a test may be off by together, one standard deviation.

    The ear's uncertainty is taken as one error that all reps of a test share. That is the worst case: whatever of it
    differs from rep to rep is in their scatter already and averages out. Two distances measured by hand come on top.
    """
    return math.hypot(ear_ms(entries), math.sqrt(2.0) * _air_ms(PLACEMENT_M))


def ear_ms(entries: Sequence[RepEntry]) -> float:
    """Median uncertainty of the timed touchdowns."""
    known = [each.verdict.uncertainty_ms for each in entries if each.verdict.grade in TIMED_GRADES]
    return median([value for value in known if value is not None] or [0.0])


def shares(entries: Sequence[RepEntry]) -> tuple[tuple[int, int], tuple[int, int]]:
    """How many were in the window, and how many missed, each out of the scored ones."""
    grades = [each.verdict.grade for each in entries]
    scored = sum(grade in TIMED_GRADES or grade == Grade.MISSED for grade in grades)
    return (grades.count(Grade.ON_TIME), scored), (grades.count(Grade.MISSED), scored)


def _compare(
    history: History,
    tests: tuple[SessionEntry, SessionEntry],
    entries: tuple[list[RepEntry], list[RepEntry]],
    mode: Mode,
    alike: Sequence[SessionEntry],
    left_out: str,
) -> Comparison:
    before, after = (counted(each, mode) for each in entries)
    first, second = figures(before, systematic_ms(before)), figures(after, systematic_ms(after))
    repeated = _day_to_day(history, alike, mode)
    changes = {name: change_of(first[name], second[name], repeated.get(name)) for name in first}
    for place, name in enumerate(("in_window_share", "missed_share")):
        changes[name] = share_change(shares(before)[place], shares(after)[place])
    notes = [left_out] * bool(left_out)
    if mode == "reactive":
        notes.append("reaction drill: it says nothing about the timing of a split step that a swing announces")
    if len(alike) < FEWEST_TESTS:
        notes.append(
            f"how much {tests[0].player} differs from day to day is not known before {FEWEST_TESTS} tests. Until then "
            "the minimal change counts the scatter within the two tests alone: a player whose habit moves by 15 ms "
            "from day to day would be called changed in one of three such comparisons"
        )
    if tests[0].placement != tests[1].placement:
        notes.append("the two were measured from different places: compare with care")
    return Comparison(
        tests[0].player,
        mode,
        _side(tests[0], entries[0], before),
        _side(tests[1], entries[1], after),
        changes,
        len(alike),
        tuple(notes),
    )


def _day_to_day(history: History, alike: Sequence[SessionEntry], mode: Mode) -> dict[str, DayToDay]:
    """Typical error of each figure over tests that followed each other; empty while they are too few."""
    latest = alike[-LATEST_TESTS:]
    if len(latest) < FEWEST_TESTS:
        return {}
    series: dict[str, list[float]] = {}
    for test in latest:
        for name, estimate in figures(counted(reps(history, test.number), mode)).items():
            if estimate and estimate.reps >= FEWEST_REPS:
                series.setdefault(name, []).append(estimate.value)
    return {
        name: DayToDay(typical_error_ms(values[:-1], values[1:]), len(values) - 2.0)
        for name, values in series.items()
        if len(values) >= FEWEST_TESTS
    }


def _side(entry: SessionEntry, entries: Sequence[RepEntry], own: Sequence[RepEntry]) -> Side:
    scored = shares(own)[0][1]
    void = sum(each.verdict.grade == Grade.VOID for each in own)
    return Side(entry, scored, void, sum(each.rep.warm_up for each in entries), ear_ms(own))


def _estimate(values_ms: Sequence[float], shared_ms: float) -> Estimate | None:
    return trimmed(values_ms, shared_ms) if len(values_ms) >= FEWEST_TRIMMED else None


def _air_ms(distance_m: float) -> float:
    from drilltimer.units import air_delay_ms

    return air_delay_ms(distance_m, 20.0)


def _kind(entry: SessionEntry) -> tuple[str, bool]:
    return entry.protocol, entry.source == "simulated"


def _left_out(tests: Sequence[SessionEntry], alike: Sequence[SessionEntry]) -> str:
    others = len(tests) - len(alike)
    told = f"{count_of(others, 'session')} of this drill left out: something else was asked for, or it was simulated"
    return told * bool(others)


def _chosen(tests: Sequence[SessionEntry], text: str, *, newest: bool) -> SessionEntry:
    """A test by its number or a date."""
    day = "" if _is_number(text) else _day(text)
    if not day:
        found = [test for test in tests if test.number == int(text)]
    elif newest:
        found = [test for test in tests if test.started_utc[:10] <= day]
    else:
        found = [test for test in tests if test.started_utc[:10] >= day][:1]
    if not found:
        raise HistoryError(
            f"none of the player's comparable tests is {text!r}",
            fix=NUMBER_OR_DAY,
        )
    return found[-1]


def _is_number(text: str) -> bool:
    return text.isascii() and text.isdigit() and len(text) < 16


def _day(text: str) -> str:
    """A date as sessions have it: as text, 2026-5-1 would come after 2026-11-25, and any word after both."""
    try:
        return datetime.strptime(text, "%Y-%m-%d").date().isoformat()
    except ValueError as fault:
        raise HistoryError(f"{text!r} is neither a session nor a date", fix=NUMBER_OR_DAY) from fault
