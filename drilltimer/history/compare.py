"""Before and after: which sessions may be compared, and what changed over them.

Only sessions that asked for the same (one protocol) and in which the contact was announced alike (one mode) are
compared. Simulated sessions are compared with simulated ones alone.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from statistics import median

from drilltimer.errors import HistoryError
from drilltimer.history.change import (
    BASELINE_TESTS,
    FEWEST_REPS,
    OTHERS,
    Better,
    Change,
    Estimate,
    Trend,
    change_of,
    holm,
    p_value,
    scatter,
    share,
    trend,
    trimmed,
)
from drilltimer.history.days import here
from drilltimer.history.entries import RepEntry, SessionEntry
from drilltimer.history.protocol import primary_of
from drilltimer.history.queries import find_player, reps, sessions_of_drill
from drilltimer.history.store import History
from drilltimer.model import TIMED_GRADES, Grade, Mode
from drilltimer.score.stats import FEWEST_INTERVAL, landings_to_steps_ms, summarize
from drilltimer.units import count_of

TEST_DRILL, TRANSFER_DRILL = "Test block", "Transfer block"
FEWEST_TESTS = BASELINE_TESTS + 1
MANY_TESTS = 12  # from so many on a player's own days weigh about as much as what is taken to be usual
MOST_TESTS = 20  # on the line: of more, the baseline and the latest
PLACEMENT_M = 0.1  # how well a distance is measured with steps or a tape (our choice): 0.3 ms each way

NUMBER_OR_DAY = "Give a session's number as 'drilltimer history PLAYER' lists it, or a date as 2026-05-31."

FIGURES = (
    ("constant_error_ms", "habit", "ms"),
    ("variable_error_ms", "scatter", "ms"),
    ("absolute_error_ms", "absolute error", "ms"),
    ("in_window_share", "in the window", "%"),
    ("missed_share", "missed", "%"),
    ("stagger_ms", "stagger", "ms"),
    ("first_step_ms", "first step", "ms"),
    ("landing_to_step_ms", "landing to step", "ms"),
)
# Standard deviation from day to day that is taken to be usual: our choice. Nothing is published for split steps.
DAYS = {
    "constant_error_ms": 15.0,
    "variable_error_ms": 8.0,
    "absolute_error_ms": 10.0,
    "in_window_share": 0.08,
    "missed_share": 0.03,
    "stagger_ms": 5.0,
    "first_step_ms": 15.0,
    "landing_to_step_ms": 15.0,
}
BETTER: dict[str, Better] = {"constant_error_ms": "nearer zero", "in_window_share": "more"}  # of the others, less


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
    """Two tests of one player, with those between them. `changes` by the names in `FIGURES`; `tests`: how many."""

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
    drill : str
        Name of the drill; sessions of different drills are never compared.
    first, last : str, optional
        A session's number, or a date (YYYY-MM-DD): the first test on or after it, the last test on or before it.
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
    if before.number == after.number and first and last:
        raise HistoryError(
            f"--from and --to are both session {after.number}: a test is not compared with itself",
            fix=f"{name}'s other tests of {drill!r}: {_numbers(tests, after)}.",
        )
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
    if _place(before) > _place(after):
        raise HistoryError(
            f"session {before.number} was made after session {after.number}",
            why="A change is told from an earlier test to a later one.",
            fix="Exchange --from and --to.",
        )
    entries = reps(history, before.number), reps(history, after.number)
    modes: list[Mode] = ["predictive", "reactive"]
    return [
        _compare(history, (before, after), entries, mode, alike, _left_out(tests, alike))
        for mode in modes
        if any(each.rep.mode == mode and not each.rep.warm_up for each in entries[1])
    ]


def figures(entries: Sequence[RepEntry], systematic_ms: float = 0.0) -> dict[str, Estimate | None]:
    """The figures of one test's counted reps of one mode, as they are compared; None where there is too little."""
    timed = [each.verdict for each in entries if each.verdict.grade in TIMED_GRADES]
    errors_ms = [verdict.error_ms for verdict in timed if verdict.error_ms is not None]
    staggers_ms = [verdict.stagger_ms for verdict in timed if verdict.stagger_ms is not None]
    steps_ms = [v.first_step_ms for v in timed if v.first_step_ms is not None and not v.guessed]
    in_window, missed = shares(entries)
    return {
        "constant_error_ms": _estimate(errors_ms, systematic_ms),
        "variable_error_ms": scatter(errors_ms) if len(errors_ms) >= FEWEST_INTERVAL else None,
        "absolute_error_ms": _estimate([abs(error_ms) for error_ms in errors_ms], systematic_ms),
        "in_window_share": share(*in_window) if in_window[1] else None,
        "missed_share": share(*missed) if missed[1] else None,
        "stagger_ms": _estimate(staggers_ms, 0.0),
        "first_step_ms": _estimate(steps_ms, systematic_ms),
        "landing_to_step_ms": _estimate(landings_to_steps_ms(timed), 0.0),
    }


