"""Sound is brought to the analysis rate as it comes in; a take must not tell how it came.

The reference is scipy's `resample_poly`, which sees the whole sound at once.
"""

from __future__ import annotations

import tracemalloc

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.signal import resample_poly

from drilltimer.hear.listen import ANALYSIS_RATE_HZ, SampleBuffer
from drilltimer.model import Block

FRAMES = 40_000
HEARD = np.random.default_rng(5).standard_normal((FRAMES, 2)).astype(np.float32) / 8
PLAYED = np.random.default_rng(6).standard_normal((FRAMES, 2)).astype(np.float32) / 8


def cut(rate_hz, sizes, first, last, start=0, *, begun=True):
    """A take of `HEARD`, fed from frame `start` on in blocks of these sizes, the last one again and again.

    It is told beforehand that the take will be asked for, or not.
    """
    buffer, at, sizes = SampleBuffer(rate_hz), 0, list(sizes)
    while at < FRAMES:
        end = min(FRAMES, at + (sizes.pop(0) if len(sizes) > 1 else sizes[0]))
        buffer.feed(Block(start + at, HEARD[at:end], PLAYED[at:end]))
        if begun:
            buffer.begin(first)
        buffer.forget(first)
        at = end
        if start + at >= last:
            break
    return buffer.cut(first, last)


@pytest.mark.parametrize("rate_hz", [8_000, 16_000, 22_050, 44_100, 48_000, 96_000, 192_000])
def test_a_take_is_the_sound_at_the_analysis_rate(rate_hz):
    step = max(1, rate_hz // ANALYSIS_RATE_HZ)
    first, last = step * 700, step * 1700
    segment = cut(rate_hz, [512], first, last)
    assert (segment.start, segment.step, segment.rate_hz) == (first, step, rate_hz / step)
    heard, played = HEARD[first:last].astype(float), PLAYED[first:last].sum(axis=1).astype(float)
    if step > 1:
        heard, played = (resample_poly(x, 1, step, axis=0, window=("kaiser", 8.0)) for x in (heard, played))
    np.testing.assert_allclose(segment.heard, heard.T, atol=1e-6)
    np.testing.assert_allclose(segment.played, played, atol=1e-6)


@given(
    sizes=st.lists(st.integers(1, 9_000), min_size=1, max_size=6),
    first=st.integers(0, 20_000),
    frames=st.integers(1, 15_000),
    start=st.integers(0, 7),
    rate_hz=st.sampled_from([16_000, 44_100, 48_000, 96_000]),
)
def test_blocks_do_not_show_nor_that_it_was_begun_before(sizes, first, frames, start, rate_hz):
    first, last = start + first, start + first + frames
    whole = cut(rate_hz, [FRAMES], first, last, start, begun=False)
    parts = cut(rate_hz, sizes, first, last, start)
    np.testing.assert_array_equal(parts.heard, whole.heard)
    np.testing.assert_array_equal(parts.played, whole.played)
    assert SampleBuffer(rate_hz).samples(first, last) == whole.heard.shape[1]


def test_another_take_may_be_cut_than_the_one_begun():
    assert np.array_equal(cut(48_000, [500], 9_000, 20_000).heard, cut(48_000, [500], 9_000, 20_000, begun=False).heard)
    buffer = SampleBuffer(48_000)
    buffer.feed(Block(0, HEARD, PLAYED))
    buffer.begin(5_000)
    early = buffer.cut(5_000, 12_000)
    buffer.begin(5_003)
    assert np.array_equal(buffer.cut(5_000, 12_000).heard, early.heard)
    assert np.array_equal(buffer.cut(5_003, 12_000).heard[:, 20:], early.heard[:, 21:])


def test_nothing_was_heard_before_the_beginning_and_after_the_end():
    segment = cut(48_000, [1024], -3000, 3000)
    assert segment.start == -3000
    assert not segment.heard[:, :990].any()
    assert segment.heard[:, 1000:].any()
    late = cut(48_000, [1024], FRAMES - 3000, FRAMES + 3000)
    assert not late.heard[:, -980:].any()
    assert late.heard[:, :1000].any()


def test_lost_sound_and_overdrive_are_told_of_the_takes_that_hold_them():
    buffer = SampleBuffer(48_000)
    for at in range(0, 20_000, 1000):
        samples = np.full((1000, 1), 0.1, np.float32)
        if at == 8000:
            samples[::3] = 1.0
        buffer.feed(Block(at, samples, np.zeros((1000, 1), np.float32), xrun=at == 15_000))
    assert [buffer.cut(first, first + 3000).broken for first in (0, 12_000, 14_500, 16_000)] == [0, 0, 1, 0]
    assert [buffer.cut(first, first + 3000).clipped for first in (0, 7_000, 8_500, 9_000)] == [0, 1, 1, 0]


def test_blocks_must_follow_each_other():
    buffer = SampleBuffer(48_000)
    buffer.feed(Block(0, HEARD[:100], PLAYED[:100]))
    with pytest.raises(ValueError, match="expected 100"):
        buffer.feed(Block(101, HEARD[:100], PLAYED[:100]))


def test_little_is_kept_of_a_long_sound():
    buffer, second = SampleBuffer(48_000), 48_000
    tracemalloc.start()
    for at in range(0, 100 * second, 4_800):
        buffer.feed(Block(at, HEARD[:4_800].copy(), PLAYED[:4_800].copy()))
        buffer.begin(at // second * second)
        buffer.forget(at // second * second)
    assert buffer.end - buffer.start <= second
    held, _ = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert held < 2e6  # a second takes 1.2e6 bytes
