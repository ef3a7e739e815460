"""Lost sound told by time stamps."""

import pytest

from drilltimer.audio.stamps import ENOUGH_BLOCKS, Stamps

RATE_HZ, FRAMES = 48_000, 480  # blocks of 10 ms


def steps_of(shifts_ms):
    """Which blocks step, when block k is stamped `shifts_ms[k]` after its due time."""
    stamps = Stamps(RATE_HZ)
    return [stamps.stepped(100.0 + 0.01 * k + shift / 1e3, FRAMES) for k, shift in enumerate(shifts_ms)], stamps


@pytest.mark.parametrize(("step_ms", "found"), [(0.0, False), (1.9, False), (2.1, True), (-2.1, True), (298.67, True)])
def test_a_step_of_more_than_two_milliseconds_is_lost_sound_once(step_ms, found):
    steps, _ = steps_of([0.0] * 5 + [step_ms] * 5)
    assert steps == [False] * 5 + [found] + [False] * 4


def test_the_first_stamp_is_nobodys_step():
    assert steps_of([5000.0])[0] == [False]


def test_a_slow_clock_is_no_loss():
    steps, _ = steps_of([0.01 * k for k in range(300)])  # 1000 ppm, ten times what a card may be off
    assert not any(steps)


def test_stamps_that_stand_still_are_given_up():
    stamps = Stamps(RATE_HZ)
    steps = [stamps.stepped(0.0, FRAMES) for _ in range(3 * ENOUGH_BLOCKS)]
    assert not stamps.trusted
    assert not any(steps[ENOUGH_BLOCKS:])


@pytest.mark.parametrize(("losses", "trusted"), [(10, True), (11, False)])
def test_a_quarter_of_forty_blocks_is_the_most_that_a_driver_may_lose(losses, trusted):
    _, stamps = steps_of([30.0 * min(k, losses) for k in range(40)])
    assert stamps.trusted is trusted


def test_now_and_then_a_loss_keeps_the_trust():
    shifts = [30.0 * (k // 8) for k in range(3 * ENOUGH_BLOCKS)]
    steps, stamps = steps_of(shifts)
    assert stamps.trusted
    assert sum(steps) == 3 * ENOUGH_BLOCKS // 8 - 1
