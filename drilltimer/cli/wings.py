"""What the wings bring to the command line: verbs, and two services that the core's own verbs ask for.

A wing is a package beside the core's rooms whose `cli` has a function `register`. It is found by looking: the core
knows none by its name, and runs without any.
"""

from __future__ import annotations

import pkgutil
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import cache
from importlib import import_module
from importlib.machinery import PathFinder
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

import click

import drilltimer
from drilltimer.errors import UserError

if TYPE_CHECKING:
    from drilltimer.app.drive import OnTrouble
    from drilltimer.app.live import KeepsReps, RecordOn
    from drilltimer.app.open import Rig
    from drilltimer.app.plan import Plan
    from drilltimer.errors import Notice
    from drilltimer.model import Rep, Verdict


class Diary(Protocol):
    """Keeps players' sessions."""

    def clean_name(self, name: str) -> str:
        """The name as it is kept; raises `HistoryError` for one that cannot be."""

    def player_names(self) -> list[str]:
        """Everybody of whom something is kept."""

    def about_days(self, player: str, plan: Plan) -> list[Notice]:
        """Where a plan would take a player beyond guidance for a day or a week."""

    def advice(self, judged: Sequence[tuple[Rep, Verdict]]) -> Notice:
        """What to practise next, after reps as they were judged."""

    def open_journal(self, player: str, plan: Plan, rig: Rig, on_trouble: OnTrouble) -> KeepsReps:
        """Begin to keep a live session."""


class Recorders(Protocol):
    """Keeps a session's sound."""

    def refuse_kept(self, path: Path) -> None:
        """Say beforehand why nothing can be kept there; raises `RecordingError`."""

    def recorder(self, path: Path, *, simulated: bool, session: str) -> RecordOn:
        """Records to `path`; what is kept says whether its player is simulated, and of which session it is."""


@dataclass
class House:
    """What has been brought. A service is called for when it is needed, for it takes its time to be loaded."""

    verbs: list[click.Command] = field(default_factory=list)
    diaries: list[Callable[[], Diary]] = field(default_factory=list)
    recorders: list[Callable[[], Recorders]] = field(default_factory=list)

    def diary(self) -> Diary:
        """Who keeps sessions. Raises `UserError` where nobody does."""
        if not self.diaries:
            raise UserError("nothing is here that keeps sessions", fix="Leave --player out.")
        return self.diaries[0]()

    def recording(self) -> Recorders:
        """Who keeps sound. Raises `UserError` where nobody does."""
        if not self.recorders:
            raise UserError("nothing is here that keeps sound", fix="Leave --record out.")
        return self.recorders[0]()


@cache
def house() -> House:
    """All that the wings bring."""
    found = House()
    for package in pkgutil.iter_modules(drilltimer.__path__):
        name = f"{drilltimer.__name__}.{package.name}.cli"
        if PathFinder.find_spec(name, [str(Path(folder) / package.name) for folder in drilltimer.__path__]):
            import_module(name).register(found)
    return found
