"""Keeps the C libraries' own messages off the terminal.

PortAudio and ALSA write to file descriptor 2 behind Python's back: through a full-screen display when a sound server
dies, and above the one clear error a user should read.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager


class HushedStderr:
    """From construction until `end`, descriptor 2 leads nowhere while Python's `sys.stderr` goes on as before."""

    def __init__(self) -> None:
        self._saved: int | None = None
        self._python = sys.stderr
        try:
            ours = sys.stderr is not None and sys.stderr.fileno() == 2
        except (OSError, ValueError):  # replaced by something without a descriptor, e.g. a test runner's capture
            ours = False
        try:
            self._saved = os.dup(2)
            nowhere = os.open(os.devnull, os.O_WRONLY)
            os.dup2(nowhere, 2)
            os.close(nowhere)
        except OSError:  # no descriptor 2 at all: nothing to keep quiet
            return
        if ours:
            sys.stderr.flush()
            sys.stderr = open(  # noqa: SIM115  closed by end()
                self._saved, "w", buffering=1, encoding=sys.stderr.encoding, errors=sys.stderr.errors, closefd=False
            )

    def end(self) -> None:
        """Put descriptor 2 and `sys.stderr` back; may be called twice."""
        if self._saved is None:
            return
        if sys.stderr is not self._python:
            sys.stderr.flush()
            sys.stderr = self._python
        os.dup2(self._saved, 2)
        os.close(self._saved)
        self._saved = None


@contextmanager
def hushed_stderr() -> Iterator[None]:
    """Keep descriptor 2 quiet for a few lines."""
    hush = HushedStderr()
    try:
        yield
    finally:
        hush.end()
