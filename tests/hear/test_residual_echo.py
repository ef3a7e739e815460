"""What is left of our own sound is learned band by band: by hand, from powers that are given."""

from __future__ import annotations

import numpy as np
import pytest

from drilltimer.hear.cancel import LEFTOVER_MARGIN, ResidualEcho
from drilltimer.hear.picture import BANDS

SILENT = np.zeros((BANDS, 40))
LOUD = SILENT.copy()
LOUD[:, 8:18] = 1.0  # the rest is noise, of which there is none here


def shares_of(residual, *left):
    """Expected share of the cue after takes in which so much of it was left."""
    for share in left:
        (leftover,) = residual.weigh(share * LOUD, LOUD, SILENT)
    return leftover.share / LEFTOVER_MARGIN


def test_nothing_is_expected_of_what_was_not_played():
    assert ResidualEcho().weigh(0.1 * LOUD, SILENT, SILENT) == ()
    assert ResidualEcho().left_db is None
    contact, rest = ResidualEcho().weigh(0.02 * LOUD, LOUD, 2.0 * LOUD)
    assert contact.share == pytest.approx(2.0 * rest.share)  # each by its own power


@pytest.mark.parametrize(("left", "expected"), [(0.001, 0.01), (0.05, 0.05), (0.9, 0.1)])
def test_the_first_two_takes_are_not_believed_beyond_bounds(left, expected):
    """A landing on the first cue is not our sound, and a cue that left nothing may leave more the next time."""
    assert shares_of(ResidualEcho(), left) == pytest.approx(expected)
    assert shares_of(ResidualEcho(), left, left) == pytest.approx(expected)
    assert shares_of(ResidualEcho(), left, left, left) == pytest.approx(left)


def test_one_take_out_of_three_changes_nothing():
    assert shares_of(ResidualEcho(), 0.03, 0.9, 0.03) == pytest.approx(0.03)
    assert shares_of(ResidualEcho(), 0.03, 0.05, 0.05, 0.9) == pytest.approx(0.05)


def test_what_was_left_twenty_takes_ago_is_forgotten():
    assert shares_of(ResidualEcho(), *[0.9] * 20, *[0.03] * 11) == pytest.approx(0.03)


@pytest.mark.parametrize(("left", "left_db"), [(0.01, -20.0), (0.5, -3.01), (1e-9, -60.0)])
def test_what_is_left_is_told_in_decibels_of_power_and_never_below_the_noise(left, left_db):
    residual = ResidualEcho()
    shares_of(residual, left)
    assert residual.left_db == pytest.approx(left_db, abs=0.01)
