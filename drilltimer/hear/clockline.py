"""The session's clock line: how much later the microphone hears what was played, over the whole session.

One straight line (round trip + drift) through the arrivals of all contact cues heard so far; it tells where to look
for the next one and stands in for a cue that was masked.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable

import numpy as np

KEEP = 60  # cues: a stream's latency may step, so the distant past must not bind
SETTLED = 3


class ClockLine:
    """Robust line lag = offset + slope * time through (time, lag) pairs, both in the same unit.

    Parameters
    ----------
    keep : int
        How many of the latest pairs count.
    """

    def __init__(self, keep: int = KEEP) -> None:
        self._pairs: deque[tuple[float, float]] = deque(maxlen=keep)
        self.offset = 0.0
        self.slope = 0.0
        self.spread = 0.0  # robust standard deviation of the pairs around the line

    def __len__(self) -> int:
        return len(self._pairs)

    @property
    def settled(self) -> bool:
        """Whether the line can be relied on."""
        return len(self._pairs) >= SETTLED

    def lag(self, time: float) -> float | None:
        """Expected lag of a sound played at a time; None before anything was heard."""
        return self.offset + self.slope * time if self._pairs else None

    def put(self, pairs: Iterable[tuple[float, float]]) -> None:
        """Take in cues heard, and fit again."""
        self._pairs.extend(pairs)
        if not self._pairs:
            return
        times, lags = np.array(self._pairs).T
        self.slope = 0.0
        if self.settled:
            # Theil-Sen: the median of all pairwise slopes shrugs off a cue that locked onto something else.
            i, j = np.triu_indices(len(times), 1)
            apart = times[j] - times[i]
            usable = np.abs(apart) > 0
            self.slope = float(np.median((lags[j] - lags[i])[usable] / apart[usable])) if usable.any() else 0.0
        self.offset = float(np.median(lags - self.slope * times))
        rest = lags - self.offset - self.slope * times
        self.spread = float(1.4826 * np.median(np.abs(rest)))

    def restart(self) -> None:
        """Forget everything: the latency stepped."""
        self._pairs.clear()
        self.offset = self.slope = self.spread = 0.0
