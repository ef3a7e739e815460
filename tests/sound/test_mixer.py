"""The mixer: a frame's samples depend on the frame alone."""

from __future__ import annotations

import threading
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drilltimer.model import Sound
from drilltimer.sound.mixer import MASTER_DB, Mixer, limit
from drilltimer.sound.render import render
from drilltimer.units import db_from_ratio, ratio_from_db

RATE_HZ = 48_000


def noise(seed: int, frames: int, amplitude: float = 0.5) -> Sound:
    samples = np.random.default_rng(seed).uniform(-amplitude, amplitude, frames).astype(np.float32)
    return Sound(f"noise {seed}", samples, RATE_HZ)


def step(frames: int, amplitude: float = 0.25) -> Sound:
    return Sound("step", np.full(frames, amplitude, dtype=np.float32), RATE_HZ)


def unity(channels: int) -> Mixer:
    mixer = Mixer(RATE_HZ, channels)
    mixer.master_db = 0.0
    return mixer


placements = st.lists(
    st.tuples(st.integers(-50, 400), st.integers(1, 150), st.floats(-1.0, 1.0), st.floats(-20.0, 20.0)),
    min_size=1,
    max_size=6,
)


@settings(max_examples=40)
@given(placements=placements, cuts=st.lists(st.integers(0, 500), max_size=12), channels=st.integers(1, 3))
def test_any_cut_into_blocks_gives_the_same_bits(
    placements: list[tuple[int, int, float, float]], cuts: list[int], channels: int
) -> None:
    whole, cut = Mixer(RATE_HZ, channels), Mixer(RATE_HZ, channels)
    for seed, (start, frames, pan, gain_db) in enumerate(placements):
        for mixer in (whole, cut):
            mixer.add(start, noise(seed, frames), pan, gain_db)
    edges = sorted({0, 500, *cuts})
    blocks = [cut.mix(first, last - first) for first, last in pairwise(edges)]
    np.testing.assert_array_equal(np.concatenate(blocks), whole.mix(0, 500))


def test_a_sound_starts_and_ends_at_its_frames() -> None:
    mixer = unity(1)
    mixer.add(7, step(5))
    heard = np.concatenate([mixer.mix(0, 4), mixer.mix(4, 4), mixer.mix(8, 8)])[:, 0]
    assert np.flatnonzero(heard).tolist() == [7, 8, 9, 10, 11]


def test_sounds_add_up() -> None:
    mixer = unity(1)
    mixer.add(0, step(4))
    mixer.add(2, step(4))
    assert mixer.mix(0, 8)[:, 0].tolist() == [0.25, 0.25, 0.5, 0.5, 0.25, 0.25, 0.0, 0.0]


def test_a_late_sound_plays_its_remaining_part() -> None:
    mixer = unity(1)
    mixer.mix(0, 100)
    sound = noise(1, 60)
    mixer.add(80, sound)
    np.testing.assert_array_equal(mixer.mix(100, 100)[:40, 0], sound.samples[20:])


def test_lost_frames_do_not_move_what_follows() -> None:
    mixer = unity(1)
    sound = noise(2, 300)
    mixer.add(0, sound)
    mixer.mix(0, 100)
    np.testing.assert_array_equal(mixer.mix(150, 50)[:, 0], sound.samples[150:200])


def test_a_finished_sound_is_dropped() -> None:
    mixer = unity(1)
    mixer.add(0, step(10))
    mixer.add(0, step(11))
    mixer.mix(0, 10)
    assert [placed.end for placed in mixer._playing] == [11]
    mixer.add(-5, step(5))  # over before it came
    mixer.mix(10, 10)
    assert mixer._playing == []


def test_a_sound_far_ahead_costs_no_block_anything_until_its_frame() -> None:
    mixer = unity(1)
    for start in (10**9, 1000, 10**6):
        mixer.add(start, step(10))
    assert not mixer.mix(0, 1000).any()
    assert mixer._playing == []
    assert np.flatnonzero(mixer.mix(1000, 100)[:, 0]).tolist() == list(range(10))
    assert mixer.mix(10**6, 10).all()


def test_when_a_sound_was_added_does_not_change_the_rounding_of_a_sum() -> None:
    # in single precision 1 + 5e-8 + 5e-8 is 1, but 5e-8 + 5e-8 + 1 is more
    parts = [(30, 5e-8), (20, 5e-8), (0, 1.0)]
    early, late = unity(1), unity(1)
    for mixer in (early, late):
        mixer.master_db = -20.0
    for start, amplitude in parts:
        early.add(start, step(60 - start, amplitude))
    blocks = []
    for index, (start, amplitude) in enumerate(parts):
        late.add(start, step(60 - start, amplitude))
        blocks.append(late.mix(40 + 5 * index, 5))
    np.testing.assert_array_equal(blocks[-1], early.mix(40, 20)[10:15])
    alone = unity(1)
    alone.master_db = -20.0
    alone.add(0, step(60, 1.0))
    assert np.all(blocks[-1] > alone.mix(50, 5))


@pytest.mark.parametrize("pan", [-1.0, -0.5, 0.0, 0.3, 1.0])
def test_pan_keeps_the_power(pan: float) -> None:
    mixer = unity(2)
    mixer.add(0, step(1), pan)
    left, right = mixer.mix(0, 1)[0]
    assert left**2 + right**2 == pytest.approx(2 * 0.25**2, rel=1e-6)
    assert np.sign(round(float(right - left), 6)) == np.sign(pan)


