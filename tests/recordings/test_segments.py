"""A sheet in pieces: paused, wound back, begun again, cut, played twice, and never played at all."""

from __future__ import annotations

import numpy as np
import pytest
from test_align import Practice, recorded, sounding, uneven

from drilltimer.recordings.sheet_search import group_playbacks, owners, played_twice

CONTACTS_S = uneven(40, 3)


def in_pieces(cuts, skew_ppm, noise=0.1, before_s=0.0):
    """Practice in which contacts `first` to `last` were heard at their time plus an offset."""
    pieces = [(CONTACTS_S[first : last + 1] + offset_s) for first, last, offset_s in cuts]
    heard_s = (np.concatenate(pieces) + before_s) * (1.0 + skew_ppm * 1e-6)
    return Practice(CONTACTS_S, sounding(heard_s, heard_s.max() + 3.0, noise))


def spans(found):
    return [(segment.first, segment.last) for segment in found.segments]


@pytest.mark.parametrize(
    ("cuts", "skew_ppm"),
    [
        ([(0, 14, 5.0), (15, 39, 47.3)], 900.0),
        ([(0, 12, 5.0), (0, 39, 50.0)], -1000.0),
        ([(0, 20, 5.0), (15, 39, 20.0)], 300.0),
        pytest.param([(0, 9, 5.0), (10, 19, 17.0), (20, 39, 31.0)], 1000.0, marks=pytest.mark.long),
        ([(0, 19, 5.0), (20, 39, 5.12)], 0.0),
        ([(0, 9, 5.0), (25, 39, -20.0)], -500.0),
    ],
    ids=["paused", "begun again", "wound back", "paused twice", "a hiccup of 0.12 s", "the recorder was paused"],
)
def test_every_piece_is_found_on_its_own_clock(cuts, skew_ppm):
    found = in_pieces(cuts, skew_ppm).align()
    assert len(found.segments) == len(cuts)
    for segment, (first, last, offset_s) in zip(found.segments, cuts, strict=True):
        assert abs(segment.first - first) <= 1  # a contact at an edge may count as masked
        assert abs(segment.last - last) <= 1
        assert {i for i, _ in segment.heard} == set(range(first, last + 1))
        middle_s = CONTACTS_S[(first + last) // 2]
        by_hand_s = (middle_s + offset_s) * (1.0 + skew_ppm * 1e-6)
        assert segment.clock.recorded_s(middle_s) == pytest.approx(by_hand_s, abs=3e-4)
        assert segment.clock.skew_ppm == pytest.approx(skew_ppm, abs=10.0)


@pytest.mark.parametrize("skew_ppm", [-1000.0, pytest.param(1000.0, marks=pytest.mark.long)])
def test_clocks_1000_ppm_apart_are_one_piece_from_end_to_end(skew_ppm):
    found = recorded(uneven(80, 4), 3.0, skew_ppm).align()
    assert spans(found) == [(0, 79)]
    assert found.clock.skew_ppm == pytest.approx(skew_ppm, abs=1.0)


def test_the_same_sheet_played_twice_is_two_playings():
    found = in_pieces([(0, 39, 5.0), (0, 39, 200.0)], 500.0).align()
    playbacks = group_playbacks(found.segments, 40)
    assert [[(segment.first, segment.last) for segment in playback] for playback in playbacks] == [[(0, 39)], [(0, 39)]]


def test_a_false_start_belongs_to_the_playing_and_the_last_time_counts():
    found = in_pieces([(0, 12, 5.0), (0, 39, 50.0)], 0.0).align()
    (playback,) = group_playbacks(found.segments, 40)
    owner = owners(playback)
    assert {id(owner[i]) for i in range(40)} == {id(playback[1])}
    assert played_twice(playback) == list(range(13))


def test_what_noise_masks_in_the_middle_does_not_part_a_piece():
    practice = in_pieces([(0, 39, 5.0)], 100.0)
    first, last = (round((CONTACTS_S[i] + 5.0) * 16_000) for i in (12, 23))
    practice.recording[first - 4000 : last + 4000] = 3.0 * np.random.default_rng(1).standard_normal(last - first + 8000)
    found = practice.align()
    assert spans(found) == [(0, 39)]
    assert 26 <= found.found <= 29


@pytest.mark.parametrize("seed", [0, 1, *(pytest.param(seed, marks=pytest.mark.long) for seed in range(2, 12))])
@pytest.mark.parametrize("steady", [False, True])
def test_another_draw_of_the_same_drill_is_never_taken_for_it(seed, steady):
    def drawn(number):
        rng = np.random.default_rng(number)
        return 1.0 + np.cumsum(3.5 * rng.normal(1.0, 0.05, 40)) if steady else uneven(40, number, 1.5)

    practice = recorded(drawn(seed), 2.0, 0.0, noise=0.05)
    practice.contacts_s = drawn(seed + 500)
    assert practice.align() is None


def test_three_contacts_at_the_end_of_a_recording_are_enough_when_it_holds_no_more():
    practice = recorded(CONTACTS_S, 5.0, 0.0, noise=0.05, seconds=float(CONTACTS_S[2]) + 5.5)
    found = practice.align()
    assert found.found == 3
    assert found.clock.offset_s == pytest.approx(5.0, abs=5e-4)
