"""Rules of the ring between PortAudio's thread and the reader."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drilltimer.audio.ring import Ring


def numbered(start, frames, channels=1):
    """Samples that carry their own frame number."""
    return np.repeat(np.arange(start, start + frames, dtype=np.float32)[:, None], channels, axis=1)


def test_too_few_frames_are_no_block_yet():
    ring = Ring(100, 1, 2)
    ring.write(0, numbered(0, 10), numbered(0, 10, 2), False)
    assert ring.read(11) is None
    block = ring.read(10)
    assert (block.start, len(block.samples), block.played.shape, block.xrun) == (0, 10, (10, 2), False)


@given(st.lists(st.integers(1, 40), min_size=1, max_size=60), st.integers(1, 64))
def test_what_goes_in_comes_out_in_order_however_it_is_cut(lengths, at_least):
    ring, start, got = Ring(128, 1, 1), 0, []
    for frames in lengths:
        assert ring.write(start, numbered(start, frames), -numbered(start, frames), False)
        start += frames
        while (block := ring.read(at_least)) is not None:
            got.append(block)
    while (block := ring.read(at_least, rest=True)) is not None:
        got.append(block)
    samples = np.concatenate([block.samples for block in got])
    np.testing.assert_array_equal(samples, numbered(0, start))
    np.testing.assert_array_equal(np.concatenate([block.played for block in got]), -samples)
    assert [block.start for block in got] == list(np.cumsum([0, *(len(b.samples) for b in got[:-1])]))
    assert not any(block.xrun for block in got)


def test_a_loss_lies_at_the_beginning_of_a_block():
    ring = Ring(100, 1, 1)
    for start, xrun in ((0, False), (10, False), (20, True), (30, False)):
        ring.write(start, numbered(start, 10), numbered(start, 10), xrun)
    first, second = ring.read(40), ring.read(20)
    assert (first.start, len(first.samples), first.xrun) == (0, 20, False)
    assert (second.start, len(second.samples), second.xrun) == (20, 20, True)


def test_a_slow_reader_gets_silence_marked_as_lost_for_every_dropped_frame():
    ring = Ring(30, 1, 1)
    stored = [ring.write(start, 1 + numbered(start, 10), numbered(start, 10), False) for start in range(0, 70, 10)]
    assert stored == [True] * 3 + [False] * 4
    assert len(ring.read(30).samples) == 30
    assert ring.write(70, numbered(70, 10), numbered(70, 10), False)
    assert ring.write(80, numbered(80, 10), numbered(80, 10), False)
    blocks = [ring.read(15) for _ in range(4)]
    assert [(b.start, len(b.samples), b.xrun) for b in blocks] == [
        (30, 15, True),
        (45, 15, True),
        (60, 10, True),
        (70, 20, True),
    ]
    assert not any(block.samples.any() for block in blocks[:3])
    assert blocks[3].samples[0, 0] == pytest.approx(70)


def test_a_block_handed_out_does_not_change_when_the_ring_goes_round():
    ring = Ring(20, 1, 1)
    ring.write(0, numbered(0, 20), numbered(0, 20), False)
    block = ring.read(20)
    ring.write(20, numbered(20, 20), numbered(20, 20), False)
    np.testing.assert_array_equal(block.samples, numbered(0, 20))
