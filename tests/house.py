"""The house in figures: how big it is, who imports whom, and how many rooms the two trips through it meet.

    python -m tests.house

`tests/test_architecture.py` holds what has been reached. The trips are counted while the program runs, with a simulated
player: one is the block of sound that answers a rep, until the answer is printed (files met, and calls from one room
into another; `model`, `units` and `errors` are no rooms, the simulated world is no part of the trip); the other is a
recording that is scored (files met).
"""

from __future__ import annotations

import ast
import contextlib
import io
import os
import sys
import tempfile
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from statistics import median
from types import FrameType
from unittest.mock import patch

ROOT = Path(__file__).resolve().parent.parent
PACKAGE = ROOT / "drilltimer"
WINGS = ("completion", "drills", "feeding", "group", "guide", "history", "recordings")
NO_ROOMS = ("model", "units", "errors", "__init__")
GOALS = {"core": 14_000, "answer files": 22, "answer crossings": 35, "score files": 40, "README": 12, "DEVELOPERS": 22}


def room_of(path: Path) -> str:
    """The room or wing that a file lies in; of a file beside them its own name."""
    return path.relative_to(PACKAGE).with_suffix("").parts[0]


def sources() -> list[Path]:
    """Every file of the package."""
    return sorted(PACKAGE.rglob("*.py"))


def lines_of(path: Path) -> int:
    """How long a file is."""
    return path.read_bytes().count(b"\n")


def repeated_classes(files: Iterable[Path]) -> dict[str, list[str]]:
    """Class names that stand for more than one thing, with where."""
    found: dict[str, list[str]] = {}
    for path in files:
        for node in ast.parse(path.read_text(encoding="utf-8")).body:
            if isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
                found.setdefault(node.name, []).append(f"{path.parent.name}/{path.stem}")
    return {name: places for name, places in sorted(found.items()) if len(places) > 1}


@dataclass
class Trip:
    """What one stretch of a run met."""

    files: set[str] = field(default_factory=set)
    crossings: Counter[tuple[str, str]] = field(default_factory=Counter)
    answers: bool = False


class Watch:
    """Follows calls between files of the package; a new trip begins with every block that is read."""

    def __init__(self) -> None:
        self.trips = [Trip()]
        self._names: dict[str, str] = {}

    def __call__(self, frame: FrameType, event: str, argument: object) -> None:
        name = self._name(frame)
        if event != "call" or not name:
            return
        function = frame.f_code.co_name
        if function == "read" and "drive" in self._caller(frame):
            self.trips.append(Trip())
        trip = self.trips[-1]
        trip.answers |= function == "on_rep"
        if name.startswith("sim"):
            return
        trip.files.add(name)
        rooms = self._caller(frame).split("/")[0], name.split("/")[0]
        if rooms[0] and rooms[0] != rooms[1] and not set(rooms) & set(NO_ROOMS):
            trip.crossings[rooms] += 1

    def _caller(self, frame: FrameType) -> str:
        back = frame.f_back
        while back is not None and not self._name(back):
            back = back.f_back
        return self._name(back) if back is not None else ""

    def _name(self, frame: FrameType) -> str:
        file = frame.f_code.co_filename
        if file not in self._names:
            path = Path(file)
            inside = path.is_relative_to(PACKAGE)
            self._names[file] = str(path.relative_to(PACKAGE).with_suffix("")) if inside else ""
        return self._names[file]


@contextlib.contextmanager
def watched() -> Iterator[Watch]:
    """Calls that are made meanwhile."""
    watch = Watch()
    sys.setprofile(watch)
    try:
        yield watch
    finally:
        sys.setprofile(None)


def run(*arguments: object) -> None:
    """One command, its words thrown away."""
    from drilltimer.cli import main

    with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()):
        main([str(each) for each in arguments], standalone_mode=False)


def trips() -> tuple[Trip, Trip]:
    """A block that answers a rep, the one with the median of crossings; and the scoring of a recording."""
    with tempfile.TemporaryDirectory() as name, patch.dict(os.environ, {"DRILLTIMER_HOME": name}):
        drill = ["run", "steady-contact", "--simulate", "club", "--speed", 0, "--seed", 3]
        with watched() as watch:
            run(*drill, "--player", "Kim")
        answers = sorted((trip for trip in watch.trips if trip.answers), key=lambda trip: trip.crossings.total())
        run(*drill, "--record", Path(name) / "kept.wav")
        with watched() as watch:
            run("score", Path(name) / "kept.wav")
    whole = Trip()
    for trip in watch.trips:
        whole.files |= trip.files
    return answers[len(answers) // 2], whole


def core_lines() -> int:
    """Lines of the core without the simulated world."""
    return sum(lines_of(path) for path in sources() if room_of(path) not in (*WINGS, "sim"))


def report(say: Callable[[str], None] = print) -> None:
    """All of it."""
    sys.path.insert(0, str(ROOT / "tests"))
    from test_architecture import find_cycle, import_graph, wrong_ways

    sizes: dict[str, list[int]] = {}
    for path in sources():
        sizes.setdefault(room_of(path), []).append(lines_of(path))
    say("files and lines, longest and median file")
    for room, counts in sorted(sizes.items(), key=lambda item: (item[0] in WINGS, -sum(item[1]))):
        say(f"  {room:12s}{len(counts):4d}{sum(counts):7d}{max(counts):6d}{median(counts):7.0f}")
    core = {room: counts for room, counts in sizes.items() if room not in WINGS}
    say(f"core: {sum(map(len, core.values()))} files; without sim {core_lines()} lines (goal {GOALS['core']})")
    say(f"wings: {sum(len(sizes[wing]) for wing in WINGS)} files, {sum(sum(sizes[wing]) for wing in WINGS)} lines")
    say(f"imports from the core to a wing, or up: {len(wrong_ways())} (goal 0)")
    say(f"import circles: {int(bool(find_cycle(import_graph())))} (goal 0)")
    repeated = repeated_classes(sources())
    say(f"repeated class names: {len(repeated)} (goal 0)")
    for name, places in repeated.items():
        say(f"  {name}: {', '.join(places)}")
    answer, scored = trips()
    say(f"a block that answers a rep: {len(answer.files)} files (goal {GOALS['answer files']}), "
        f"{answer.crossings.total()} crossings (goal {GOALS['answer crossings']})")  # fmt: skip
    say("  " + ", ".join(f"{a} > {b} {times}" for (a, b), times in answer.crossings.most_common()))
    say("  " + ", ".join(sorted(answer.files)))
    say(f"scoring a recording: {len(scored.files)} files (goal {GOALS['score files']})")
    say("  " + ", ".join(sorted(scored.files)))
    for name in ("README", "DEVELOPERS"):
        say(f"{name}.md: {(ROOT / f'{name}.md').stat().st_size / 1000:.1f} kB (goal {GOALS[name]})")


if __name__ == "__main__":
    report()
