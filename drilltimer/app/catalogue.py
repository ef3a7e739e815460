"""Every drill that can be run by its name, and what it asks of a player."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

from drilltimer.app.plan import Plan, make_plan
from drilltimer.audio.files import list_drills
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
    return Entry(name, own, summary, "/".join(modes), plan.length_s, plan.landings)
