"""Places where a piece of a trace fits, against SciPy's correlation of the whole and a search through it."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import correlate

from drilltimer.recordings import correlation as slide


def greedy(score, count, apart):
    left, places = score.copy(), []
    for _ in range(count):
        places.append(int(np.argmax(left)))
        left[max(0, places[-1] - apart) : places[-1] + apart] = 0.0
    return places


@pytest.mark.parametrize("part_cells", [64, 100, 1000, 100_000])
@pytest.mark.parametrize(("recorded", "piece"), [(3000, 200), (3000, 1100), (400, 900)])
def test_parts_find_what_the_whole_would(monkeypatch, part_cells, recorded, piece):
    monkeypatch.setattr(slide, "PART_CELLS", part_cells)
    rng = np.random.default_rng(recorded + piece)
    long, short = rng.normal(size=recorded), rng.normal(size=piece)
    padded = np.concatenate([np.zeros(piece), long, np.zeros(piece)])
    expected = greedy(correlate(padded, short, "valid"), 5, 10)
    assert slide.best_places(long, short, 5, 10) == expected


def test_a_piece_is_found_where_it_was_put_also_over_an_end():
    rng = np.random.default_rng(1)
    piece = rng.normal(size=300)
    for start in (-120, 0, 777, 4900):
        recorded = np.zeros(5000, np.float16)
        low, high = max(start, 0), min(start + 300, 5000)
        recorded[low:high] = piece[low - start : high - start]
        assert slide.best_places(recorded, piece, 1, 50) == [start + 300]


def test_nothing_fits_where_there_is_nothing():
    assert slide.best_places(np.zeros(1000, np.float16), np.ones(50), 4, 50) == []
    assert slide.best_places(np.zeros(0, np.float16), np.ones(50), 4, 50) == []


@pytest.mark.parametrize("part_cells", [64, 100_000])
@pytest.mark.parametrize("factor", [1.001, 0.999, 1.0])
def test_a_stretched_trace_is_what_interpolation_of_the_whole_gives(monkeypatch, part_cells, factor):
    monkeypatch.setattr(slide, "PART_CELLS", part_cells)
    trace = np.random.default_rng(2).normal(size=2345).astype(np.float32)
    whole = np.interp(np.arange(round(2345 * factor)) / factor, np.arange(2345), trace)
    np.testing.assert_allclose(slide.stretched(trace, factor), whole, atol=1e-6)
