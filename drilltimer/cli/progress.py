"""How far long work is: a bar in a terminal, lines elsewhere."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Protocol

from drilltimer.cli.common import note


class Tell(Protocol):
    """Told what has been done: a name, and what came of it in a few words."""

    def __call__(self, name: str, words: str) -> None:
        """One more is done."""


@contextmanager
def progress(total: int) -> Iterator[Tell]:
    """A bar where there is a terminal, otherwise a line for each thing that is done; both on stderr."""
    from drilltimer.audio.paths import printable

    done = 0
    if not total:
        yield lambda name, words: None
        return
    if not sys.stderr.isatty():

        def tell(name: str, words: str) -> None:
            nonlocal done
            done += 1
            note(f"{done}/{total}  {printable(name)}: {words}")

        yield tell
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    columns = (BarColumn(), MofNCompleteColumn(), TimeRemainingColumn(), TextColumn("{task.description}", markup=False))
    with Progress(*columns, console=Console(stderr=True)) as bar:
        task = bar.add_task("", total=total)
        yield lambda name, words: bar.update(task, advance=1, description=printable(name))
