"""Single keys, asked for between two blocks of sound: never waits, echoes nothing, leaves the terminal as it was.

No library: readchar waits for a key.
"""

from __future__ import annotations

import os
import sys
from types import TracebackType
from typing import Any, Protocol, Self


class Keys(Protocol):
    """Where keys come from; a context manager."""

    def pressed(self) -> str:
        """Characters typed since the last call, often none."""

    def __enter__(self) -> Self: ...

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, at: TracebackType | None
    ) -> None: ...


class PosixKeys:
    """Keys of a POSIX terminal. Ctrl-C still interrupts."""

    def __init__(self) -> None:
        self._descriptor = sys.stdin.fileno()
        self._saved: list[Any] = []

    def __enter__(self) -> Self:
        import termios
        import tty

        self._saved = termios.tcgetattr(self._descriptor)
        tty.setcbreak(self._descriptor)
        return self

    def __exit__(self, kind: type[BaseException] | None, fault: BaseException | None, at: TracebackType | None) -> None:
        import contextlib
        import termios

        with contextlib.suppress(termios.error, OSError):  # the terminal may be gone
            termios.tcsetattr(self._descriptor, termios.TCSADRAIN, self._saved)

    def pressed(self) -> str:
        """Characters typed since the last call; an arrow or function key counts as none, Escape as itself."""
        import select

        try:
            if not select.select([self._descriptor], [], [], 0)[0]:
                return ""
            typed = os.read(self._descriptor, 64).decode(errors="ignore")
        except (OSError, ValueError):
            return ""
        return "" if typed.startswith("\x1b") and typed != "\x1b" else typed


class WindowsKeys:
    """Keys of a Windows console."""

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, fault: BaseException | None, at: TracebackType | None) -> None:
        return None

    def pressed(self) -> str:
        """Characters typed since the last call."""
        import msvcrt

        console: Any = msvcrt  # its names exist on Windows alone
        typed = ""
        while console.kbhit():
            sign = console.getwch()
            if sign in ("\x00", "\xe0"):  # first half of a function key
                console.getwch()
            else:
                typed += sign
        if "\x03" in typed:
            raise KeyboardInterrupt
        return typed


def open_keys() -> Keys:
    """Keys of this terminal; use it as a context manager."""
    return WindowsKeys() if sys.platform == "win32" else PosixKeys()