def test_pan_reaches_each_side_alone_and_the_middle_at_unity() -> None:
    mixer = unity(2)
    for frame, pan in enumerate((-1.0, 0.0, 1.0)):
        mixer.add(frame, step(1), pan)
    root = 2**0.5 * 0.25
    np.testing.assert_allclose(mixer.mix(0, 3), [[root, 0], [0.25, 0.25], [0, root]], atol=1e-7)


def test_one_channel_ignores_pan() -> None:
    mixer = unity(1)
    mixer.add(0, step(1), pan=1.0)
    assert mixer.mix(0, 1).tolist() == [[0.25]]


def test_more_than_two_channels_use_the_first_two() -> None:
    mixer = unity(4)
    mixer.add(0, step(3))
    heard = mixer.mix(0, 3)
    assert heard.shape == (3, 4)
    assert np.all(heard[:, :2] == 0.25)
    assert not heard[:, 2:].any()


def test_gain_is_in_decibels() -> None:
    mixer = unity(1)
    mixer.add(0, step(1), gain_db=-20.0)
    assert mixer.mix(0, 1)[0, 0] == pytest.approx(0.025, rel=1e-6)


@pytest.mark.parametrize("channels", [1, 2])
def test_a_contact_leaves_at_minus_six_db(channels: int) -> None:
    mixer = Mixer(RATE_HZ, channels)
    assert mixer.master_db == MASTER_DB
    mixer.add(0, render("smack", RATE_HZ))
    assert db_from_ratio(float(np.max(np.abs(mixer.mix(0, 4800))))) == pytest.approx(-6.0, abs=0.05)


def test_master_gain_takes_effect_at_once() -> None:
    mixer = unity(1)
    mixer.add(0, step(4))
    mixer.mix(0, 2)
    mixer.master_db = -6.0
    assert mixer.mix(2, 1)[0, 0] == pytest.approx(0.25 * ratio_from_db(-6.0), rel=1e-6)


def test_limiter_is_transparent_up_to_its_knee() -> None:
    block = np.linspace(-0.9, 0.9, 101, dtype=np.float32)[:, np.newaxis]
    bent = block.copy()
    bent[0, 0] = 5.0  # so that the bend runs at all
    limit(bent)
    np.testing.assert_array_equal(bent[1:], block[1:])


def test_limiter_never_passes_full_scale_and_keeps_the_order() -> None:
    block = np.concatenate([-np.logspace(6, -1, 400), np.logspace(-1, 6, 400)]).astype(np.float32)[:, np.newaxis]
    bent = block.copy()
    limit(bent)
    assert float(np.max(np.abs(bent))) <= 1.0
    assert np.all(np.diff(bent[:, 0]) >= 0.0)
    assert np.all(np.sign(bent) == np.sign(block))
    assert bent[np.argmin(np.abs(block - 1.0)), 0] == pytest.approx(0.95, abs=0.002)  # 0.9 + 0.1 * 1 / (1 + 1)


def test_many_loud_sounds_together_do_not_clip() -> None:
    mixer = unity(2)
    for seed in range(20):
        mixer.add(0, noise(seed, 500, amplitude=1.0), pan=1.0)
    heard = mixer.mix(0, 500)
    assert 0.95 < float(np.max(np.abs(heard))) <= 1.0
    assert len(np.unique(np.abs(heard[:, 1]))) > 450  # bent, not cut off: samples keep their differences


def test_mix_writes_into_the_given_block() -> None:
    mixer = unity(2)
    mixer.add(0, step(4))
    block = np.full((4, 2), 9.0, dtype=np.float32)
    assert mixer.mix(0, 4, out=block) is block
    assert np.all(block == 0.25)


def test_one_thread_adds_while_another_mixes() -> None:
    mixer = unity(1)
    count, frames = 200, 64

    def add_all() -> None:
        for index in range(count):
            mixer.add(10**6 + index * frames, step(frames))

    adder = threading.Thread(target=add_all)
    adder.start()
    for block in range(2000):
        mixer.mix(block * frames, frames)
    adder.join()
    heard = mixer.mix(10**6, count * frames)
    assert np.all(heard == 0.25)


def test_a_sound_at_another_rate_is_refused() -> None:
    with pytest.raises(ValueError, match="44100 Hz, the mixer at 48000 Hz"):
        Mixer(RATE_HZ, 1).add(0, render("tick", 44_100))


def test_impossible_pan_and_channels_are_refused() -> None:
    with pytest.raises(ValueError, match=r"not 1\.5"):
        Mixer(RATE_HZ, 2).add(0, step(1), pan=1.5)
    with pytest.raises(ValueError, match="not 0"):
        Mixer(RATE_HZ, 0)


def test_what_was_added_before_a_clear_is_not_heard_and_what_comes_later_is():
    mixer = Mixer(48_000, 1)
    long = Sound("long", np.ones(1000, np.float32), 48_000)
    mixer.add(0, long)
    mixer.add(1500, long)
    assert mixer.mix(0, 500).all()
    mixer.clear()
    mixer.add(900, Sound("short", np.ones(10, np.float32), 48_000))
    rest = mixer.mix(500, 3000)
    assert np.flatnonzero(rest[:, 0]).tolist() == list(range(400, 410))
