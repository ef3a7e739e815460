"""Group plan text becomes a `GroupPlan`, or every fault in it at once with its line, column and key."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import lru_cache
from typing import Any

from pydantic import ValidationError
from pydantic_core import ErrorDetails

from drilltimer.drill.faults import mended, place_problem, problems_of, refusal
from drilltimer.drill.tree import Path, Tree, read_tree
from drilltimer.group.form import MAX_STATIONS, GroupForm, PlaceForm, PlayerForm, StationForm, WarmUpForm
from drilltimer.group.plan import GroupPlan, GroupPlayer, Station, WarmUp
from drilltimer.model import Placement
from drilltimer.units import count_of

KIND = "group plan"


def read_group_plan(
    text: str, file: str, wrong_with: Callable[[str], str | None] = lambda drill: None
) -> tuple[GroupPlan, Tree]:
    """Read one group plan, and where everything in it stands.

    Parameters
    ----------
    text : str
        YAML, read as strictly as a drill is.
    file : str
        Name to use in messages.
    wrong_with : callable
        Answers what is wrong with a drill that the plan names, if anything.

    Raises
    ------
    DrillFileError
        With every problem found, in the order of the file.
    """
    tree = read_tree(text, file, KIND)
    problems = list(tree.problems)
    form, errors = _validate(tree.value)
    if form is None:
        problems += problems_of(tree, errors, _schema())
        form, _ = _validate(mended(tree.value, errors, _schema()))
    if form is not None:
        found = [*_between_keys(form), *_about_drills(form, wrong_with)]
        problems += [place_problem(tree, path, message) for path, message in found]
    if problems or form is None:
        raise refusal(file, problems, KIND)
    return _build(form), tree


def _validate(value: Any) -> tuple[GroupForm | None, list[ErrorDetails]]:
    try:
        return GroupForm.model_validate(value), []
    except ValidationError as error:
        return None, error.errors(include_url=False)


@lru_cache(maxsize=1)
def _schema() -> dict[str, Any]:
    return GroupForm.model_json_schema()


def _build(form: GroupForm) -> GroupPlan:
    home = _placement(form.place, Placement(3.0, 3.0, 0.3))
    return GroupPlan(
        name=form.name,
        description=form.description.strip(),
        players=tuple(_player(form, entry, number) for number, entry in enumerate(_entries(form), start=1)),
        stations=_told_apart([_station(each, n, home) for n, each in enumerate(form.stations or [], start=1)]),
        warm_up=tuple(_warm_up(each) for each in form.warm_up or []),
        pairs=form.pairs,
        places=form.places,
        work_s=form.work_s,
        change_s=form.change_s,
        round_rest_s=form.round_rest_s,
        rounds=form.rounds,
        rotation=() if form.rotation == "in order" else tuple(map(tuple, form.rotation)),
        time_limit_s=form.time_limit_s,
        microphone=form.microphone,
        lane_gap_m=form.lane_gap_m,
        placement=home,
    )


def _entries(form: GroupForm) -> list[str | int | PlayerForm]:
    return list(range(1, form.players + 1)) if isinstance(form.players, int) else list(form.players)


def _name(entry: str | int | PlayerForm) -> str:
    return str(entry.name if isinstance(entry, PlayerForm) else entry)


def _player(form: GroupForm, entry: str | int | PlayerForm, number: int) -> GroupPlayer:
    if not isinstance(entry, PlayerForm):
        return GroupPlayer(str(entry), number, form.level, form.children)
    level, child = entry.level or form.level, entry.child or form.children
    return GroupPlayer(str(entry.name), number, level, child, entry.arrives_s, entry.leaves_s)


def _told_apart(stations: list[Station]) -> tuple[Station, ...]:
    """Stations of one name with their number: on a board nobody would know which of them is meant."""
    names = Counter(station.name for station in stations)
    return tuple(
        replace(each, name=f"{each.name} (station {number})") if names[each.name] > 1 else each
        for number, each in enumerate(stations, start=1)
    )


def _station(form: StationForm, number: int, home: Placement) -> Station:
    name = form.name or form.exercise or form.drill or f"station {number}"
    place, exercise = _placement(form.place, home), form.exercise or ""
    return Station(name, form.drill, form.microphone, form.turns, form.side, place, exercise)


def _warm_up(form: WarmUpForm) -> WarmUp:
    name = form.movement or form.drill or ""
    return WarmUp(name, form.work_s, form.rest_s, form.drill, form.landings_per_min)


def _placement(form: PlaceForm | None, home: Placement) -> Placement:
    if form is None:
        return home
    return Placement(form.speaker_m, form.microphone_m, form.speaker_to_microphone_m, home.air_c)


def _between_keys(form: GroupForm) -> Iterator[tuple[Path, str]]:
    """Faults that no single key has."""
    if form.stations is None and form.warm_up is None:
        yield (), "give stations, a warm_up, or both: nobody has anything to do"
    yield from _about_names(form)
    yield from _about_stations(form)
    if form.rotation != "in order":
        yield from _about_rotation(form, list(form.rotation))


def _about_drills(form: GroupForm, wrong_with: Callable[[str], str | None]) -> Iterator[tuple[Path, str]]:
    """Each drill that cannot be used, where it is named first."""
    told = set[str]()
    named = [("warm_up", number, each.drill) for number, each in enumerate(form.warm_up or [])]
    for key, number, drill in [*named, *(("stations", n, each.drill) for n, each in enumerate(form.stations or []))]:
        if drill and drill not in told and (wrong := wrong_with(drill)):
            yield (key, number, "drill"), wrong
        told.add(drill or "")


def _about_names(form: GroupForm) -> Iterator[tuple[Path, str]]:
    first: dict[str, int] = {}
    for index, entry in enumerate(_entries(form)):
        key = _name(entry).strip().casefold()
        if key in first:
            yield (
                ("players", index),
                f"{_name(entry)!r} is player {first[key] + 1} already: give each one name",
            )
        first.setdefault(key, index)


def _about_stations(form: GroupForm) -> Iterator[tuple[Path, str]]:
    stations = form.stations or []
    drills = Counter(station.drill for station in stations if station.drill)
    if len(drills) > 1:
        name = drills.most_common(1)[0][0]
        for index, station in enumerate(stations):
            if station.drill not in (None, name):
                yield ("stations", index, "drill"), f"all hear the same contacts: expected {name} here too"
    sided = [station for station in stations if station.drill and station.side]
    for index, station in enumerate(stations):
        path: Path = ("stations", index)
        if sided and station.drill and not station.side:
            yield path, "some stations have a side, so this one needs one too: side: left or right"
        together = station.microphone is not None and not station.turns
        if together and sum(other.microphone is not None for other in stations) > 1:
            yield (*path, "turns"), "a whole group is heard by the only microphone: give turns: true, or one microphone"
    places = Counter((station.microphone, station.side) for station in stations if station.microphone)
    for index, station in enumerate(stations):
        if station.microphone and places[station.microphone, station.side] > 1:
            message = "two stations cannot share a microphone, unless one is left and the other right"
            yield ("stations", index, "microphone"), message


def _about_rotation(form: GroupForm, rows: list[list[int]]) -> Iterator[tuple[Path, str]]:
    count = len(form.stations or [])
    for number, row in enumerate(rows):
        path: Path = ("rotation", number)
        if len(row) != len(rows[0]):
            yield path, f"{count_of(len(row), 'squad')}, but the first row has {len(rows[0])}"
        if len(row) > len(_entries(form)):
            yield (
                path,
                f"{count_of(len(row), 'squad')} of {count_of(len(_entries(form)), 'player')}: some would be empty",
            )
        unknown = sorted({station for station in row if station > count})
        if unknown:
            yield path, f"there is no station {unknown[0]}: {count} of at most {MAX_STATIONS} are given"
        for station, squads in Counter(row).items():
            if station and squads > 1:
                yield path, f"station {station} has {count_of(squads, 'squad')} at once"
