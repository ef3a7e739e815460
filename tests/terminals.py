"""A program in a real terminal, whose screen is read; tests that import this skip where there is none."""

from __future__ import annotations

import os
import re
import sys
import time

import pytest

pexpect = pytest.importorskip("pexpect", reason="pip install pexpect pyte")
pyte = pytest.importorskip("pyte", reason="pip install pexpect pyte")
if sys.platform == "win32":
    pytest.skip("pexpect needs a POSIX terminal", allow_module_level=True)

LIMIT_S = 180.0
PROGRAM = "from drilltimer.cli import main; main()"


class Terminal:
    """A program in a terminal of so many columns and rows."""

    def __init__(self, arguments, columns=80, rows=24, shell="", **environment):
        variables = {"TERM": "xterm-256color", "LANG": "C.UTF-8", "PYTHONIOENCODING": "utf-8", **environment}
        # A process of a parallel test run says how wide its own output is; that is not this terminal's width.
        inherited = {name: value for name, value in os.environ.items() if name not in ("COLUMNS", "LINES")}
        self.program = pexpect.spawn(
            shell or sys.executable, arguments if shell else ["-c", PROGRAM, *arguments],
            env={**inherited, **variables}, dimensions=(rows, columns), timeout=LIMIT_S, encoding=None,
        )  # fmt: skip
        self.screen = pyte.Screen(columns, rows)
        self.stream = pyte.ByteStream(self.screen)
        self.raw = b""

    def read(self):
        try:
            piece = self.program.read_nonblocking(65536, timeout=0.2)
        except pexpect.TIMEOUT:
            return True
        except pexpect.EOF:
            return False
        self.raw += piece
        self.stream.feed(piece)
        return True

    @property
    def text(self):
        return "\n".join(self.screen.display)

    def until(self, pattern, gone=False):
        ends_s = time.monotonic() + LIMIT_S
        while time.monotonic() < ends_s:
            match = re.search(pattern, self.text)
            if bool(match) is not gone:
                return match
            if not self.read():
                break
        return pytest.fail(f"{pattern!r} was never on the screen:\n{self.text}")

    def resize(self, columns, rows):
        self.program.setwinsize(rows, columns)
        self.screen.resize(rows, columns)

    def finish(self):
        while self.read():
            pass
        self.program.close()
        return self.program.exitstatus
