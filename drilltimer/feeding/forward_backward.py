"""The forward-backward sums of a hidden semi-Markov chain over a sequence of impacts.

Sums are of weights and not of their logarithms, which is several times faster. They grow with every state that fits;
whenever they become great, everything is divided by them and the divisor's logarithm kept.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

REACH = 56  # impacts that may lie between two states; more is noise, and those that fit no state do not count
PAUSE_TAUS_S = ((0.85, 3.0), (0.15, 40.0))  # share and mean of what a pause lasts beyond its least
GREAT = 1e60
MIDWAY, MIDWAY_S = 0.1, 2.0  # chance that a stretch begins in the middle of play, and how long that may show
UNDECIDED_S = 3.0  # before the stretch's end: play may go on after it


@dataclass(frozen=True, slots=True)
class Chain:
    """A sequence of n impacts, each with its weight as each of S states.

    Parameters
    ----------
    times_s : float array, shape (n,)
        Ascending, n > 0.
    emissions : float array, shape (S, n)
        Likelihood as each state over that of background.
    steps : float array, shape (n, S, REACH, S)
        Density, per second, of impact i as state b after impact i - REACH + k as state a, at `[i, b, k, a]`.
    begins, ends : float array, shape (S,)
        Chance to begin with each state, and to end after it.
    """

    times_s: np.ndarray
    emissions: np.ndarray
    steps: np.ndarray
    begins: np.ndarray
    ends: np.ndarray
    least_pause_s: float

    def forward(self) -> np.ndarray:
        """Forward variable: log weight of all that led to each state at each impact, itself included; shape (S, n)."""
        n, size, times_s = len(self.times_s), len(self.begins), self.times_s.tolist()
        flat = self.steps.reshape(n, size, REACH * size)
        openings = self._openings()
        kept, alpha = _Kept(n, size), np.zeros((REACH + n, size))
        pools, entered, last_s = _Pools(), 0, times_s[0]
        for i in range(n):
            pools.wait(times_s[i] - last_s)
            last_s = times_s[i]
            while times_s[entered] + self.least_pause_s <= times_s[i]:
                over_s = times_s[i] - self.least_pause_s - times_s[entered]
                pools.join(float(alpha[REACH + entered] @ self.ends), over_s)
                entered += 1
            into = flat[i] @ alpha[i : i + REACH].ravel()
            fresh = openings[i] * kept.share + self.begins * pools.weight
            alpha[REACH + i] = kept.put(i, self.emissions[:, i] * (into + fresh))
            if kept.great(i):
                pools.shrink(kept.shrink(alpha))
        return kept.logs()

    def backward(self) -> np.ndarray:
        """Backward variable: log weight of all that follows each state at each impact; shape (S, n)."""
        n, size, times_s = len(self.times_s), len(self.begins), self.times_s.tolist()
        flat = self._ahead().reshape(n, size, REACH * size)
        closings = self.closing.T
        kept, beta = _Kept(n, size), np.zeros((n + REACH, size))  # the impact itself and all after it
        pools, entered, last_s = _Pools(), n - 1, times_s[-1]
        for i in range(n - 1, -1, -1):
            pools.wait(last_s - times_s[i])
            last_s = times_s[i]
            while times_s[entered] - self.least_pause_s >= times_s[i]:
                over_s = times_s[entered] - self.least_pause_s - times_s[i]
                pools.join(float(beta[entered] @ self.begins), over_s)
                entered -= 1
            onwards = flat[i] @ beta[i + 1 : i + 1 + REACH].ravel()
            beta[i] = self.emissions[:, i] * kept.put(i, onwards + self.ends * pools.weight + closings[i] * kept.share)
            if kept.great(i):
                pools.shrink(kept.shrink(beta))
        return kept.logs()

    @property
    def closing(self) -> np.ndarray:
        """Weight of play having ended with each state, and nothing since, until the stretch's end; shape (S, n)."""
        left_s = self.times_s[-1] - self.times_s
        # The stretch may also end in the middle of a rally.
        return np.asarray((self.ends[:, None] + (left_s < UNDECIDED_S)[None, :]) * _lasting(left_s))

    def nothing(self) -> float:
        """Log weight of no state at all."""
        return math.log(_lasting(self.times_s[-1] - self.times_s[0]))

    def _openings(self) -> np.ndarray:
        """Weight of each impact as the stretch's first state; at once, any of them may be the first."""
        since_s = self.times_s - self.times_s[0]
        waited = sum(share / tau * np.exp(-since_s / tau) for share, tau in PAUSE_TAUS_S)
        midway = np.where(since_s < MIDWAY_S, MIDWAY, 0.0)
        return np.asarray((self.begins[None, :] + midway[:, None]) * np.asarray(waited)[:, None])

    def _ahead(self) -> np.ndarray:
        """The same steps from where they start: from impact i as state a to i + 1 + k as b, at `[i, a, k, b]`."""
        n = len(self.times_s)
        ahead = np.zeros(self.steps.shape)
        for k in range(min(REACH, n - 1)):
            ahead[: n - k - 1, :, k, :] = self.steps[k + 1 :, :, REACH - 1 - k, :].transpose(0, 2, 1)
        return ahead


def _lasting(since_s: np.ndarray) -> np.ndarray:
    """Chance that a pause goes on for so long beyond its least."""
    return np.asarray(sum(share * np.exp(-since_s / tau) for share, tau in PAUSE_TAUS_S))


class _Pools:
    """Weights of a pause going on, one per kind of pause."""

    def __init__(self) -> None:
        self._weights = [0.0] * len(PAUSE_TAUS_S)

    @property
    def weight(self) -> float:
        return sum(self._weights)

    def wait(self, since_s: float) -> None:
        self._weights = [
            weight * math.exp(-since_s / tau) for weight, (_, tau) in zip(self._weights, PAUSE_TAUS_S, strict=True)
        ]

    def join(self, weight: float, over_s: float) -> None:
        """Add a state at the pause's far end, whose least pause is over since `over_s`."""
        for index, (share, tau) in enumerate(PAUSE_TAUS_S):
            self._weights[index] += weight * share / tau * math.exp(-over_s / tau)

    def shrink(self, factor: float) -> None:
        self._weights = [weight * factor for weight in self._weights]


class _Kept:
    """Sums of every impact, each with the logarithm of what had been divided out when it was made."""

    def __init__(self, n: int, size: int) -> None:
        self._sums, self._divided = np.zeros((n, size)), np.zeros(n)
        self._log = 0.0
        self.share = 1.0  # what a weight from outside has to be multiplied with

    def put(self, i: int, sums: np.ndarray) -> np.ndarray:
        self._sums[i], self._divided[i] = sums, self._log
        return sums

    def great(self, i: int) -> bool:
        return bool(self._sums[i].max() > GREAT)

    def shrink(self, variable: np.ndarray) -> float:
        """Divide what is still needed; returns the factor."""
        variable /= GREAT
        self._log += math.log(GREAT)
        self.share = math.exp(-self._log)
        return 1.0 / GREAT

    def logs(self) -> np.ndarray:
        with np.errstate(divide="ignore"):
            return np.asarray((np.log(self._sums) + self._divided[:, None]).T)
