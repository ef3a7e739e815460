"""Our own sound taken out of what the microphone heard: known signal times a room response fitted by least squares.

The response is a finite filter fitted to all reps so far (older ones weigh less, as people move). A steady player's
landing comes at the same time after every contact, as a reflection would; so what was decided to be a landing is
replaced by the prediction before a rep is learned from. How long a filter the heard material can bear grows with the
material: a filter as long as the rep would explain the landing too.

What stays behind all the same is learned as well, so that it passes for no landing.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass

import numpy as np

from drilltimer.hear.picture import Leftover, leftover_share, own_powers
from drilltimer.units import db_from_ratio

LEAD_S = 0.002  # the filter starts before the located arrival: the loudspeaker's precursors and the locator's error
LONGEST_S = 0.22
SHORTEST_S = 0.05  # reflections that near are in every room; landings on top of the very first contact are rare
SAMPLES_PER_TAP = 12  # heard samples with own sound in them per tap of the filter
FORGET = 0.97  # weight of the past after each rep: half is forgotten after 23
RIDGE = 1e-3
SOLVE_EVERY = 3  # reps, once the response has grown up: people move, but not that fast
SILENT_SHARE = 1e-6  # of its peak, below which a played sound has not begun or has ended

UNKNOWN_SHARE = 0.01
NEW_SHARES = (0.01, 0.1)
LEFTOVER_MARGIN = 4.0  # what stays behind varies: its attack is worse predicted than its middle
FEW = 3  # reps


@dataclass(frozen=True, slots=True)
class Ours:
    """What we `played` in a segment, when it `arrived`, and as it is heard there: the contact cue, and all else.

    Each of shape (n,); the powers as from `own_powers`.
    """

    played: np.ndarray
    arrived: np.ndarray
    contact: np.ndarray
    rest: np.ndarray
    contact_power: np.ndarray
    rest_power: np.ndarray


class OwnSound:
    """Learns how our own sound arrives, and predicts it. Works at one analysis rate."""

    def __init__(self, rate_hz: float) -> None:
        self._rate_hz = rate_hz
        self._lead = round(LEAD_S * rate_hz)
        self._taps = self._lead + round(LONGEST_S * rate_hz)
        self._least = self._lead + round(SHORTEST_S * rate_hz)
        self.forget()

    def forget(self) -> None:
        """Unlearn the response: what it was learned from was wrong."""
        self._auto = np.zeros(self._taps)
        self._cross = np.zeros(self._taps)
        self._material = 0.0
        self._learned = 0
        self._response: np.ndarray | None = None

    @property
    def blank(self) -> bool:
        """Whether nothing was learned yet."""
        return self._response is None

    @property
    def young(self) -> bool:
        """Whether the response still grows with each rep."""
        return self._material < SAMPLES_PER_TAP * self._taps

    def learn(self, played: np.ndarray, heard: np.ndarray) -> None:
        """Take in one segment; `played` is already shifted to where it is heard. Both of shape (n,)."""
        from scipy.fft import irfft, next_fast_len, rfft
        from scipy.linalg import solve_toeplitz

        size = next_fast_len(len(played) + self._taps, real=True)
        own, all_heard = rfft(played, size), rfft(heard, size)
        auto = irfft(np.square(own.real) + np.square(own.imag), size)
        cross = irfft(all_heard * np.conj(own), size)
        self._auto = FORGET * self._auto + auto[: self._taps]
        self._cross = FORGET * self._cross + np.concatenate([cross[-self._lead :], cross[: self._taps - self._lead]])
        loud = np.abs(played) > 1e-3 * np.abs(played).max(initial=0.0)
        self._material = FORGET * self._material + float(np.count_nonzero(loud))
        self._learned += 1
        if not self.young and self._learned % SOLVE_EVERY:
            return
        taps = int(np.clip(self._material / SAMPLES_PER_TAP, self._least, self._taps))
        column = self._auto[:taps].copy()
        if column[0] <= 0.0:
            return
        column[0] *= 1.0 + RIDGE
        self._response = solve_toeplitz(column, self._cross[:taps])

    def predict(self, played: np.ndarray) -> np.ndarray:
        """Our own sound as the microphone hears it; zeros before anything was learned, and while nothing sounds."""
        from scipy.signal import oaconvolve

        heard = np.zeros_like(played)
        loud = np.flatnonzero(np.abs(played) > SILENT_SHARE * np.abs(played).max(initial=0.0))
        if self._response is None or not len(loud):
            return heard
        first, last = int(loud[0]), int(loud[-1]) + 1
        part = oaconvolve(played[first:last], self._response)
        begin, end = max(0, first - self._lead), min(len(heard), first - self._lead + len(part))
        heard[begin:end] = part[begin - first + self._lead : end - first + self._lead]
        return heard

    def as_heard(self, played: np.ndarray, arrived: np.ndarray, cue: slice) -> Ours:
        """What was played, parted into the contact cue, which arrived in the samples `cue`, and all else."""
        alone = np.zeros_like(arrived)
        alone[cue] = arrived[cue]
        contact = self.predict(alone)
        rest = self.predict(arrived) - contact
        return Ours(played, arrived, contact, rest, own_powers(contact, self._rate_hz), own_powers(rest, self._rate_hz))


def shift(signal: np.ndarray, lag: float) -> np.ndarray:
    """`signal` delayed by a fractional number of samples, the same length, zeros moving in."""
    from scipy.fft import irfft, next_fast_len, rfft, rfftfreq

    whole = int(np.floor(lag))
    size = next_fast_len(len(signal) + 64, real=True)
    turn = np.exp(-2j * np.pi * rfftfreq(size) * (lag - whole))
    part: np.ndarray = irfft(rfft(signal, size) * turn, size)[: len(signal)]
    moved = np.zeros_like(part)
    if whole >= 0:
        moved[whole:] = part[: len(part) - whole] if whole else part
    else:
        moved[:whole] = part[-whole:]
    return moved


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
