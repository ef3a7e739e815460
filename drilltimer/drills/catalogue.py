"""Drills as files: each that can be run by its name, with what it asks of a player; and a new one to fill in."""

from __future__ import annotations

import json
import re
import tomllib
from dataclasses import asdict, dataclass
from functools import cache
from pathlib import Path
from typing import Any

from drilltimer.app.plan import Plan, make_plan
from drilltimer.audio.files import DRILL_SUFFIXES, expanded, list_drills, user_folder, write_new
from drilltimer.drill.language import drill_schema
from drilltimer.drills.sports import starting_file
from drilltimer.errors import DrillFileError


@dataclass(frozen=True, slots=True)
class Entry:
    """One drill. `fault` tells why it cannot be run; empty when it can."""

    name: str
    own: bool
    summary: str
    mode: str
    length_s: float | None
    landings_asked: int | None
    fault: str = ""
    trains: str = ""
    purposes: tuple[str, ...] = ()
    sports: tuple[str, ...] = ()  # none: all
    level: str = ""
    next: str = ""

    @property
    def length(self) -> str:
        """Length in minutes, for a table."""
        return "-" if self.length_s is None else f"{self.length_s / 60:.1f} min"

    @property
    def landings(self) -> str:
        """Number of landings, for a table."""
        return "-" if self.landings_asked is None else str(self.landings_asked)

    def document(self) -> dict[str, Any]:
        """The entry for `--json`."""
        return asdict(self)


def catalogue() -> list[Entry]:
    """Shipped and own drills by name; a broken one is listed with its fault instead of spoiling the list."""
    entries = []
    for file in list_drills():
        try:
            plan = make_plan(str(file.path), seed=0)
        except DrillFileError as fault:
            entries.append(Entry(file.name, file.own, f"broken: {fault.what}", "-", None, None, str(fault)))
        else:
            entries.append(_entry(file.name, file.own, plan))
    return entries


def _entry(name: str, own: bool, plan: Plan) -> Entry:
    modes = dict.fromkeys(block.mode for block in plan.drill.blocks)
    summary = plan.drill.description.strip().split(". ")[0].rstrip(".")
    step = {} if own else ladder().get(name, {})
    return Entry(
        name,
        own,
        summary,
        "/".join(modes),
        plan.length_s,
        plan.landings,
        trains=step.get("trains", summary),
        purposes=tuple(step.get("for", ["direction"] if any(rep.call for rep in plan.reps) else [])),
        sports=tuple(step.get("sports", [])),
        level=step.get("level", plan.drill.blocks[0].level),
        next=step.get("next", ""),
    )


@cache
def ladder() -> dict[str, dict[str, Any]]:
    """What each shipped drill trains, for whom, and which comes next."""
    return tomllib.loads(Path(__file__).with_name("ladder.toml").read_text(encoding="utf-8"))


def fitting(entries: list[Entry], sport: str | None, level: str | None, purpose: str | None) -> list[Entry]:
    """Those for a sport, a level and a purpose; None asks for nothing."""
    return [
        each
        for each in entries
        if (sport is None or not each.sports or sport in each.sports)
        and level in (None, each.level)
        and (purpose is None or purpose in each.purposes)
    ]


SCHEMA_FILE = "drill.schema.json"
_NAME = re.compile(r"[A-Za-z0-9][\w-]{0,59}", re.ASCII)


def begin_drill(name: str, sport: str) -> Path:
    """Write a commented file, and the schema beside it; answers the file's path.

    Parameters
    ----------
    name : str
        A name, for the user's drills folder, or a path that ends in .yaml or .yml.
    sport : str
        One of `sports.SPORTS`.

    Raises
    ------
    DrillFileError
        The name is none, is taken, or nothing can be written there. No file is ever replaced.
    """
    path = expanded(name)
    if path.name == name and path.suffix.lower() not in DRILL_SUFFIXES:
        path = user_folder("drills") / f"{name}.yaml"
        if name.casefold() in {drill.name.casefold() for drill in list_drills()}:
            raise DrillFileError(f"a drill called '{name}' is there already", fix="Choose another name.")
    if not _NAME.fullmatch(path.stem) or path.suffix.lower() not in DRILL_SUFFIXES:
        raise DrillFileError(
            f"'{name}' cannot be the name of a drill",
            fix="Use letters, digits, - and _, such as net-ladder; a path ends in .yaml.",
        )
    write_new(path, starting_file(path.stem, sport, SCHEMA_FILE))
    try:
        (path.parent / SCHEMA_FILE).write_text(json.dumps(drill_schema(), indent=2) + "\n", encoding="utf-8")
    except OSError as fault:
        raise DrillFileError(f"{path}: cannot be written: {fault.strerror}", fix="Choose another folder.") from fault
    return path
