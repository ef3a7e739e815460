"""How far long work is: a bar in a terminal, lines elsewhere."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Protocol

from drilltimer.cli.common import note
from drilltimer.units import printable

if TYPE_CHECKING:
    from rich.progress import Progress


class Tell(Protocol):
    """Told what has been done: a name, and what came of it in a few words."""

    def __call__(self, name: str, words: str) -> None:
        """Count it, and show how far the work is."""


@contextmanager
def progress(total: int) -> Iterator[Tell]:
    """A bar where there is a terminal, otherwise a line for each thing that is done; both on stderr."""
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
    with _bar() as bar:
        task = bar.add_task("", total=total)
        yield lambda name, words: bar.update(task, advance=1, description=printable(name))


@contextmanager
def hearing(words: str, sheets: int = 1) -> Iterator[tuple[Tell, Callable[[int, int], None]]]:
    """For one recording: the search for its sheet as `progress` shows it, then how much of it was listened to.

    In a terminal alone is that a bar, called `words`, which is gone at the end: a line for each rep would be too much.
    """
    if not sys.stderr.isatty():
        with progress(sheets if sheets > 1 else 0) as tell:
            yield tell, lambda done, total: None
        return
    with _bar(transient=True) as bar:
        task = bar.add_task("", total=sheets if sheets > 1 else None)  # None: how much it is cannot be known yet

        def on_heard(done: int, total: int) -> None:
            if not done:
                bar.reset(task, total=total, description=words)
            bar.update(task, completed=done)

        yield lambda name, _: bar.update(task, advance=1, description=printable(name)), on_heard


def _bar(*, transient: bool = False) -> Progress:
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    columns = (BarColumn(), MofNCompleteColumn(), TimeRemainingColumn(), TextColumn("{task.description}", markup=False))
    return Progress(*columns, console=Console(stderr=True), transient=transient)
