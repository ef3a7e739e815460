"""Two loudspeakers: contacts that one microphone tells apart, and a far lane whose delay is taken off."""

from __future__ import annotations

import numpy as np
import pytest

from drilltimer.group.contacts import SIDE_SOUNDS
from drilltimer.hear.locate import locate_cue
from drilltimer.model import Grade, Heard, Landing, Onset, Placement, Rep, Window
from drilltimer.score.match import judge
from drilltimer.sound.render import render

RATE_HZ = 48_000


def correlation(one, other):
    """Greatest normalised cross-correlation over all lags."""
    return np.abs(np.correlate(one, other, "full")).max() / np.sqrt(np.sum(one**2) * np.sum(other**2))


@pytest.mark.parametrize("rate_hz", [16_000, 44_100, 48_000])
def test_the_two_contacts_hardly_resemble_each_other(rate_hz):
    left, right = (render(SIDE_SOUNDS[side], rate_hz).samples.astype(float) for side in ("left", "right"))
    assert 0.2 < correlation(left, right) < 0.3  # 0.26 to 0.27, measured
    assert correlation(left, left) == pytest.approx(1.0)


@pytest.mark.parametrize("apart_ms", [0.0, 1.0, 8.7, 25.0])
def test_both_are_located_in_one_microphone_when_they_overlap(apart_ms):
    left, right = (render(SIDE_SOUNDS[side], RATE_HZ).samples.astype(float) for side in ("left", "right"))
    heard = 0.003 * np.random.default_rng(4).standard_normal(RATE_HZ)
    places = 20_000, 20_000 + round(apart_ms * 48)
    for place, sound in zip(places, (left, right), strict=True):
        heard[place : place + len(sound)] += sound
    for place, sound in zip(places, (left, right), strict=True):
        arrival = locate_cue(heard, sound)
        assert arrival is not None
        assert arrival.lag == pytest.approx(place, abs=24)  # half a millisecond


def test_the_far_lane_s_way_is_taken_off():
    """By hand: 12 m from loudspeaker to player, 2 m to the microphone, 4 m from one to the other: 10 m, 29.14 ms."""
    rep = Rep(0, 0.0, 2.0, 1.0, (), None, Window(100.0, 160.0, 220.0))
    heard = Heard(0, Onset(48_000.0, 0.0, 0.1), True, Landing(Onset(48_000.0 + 48 * 189.14, -20.0, 0.3)))
    near = judge(heard, rep, Placement(2.0, 2.0, 4.0), RATE_HZ)
    far = judge(heard, rep, Placement(12.0, 2.0, 4.0), RATE_HZ)
    assert near.touchdown_ms == pytest.approx(189.14, abs=0.01)
    assert far.touchdown_ms == pytest.approx(160.0, abs=0.02)
    assert far.grade is Grade.ON_TIME
