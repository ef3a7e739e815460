"""Where words go: results to stdout, messages to stderr; how far long work is; what a session tells while it runs."""

from __future__ import annotations

import contextlib
import json
import os
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, Protocol

import click

from drilltimer.errors import UserError
from drilltimer.units import printable

if TYPE_CHECKING:
    from rich.progress import Progress

    from drilltimer.app.drive import Ending
    from drilltimer.app.live import KeepsReps, Outcome
    from drilltimer.model import Rep, Scores, Verdict
    from drilltimer.ui.live import LiveScreen
    from drilltimer.ui.wording import Tellable, Wording

INTERRUPTED = 130
DELETE = "\x7f"  # the one control character that JSON leaves as it is
MOST_TOLD = 20  # messages of one kind


def note_some(texts: list[str]) -> None:
    """Messages to stderr, the first of many alone."""
    for text in texts[:MOST_TOLD]:
        note(text)
    if len(texts) > MOST_TOLD:
        note(f"... and {len(texts) - MOST_TOLD} more")


def terminal_columns(stream: Any) -> int | None:
    """Width of the terminal that a stream goes to; None for a file or a pipe, where lines stay as long as they are."""
    try:
        return (os.get_terminal_size(stream.fileno()).columns or None) if stream.isatty() else None
    except (AttributeError, OSError, ValueError):  # no stream, a closed one, or one that is not the system's
        return None


def result_columns() -> int | None:
    """Width of the terminal that results go to, if they do."""
    return terminal_columns(sys.stdout)


def print_result(text: str) -> None:
    """Results: to stdout, broken at words in a terminal."""
    _print(text, sys.stdout)


def print_document(value: Any, indent: int | None = None) -> None:
    """A result as one JSON document: to stdout."""
    click.echo(json.dumps(value, allow_nan=False, indent=indent).replace(DELETE, "\\u007f"))


def print_lines(lines: list[str]) -> None:
    """The same, line by line."""
    print_result("\n".join(lines))


def note(text: str, *, ends: bool = True) -> None:
    """Messages: to stderr, likewise; one that is no line yet leaves the cursor behind it."""
    _print(text, sys.stderr, ends=ends)


def _print(text: str, stream: Any, *, ends: bool = True) -> None:
    """The one way of text to a terminal: whatever foreign texts are in it, its own lines alone steer it."""
    text = "\n".join(printable(line) for line in text.split("\n"))
    columns = terminal_columns(stream)
    if columns is not None:
        from drilltimer.ui.lines import folded

        text = folded(text, columns)
    click.echo(text, err=stream is sys.stderr, nl=ends)


def ask(question: str) -> str:
    """The answer to a question without blanks around it; on stderr, so that results may go elsewhere.

    Raises
    ------
    KeyboardInterrupt
        Ctrl-C, or nothing can be typed any more.
    """
    note(f"{question}: ", ends=False)
    try:
        answer = input().strip()
    except (EOFError, KeyboardInterrupt):
        note("")  # what is told next begins a line of its own
        raise KeyboardInterrupt from None
    if not sys.stdin.isatty():
        note("")  # nobody's Enter ended the line
    return answer


def ask_number(question: str, usual: float, kind: click.ParamType[Any]) -> float:
    """The number that is typed; asked anew until it can be one. Enter takes the usual one."""
    while answer := ask(f"{question} [{usual:g}]"):
        try:
            return float(kind.convert(answer, None, None))
        except click.UsageError as fault:
            note(fault.message)
    return usual


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


def wording_for(language: str) -> Wording:
    """Texts in that language, the user's own before the shipped ones.

    Raises
    ------
    UserError
        There are none.
    """
    from drilltimer.audio.files import user_folder
    from drilltimer.ui.wording import load_wording

    return load_wording(language, [user_folder("drills").parent / "texts"])


def open_screen(title: str, wording: Wording) -> LiveScreen | None:
    """The live screen, or None where there is no terminal."""
    from drilltimer.ui.live import LiveScreen, has_screen, this_palette

    return LiveScreen(title, wording, this_palette()) if has_screen() else None


