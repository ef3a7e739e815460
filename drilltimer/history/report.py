"""A report to be shown around: one HTML file that needs nothing else, written from the history.

The template escapes every text; charts are built of `Markup` alone. Nothing in the file loads anything.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from importlib.resources import files
from statistics import median
from typing import Any

from markupsafe import Markup

from drilltimer import __version__
from drilltimer.errors import HistoryError
from drilltimer.history import charts
from drilltimer.history.advice import Advice, advise, undirected
from drilltimer.history.change import Change
from drilltimer.history.charts import Dot
from drilltimer.history.compare import (
    FIGURES,
    TEST_DRILL,
    TRANSFER_DRILL,
    Comparison,
    compare,
    counted,
    ear_ms,
    plain_figures,
    shares,
    systematic_ms,
)
from drilltimer.history.days import beyond, caps_of, day_load, here
from drilltimer.history.entries import Player, RepEntry, SessionEntry
from drilltimer.history.marks import FEEDING, Agreement, Mark, agreement
from drilltimer.history.own_target import OwnTarget, own_target
from drilltimer.history.queries import find_player, reps, session, session_lines, sessions_of_drill
from drilltimer.history.store import History
from drilltimer.model import TIMED_GRADES, Grade, Mode, Scores
from drilltimer.score.match import correction_ms, directions_known_ms
from drilltimer.score.stats import FEWEST_INTERVAL, ci95_ms, constant_error_ms, summarize
from drilltimer.ui.wording import english
from drilltimer.units import count_of

TREND_SESSIONS = 24  # as many as can be told apart on a phone
BAR_MS = 20.0
FEWEST_DRAWN = 5  # points: fewer show their own luck
KINDS = {Grade.BEFORE: "early", Grade.EARLY: "early", Grade.ON_TIME: "on", Grade.LATE: "late"}


@dataclass(frozen=True, slots=True)
class Figure:
    """A chart with what it shows and how to read it; without a chart, why it was left out."""

    heading: str
    chart: Markup
    caption: str


@dataclass(frozen=True, slots=True)
class Part:
    """What a session holds of one mode."""

    mode: Mode
    scores: Scores
    figures: tuple[Figure, ...]
    advice: tuple[Advice, ...]
    left_out: tuple[str, ...]
    summary: str
    ear_ms: float
    shared_ms: float


def chosen_session(history: History, target: Player | int) -> SessionEntry:
    """The session that a report is about: a player's latest test block, or else their latest session with reps."""
    if isinstance(target, int):
        return session(history, target)
    lines = session_lines(history, target.name, limit=1, drill=TEST_DRILL)
    lines = [line for line in lines if line.scored] or [
        line for line in session_lines(history, target.name) if line.scored
    ]
    if not lines:
        raise HistoryError(f"{target.name} has no session that could be scored", fix="Run one with --player.")
    return session(history, lines[0].number)


def render_report(history: History, entry: SessionEntry) -> str:
    """The report of a session as HTML."""
    from jinja2 import Environment, StrictUndefined

    entries = reps(history, entry.number)
    modes: list[Mode] = ["predictive", "reactive"]
    parts = [_part(history, entry, own, mode) for mode in modes if (own := counted(entries, mode))]
    environment = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    environment.filters.update(ms=_ms, count_of=count_of, told=english().tell, here=here)
    template = environment.from_string(files(__package__).joinpath("report.html.j2").read_text(encoding="utf-8"))
    return template.render(
        entry=entry,
        player=find_player(history, entry.player),
        parts=parts,
        warm_up=sum(each.rep.warm_up for each in entries),
        reasons=Counter(english().tell(e.verdict.void) for e in entries if e.verdict.void and not e.rep.warm_up),
        correction_ms=correction_ms(entry.placement),
        comparisons=_comparisons(history, entry),
        kept_and_new=_retention_and_transfer(history, entry),
        rows=[(label, unit, 100.0 if unit == "%" else 1.0, name) for name, label, unit in FIGURES],
        landings=day_load(history, entry.player),
        beyond=beyond(day_load(history, entry.player), find_player(history, entry.player).level),
        caps=caps_of(find_player(history, entry.player).level),
        soonest=_soonest(own_target(history, entry.player)),
        version=__version__,
        feeding=entry.drill.startswith(FEEDING),
        coach=_coach(entries),
    )


def _coach(entries: Sequence[RepEntry]) -> Agreement:
    """A coach's eye beside the measurement."""
    return agreement((each.verdict for each in entries), {e.rep.index: Mark(e.coach) for e in entries if e.coach})


