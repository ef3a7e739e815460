"""What contacts ring on like is told from what is new after one of them."""

from __future__ import annotations

import numpy as np
import pytest

from drilltimer.feeding.reverberation import AFTER_S, BEFORE_S, SAME_S, STEP_S, Followed, PowerTrack, Tails
from drilltimer.feeding.touchdowns import Neighbourhood, half_width_ms
from drilltimer.hear.picture import BANDS

RATE_HZ = 16_000
STEPS = round((BEFORE_S + AFTER_S) / STEP_S)
ECHO_S = 0.120


def excerpt(sounds, seed):
    """Log powers over the noise: (second after the contact, nepers) begin at once and die in 15 ms."""
    power = np.random.default_rng(seed).exponential(0.3, (BANDS, STEPS))
    at_s = np.arange(STEPS) * STEP_S - BEFORE_S
    for begins_s, nepers in sounds:
        power += np.where(at_s >= begins_s, np.exp(nepers - np.maximum(at_s - begins_s, 0.0) / 0.015), 0.0)
    return np.log1p(power)


def taught(contacts):
    tails = Tails(RATE_HZ)
    for seed in range(contacts):
        tails.learn_from(float(seed * RATE_HZ), excerpt([(0.0, 6.0), (ECHO_S, 4.0), (0.05 + 0.02 * seed, 4.0)], seed))
    return tails


def test_an_echo_that_every_contact_has_is_covered_and_a_landing_is_not():
    new = excerpt([(0.0, 6.0), (ECHO_S, 4.0), (0.2, 4.0)], 99)
    echo, landing = taught(8).uncovered(99.0 * RATE_HZ, new, np.array([ECHO_S, 0.2]))
    assert landing > 3.0
    assert echo < 0.5 * landing


def test_a_landing_on_top_of_an_echo_stands_out_by_what_it_adds():
    lags_s = np.array([ECHO_S])
    only = taught(8).uncovered(99.0 * RATE_HZ, excerpt([(0.0, 6.0), (ECHO_S, 4.0)], 98), lags_s)[0]
    both = taught(8).uncovered(99.0 * RATE_HZ, excerpt([(0.0, 6.0), (ECHO_S, 4.0), (ECHO_S, 6.0)], 98), lags_s)[0]
    assert both > only + 1.0


def test_nothing_is_covered_before_a_few_contacts_were_heard_and_no_contact_covers_itself():
    new, lags_s = excerpt([(0.0, 6.0), (ECHO_S, 4.0)], 99), np.array([ECHO_S])
    few = taught(2)
    assert few.uncovered(99.0 * RATE_HZ, new, lags_s)[0] > 3.0
    assert not few.expected(99.0 * RATE_HZ, new).any()
    few.learn_from(99.0 * RATE_HZ, new)
    assert not few.expected(99.0 * RATE_HZ, new).any()


def test_a_louder_contact_is_expected_to_ring_louder():
    tails, frame = taught(8), 99.0 * RATE_HZ
    soft, loud = (tails.expected(frame, excerpt([(0.0, nepers)], 97)) for nepers in (5.0, 7.0))
    place = round((BEFORE_S + ECHO_S + 0.003) / STEP_S)
    assert np.log(loud[:, place] / soft[:, place]) == pytest.approx(np.full(BANDS, 2.0), abs=0.2)


@pytest.mark.parametrize("piece", [37, 500, 10_000])
def test_an_excerpt_is_what_was_put_whatever_the_pieces(piece):
    at = np.arange(3000) * 16
    logs = np.random.default_rng(5).random((BANDS, 3000))
    track = PowerTrack(RATE_HZ, 60.0)
    for first in range(0, 3000, piece):
        track.put(at[first : first + piece], logs[:, first : first + piece])
    cut = track.cut(1000 * 16.0)
    assert cut == pytest.approx(logs[:, 700:1600], abs=1e-6)
    beyond = track.cut(2800 * 16.0)
    assert beyond[:, :500] == pytest.approx(logs[:, 2500:], abs=1e-6)
    assert not beyond[:, 502:].any()


def test_a_track_keeps_no_more_than_it_was_told_to():
    track = PowerTrack(RATE_HZ, 1.0)
    for first in range(0, 10_000, 100):
        track.put(np.arange(first, first + 100) * 16, np.ones((BANDS, 100)))
    assert track.cut(9_500 * 16.0)[:, :700].all()
    assert not track.cut(5_000 * 16.0).any()


class Picked:
    late_ms, scatter_ms = 0.5, 1.0


def around(times_s):
    empty = np.zeros(len(times_s))
    return Neighbourhood([Picked] * len(times_s), np.array(times_s), empty, empty, empty[:, None], empty, 0, 0.0)


def test_alone_a_touchdown_is_as_uncertain_as_its_picker_and_a_rival_as_likely_adds_its_distance():
    places = np.array([0, 1])
    alone = half_width_ms(around([0.1, 0.14]), places, np.array([1.0, 0.0, 0.0]), 0)
    assert alone == pytest.approx(1.0, abs=0.01)
    rival = half_width_ms(around([0.1, 0.14]), places, np.array([0.55, 0.45, 0.0]), 0)
    assert rival == pytest.approx(40.0, abs=1.5)
    between = half_width_ms(around([0.1, 0.14]), places, np.array([0.9, 0.1, 0.0]), 0)
    assert 1.0 < between < 2.0


@pytest.mark.parametrize("rate_hz", [8_000, 16_000, 44_100, 48_000, 96_000, 192_000])
def test_two_contacts_are_one_within_the_same_time_at_every_rate(rate_hz):
    """It was 64 frames: 8 ms at 8 kHz, and a third of a millisecond at 192 kHz."""
    heard = Followed(rate_hz)
    for at_s in (1.0, 2.0):
        heard.put(at_s * rate_hz, at_s)
    frame_s = 1.0 / rate_hz
    for apart_s in (-SAME_S + frame_s, 0.0, SAME_S - frame_s):
        assert heard.others((1.0 + apart_s) * rate_hz) == [2.0]
    for apart_s in (-SAME_S - frame_s, SAME_S + frame_s):
        assert heard.others((1.0 + apart_s) * rate_hz) == [1.0, 2.0]
    assert round(SAME_S * 48_000) == 64  # as long as it always was at the usual rate
