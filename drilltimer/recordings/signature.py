"""The start signature: a soft run of gliding notes that tells which cue sheet a sound belongs to.

One long rising glide says "a signature begins"; then each bit of the sheet's code is a short glide, up for one and
down for zero. Up and down cross each other once only, so that one is not taken for the other in an echoing hall, and
all of it lies between 1 and 2.6 kHz, which telephones keep and landings leave alone. It swells and stays far below the
contacts: nobody is to be startled, and nobody is to move on it. The form is our own choice.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from drilltimer.model import Sound
from drilltimer.sound.shape import Wave, scale_to_peak
from drilltimer.units import frames_from_s

NAME = "signature"
LOW_HZ, HIGH_HZ = 1000.0, 2600.0
PREAMBLE_S = 0.32
SLOT_S = 0.06
GLIDE_S = 0.05  # what is left of a slot lets the glide before it die away
EDGE_S = 0.012
PEAK_DB = -20.0  # re full scale; a contact has -1
CODE_BITS = 24
CHECK_BITS = 8
CHECK_POLYNOMIAL = 0x07  # x^8 + x^2 + x + 1, the CRC-8 of ITU-T I.432.1
LENGTH_S = PREAMBLE_S + (CODE_BITS + CHECK_BITS) * SLOT_S
PAUSE_S = 0.5  # before the drill begins


@dataclass(frozen=True, slots=True)
class Glides:
    """What a signature is put together from, at one rate: arrays of shape (n,) with a peak of 1, and its timing."""

    preamble: Wave
    up: Wave
    down: Wave
    first_slot_s: float
    slot_s: float
    slots: int


def render_glides(rate_hz: float) -> Glides:
    """The three glides. `rate_hz` of 6000 and more can hold them."""
    up, down = _glide(LOW_HZ, HIGH_HZ, GLIDE_S, rate_hz), _glide(HIGH_HZ, LOW_HZ, GLIDE_S, rate_hz)
    preamble = _glide(LOW_HZ, HIGH_HZ, PREAMBLE_S - 0.02, rate_hz)
    return Glides(preamble, up, down, PREAMBLE_S, SLOT_S, CODE_BITS + CHECK_BITS)


def render_signature(code: int, rate_hz: int) -> Sound:
    """Signature of a code of 24 bits; `LENGTH_S` long, sample peak `PEAK_DB`."""
    glides = render_glides(rate_hz)
    wave = np.zeros(frames_from_s(LENGTH_S, rate_hz))
    wave[: len(glides.preamble)] = glides.preamble
    for index, bit in enumerate(bits_of(code)):
        first = frames_from_s(PREAMBLE_S + index * SLOT_S, rate_hz)
        glide = glides.up if bit else glides.down
        wave[first : first + len(glide)] += glide
    return Sound(NAME, scale_to_peak(wave, PEAK_DB).astype(np.float32), rate_hz)


def bits_of(code: int) -> list[bool]:
    """The bits that are sent for a code: its own, the highest first, then their check sum.

    Raises
    ------
    ValueError
        The code does not fit into `CODE_BITS`.
    """
    if not 0 <= code < 1 << CODE_BITS:
        raise ValueError(f"a code has {CODE_BITS} bits, and {code} does not fit")
    bits = [bool(code >> place & 1) for place in reversed(range(CODE_BITS))]
    return bits + _check(bits)


def code_of(bits: Sequence[bool]) -> int | None:
    """The code that was sent as `bits`; None when the check sum says that they were misheard."""
    own, check = list(bits[:CODE_BITS]), list(bits[CODE_BITS:])
    if _check(own) != check:
        return None
    return sum(bit << index for index, bit in enumerate(reversed(own)))


def _check(bits: Sequence[bool]) -> list[bool]:
    """CRC-8, begun at all ones, so that a code of zeros is not answered by zeros."""
    rest = 0xFF
    for bit in bits:
        carry = (rest >> 7) ^ bit
        rest = (rest << 1 & 0xFF) ^ (CHECK_POLYNOMIAL if carry else 0)
    return [bool(rest >> place & 1) for place in reversed(range(CHECK_BITS))]


def _glide(from_hz: float, to_hz: float, length_s: float, rate_hz: float) -> Wave:
    """Note whose pitch moves evenly in time, its ends rounded."""
    times_s = np.arange(round(length_s * rate_hz)) / rate_hz
    cycles = from_hz * times_s + 0.5 * (to_hz - from_hz) / length_s * times_s**2
    swell = np.clip(np.minimum(times_s, length_s - times_s) / EDGE_S, 0.0, 1.0)
    return np.asarray(np.sin(0.5 * np.pi * swell) ** 2 * np.sin(2.0 * np.pi * cycles))
