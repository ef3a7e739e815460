"""Jumps of power against powers that are known."""

import numpy as np
import pytest

from drilltimer.hear.feet import jump_db, louder_db, mean_power, split_gain_at
from drilltimer.hear.onsets import split_gain
from drilltimer.hear.picture import running_energy

RATE_HZ = 16_000.0


def stepped(before, after, at=800, frames=1600):
    signal = np.full(frames, before)
    signal[at:] = after
    return signal


def test_mean_power_is_the_mean_of_squares_and_outside_is_silence():
    energy = running_energy(np.array([1.0, 2.0, 3.0]))
    assert mean_power(energy, np.array([0, 1, 2, -1]), 2) == pytest.approx([2.5, 6.5, 4.5, 0.5])


@pytest.mark.parametrize(("after", "told_db"), [(2.0, 6.02), (1.0, 0.0), (0.7, -3.1), (0.1, -5.0), (100.0, 15.0)])
def test_a_jump_is_told_in_db_as_far_as_it_counts(after, told_db):
    at = np.array([[800]])
    assert jump_db(running_energy(stepped(1.0, after)), at, 0.004, 0.008, RATE_HZ) == pytest.approx([told_db], abs=0.01)


def test_the_greatest_jump_near_a_place_speaks_for_it():
    energy = running_energy(stepped(1.0, 2.0))
    around = np.array([[780], [810]]) + np.arange(-24, 25)
    assert jump_db(energy, around, 0.004, 0.004, RATE_HZ) == pytest.approx([6.02, 6.02], abs=0.01)
    assert jump_db(energy, np.array([[760]]), 0.0025, 0.0025, RATE_HZ) == pytest.approx([0.0], abs=0.01)


def test_the_gain_of_a_split_is_the_pickers():
    signal = np.random.default_rng(1).normal(size=1600) * stepped(1.0, 3.0)
    at, before, after = 800, round(0.010 * RATE_HZ), round(0.008 * RATE_HZ)
    picked = split_gain(signal[at - before : at + after])[before]
    assert split_gain_at(running_energy(signal), np.array([[at]]), 0.008, 0.010, RATE_HZ) == pytest.approx([picked])
    weaker = split_gain_at(running_energy(signal[::-1]), np.array([[at]]), 0.008, 0.010, RATE_HZ)
    assert weaker == pytest.approx([0.0], abs=0.0)


def test_louder_is_the_ratio_of_powers_in_each_band():
    energies = running_energy(np.array([stepped(1.0, 2.0), stepped(2.0, 1.0)]))
    told_db = louder_db(energies, np.array([200, 900]), 200, 0.010, RATE_HZ)
    assert told_db == pytest.approx(np.array([[0.0, 6.02], [0.0, -6.02]]), abs=0.01)