def plain_figures(entries: Sequence[RepEntry]) -> dict[str, float | None]:
    """The same figures as `history` and the scores of a session tell them, outliers and all."""
    scores = summarize(each.verdict for each in entries)
    return {
        "constant_error_ms": scores.constant_error_ms,
        "variable_error_ms": scores.variable_error_ms,
        "absolute_error_ms": scores.absolute_error_ms,
        "in_window_share": scores.in_window_share,
        "missed_share": scores.missed / scores.n if scores.n else None,
        "stagger_ms": scores.mean_stagger_ms,
        "first_step_ms": scores.mean_first_step_ms,
        "landing_to_step_ms": scores.landing_to_step_ms,
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
    ends: tuple[SessionEntry, SessionEntry],
    entries: tuple[list[RepEntry], list[RepEntry]],
    mode: Mode,
    alike: Sequence[SessionEntry],
    left_out: str,
) -> Comparison:
    before, after = (counted(each, mode) for each in entries)
    between = [test for test in alike if _place(ends[0]) <= _place(test) <= _place(ends[1])]
    told = (
        between if len(between) <= MOST_TESTS else [*between[:BASELINE_TESTS], *between[BASELINE_TESTS - MOST_TESTS :]]
    )
    tests = [counted(reps(history, test.number), mode) for test in told]
    measured = [figures(own, systematic_ms(own)) for own in tests]
    places = [float(between.index(test)) for test in told]
    primary = primary_of(ends[1].protocol)
    changes = changes_of(list(zip(places, measured, strict=True)), plain_figures(before), plain_figures(after), primary)
    return Comparison(
        ends[0].player,
        mode,
        _side(ends[0], entries[0], before),
        _side(ends[1], entries[1], after),
        changes,
        len(between),
        tuple(_notes(ends, mode, left_out, [each[primary] for each in measured], changes[primary])),
    )


def changes_of(
    tests: Sequence[tuple[float, dict[str, Estimate | None]]],
    before: dict[str, float | None],
    after: dict[str, float | None],
    primary: str,
) -> dict[str, Change]:
    """What changed over tests, each with its place in their order; the first and the last are what is compared."""
    changes: dict[str, Change] = {}
    p_values: dict[str, float] = {}
    for name, _, unit in FIGURES:
        ends = [each.reps if each else 0 for each in (tests[0][1][name], tests[-1][1][name])]
        known = [(place, each) for place, found in tests if (each := found[name]) and each.reps >= FEWEST_REPS]
        lead = name == primary
        if min(ends) < FEWEST_REPS:
            values = (before[name], after[name])
            moved = None if values[0] is None or values[1] is None else values[1] - values[0]
            changes[name] = Change(
                *values, moved, None, None, None, None, ends[0], ends[1], "too few reps to say", lead
            )
            continue
        line: Trend = trend(known, DAYS[name])
        own = change_of(
            before[name], after[name], line, (ends[0], ends[1]), better=BETTER.get(name, "less"), primary=lead
        )
        if unit == "%" and own.low is not None and own.high is not None:
            own = replace(own, low=max(-1.0, own.low), high=min(1.0, own.high))
        changes[name] = own if len(known) >= FEWEST_TESTS else replace(own, finding="too few tests to say")
        if not lead and len(known) >= FEWEST_TESTS:
            p_values[name] = p_value(line)
    changed = holm(p_values, 0.05 if changes[primary].finding == "changed" else OTHERS)
    return changes | {
        name: replace(changes[name], finding="changed" if name in changed else "no change shown") for name in p_values
    }


