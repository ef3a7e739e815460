"""How contacts ring on in this place (late reverberation), so that a landing is heard through it.

In a hall a contact's echoes rise as steeply as a landing and as loud. But walls answer every contact alike, and no
player lands at the same moment every time: what most contacts have in common, band by band and moment by moment, is
the room's; what stands above it is new. The common part counts as noise, as late reverberation does in spectral
suppression (Lebart, Boucher, Denbigh 2001, Acta Acustica 87:359-366, from memory), only that its decay is not assumed
to be exponential: it is learned, single echoes included.
"""

from __future__ import annotations

from typing import Generic, TypeVar

import numpy as np

from drilltimer.hear.onsets import LAG_S
from drilltimer.hear.picture import BANDS
from drilltimer.units import frames_from_s

BEFORE_S, AFTER_S, STEP_S = 0.3, 0.6, 0.001  # an excerpt's reach around a contact, and its steps


class PowerTrack:
    """The last stretch of a stream's band powers.

    Parameters
    ----------
    keep_s : float
        Seconds before the latest power that can still be cut out.
    """

    def __init__(self, rate_hz: float, keep_s: float) -> None:
        self._rate_hz, self._keep = rate_hz, frames_from_s(keep_s, rate_hz)
        self._pieces: list[tuple[np.ndarray, np.ndarray]] = []

    def put(self, at: np.ndarray, logs: np.ndarray) -> None:
        """Add what follows: stream frames, shape (n,), and log powers over the noise in nepers, shape (BANDS, n)."""
        if not len(at):
            return
        self._pieces.append((at, logs.astype(np.float32)))
        self._pieces = [piece for piece in self._pieces if piece[0][-1] >= at[-1] - self._keep]

    def cut(self, frame: float) -> np.ndarray:
        """Log powers from `BEFORE_S` before a stream frame to `AFTER_S` after it, every `STEP_S`; shape (BANDS, steps).

        Zero where nothing was heard.
        """
        wanted = frame + np.arange(-round(BEFORE_S / STEP_S), round(AFTER_S / STEP_S)) * STEP_S * self._rate_hz
        near = [piece for piece in self._pieces if piece[0][-1] >= wanted[0] and piece[0][0] <= wanted[-1]]
        out = np.zeros((BANDS, len(wanted)), np.float32)
        if not near:
            return out
        at, logs = np.concatenate([piece[0] for piece in near]), np.concatenate([piece[1] for piece in near], axis=1)
        place = np.clip(np.searchsorted(at, wanted), 0, len(at) - 1)
        heard = np.abs(at[place] - wanted) < 2.0 * STEP_S * self._rate_hz
        out[:, heard] = logs[:, place[heard]]
        return out


KEEP_CONTACTS = 40
SAME_S = 64 / 48_000  # within which two contacts are one

What = TypeVar("What")


class Followed(Generic[What]):
    """The last contacts, by frame of a stream at `rate_hz`, each with what was heard after it."""

    def __init__(self, rate_hz: float) -> None:
        self._heard: dict[int, What] = {}
        self._same = frames_from_s(SAME_S, rate_hz)

    def put(self, frame: float, what: What) -> None:
        """Take note of a contact, or of what is known better now of one."""
        self._heard[round(frame)] = what
        if len(self._heard) > KEEP_CONTACTS:
            del self._heard[next(iter(self._heard))]  # the oldest

    def others(self, frame: float) -> list[What]:
        """What followed every contact but the one at `frame`."""
        return [what for at, what in self._heard.items() if abs(at - frame) > self._same]


DIRECT_S = (0.002, 0.012)  # of a contact: its own sound, whose loudness the tail follows
RINGS_FROM_S = 0.004
SMEAR_S = 0.003  # the feeder moves, and echoes with it
COMMON = 0.4  # quantile over contacts
ENOUGH = 3  # contacts
LEAST_DIRECT = 0.05  # of the noise's power: a band without a contact tells nothing about its tail
SEEN_S = (-0.002, 0.016)  # a rise is fully seen so long after the moment it is traced back to


class Tails:
    """What followed each of the last contacts in a stream at `rate_hz`, over its own loudness."""

    def __init__(self, rate_hz: float) -> None:
        self._heard: Followed[np.ndarray] = Followed(rate_hz)

    def learn_from(self, frame: float, excerpt: np.ndarray) -> None:
        """Take note of a contact at a stream frame, with the excerpt around it as from `PowerTrack.cut`."""
        from scipy.ndimage import maximum_filter1d

        power = np.expm1(excerpt) / _direct(excerpt)[:, None]
        smeared = maximum_filter1d(power, 2 * round(SMEAR_S / STEP_S) + 1, axis=1)
        self._heard.put(frame, smeared.astype(np.float32))

    def expected(self, frame: float, excerpt: np.ndarray) -> np.ndarray:
        """Power over the noise that a contact's own tail will have by what other contacts did; as the excerpt."""
        others = self._heard.others(frame)
        if len(others) < ENOUGH:
            return np.zeros(excerpt.shape)
        tail = np.asarray(np.quantile(np.array(others), COMMON, axis=0) * _direct(excerpt)[:, None])
        tail[:, : round((BEFORE_S + RINGS_FROM_S) / STEP_S)] = 0.0
        return tail

    def uncovered(self, frame: float, excerpt: np.ndarray, lags_s: np.ndarray) -> np.ndarray:
        """Strength of rises at these lags after a contact (see `OnsetCandidate`), its tail counted as noise."""
        logs = np.maximum(excerpt - np.log1p(self.expected(frame, excerpt)), 0.0)
        lag = round(LAG_S / STEP_S)
        growth = np.maximum(logs[:, lag:] - logs[:, :-lag], 0.0).mean(axis=0)
        first = np.round((lags_s + BEFORE_S + SEEN_S[0]) / STEP_S).astype(int) - lag
        span = np.arange(round((SEEN_S[1] - SEEN_S[0]) / STEP_S))
        places = first[:, None] + span[None, :]
        inside = (places >= 0) & (places < len(growth))
        return np.asarray(np.where(inside, growth[np.clip(places, 0, len(growth) - 1)], 0.0).max(axis=1, initial=0.0))


def _direct(excerpt: np.ndarray) -> np.ndarray:
    first, last = (round((BEFORE_S + edge_s) / STEP_S) for edge_s in DIRECT_S)
    return np.asarray(np.maximum(np.expm1(excerpt[:, first:last]).mean(axis=1), LEAST_DIRECT))