def _part(history: History, entry: SessionEntry, own: list[RepEntry], mode: Mode) -> Part:
    scores = summarize(each.verdict for each in own)
    drawn = (_strip(own, mode), _course(own, mode), _distribution(own, mode), _trend(history, entry, mode))
    feet = (_stagger(own, mode), _first_steps(own, mode))
    figures = [figure for figure in (*drawn, *feet) if figure]
    shown = tuple(figure for figure in figures if figure.chart)
    left_out = tuple(f"{figure.heading} ({figure.caption})" for figure in figures if not figure.chart)
    advice = tuple(advise(own, scores, mode))
    return Part(mode, scores, shown, advice, left_out, summary(entry.player, scores), ear_ms(own), systematic_ms(own))


def summary(player: str, scores: Scores) -> str:
    """What matters most of the scores, in one line."""
    if scores.constant_error_ms is None:
        return f"{player}: no landing was timed."
    habit_ms = scores.constant_error_ms
    side = "late" if habit_ms > 0 else "early"
    sure = ""
    if scores.timed >= FEWEST_INTERVAL and scores.ci95_low_ms is not None and scores.ci95_high_ms is not None:
        sure = f" (95 % interval {scores.ci95_low_ms:+z.0f} to {scores.ci95_high_ms:+z.0f} ms)"
        if scores.ci95_low_ms <= 0 <= scores.ci95_high_ms:
            side += ", which may be chance"
    scatter = ", with one landing there is no scatter"
    if scores.variable_error_ms is not None:
        scatter = f", with a scatter of {scores.variable_error_ms:.0f} ms"
    share = round(100 * (scores.in_window_share or 0.0))
    return (
        f"{player} lands {abs(habit_ms):.0f} ms {side}{sure}{scatter}; "
        f"in the window: {share} % of {count_of(scores.n, 'landing')}."
    )


def _timed(own: Sequence[RepEntry]) -> list[RepEntry]:
    return [each for each in own if each.verdict.grade in TIMED_GRADES and each.verdict.error_ms is not None]


def _window_ms(own: Sequence[RepEntry]) -> tuple[float, float, float]:
    """The window of most reps: open, centre, close."""
    windows = Counter((each.rep.window.open_ms, each.rep.window.centre_ms, each.rep.window.close_ms) for each in own)
    return windows.most_common(1)[0][0]


def _ends(values: Sequence[float], least: tuple[float, float]) -> tuple[float, float]:
    """Ends of an axis that hold the values, rounded outwards, and no less than `least`."""
    low, high = min([*values, least[0]]), max([*values, least[1]])
    step = charts.round_step((high - low) / 8)
    return step * math.floor(low / step), step * math.ceil(high / step)


def _too_few(heading: str, count: int, what: str, needed: int = FEWEST_DRAWN) -> Figure:
    return Figure(heading, Markup(), f"{count} of the {needed} {what} that it needs")


def _strip(own: Sequence[RepEntry], mode: Mode) -> Figure:
    timed = _timed(own)
    if len(timed) < FEWEST_DRAWN:
        return _too_few("Every touchdown", len(timed), "timed landings")
    open_ms, _, close_ms = _window_ms(own)
    shown = [(each.verdict.touchdown_ms or 0.0, KINDS[each.verdict.grade]) for each in timed]
    # Spread over the height by the golden ratio: neighbours in time do not cover each other, and nothing is random.
    dots = [Dot(at_ms, (index * 0.618) % 1.0, kind) for index, (at_ms, kind) in enumerate(shown)]
    ends = _ends([at_ms for at_ms, _ in shown], (min(-60.0, open_ms - 60), close_ms + 60))
    inside = sum(kind == "on" for _, kind in shown)
    middle_ms = median(at_ms for at_ms, _ in shown)
    told = (
        f"{count_of(len(shown), 'touchdown')} from {min(shown)[0]:.0f} to {max(shown)[0]:.0f} ms after the contact, "
        f"half of them before {middle_ms:.0f} ms; in the window from {open_ms:.0f} to {close_ms:.0f} ms: {inside}."
    )
    chart = charts.strip(f"strip-{mode}", dots, (open_ms, close_ms), ends, told)
    return Figure("Every touchdown", chart, "Each mark is one landing. Round: in the window. Triangle: early or late.")


