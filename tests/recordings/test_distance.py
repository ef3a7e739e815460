"""Who stands where: what is told, what follows from it, and how much doubt the rest leaves."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from drilltimer.errors import DistanceError
from drilltimer.model import Grade, Heard, Landing, Onset, Placement, Rep, Window
from drilltimer.recordings.distance import NOBODY_TOLD, likeliest, told_over, way_doubt_ms
from drilltimer.score.match import correction_ms, judge

RATE_HZ = 48_000
NOBODY = NOBODY_TOLD
MS_PER_M = 1e3 / 343.2  # at 20 °C, ISO 9613-1


def told(**distances):
    return told_over(NOBODY, distances)


def test_all_known_leaves_no_doubt():
    assert way_doubt_ms(Placement(4.0, 3.0, 2.0)) == 0.0
    assert told(together_m=3.0) == Placement(3.0, 3.0, 0.0)


def test_each_distance_is_told_by_itself():
    standing = told(speaker_to_player_m=6.0, player_to_mic_m=2.0, speaker_to_mic_m=5.0, air_c=10.0)
    assert standing == Placement(6.0, 2.0, 5.0, 10.0)
    assert correction_ms(standing) == pytest.approx(3.0 / 337.3 * 1e3, abs=0.01)


def test_what_is_told_goes_over_what_the_sheet_says_and_leaves_the_rest():
    sheet = Placement(4.0, 4.0, 0.5, 15.0)
    assert told_over(sheet, {"player_to_mic_m": 3.5}) == Placement(4.0, 3.5, 0.5, 15.0)
    assert told_over(sheet, {}) == sheet
    assert told_over(sheet, {"together_m": 3.0}) == Placement(3.0, 3.0, 0.5, 15.0)
    assert told_over(sheet, {"together_m": 3.0, "speaker_to_mic_m": 1.0}) == Placement(3.0, 3.0, 1.0, 15.0)


def test_nothing_told_keeps_what_the_recorder_heard_and_doubts_it():
    """Each way somewhere in 0.5 to 8 m: by hand, over all triangles, from a correction of zero."""
    assert likeliest(NOBODY) == NOBODY
    ways = np.arange(0.5, 8.01, 0.5)
    sp, pm, sm = np.meshgrid(ways, ways, np.arange(0.0, 8.01, 0.5), indexing="ij")
    stands = (sm <= sp + pm + 1e-9) & (sp <= pm + sm + 1e-9) & (pm <= sp + sm + 1e-9)
    by_hand_ms = float(np.sqrt(np.mean((sp + pm - sm)[stands] ** 2))) * MS_PER_M
    assert way_doubt_ms(NOBODY) == pytest.approx(by_hand_ms, rel=1e-3)
    assert 10.0 < way_doubt_ms(NOBODY) < 30.0


def test_two_known_sides_of_the_triangle_bound_the_third():
    """Player 4 m from both: the recorder is 0 to 8 m from the loudspeaker, and 0 was used."""
    standing = told(speaker_to_player_m=4.0, player_to_mic_m=4.0)
    assert standing.unknown == {"speaker_to_mic_m"}
    apart = np.arange(0.0, 8.01, 0.5)
    assert way_doubt_ms(standing) == pytest.approx(float(np.sqrt(np.mean(apart**2))) * MS_PER_M, rel=1e-3)
    near = told(speaker_to_player_m=1.0, player_to_mic_m=1.0)
    assert way_doubt_ms(near) < 0.5 * way_doubt_ms(standing)


def test_the_one_way_that_is_known_is_taken_for_the_other_but_doubted():
    standing = told(player_to_mic_m=3.0)
    assert standing.speaker_to_player_m == 0.0
    assert likeliest(standing) == replace(standing, speaker_to_player_m=3.0)
    assert 0.0 < way_doubt_ms(standing) < way_doubt_ms(NOBODY)


def test_a_distance_that_is_told_lessens_the_doubt():
    some = [
        told(),
        told(speaker_to_player_m=3.0),
        told(speaker_to_player_m=3.0, speaker_to_mic_m=1.0),
    ]
    some.append(told(speaker_to_player_m=3.0, player_to_mic_m=3.0, speaker_to_mic_m=1.0))
    doubts = [way_doubt_ms(each) for each in some]
    assert doubts == sorted(doubts, reverse=True)
    assert doubts[-1] == 0.0
    assert doubts[2] > 0.0


def test_the_doubt_is_in_every_touchdowns_uncertainty_and_moves_nothing():
    rep = Rep(0, 0.0, 3.0, 1.0, (), None, Window(73, 133, 193))
    heard = Heard(0, Onset(48_000.0, 0.0, 0.3), True, Landing(Onset(48_000.0 + 4800, -30.0, 0.4)))
    sure, doubtful = judge(heard, rep, Placement(), RATE_HZ), judge(heard, rep, Placement(), RATE_HZ, 12.0)
    assert sure.uncertainty_ms == pytest.approx(0.5)
    assert doubtful.uncertainty_ms == pytest.approx(math.hypot(0.5, 12.0))
    assert (doubtful.touchdown_ms, doubtful.grade) == (sure.touchdown_ms, Grade.ON_TIME)


@pytest.mark.parametrize("sides", [(2.0, 3.0, 20.0), (20.0, 3.0, 2.0), (1.0, 9.0, 2.0), (3.0, 2.0, 6.1)])
def test_what_cannot_be_is_refused(sides):
    with pytest.raises(DistanceError, match="cannot all be true"):
        told(speaker_to_player_m=sides[0], player_to_mic_m=sides[1], speaker_to_mic_m=sides[2])


def test_a_line_and_a_rough_measure_are_possible():
    for sides in ((3.0, 2.0, 5.0), (3.0, 3.0, 0.0), (3.5, 3.0, 0.0), (3.0, 2.0, 5.9)):
        placement = told(speaker_to_player_m=sides[0], player_to_mic_m=sides[1], speaker_to_mic_m=sides[2])
        assert placement.unknown == frozenset()


def test_what_a_sheet_tells_is_not_held_against_who_adds_nothing():
    odd = Placement(1.0, 9.0, 2.0)
    assert told_over(odd, {}) == odd
    assert told_over(odd, {"air_c": 5.0}).air_c == 5.0
    with pytest.raises(DistanceError, match="cannot all be true"):
        told_over(odd, {"speaker_to_mic_m": 3.0})


def test_known_sides_that_leave_no_triangle_still_give_a_doubt():
    assert way_doubt_ms(Placement(1.0, 30.0, 0.0, unknown=frozenset({"speaker_to_mic_m"}))) > 0.0