def _notes(
    ends: tuple[SessionEntry, SessionEntry],
    mode: Mode,
    left_out: str,
    measured: Sequence[Estimate | None],
    change: Change,
) -> list[str]:
    player = ends[0].player
    notes = [left_out] * bool(left_out)
    if mode == "reactive":
        notes.append("reaction drill: it says nothing about the timing of a split step that a swing announces")
    if len(measured) < FEWEST_TESTS:
        notes.append(
            f"a baseline is {BASELINE_TESTS} tests at least, for the first is partly getting used to it: "
            "one more test after them, and changes can be told"
        )
    elif len(measured) < MANY_TESTS:
        notes.append(
            f"{count_of(len(measured), 'test')} hardly tell how much {player} differs from day to day: "
            f"{DAYS['constant_error_ms']:.0f} ms in the constant error is taken to be usual. Who differs by 25 ms is "
            f"called changed in about one of eight such comparisons; with {MANY_TESTS} tests that is better known"
        )
    worst = _regression(measured, change) if primary_of(ends[1].protocol) == "constant_error_ms" else ""
    notes += [worst] * bool(worst)
    if ends[0].placement != ends[1].placement:
        notes.append("the two were measured from different places: compare with care")
    return notes


def _regression(measured: Sequence[Estimate | None], change: Change) -> str:
    """That the first test may have been a bad day, where it was the worst; what the others say without it."""
    values = [each for each in measured if each]
    if len(values) < FEWEST_TESTS or abs(values[0].value) <= max(abs(each.value) for each in values[1:]):
        return ""
    told = (
        "the first test was the worst. Whoever is chosen for a bad test does better in the next by chance alone "
        "(regression to the mean)"
    )
    if len(values) == FEWEST_TESTS or change.change is None:
        return told
    without = trend([(float(index), each) for index, each in enumerate(values[1:])], DAYS["constant_error_ms"])
    return f"{told}: without it the change is {without.change:+z.0f} instead of {change.change:+z.0f} ms"


def _place(entry: SessionEntry) -> tuple[str, int]:
    return entry.started_utc, entry.number


def _side(entry: SessionEntry, entries: Sequence[RepEntry], own: Sequence[RepEntry]) -> Side:
    scored = shares(own)[0][1]
    void = sum(each.verdict.grade == Grade.VOID for each in own)
    return Side(entry, scored, void, sum(each.rep.warm_up for each in entries), ear_ms(own))


def _estimate(values_ms: Sequence[float], shared_ms: float) -> Estimate | None:
    return trimmed(values_ms, shared_ms) if len(values_ms) >= FEWEST_INTERVAL else None


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
        found = [test for test in tests if here(test.started_utc)[:10] <= day]
    else:
        found = [test for test in tests if here(test.started_utc)[:10] >= day][:1]
    if not found:
        raise HistoryError(
            f"none of the player's comparable tests is {text!r}",
            fix=NUMBER_OR_DAY,
        )
    return found[-1]


def _numbers(tests: Sequence[SessionEntry], but: SessionEntry) -> str:
    return ", ".join(str(test.number) for test in tests if test != but) or "none"


def _is_number(text: str) -> bool:
    return text.isascii() and text.isdigit() and len(text) < 16


def _day(text: str) -> str:
    """A date as sessions have it: as text, 2026-5-1 would come after 2026-11-25, and any word after both."""
    try:
        return datetime.strptime(text, "%Y-%m-%d").date().isoformat()
    except ValueError as fault:
        raise HistoryError(f"{text!r} is neither a session nor a date", fix=NUMBER_OR_DAY) from fault
