"""Our own sound taken out of what the microphone heard: known signal times a room response fitted by least squares.

The response is a finite filter fitted to all reps so far (older ones weigh less, as people move). A steady player's
landing comes at the same time after every contact, as a reflection would; so what was decided to be a landing is
replaced by the prediction before a rep is learned from. How long a filter the heard material can bear grows with the
material: a filter as long as the rep would explain the landing too.
"""

from __future__ import annotations

import numpy as np

LEAD_S = 0.002  # the filter starts before the located arrival: the loudspeaker's precursors and the locator's error
LONGEST_S = 0.22
SHORTEST_S = 0.05  # reflections that near are in every room; landings on top of the very first contact are rare
SAMPLES_PER_TAP = 12  # heard samples with own sound in them per tap of the filter
FORGET = 0.97  # weight of the past after each rep: half is forgotten after 23
RIDGE = 1e-3


class OwnSound:
    """Learns how our own sound arrives, and predicts it. Works at one analysis rate."""

    def __init__(self, rate_hz: float) -> None:
        self._lead = round(LEAD_S * rate_hz)
        self._taps = self._lead + round(LONGEST_S * rate_hz)
        self._least = self._lead + round(SHORTEST_S * rate_hz)
        self.forget()

    def forget(self) -> None:
        """Begin anew."""
        self._auto = np.zeros(self._taps)
        self._cross = np.zeros(self._taps)
        self._material = 0.0
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
        """Take in one take; `played` is already shifted to where it is heard. Both of shape (n,)."""
        from scipy.linalg import solve_toeplitz

        size = 1 << int(np.ceil(np.log2(len(played) + self._taps)))
        own, all_heard = np.fft.rfft(played, size), np.fft.rfft(heard, size)
        auto = np.fft.irfft(np.abs(own) ** 2, size)
        cross = np.fft.irfft(all_heard * np.conj(own), size)
        self._auto = FORGET * self._auto + auto[: self._taps]
        self._cross = FORGET * self._cross + np.concatenate([cross[-self._lead :], cross[: self._taps - self._lead]])
        loud = np.abs(played) > 1e-3 * np.abs(played).max(initial=0.0)
        self._material = FORGET * self._material + float(np.count_nonzero(loud))
        taps = int(np.clip(self._material / SAMPLES_PER_TAP, self._least, self._taps))
        column = self._auto[:taps].copy()
        if column[0] <= 0.0:
            return
        column[0] *= 1.0 + RIDGE
        self._response = solve_toeplitz(column, self._cross[:taps])

    def predict(self, played: np.ndarray) -> np.ndarray:
        """Our own sound as the microphone hears it; zeros before anything was learned."""
        from scipy.signal import oaconvolve

        if self._response is None:
            return np.zeros_like(played)
        full = oaconvolve(played, self._response)
        return np.asarray(full[self._lead : self._lead + len(played)])


def shift(signal: np.ndarray, lag: float) -> np.ndarray:
    """`signal` delayed by a fractional number of samples, the same length, zeros moving in."""
    whole = int(np.floor(lag))
    size = 1 << int(np.ceil(np.log2(len(signal) + 64)))
    turn = np.exp(-2j * np.pi * np.fft.rfftfreq(size) * (lag - whole))
    part = np.fft.irfft(np.fft.rfft(signal, size) * turn, size)[: len(signal)]
    moved = np.zeros_like(part)
    if whole >= 0:
        moved[whole:] = part[: len(part) - whole] if whole else part
    else:
        moved[:whole] = part[-whole:]
    return moved
