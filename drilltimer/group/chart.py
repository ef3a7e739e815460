"""A plan for the wall: who is where when on one page, then a card for each station. HTML that loads nothing."""

from __future__ import annotations

from dataclasses import dataclass
from importlib.resources import files

from drilltimer.group.board_drawing import clock
from drilltimer.group.plan import GroupPlan, Station
from drilltimer.group.scoreboard import stage_title
from drilltimer.group.timeline import Timetable
from drilltimer.ui.wording import Wording


@dataclass(frozen=True, slots=True)
class ChartRow:
    """A stage: when, how long, and who is at each station; `squads` are empty where all do the same."""

    at: str
    work: str
    title: str
    squads: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class StationCard:
    """A station with what is done there, and whose turn it is when."""

    title: str
    what: str
    squads: tuple[tuple[str, str], ...]


def chart_rows(plan: GroupPlan, course: Timetable, wording: Wording) -> list[ChartRow]:
    """All stages in order."""
    names = [player.name for player in plan.players]
    rows = []
    for stage in course.stages:
        squads = stage.seats.stations if stage.kind == "stations" else ()
        told = tuple(", ".join(names[player] for player in squad) or "-" for squad in squads)
        rows.append(ChartRow(clock(stage.start_s), clock(stage.work_s), wording.tell(stage_title(stage)), told))
    return rows


def render_chart(plan: GroupPlan, course: Timetable, wording: Wording) -> str:
    """The chart as HTML; every text is escaped."""
    from jinja2 import Environment, StrictUndefined

    rows = chart_rows(plan, course, wording)
    at_stations = [row for row in rows if row.squads]
    cards = [
        StationCard(station.name, _what(station), tuple((row.at, row.squads[n]) for row in at_stations))
        for n, station in enumerate(plan.stations)
    ]
    environment = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    template = environment.from_string(files(__package__).joinpath("chart.html.j2").read_text(encoding="utf-8"))
    return template.render(plan=plan, rows=rows, cards=cards, cautions=wording("run.cautions"))


def _what(station: Station) -> str:
    return f"split steps to the contacts you hear ({station.drill})" if station.drill else station.exercise
