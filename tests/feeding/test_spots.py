"""Who stands where in live feeding: what is reckoned with and how much doubt is left, by hand."""

from __future__ import annotations

import math

import pytest

from drilltimer.feeding.spots import Spots
from drilltimer.model import Placement
from drilltimer.score.match import correction_ms

C_18_M_S = 343.2 * math.sqrt(291.15 / 293.15)  # ISO 9613-1
C_20_M_S = 343.2


def test_light_is_instant_and_sound_is_not():
    spots = Spots(feeder_to_mic_m=11.0, player_to_mic_m=4.0, air_c=18.0)
    assert spots.placement == Placement(0.0, 4.0, 11.0, 18.0)
    assert correction_ms(spots.placement) == pytest.approx(1e3 * (4.0 - 11.0) / C_18_M_S, abs=1e-9)  # heard too short


@pytest.mark.parametrize(("machine", "strays_m"), [(False, 0.4), (True, 0.1)])
def test_even_measured_places_are_true_to_a_step_only(machine, strays_m):
    spots = Spots(feeder_to_mic_m=11.0, player_to_mic_m=4.0, air_c=18.0, machine=machine)
    assert spots.doubt_ms == pytest.approx(1e3 * math.hypot(strays_m, 0.2) / C_18_M_S, abs=1e-9)


def test_unknown_air_adds_what_eight_degrees_make_of_the_way():
    known, unknown = (Spots(feeder_to_mic_m=50.0, player_to_mic_m=1.0, air_c=air_c) for air_c in (20.0, None))
    warmer = Spots(feeder_to_mic_m=50.0, player_to_mic_m=1.0, air_c=28.0)
    by_eight_ms = correction_ms(warmer.placement) - correction_ms(known.placement)
    assert unknown.placement == known.placement
    added_ms = math.sqrt(unknown.doubt_ms**2 - known.doubt_ms**2)
    assert added_ms == pytest.approx(abs(by_eight_ms), rel=0.03)  # the first term of a series


def test_nobody_told_anything():
    spots = Spots()
    assert spots.placement == Placement(0.0, 5.0, 12.0, 20.0)
    air_ms = 1e3 * 7.0 / C_20_M_S * 0.5 * 8.0 / 293.0
    assert spots.doubt_ms == pytest.approx(math.hypot(1e3 * math.hypot(4.0, 2.0) / C_20_M_S, air_ms), abs=1e-9)


def test_a_known_side_bounds_the_feeder_s_distance():
    spots = Spots(player_to_mic_m=3.0, feeder_to_player_m=4.0, air_c=20.0)
    assert spots.placement.speaker_to_mic_m == pytest.approx(5.0)  # between 1 and 7 m
    assert spots.doubt_ms == pytest.approx(1e3 * math.hypot(3.0 / math.sqrt(2.0), 0.2) / C_20_M_S, abs=1e-9)
    assert Spots(player_to_mic_m=6.0, feeder_to_player_m=4.0).placement.speaker_to_mic_m == 6.0
