"""The screen while a session runs: draws it now and then, and hands keys to the session.

No thread of its own: `tick` is called between two blocks of sound and draws at most ten times a second.
"""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Callable, Mapping
from types import TracebackType
from typing import Any, Protocol, Self, TextIO

from rich.console import Console, RenderableType
from rich.live import Live

from drilltimer.errors import Notice
from drilltimer.model import Health
from drilltimer.score.feedback import Message
from drilltimer.session import Session
from drilltimer.ui.keys import Keys, open_keys
from drilltimer.ui.lines import BY_KEY
from drilltimer.ui.palette import Palette, palette_for
from drilltimer.ui.screen import Viewport, draw
from drilltimer.ui.wording import Wording
from drilltimer.units import printable

FRAME_S = 0.1
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
        self._ascii_only = not _shows_blocks(self._console.file)
        self._keys = keys or open_keys()
        self._live = Live(console=self._console, screen=True, auto_refresh=False, transient=True)
        self._now = now
        self._due_s = 0.0
        self._news, self._news_ends_s = "", 0.0

    def __enter__(self) -> Self:
        self._keys.__enter__()
        self._live.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, fault: BaseException | None, at: TracebackType | None) -> None:
        try:
            self._live.stop()
        finally:
            self._keys.__exit__(kind, fault, at)

    def tell(self, text: str) -> None:
        """Show for some seconds what has just happened; the first line has to do."""
        self._news, self._news_ends_s = printable(text.split("\n")[0]), self._now() + NEWS_S
        self._due_s = 0.0

    def tick(self, session: Any, health: Callable[[], Health]) -> None:
        """Obey what was pressed, and draw when it is time.

        Raises
        ------
        KeyboardInterrupt
            "q" was pressed.
        """
        for key in self._keys.pressed():
            self._news_ends_s = 0.0  # read, or no longer true: "go on first" after going on
            self._obey(key, session)
            self._due_s = 0.0
        if self._now() < self._due_s:
            return
        self._due_s = self._now() + FRAME_S
        columns, rows = self._console.size
        look = Viewport(columns, rows, self._palette, self._ascii_only)
        news = self._news if self._now() < self._news_ends_s else ""
        self._live.update(self._drawn(session, health, look, news), refresh=True)

    def _obey(self, key: str, session: Any) -> None:
        obey(key, session)

    def _drawn(self, session: Any, health: Callable[[], Health], look: Viewport, news: str) -> RenderableType:
        return draw(self._title, session.snapshot(), health(), look, self._wording, news)


def obey(key: str, session: Session) -> None:
    """Do what a key asks for; an unknown key does nothing.

    Raises
    ------
    KeyboardInterrupt
        For "q".
    """
    match key.casefold():
        case "r":
            session.repeat_call()
        case "f":
            session.request()
        case "v":
            session.mark_void()
        case guess if guess in GUESSES:
            session.guess(GUESSES[guess])
        case other:
            obey_any(other, session)


def obey_any(key: str, session: Pausable) -> None:
    """Do what a key asks for in every session: stand still or go on, end; any other does nothing.

    Raises
    ------
    KeyboardInterrupt
        For "q".
    """
    match key:
        case " " | "p":
            if session.paused:
                session.resume()
            else:
                session.pause(BY_KEY)
        case "q":
            raise KeyboardInterrupt


def has_screen(output: TextIO = sys.stdout) -> bool:
    """Whether there is a terminal to draw on and keys to be pressed."""
    return output.isatty() and sys.stdin is not None and sys.stdin.isatty() and os.environ.get("TERM") != "dumb"


def this_palette() -> Palette:
    """Palette for this terminal."""
    return palette_for(os.environ)


def _shows_blocks(file: object) -> bool:
    encoding = getattr(file, "encoding", None) or ""
    return encoding.lower().replace("-", "").startswith("utf")