def _course(own: Sequence[RepEntry], mode: Mode) -> Figure:
    timed = _timed(own)
    if len(timed) < FEWEST_DRAWN:
        return _too_few("Rep by rep", len(timed), "timed landings")
    open_ms, centre_ms, close_ms = _window_ms(own)
    band = (open_ms - centre_ms, close_ms - centre_ms)
    places = {each.rep.index: index for index, each in enumerate(own, 1)}
    dots = [Dot(places[e.rep.index], e.verdict.error_ms or 0.0, KINDS[e.verdict.grade]) for e in timed]
    low, high = _ends([dot.y for dot in dots], (band[0] - 20, band[1] + 20))
    missed = [places[each.rep.index] for each in own if each.verdict.grade == Grade.MISSED]
    dots += [Dot(index, high, "missed") for index in missed]
    half = len(timed) // 2
    told = f"Error of {count_of(len(timed), 'landing')} in order"
    if half:
        first, last = ([e.verdict.error_ms or 0.0 for e in each] for each in (timed[:half], timed[half:]))
        told += f"; mean of the first half {constant_error_ms(first):+z.0f} ms"
        told += f", of the second {constant_error_ms(last):+z.0f} ms"
    told += f"; {len(missed)} missed."
    chart = charts.scatter(
        f"course-{mode}", dots, band, (1, max(len(own), 2), low, high), ("rep", "error, ms (late is up)"), told
    )
    return Figure("Rep by rep", chart, "Band: the window. Cross at the top: nothing was heard in time.")


def _distribution(own: Sequence[RepEntry], mode: Mode) -> Figure:
    timed = _timed(own)
    if len(timed) < FEWEST_DRAWN:
        return _too_few("How often which error", len(timed), "timed landings")
    open_ms, centre_ms, close_ms = _window_ms(own)
    counts = Counter(BAR_MS * math.floor((each.verdict.error_ms or 0.0) / BAR_MS) for each in timed)
    fullest, most = max(counts.items(), key=lambda item: (item[1], -item[0]))
    told = f"Errors in steps of {BAR_MS:.0f} ms; most, {most}, lie from {fullest:+z.0f} to {fullest + BAR_MS:+z.0f} ms."
    bars, band = sorted(counts.items()), (open_ms - centre_ms, close_ms - centre_ms)
    chart = charts.histogram(f"distribution-{mode}", bars, BAR_MS, band, told)
    return Figure("How often which error", chart, "A narrow hill is steady; a hill over zero is on target.")


def _trend(history: History, entry: SessionEntry, mode: Mode) -> Figure:
    """Constant error of comparable sessions with its 95 % interval."""
    before = [
        each
        for each in sessions_of_drill(history, entry.player, entry.drill)
        if (each.started_utc, each.number) <= (entry.started_utc, entry.number)
        and (each.protocol, each.source == "simulated") == (entry.protocol, entry.source == "simulated")
    ]
    dots: list[Dot] = []
    days: list[str] = []
    for each in before[-TREND_SESSIONS:]:
        errors_ms = [e.verdict.error_ms or 0.0 for e in _timed(counted(reps(history, each.number), mode))]
        if len(errors_ms) >= FEWEST_INTERVAL:
            low_ms, high_ms = ci95_ms(errors_ms)
            dots.append(Dot(len(dots) + 1, constant_error_ms(errors_ms), "on", low_ms, high_ms))
            days.append(here(each.started_utc)[2:10])
    if len(dots) < 2:
        return _too_few("Session after session", len(dots), f"sessions of {FEWEST_INTERVAL} landings", 2)
    ends = _ends([value for dot in dots for value in (dot.low or 0.0, dot.high or 0.0)], (-40.0, 40.0))
    marks = [(1.0, days[0]), (float(len(dots)), days[-1])]
    told = (
        f"Habit in {len(dots)} sessions of {entry.drill} from {days[0]} to {days[-1]}: "
        + ", ".join(f"{dot.y:+z.0f}" for dot in dots)
        + " ms."
    )
    words = ("session after session (year-month-day)", "habit, ms (late is up)")
    chart = charts.scatter(f"trend-{mode}", dots, None, (0.6, len(dots) + 0.4, *ends), words, told, marks)
    caption = "Bars: 95 % intervals. Sessions whose bars overlap widely have not shown a difference."
    return Figure("Session after session", chart, caption)


def _stagger(own: Sequence[RepEntry], mode: Mode) -> Figure:
    known = [
        (index, each.verdict.stagger_ms) for index, each in enumerate(own, 1) if each.verdict.stagger_ms is not None
    ]
    if len(known) < FEWEST_DRAWN:
        return _too_few("The feet", len(known), "landings in which both feet were heard")
    dots = [Dot(index, stagger_ms, "on") for index, stagger_ms in known]
    high = _ends([stagger_ms for _, stagger_ms in known], (0.0, 60.0))[1]
    half_ms = median(value for _, value in known)
    told = f"Stagger of {count_of(len(known), 'landing')}, half of them below {half_ms:.0f} ms."
    chart = charts.scatter(
        f"stagger-{mode}",
        dots,
        None,
        (1, max(len(own), 2), 0.0, high),
        ("rep", "second foot after the first, ms"),
        told,
    )
    heard = f"Heard in {len(known)} of {count_of(len(own), 'landing')}."
    if undirected(own):
        return Figure("Feet together", chart, f"{heard} Low is together.")
    return Figure(
        "One foot and the other",
        chart,
        f"{heard} Shown, not judged: good returners land on the far foot first in two of three returns.",
    )


