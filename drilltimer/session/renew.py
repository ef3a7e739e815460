"""The listener of a session that goes on after a pause or a loss."""

from __future__ import annotations

from drilltimer.hear.listen import Listener


def renewed(listener: Listener, rate_hz: int, lost: bool) -> Listener:
    """A listener that goes on with what `listener` has learned; with `lost`, but for the stream's own latency."""
    for ear in listener.ears if lost else ():
        ear.line.restart()
    return Listener(rate_hz, len(listener.ears), ears=listener.ears)