class Troubles:
    """Told of what ends no session; prints it at once, or after the screen that shows it and covers the terminal."""

    def __init__(self, wording: Wording, screen: LiveScreen | None = None) -> None:
        self._wording, self._screen = wording, screen
        self._told: list[str] = []

    def __call__(self, what: Tellable) -> None:
        """Print what happened, or leave it to the screen and print it when that is gone."""
        told = self._wording.tell(what)
        if self._screen:
            self._screen.tell(told)
            self._told.append(told)
        else:
            remark(told)

    def end(self) -> None:
        """Print what was told on the screen, which is gone now."""
        for told in self._told:
            remark(told)


class RepList:
    """Told of reps as they come; prints each at its time, and has it kept.

    Parameters
    ----------
    late : bool
        Reps are listed when the session is over.
    quiet : bool
        They are not listed at all: stdout is for a document.
    """

    def __init__(self, wording: Wording, *, late: bool, quiet: bool) -> None:
        from drilltimer.ui.lines import header

        self.journal: KeepsReps | None = None
        self.on_judged: Callable[[int], None] = lambda judged: None  # told how many there are, where nothing is listed
        self._wording, self._late, self._quiet = wording, late, quiet
        self._header, self._lines = header(wording, result_columns()), dict[int, str]()  # by rep: the last word on each

    @property
    def silent(self) -> bool:
        """Whether nothing is listed on the way."""
        return self._late or self._quiet

    def begin(self) -> None:
        """The heads of the list."""
        self._list([self._header])

    def on_rep(self, rep: Rep, verdict: Verdict) -> None:
        """A rep was judged, or judged anew."""
        from drilltimer.ui.lines import rep_line

        if self.journal:
            self.journal.rep(rep, verdict)
        self._lines[rep.index] = rep_line(rep, verdict, self._wording, result_columns())
        self._list([self._lines[rep.index]])
        if self.silent:
            self.on_judged(len(self._lines))

    def end(self, outcome: Outcome) -> None:
        """The session is over: what was held back."""
        if self.journal:
            self.journal.end(outcome, outcome.judged)
        if self._late:
            self._late = False
            self._list([self._header, *self._lines.values()])

    def _list(self, lines: list[str]) -> None:
        if not self.silent:
            say("\n".join(lines))


def opening_lines(judged: Sequence[tuple[Rep, Verdict]], scores: Scores, wording: Wording) -> list[str]:
    """What comes before the figures of a session: a plain sentence with what is next, and a picture where it fits."""
    from drilltimer.cli.wings import house
    from drilltimer.ui.lines import in_a_sentence

    told = [in_a_sentence(scores, wording)]
    with contextlib.suppress(UserError):  # nobody is here who advises
        told += [wording.tell(house().diary().advice(judged))] * bool(told[0])
    picture: list[str] = []
    if columns := result_columns():  # in a file it is noise, and what draws takes its time to be loaded
        from drilltimer.ui.live import shows_blocks
        from drilltimer.ui.touchdowns import touchdown_lines

        picture = touchdown_lines(judged, wording, columns, ascii_only=not shows_blocks(sys.stdout))
    return [*[" ".join(told)] * bool(told[0]), *["", *picture] * bool(picture), ""]


def conclude(outcome: Ending, wording: Wording) -> None:
    """How a session ended, when its scores are printed: leaves with the exit code of that."""
    if outcome.fault is not None:
        raise outcome.fault
    if outcome.interrupted:
        note(wording("run.ended_early"))
        if not outcome.wished:
            sys.exit(INTERRUPTED)


def say(text: str) -> None:
    """Results; a terminal that was closed, or a full disk behind a redirection, does not end the session."""
    with contextlib.suppress(OSError):
        print_result(text)


def remark(text: str) -> None:
    """Messages, forgiving likewise."""
    with contextlib.suppress(OSError):
        note(text)