def _first_steps(own: Sequence[RepEntry], mode: Mode) -> Figure | None:
    """First steps after their direction is known, one column for each."""
    groups: dict[str, list[tuple[float, bool]]] = {}
    for each in own:
        step_ms, known_ms = each.verdict.first_step_ms, directions_known_ms(each.rep)
        if step_ms is not None and known_ms and each.rep.call and each.verdict.grade in TIMED_GRADES:
            groups.setdefault(each.rep.call, []).append((step_ms - known_ms[-1], each.verdict.guessed))
    names = sorted(groups, key=lambda name: ({"left": 0, "right": 2}.get(name, 1), name))[:5]
    if not any(each.rep.call for each in own):
        return None
    if (count := sum(map(len, groups.values()))) < FEWEST_DRAWN:
        return _too_few("First steps", count, "first steps heard")
    dots: list[Dot] = []
    told: list[str] = []
    for column, name in enumerate(names):
        times_ms = [step_ms for step_ms, _ in groups[name]]
        for index, (step_ms, guessed) in enumerate(groups[name]):
            shift = 0.5 * ((index * 0.618) % 1.0 - 0.5)
            dots.append(Dot(column + shift, step_ms, "early" if guessed else "on"))
        told.append(f"{name}: {count_of(len(times_ms), 'step')}, half of them before {median(times_ms):.0f} ms")
    ends = _ends([dot.y for dot in dots], (0.0, 400.0))
    chart = charts.scatter(
        f"steps-{mode}",
        dots,
        None,
        (-0.6, len(names) - 0.4, *ends),
        ("called direction", "first step, ms after the direction is known"),
        "; ".join(told) + ".",
        [(float(column), name) for column, name in enumerate(names)],
    )
    return Figure("First step, side by side", chart, "Triangle: too soon to answer its call, which is guessing.")


@dataclass(frozen=True, slots=True)
class Tested:
    """The latest session of one of the two tests, its plain figures, and what changed up to it where that is known."""

    what: str
    entry: SessionEntry
    scored: int
    figures: dict[str, float | None]
    changes: dict[str, Change]


def _retention_and_transfer(history: History, entry: SessionEntry) -> list[Tested]:
    """The test block, whose lead-in can be learned by heart, beside the block that nothing practises; both or none."""
    told = []
    for what, drill in (("retention", TEST_DRILL), ("transfer", TRANSFER_DRILL)):
        found = [
            each
            for each in sessions_of_drill(history, entry.player, drill)
            if (each.source == "simulated") == (entry.source == "simulated")
        ]
        if not found:
            return []
        own = counted(reps(history, found[-1].number), "predictive")
        changes = [each.changes for each in _comparisons(history, found[-1]) if each.mode == "predictive"]
        told.append(Tested(what, found[-1], shares(own)[0][1], plain_figures(own), changes[0] if changes else {}))
    return told


def _comparisons(history: History, entry: SessionEntry) -> list[Comparison]:
    """First comparable session of the drill against this one; nothing where there is none."""
    try:
        return compare(history, entry.player, drill=entry.drill, last=str(entry.number))
    except HistoryError:
        return []


def _soonest(target: OwnTarget) -> Figure | None:
    """The curve of first steps over touchdowns, over all sessions; nothing while there is no curve."""
    found = target.found
    if not found.curve:
        return None
    points = [(answer.touchdown_ms, answer.step_ms) for answer in target.answers]
    known = None if found.low_ms is None or found.high_ms is None else (found.low_ms, found.high_ms)
    chart = charts.curve(
        "soonest",
        points,
        found.curve,
        known,
        ("touchdown, ms after the contact", "first step, ms after the direction is known"),
        target.told + ".",
    )
    told = target.told[0].upper() + target.told[1:]
    return Figure("When the first step comes soonest", chart, f"Each dot is one answered call. {told}.")


def _ms(value: Any, sign: bool = False) -> str:
    if value is None:
        return "-"
    return f"{value + 0.0:{'+' if sign else ''}.0f} ms".replace("-", "\N{MINUS SIGN}")
