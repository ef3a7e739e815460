"""What stays behind of our own sound after its removal: learned, so that it passes for no landing."""

from __future__ import annotations

import math
from collections import deque

import numpy as np

from drilltimer.hear.bands import Leftover, leftover_share
from drilltimer.units import db_from_ratio

UNKNOWN_SHARE = 0.01
NEW_SHARES = (0.01, 0.1)
LEFTOVER_MARGIN = 4.0  # what stays behind varies: its attack is worse predicted than its middle
FEW = 3  # reps


class ResidualEcho:
    """Typical share, band by band, of the contact cue and of all other sounds of ours that is left in a residual."""

    def __init__(self) -> None:
        self._contact: deque[np.ndarray] = deque(maxlen=20)
        self._rest: deque[np.ndarray] = deque(maxlen=20)

    @property
    def left_db(self) -> float | None:
        """Typical power of what is left of the contact cue, re the cue as heard, over the bands in which it is loud.

        Never less than -60 dB: what is left then is less than the noise.
        """
        known = [share for share in self._contact if np.isfinite(share).any()]
        if not known:
            return None
        left = float(np.median([np.nanmean(share) for share in known]))
        return db_from_ratio(math.sqrt(max(left, 1e-6)))

    def weigh(self, left: np.ndarray, contact: np.ndarray, rest: np.ndarray) -> tuple[Leftover, ...]:
        """Learn from a segment what stays behind, and tell how much of it must be expected there.

        Parameters
        ----------
        left, contact, rest : float arrays, shape (BANDS, frames)
            Band powers of what is left of a segment, and of what was taken out: the contact cue, and all else.
        """
        leftovers = []
        for power, shares in ((contact, self._contact), (rest, self._rest)):
            if not np.any(power):
                continue
            shares.append(leftover_share(left, power))
            typical = _median_known(np.array(shares))
            if len(shares) < FEW:
                # A landing on top of the first cue must not pass for leakage, nor leakage, not yet learned, for one.
                typical = np.clip(typical, *NEW_SHARES)
            leftovers.append(Leftover(power, LEFTOVER_MARGIN * np.nan_to_num(typical, nan=UNKNOWN_SHARE)))
        return tuple(leftovers)


def _median_known(rows: np.ndarray) -> np.ndarray:
    """Median of each column without its NaNs, NaN where there is nothing else; `np.nanmedian` is far slower."""
    ordered = np.sort(rows, axis=0)  # NaNs go last
    known = np.isfinite(rows).sum(axis=0)
    columns = np.arange(rows.shape[1])
    lower, upper = ordered[(known - 1) // 2, columns], ordered[known // 2, columns]
    return np.asarray(0.5 * (lower + upper))
