"""The screen while a session runs: draws it now and then, and hands keys to the session.

No thread of its own: `tick` is called between two blocks of sound and draws at most ten times a second.
"""

from __future__ import annotations

import os
import signal
import sys
import time
from collections.abc import Callable, Mapping
from typing import Any, Protocol, Self, TextIO

from rich.console import Console, RenderableType
from rich.live import Live

from drilltimer.errors import Notice, Quit
from drilltimer.model import Health
from drilltimer.score.feedback import Message
from drilltimer.session import Session
from drilltimer.ui.keys import Keys, open_keys
from drilltimer.ui.lines import BY_KEY
from drilltimer.ui.palette import Palette, palette_for
from drilltimer.ui.screen import Viewport, draw, help_screen
from drilltimer.ui.wording import Wording
from drilltimer.units import printable

FRAME_S = 0.1
JOB_CONTROL = [getattr(signal, name) for name in ("SIGTSTP", "SIGCONT") if hasattr(signal, name)]  # none on Windows
NEWS_S = 10.0  # time to look up and read
GUESSES: Mapping[str, Message] = {"e": Message.EARLY, "o": Message.ON_TIME, "l": Message.LATE}


class Pausable(Protocol):
    """A session that can stand still."""

    @property
    def paused(self) -> Notice | None:
        """Why it stands still; None while it runs."""

    def pause(self, why: Notice) -> None:
        """Fall silent at once; reps that have begun are void."""

    def resume(self) -> None:
        """Go on with what had not begun."""


class LiveScreen:
    """Draws a session and obeys its keys. A context manager: afterwards the terminal is as it was.

    Parameters
    ----------
    now : callable
        Clock in seconds.
    """

    def __init__(
        self,
        title: str,
        wording: Wording,
        palette: Palette,
        *,
        console: Console | None = None,
        keys: Keys | None = None,
        now: Callable[[], float] = time.monotonic,
    ) -> None:
        self._title, self._wording, self._palette = printable(title), wording, palette
        self._console = console or Console()
        self._ascii_only = not shows_blocks(self._console.file)
        self._keys = keys or open_keys()
        self._live = Live(console=self._console, screen=True, auto_refresh=False, transient=True)
        self._now = now
        self._due_s = 0.0
        self._news, self._news_ends_s = "", 0.0
        self._help, self._helping = wording("screen.help"), False
        self._wished: set[int] = set()  # of job control, and not obeyed yet
        self._handlers: list[Any] = []

    def __enter__(self) -> Self:
        self._take()
        self._handlers = [signal.signal(number, lambda which, _: self._wished.add(which)) for number in JOB_CONTROL]
        return self

    def __exit__(self, *_: object) -> None:
        for number, handler in zip(JOB_CONTROL, self._handlers, strict=True):
            signal.signal(number, handler)
        self._give()

    def _take(self) -> None:
        self._keys.__enter__()
        self._live.start()

    def _give(self) -> None:
        try:
            self._live.stop()
        finally:
            self._keys.__exit__(None, None, None)

    def _step_aside(self, session: Any) -> None:
        """Pause, then stop with the terminal given back; another process may have had it meanwhile, so take it anew.

        The session takes back what was to sound when it is fed next: the stop waits for the tick after that.
        """
        if self._pauses(session):
            return
        self._give()
        if JOB_CONTROL[0] in self._wished:
            ours = signal.signal(JOB_CONTROL[0], signal.SIG_DFL)
            signal.raise_signal(JOB_CONTROL[0])
            signal.signal(JOB_CONTROL[0], ours)
        self._wished.clear()
        self._take()
        self._due_s = 0.0

    def _pauses(self, session: Any) -> bool:
        """Whether the session had to be paused, and must be fed once more to fall silent."""
        running = not session.paused
        if running:
            session.pause(BY_KEY)
        return running

    def tell(self, text: str) -> None:
        """Show for some seconds what has just happened; the first line has to do."""
        self._news, self._news_ends_s = printable(text.split("\n")[0]), self._now() + NEWS_S
        self._due_s = 0.0

    def tick(self, session: Any, health: Callable[[], Health]) -> None:
        """Obey what was pressed, and draw when it is time.

        Raises
        ------
        Quit
            "q" was pressed.
        """
        if self._wished:
            self._step_aside(session)
        for key in self._keys.pressed():
            self._news_ends_s = 0.0  # read, or no longer true: "go on first" after going on
            self._helping = key == "?" and not self._helping  # any other key closes it, and does what it does
            self._obey(key, session)
            self._due_s = 0.0
        if self._now() < self._due_s:
            return
        self._due_s = self._now() + FRAME_S
        columns, rows = self._console.size
        look = Viewport(columns, rows, self._palette, self._ascii_only)
        news = self._news if self._now() < self._news_ends_s else ""
        drawn = help_screen(self._help, look) if self._helping else self._drawn(session, health, look, news)
        self._live.update(drawn, refresh=True)

    def _obey(self, key: str, session: Any) -> None:
        if answer := obey(key, session, self._wording):
            self.tell(answer)

    def _drawn(self, session: Any, health: Callable[[], Health], look: Viewport, news: str) -> RenderableType:
        return draw(self._title, session.snapshot(), health(), look, self._wording, news)


def obey(key: str, session: Session, wording: Wording) -> str:
    """Do what a key asks for, and answer in words where the screen does not show it; an unknown key does nothing.

    Raises
    ------
    Quit
        For "q".
    """
    match key.casefold():
        case "r":
            call = session.repeat_call()
            return wording("screen.again", word=wording.word(call)) if call else wording("screen.no_call")
        case "f":
            return wording("screen.will_tell" if session.request() else "screen.nothing_to_tell")
        case "v":
            session.mark_void()
        case guess if guess in GUESSES:
            session.guess(GUESSES[guess])
        case other:
            obey_any(other, session)
    return ""


def obey_any(key: str, session: Pausable) -> None:
    """Do what a key asks for in every session: stand still or go on, end; any other does nothing.

    Raises
    ------
    Quit
        For "q".
    """
    match key:
        case " " | "p":
            if session.paused:
                session.resume()
            else:
                session.pause(BY_KEY)
        case "q":
            raise Quit


def has_screen(output: TextIO = sys.stdout) -> bool:
    """Whether there is a terminal to draw on and keys to be pressed."""
    return output.isatty() and sys.stdin is not None and sys.stdin.isatty() and os.environ.get("TERM") != "dumb"


def this_palette() -> Palette:
    """Palette for this terminal."""
    return palette_for(os.environ)


def shows_blocks(file: object) -> bool:
    """Whether what is written there can hold more than ASCII."""
    encoding = getattr(file, "encoding", None) or ""
    return encoding.lower().replace("-", "").startswith("utf")
