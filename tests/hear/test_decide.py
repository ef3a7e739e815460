"""From log weights to an answer: what is sure is told, what is not is void, and missed means would have been heard."""

from dataclasses import replace

import numpy as np
import pytest

from drilltimer.hear.decide import (
    LANDING_S,
    LEAST_BELIEF,
    NOISY,
    TWO,
    USUAL_SURE,
    allowed_columns,
    decide,
    late_ms,
    least_belief,
    posterior,
    sigma_ms,
)
from drilltimer.hear.net import OWN_MARK, Answer
from drilltimer.hear.picture import BANDS, BEFORE, COLUMN_S, FRAMES, FROM_S, PATCH, draw_picture, whiten

RATE_HZ = 16_000
CONTACT_S, LANDING_AT_S = 1.15, 1.3
EDGES = (0.0, 2.9 * RATE_HZ)


class Told:
    """A net whose answer is given; `peaks` are (seconds after the contact, log weight)."""

    def __init__(self, peaks, none=0.0, step=(), heard=True):
        self.peaks, self.none, self.step, self.heard = peaks, none, step, heard
        self.typical = np.full((BANDS, PATCH), 1e-6)
        self.asked = 0

    def read(self, columns, known, allowed):
        self.asked += 1
        first, step = np.full(FRAMES, -20.0), np.full(FRAMES, -20.0)
        peaks = self.peaks
        if self.asked > 1 and self.heard:  # a landing was put in: it is found where it was put
            level = columns[:BANDS].sum(axis=0)
            begins = int(np.flatnonzero(level > 0.8 * level.max())[0]) + BEFORE
            peaks = [(FROM_S + COLUMN_S * begins, 20.0)]
        for at_s, weight in peaks:
            first[round((at_s - FROM_S) / COLUMN_S)] = weight
        for at_s, weight in self.step:
            step[round((at_s - FROM_S) / COLUMN_S)] = weight
        nothing = np.zeros(FRAMES)
        marks = np.tile(np.arange(float(FRAMES)), (OWN_MARK, 1))  # of each column its number
        return [Answer(first, self.none, nothing, nothing, step, nothing, marks)]


def picture(landing=0.3):
    rng = np.random.default_rng(5)
    signal = 0.01 * rng.normal(size=3 * RATE_HZ)
    at = round(LANDING_AT_S * RATE_HZ)
    t = np.arange(round(0.04 * RATE_HZ)) / RATE_HZ
    signal[at : at + len(t)] += landing * rng.normal(size=len(t)) * np.exp(-t / 0.01)
    flat = whiten(signal, RATE_HZ)
    return draw_picture(flat, (), np.zeros_like(flat.power), CONTACT_S * RATE_HZ, RATE_HZ), flat.white


def answer(net, usual=None, landing=0.3):
    drawn, white = picture(landing)
    usual = np.full((BANDS, PATCH), 1e-2) if usual is None else usual
    return decide(drawn, net, [], usual, EDGES, white, RATE_HZ)


def test_probabilities_add_up_and_none_is_one_of_them():
    first = np.full(FRAMES, -np.log(FRAMES))
    given = Answer(first, 0.0, first, first, first, first, np.zeros((OWN_MARK, FRAMES)))
    allowed = np.arange(FRAMES) < FRAMES // 2
    shares, none = posterior([given], allowed)
    assert shares.sum() + none == pytest.approx(1.0)
    assert none == pytest.approx(2.0 / 3.0)
    assert not shares[~allowed].any()
    sure = Answer(first, 30.0, first, first, first, first, np.zeros((OWN_MARK, FRAMES)))
    assert posterior([given, sure], allowed)[1] == pytest.approx(5.0 / 6.0)


def test_a_sure_touchdown_is_told_and_placed_between_columns():
    hypothesis = answer(Told([(LANDING_AT_S - CONTACT_S + 0.002, 12.0), (LANDING_AT_S - CONTACT_S, 11.0)]))
    assert hypothesis.is_told
    assert not hypothesis.doubt
    assert hypothesis.likely / RATE_HZ == pytest.approx(LANDING_AT_S, abs=6e-4)  # a column off, the sound decides
    assert 0.02 < hypothesis.uncertainty_ms < 2.0


def test_two_that_fit_equally_well_are_void():
    hypothesis = answer(Told([(0.15, 8.0), (0.25, 8.0)]))
    assert not hypothesis.is_told
    assert hypothesis.doubt == TWO
    assert hypothesis.belief == pytest.approx(0.5, abs=0.01)


def test_what_is_told_is_likely_enough():
    odds = np.log(LEAST_BELIEF / (1.0 - LEAST_BELIEF))
    for more, told in ((0.05, True), (-0.05, False)):
        assert answer(Told([(0.15, odds + more), (0.35, 0.0)], none=-30.0)).is_told is told


def test_missed_means_that_a_usual_landing_would_have_been_heard():
    quiet = answer(Told([(0.15, -5.0)], none=5.0), landing=0.0)
    assert (quiet.is_told, quiet.doubt) == (False, "")
    deaf = answer(Told([(0.15, -5.0)], none=5.0, heard=False), landing=0.0)
    assert (deaf.is_told, deaf.doubt) == (False, NOISY)


