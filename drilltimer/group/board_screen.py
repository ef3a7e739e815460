"""The board while a group session runs: drawn between two blocks of sound, its keys handed to the session."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Protocol

from rich.console import RenderableType

from drilltimer.group.board import Board
from drilltimer.group.board_drawing import draw_board
from drilltimer.model import Health
from drilltimer.ui.live import LiveScreen, Pausable, obey_any
from drilltimer.ui.screen import Viewport

ENTERS, BACKSPACES = "\r\n", "\x08\x7f"


class Conducted(Pausable, Protocol):
    """What a coach may ask of a group session."""

    def skip(self) -> None:
        """Leave the stage for the next one."""

    def repeat(self) -> None:
        """Do the stage once more."""

    def extend(self) -> bool:
        """Lengthen the work that runs; False when the change is called already, or the booking ends."""

    def move(self, player: int) -> object | None:
        """Take a player (place in the list) out, or bring one in; None where there is no such place."""


class BoardScreen(LiveScreen):
    """A `LiveScreen` that draws a board.

    Parameters
    ----------
    board : callable
        The board at this moment.
    *args, **options
        As `LiveScreen` takes them.
    """

    def __init__(self, board: Callable[[], Board], *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        self._board, self._help = board, self._wording("board.help")
        self._asked: str | None = None

    def _obey(self, key: str, session: Any) -> None:
        if self._asked is None and key.casefold() == "i":
            self._asked = ""
        elif self._asked is None:
            obey_coach(key, session)
        else:
            self._asked = self._answer(self._asked, key, session)

    def _answer(self, typed: str, key: str, session: Conducted) -> str | None:
        """What is typed after one more key; None when the question is answered, or left by any other key."""
        if key.isdecimal():
            return (typed + key)[-3:]
        if key in BACKSPACES:
            return typed[:-1]
        if key in ENTERS and typed and session.move(int(typed) - 1) is None:
            self.tell(self._wording("board.nobody", number=typed))
        return None

    def _drawn(self, session: Any, health: Callable[[], Health], look: Viewport, news: str) -> RenderableType:
        return draw_board(self._board(), look, self._wording, news, self._asked)


def obey_coach(key: str, session: Conducted) -> None:
    """Do what a key asks for; an unknown key does nothing.

    Raises
    ------
    Quit
        For "q".
    """
    match key.casefold():
        case "n":
            session.skip()
        case "r":
            session.repeat()
        case "+" | "=":
            session.extend()
        case other:
            obey_any(other, session)
