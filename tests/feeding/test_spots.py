"""Who stands where in live feeding: what is reckoned with and how much doubt is left, by hand."""

from __future__ import annotations

import math

import pytest

from drilltimer.feeding.spots import doubt_ms, placed, reckoned
from drilltimer.model import Placement
from drilltimer.score.match import correction_ms

C_18_M_S = 343.2 * math.sqrt(291.15 / 293.15)  # ISO 9613-1
C_20_M_S = 343.2


def test_light_is_instant_and_sound_is_not():
    told = placed(feeder_to_mic_m=11.0, player_to_mic_m=4.0, air_c=18.0)
    assert reckoned(told) == Placement(0.0, 4.0, 11.0, 18.0, frozenset({"speaker_to_player_m"}))
    assert correction_ms(reckoned(told)) == pytest.approx(1e3 * (4.0 - 11.0) / C_18_M_S, abs=1e-9)  # heard too short


@pytest.mark.parametrize(("machine", "strays_m"), [(False, 0.4), (True, 0.1)])
def test_even_measured_places_are_true_to_a_step_only(machine, strays_m):
    told = placed(feeder_to_mic_m=11.0, player_to_mic_m=4.0, air_c=18.0)
    assert doubt_ms(told, machine=machine) == pytest.approx(1e3 * math.hypot(strays_m, 0.2) / C_18_M_S, abs=1e-9)


def test_unknown_air_adds_what_eight_degrees_make_of_the_way():
    known, unknown = (placed(feeder_to_mic_m=50.0, player_to_mic_m=1.0, air_c=air_c) for air_c in (20.0, None))
    warmer = placed(feeder_to_mic_m=50.0, player_to_mic_m=1.0, air_c=28.0)
    by_eight_ms = correction_ms(reckoned(warmer)) - correction_ms(reckoned(known))
    assert reckoned(unknown).known() | {"air_c": 20.0} == reckoned(known).known()
    added_ms = math.sqrt(doubt_ms(unknown) ** 2 - doubt_ms(known) ** 2)
    assert added_ms == pytest.approx(abs(by_eight_ms), rel=0.03)  # the first term of a series


def test_nobody_told_anything():
    told = placed()
    assert reckoned(told) == Placement(0.0, 5.0, 12.0, 20.0, told.unknown)
    assert not told.known()
    air_ms = 1e3 * 7.0 / C_20_M_S * 0.5 * 8.0 / 293.0
    assert doubt_ms(told) == pytest.approx(math.hypot(1e3 * math.hypot(4.0, 2.0) / C_20_M_S, air_ms), abs=1e-9)


def test_a_known_side_bounds_the_feeder_s_distance():
    told = placed(player_to_mic_m=3.0, feeder_to_player_m=4.0, air_c=20.0)
    assert reckoned(told).speaker_to_mic_m == pytest.approx(5.0)  # between 1 and 7 m
    assert doubt_ms(told) == pytest.approx(1e3 * math.hypot(3.0 / math.sqrt(2.0), 0.2) / C_20_M_S, abs=1e-9)
    assert reckoned(placed(player_to_mic_m=6.0, feeder_to_player_m=4.0)).speaker_to_mic_m == 6.0
