"""A request to end that always gets through.

Ctrl-C raises `KeyboardInterrupt` wherever Python happens to be. When that is a finaliser or a weak reference's callback
(an import that has just ended runs one), Python prints the exception and drops it. So a request is also remembered, and
the loops of sessions ask for it between two blocks.
"""

from __future__ import annotations

import signal
from types import FrameType
from typing import NoReturn

REQUESTS = ("SIGINT", "SIGTERM", "SIGHUP")  # Ctrl-C, asked to end, terminal closed; Windows knows no SIGHUP

_pending = False


def take_requests() -> None:
    """Turn each request to end into a `KeyboardInterrupt`, except those that whoever started us had us ignore."""
    forget_request()
    for name in REQUESTS:
        number = getattr(signal, name, None)
        if number is not None and signal.getsignal(number) is not signal.SIG_IGN:  # as `nohup` does
            signal.signal(number, _interrupt)


def end_if_asked() -> None:
    """Raise the `KeyboardInterrupt` of a request that was dropped on its way."""
    if _pending:
        raise KeyboardInterrupt


def forget_request() -> None:
    """Note that the request was heard: what follows ends in order."""
    global _pending
    _pending = False


def _interrupt(number: int, frame: FrameType | None) -> NoReturn:
    global _pending
    _pending = True
    raise KeyboardInterrupt
