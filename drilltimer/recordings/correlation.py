"""Where a piece of one trace fits best along another, in parts: an hour's traces are never transformed whole."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

PART_CELLS = 65_536


def best_places(recorded: np.ndarray, piece: np.ndarray, count: int, apart: int) -> list[int]:
    """Places at which a piece correlates best with a recording, best first, also where it reaches over an end.

    Parameters
    ----------
    recorded, piece : float array
        A place counts from where the piece would end at the recording's first cell.
    apart : int
        Cells that two places are apart at least.
    """
    weights = (piece / max(float(np.linalg.norm(piece)), 1e-9)).astype(np.float32)
    tops: list[tuple[float, int]] = []
    for first, score in _scores(recorded, weights):
        # Two more than asked for: one near either end of a part may give way to a better one beyond it.
        tops += [(value, first + place) for value, place in _tops(score, count + 2, apart)]
    chosen: list[int] = []
    for _, place in sorted(tops, reverse=True):
        if len(chosen) < count and all(abs(place - other) >= apart for other in chosen):
            chosen.append(place)
    return chosen


def stretched(trace: np.ndarray, factor: float) -> np.ndarray:
    """A trace made longer by a factor near 1; float32."""
    out = np.empty(round(len(trace) * factor), np.float32)
    for first in range(0, len(out), PART_CELLS):
        at = np.arange(first, min(first + PART_CELLS, len(out))) / factor
        low = int(at[0])
        near = trace[low : int(at[-1]) + 2]
        out[first : first + len(at)] = np.interp(at - low, np.arange(len(near)), near)
    return out


def _scores(recorded: np.ndarray, weights: np.ndarray) -> Iterator[tuple[int, np.ndarray]]:
    """Correlation at every place, part by part, with each part's first place; float32."""
    from scipy.signal import oaconvolve

    every = len(recorded) + len(weights) + 1
    for first in range(0, every, PART_CELLS):
        score = np.zeros(min(PART_CELLS, every - first), np.float32)
        for begin in range(0, len(weights), PART_CELLS):
            part = weights[begin : begin + PART_CELLS]
            at = first + begin - len(weights)
            score += oaconvolve(_cells(recorded, at, len(score) + len(part) - 1), part[::-1], mode="valid")
        yield first, score


def _cells(recorded: np.ndarray, first: int, count: int) -> np.ndarray:
    """So many cells from `first` on, float32, zeros outside of the recording."""
    cells = np.zeros(count, np.float32)
    low, high = max(first, 0), min(first + count, len(recorded))
    if low < high:
        cells[low - first : high - first] = recorded[low:high]
    return cells


def _tops(score: np.ndarray, count: int, apart: int) -> Iterator[tuple[float, int]]:
    """The highest positive values and their places, best first; the score is used up."""
    for _ in range(count):
        place = int(np.argmax(score))
        value = float(score[place])
        if value <= 0.0:
            return
        yield value, place
        score[max(0, place - apart) : place + apart] = 0.0
