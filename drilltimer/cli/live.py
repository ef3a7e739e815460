"""What a verb that runs a session shows and prints of it."""

from __future__ import annotations

import contextlib
from typing import TYPE_CHECKING

from drilltimer.cli.common import note, print_result, result_columns

if TYPE_CHECKING:
    from drilltimer.app.live import Journal, Outcome
    from drilltimer.model import Rep, Verdict
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


class Telling:
    """Told of reps and troubles as they come; prints each at its time, and keeps the reps.

    Parameters
    ----------
    wording : Wording
    screen : LiveScreen | None
        Where troubles are shown while it covers the terminal.
    late : bool
        Reps are listed when the session is over.
    quiet : bool
        They are not listed at all: stdout is for a document.
    """

    def __init__(self, wording: Wording, screen: LiveScreen | None, *, late: bool, quiet: bool) -> None:
        from drilltimer.ui.lines import header

        self.journal: Journal | None = None
        self._wording, self._screen, self._late, self._quiet = wording, screen, late, quiet
        self._lines = [header(wording, result_columns())]
        self._troubles: list[str] = []

    def begin(self) -> None:
        """The heads of the list."""
        self._list(self._lines)

    def on_rep(self, rep: Rep, verdict: Verdict, snapshot: Snapshot) -> None:
        """A rep was judged, or judged anew."""
        from drilltimer.ui.lines import rep_line

        if self.journal:
            self.journal.rep(rep, verdict)
        self._lines.append(rep_line(rep, verdict, self._wording, result_columns()))
        self._list(self._lines[-1:])

    def on_trouble(self, what: Tellable) -> None:
        """Something else is worth a line."""
        told = self._wording.tell(what)
        if self._screen:
            self._screen.tell(told)
            self._troubles.append(told)
        else:
            remark(told)

    def end(self, outcome: Outcome) -> None:
        """The session is over: what was held back."""
        if self.journal:
            self.journal.end(outcome)
        if self._late:
            self._late = False
            self._list(self._lines)
        for trouble in self._troubles:
            remark(trouble)

    def _list(self, lines: list[str]) -> None:
        if not (self._late or self._quiet):
            say("\n".join(lines))


def say(text: str) -> None:
    """Results; a terminal that was closed, or a full disk behind a redirection, does not end the session."""
    with contextlib.suppress(OSError):
        print_result(text)


def remark(text: str) -> None:
    """Messages, forgiving likewise."""
    with contextlib.suppress(OSError):
        note(text)
