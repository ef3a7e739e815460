"""What a verb that runs a session shows and prints of it."""

from __future__ import annotations

import contextlib
import sys
from typing import TYPE_CHECKING

from drilltimer.cli.common import INTERRUPTED, note, print_result, result_columns
from drilltimer.cli.wings import house
from drilltimer.errors import UserError

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from drilltimer.app.drive import Ending
    from drilltimer.app.live import KeepsReps, Outcome
    from drilltimer.model import Rep, Scores, Verdict
    from drilltimer.session import Snapshot
    from drilltimer.ui.live import LiveScreen
    from drilltimer.ui.wording import Tellable, Wording


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

    def on_rep(self, rep: Rep, verdict: Verdict, snapshot: Snapshot) -> None:
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
    from drilltimer.ui.lines import in_a_sentence
    from drilltimer.ui.live import shows_blocks
    from drilltimer.ui.touchdowns import touchdown_lines

    told = [in_a_sentence(scores, wording)]
    with contextlib.suppress(UserError):  # nobody is here who advises
        told += [wording.tell(house().diary().advice(judged))] * bool(told[0])
    picture = touchdown_lines(judged, wording, result_columns(), ascii_only=not shows_blocks(sys.stdout))
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