def test_a_first_step_is_sought_after_the_landing():
    told = answer(Told([(0.15, 12.0)], step=[(0.45, 9.0)]))
    assert told.step == pytest.approx((CONTACT_S + 0.45) * RATE_HZ, abs=0.5 * COLUMN_S * RATE_HZ)
    before = answer(Told([(0.15, 12.0)], step=[(0.0, 9.0)]))
    assert before.step is None
    none = answer(Told([(0.15, 12.0)], step=[(0.45, -3.0)]))
    assert none.step is None


@pytest.mark.parametrize(("share", "told"), [(0.55, True), (0.45, False)])
def test_a_step_is_told_where_it_is_likelier_than_none(share, told):
    """The net gives "no step" a weight of nought."""
    read = answer(Told([(0.15, 12.0)], step=[(0.45, np.log(share / (1.0 - share)))]))
    assert (read.step is not None) is told
    if told:
        assert read.step == pytest.approx(picture()[0].sample(525), abs=1.0)


@pytest.mark.parametrize(("after_s", "told"), [(0.10, False), (0.13, True), (0.61, True), (0.64, False)])
def test_a_step_comes_between_120_and_620_ms_after_the_landing(after_s, told):
    read = answer(Told([(0.0, 12.0)], step=[(after_s, 9.0)]), landing=0.0)
    assert (read.step is not None) is told


def test_a_step_that_fits_two_columns_lies_between_them():
    one_s, next_s = (FROM_S + COLUMN_S * column for column in (525, 526))
    told = answer(Told([(0.15, 12.0)], step=[(one_s, 9.0), (next_s, 9.0)]))
    assert told.step == pytest.approx(picture()[0].sample(525.5), abs=1.0)


def test_a_landing_is_described_four_milliseconds_after_it():
    told = answer(Told([(LANDING_AT_S - CONTACT_S, 12.0)]))
    column = (told.likely / RATE_HZ - CONTACT_S + 0.004 - FROM_S) / COLUMN_S
    assert told.mark == pytest.approx(np.full(OWN_MARK, round(column)))


def test_the_likeliest_touchdown_is_the_one_with_most_about_it():
    """Each of two columns side by side is less likely than one elsewhere, which comes first."""
    one_s, next_s = (FROM_S + COLUMN_S * column for column in (450, 451))
    told = answer(Told([(0.0, 8.3), (one_s, 8.0), (next_s, 8.0)]), landing=0.0)
    assert told.likely / RATE_HZ - CONTACT_S == pytest.approx((one_s + next_s) / 2.0, abs=0.003)
    assert told.belief == pytest.approx(2.0 / (2.0 + np.exp(0.3)), abs=0.01)


@pytest.mark.parametrize(("none", "doubt"), [(0.55, ""), (0.45, NOISY)])
def test_a_landing_is_missed_where_none_is_likelier_than_not(none, doubt):
    touchdown = [(0.15, np.log((1.0 - none) / none))]
    assert answer(Told(touchdown, none=0.0), landing=0.0).doubt == doubt


def test_the_vaguer_and_the_less_believed_a_landing_the_less_certain_it_is():
    """By hand, from the measured figures: 0.12 and half of at most 0.6; between 0.08 and 0.5, 0.5 and 0.95, to 1.7.

    And by twice what is doubted more.
    """
    assert [late_ms(spread_ms) for spread_ms in (0.2, 0.6, 2.0)] == pytest.approx([0.22, 0.42, 0.42])
    assert [sigma_ms(spread_ms, 1.0) for spread_ms in (0.0, 0.25, 0.6, 2.0)] == pytest.approx([0.08, 0.29, 0.725, 1.7])
    assert sigma_ms(0.25, 0.9) == pytest.approx(1.2 * 0.29)


def test_touchdowns_lie_about_the_contact_and_inside_the_rep():
    drawn, _ = picture()
    times_s = FROM_S + COLUMN_S * np.flatnonzero(allowed_columns(drawn, *EDGES))
    assert times_s[[0, -1]] == pytest.approx(LANDING_S, abs=COLUMN_S)
    opens = (CONTACT_S - 0.1) * RATE_HZ
    narrower = FROM_S + COLUMN_S * np.flatnonzero(allowed_columns(drawn, opens, EDGES[1]))
    assert narrower[0] == pytest.approx(-0.1, abs=2 * COLUMN_S)
    lost = replace(drawn, power=np.full_like(drawn.power, np.nan))
    assert not allowed_columns(lost, *EDGES).any()


def test_where_other_reps_are_in_doubt_more_must_be_believed():
    assert least_belief([]) == pytest.approx(LEAST_BELIEF)
    assert least_belief([USUAL_SURE] * 9) == pytest.approx(LEAST_BELIEF)
    # By hand: eight of 0.6 and two of the usual 0.85 make 0.65; odds 4 * (5.667 / (0.65 / 0.35))^2 = 37.25.
    assert least_belief([0.6] * 8) == pytest.approx(37.25 / 38.25, abs=1e-4)
    assert least_belief([0.99] * 9) == pytest.approx(LEAST_BELIEF)  # and never less
    touchdown = [(LANDING_AT_S - CONTACT_S, 12.0), (LANDING_AT_S - CONTACT_S + 0.1, 10.0)]  # believed by 0.88
    drawn, white = picture()
    for others, told in ([], True), ([0.5] * 8, False):
        given = drawn, Told(touchdown), [], np.full((BANDS, PATCH), 1e-2), EDGES, white, RATE_HZ
        assert decide(*given, least_belief(others)).is_told == told
