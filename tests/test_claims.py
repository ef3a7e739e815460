"""What makes a landing that is claimed for a lane doubtful."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from drilltimer.hear.claims import LaneSound, at_once, feet_before, first_foot_odds, jumps_db
from drilltimer.hear.jumps import running_energy
from drilltimer.hear.onsets import Rise

RATE_HZ = 16_000.0
AT = 8_000
TOLD = Rise(float(AT), 2.0, np.full(8, -20.0), 10.0, 0.001)


def make_sound(jump_db, rises=(), at=AT):
    """A lane in which the power jumps in each of three bands, and stays up for 3 ms."""
    bands = np.ones((3, 2 * AT))
    bands[:, at : at + 48] *= 10 ** (np.array(jump_db)[:, None] / 20)
    return LaneSound(running_energy(bands), tuple(rises), RATE_HZ)


def test_jumps_are_told_band_by_band():
    assert jumps_db(make_sound((3.0, 6.0, 12.0)), AT) == pytest.approx([3.0, 6.0, 12.0], abs=0.01)
    assert jumps_db(make_sound((3.0, 6.0, 12.0)), AT - 400) == pytest.approx([0.0, 0.0, 0.0], abs=0.01)


def test_what_all_lanes_hear_at_once_is_no_lane_s():
    everywhere = [make_sound((9.0, 9.0, 9.0)) for _ in range(3)]
    later = [make_sound((9.0, 9.0, 9.0), at=AT + 140) for _ in range(3)]  # as a landing arrives 3 m further
    assert at_once(everywhere, AT)
    assert not at_once(later, AT)
    assert not at_once([everywhere[0], *later[:2]], AT)
    assert not at_once(everywhere[:2], AT)  # of two, one player's own foot may be one
    assert not at_once([make_sound((4.0, 4.0, 4.0))] * 3, AT)


def test_a_foot_before_is_likelier_the_more_it_stands_out_over_the_neighbours():
    foot = replace(TOLD, at=AT - 32 * 16, strength=1.5)
    late, weak = replace(foot, at=AT - 96 * 16), replace(foot, strength=0.4)
    assert feet_before(make_sound((9.0, 9.0, 9.0), [late, foot, weak, TOLD]), TOLD) == [foot]
    clear, hidden = (first_foot_odds([foot], TOLD, [over, 2.5], False, RATE_HZ)[0] for over in (2.0, -1.0))
    assert clear > 1.0 > -1.0 > hidden
    assert first_foot_odds([foot], TOLD, [2.0, 2.5], True, RATE_HZ)[0] == pytest.approx(clear - 0.725)
