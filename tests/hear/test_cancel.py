"""Shifting against sines, and removing our own sound against rooms that are known filters."""

from __future__ import annotations

import numpy as np
import pytest

from drilltimer.hear.cancel import OwnSound, shift

RATE_HZ = 16_000


def tapered(signal, edge=400):
    ramp = 0.5 - 0.5 * np.cos(np.pi * np.arange(edge) / edge)
    signal = signal.copy()
    signal[:edge] *= ramp
    signal[-edge:] *= ramp[::-1]
    return signal


@pytest.mark.parametrize("lag", [0.0, 0.25, 0.5, 17.3, -0.75, -41.6])
def test_shifting_a_sine_turns_its_phase(lag):
    n = np.arange(4000)
    inner = slice(800, 3200)
    for frequency_hz in (100.0, 1000.0, 5000.0):
        wave = 2 * np.pi * frequency_hz / RATE_HZ
        moved = shift(tapered(np.sin(wave * n)), lag)
        assert len(moved) == 4000
        np.testing.assert_allclose(moved[inner], np.sin(wave * (n[inner] - lag)), atol=2e-3)


@pytest.mark.parametrize("lag", [0, 1, 333, -1, -333])
def test_shifting_by_whole_samples_moves_them_and_zeros_move_in(lag):
    signal = np.random.default_rng(2).standard_normal(1000)
    moved = shift(signal, float(lag))
    by_hand = np.zeros(1000)
    if lag >= 0:
        by_hand[lag:] = signal[: 1000 - lag]
    else:
        by_hand[:lag] = signal[-lag:]
    np.testing.assert_allclose(moved, by_hand, atol=1e-12)


def test_there_and_back_again_is_where_it_was():
    signal = tapered(np.random.default_rng(3).standard_normal(4000))
    signal = np.convolve(
        signal, np.hanning(9) / 4, "same"
    )  # nothing at half the rate, where a half sample is undefined
    np.testing.assert_allclose(shift(shift(signal, 12.4), -12.4)[50:-50], signal[50:-50], atol=0.02)


def cue_take(seed, frames=24_000):
    """A rep's own sound: a band of noise for a contact, and a longer one before it."""
    rng = np.random.default_rng(seed)
    played = np.zeros(frames)
    at = 8000 + int(rng.integers(2000))
    played[at : at + 800] = rng.standard_normal(800) * np.exp(-np.arange(800) / 200)
    played[at - 6000 : at - 1000] = 0.1 * rng.standard_normal(5000)
    return played


ROOM = np.zeros(300)
ROOM[[0, 37, 90, 151, 299]] = [1.0, -0.6, 0.4, 0.3, -0.2]  # 19 ms of reflections


def heard_in(room, played):
    return np.convolve(played, room)[: len(played)]


def db(power):
    return 10.0 * np.log10(power)


def test_a_known_room_is_learned_and_its_sound_removed():
    own = OwnSound(RATE_HZ)
    left_db = []
    for seed in range(12):
        played = cue_take(seed)
        heard = heard_in(ROOM, played)
        own.learn(played, heard)
        left_db.append(db(np.sum((heard - own.predict(played)) ** 2) / np.sum(heard**2)))
    assert left_db[0] < -6.0
    assert left_db[-1] < -30.0
    fresh = cue_take(99)
    heard = heard_in(ROOM, fresh)
    assert db(np.sum((heard - own.predict(fresh)) ** 2) / np.sum(heard**2)) < -30.0  # also in a rep not yet heard


def test_what_precedes_the_located_arrival_a_little_is_removed_too():
    """The arrival of the first sample is known to a fraction of a millisecond only."""
    own = OwnSound(RATE_HZ)
    for seed in range(12):
        played = cue_take(seed)
        own.learn(np.roll(played, 16), heard_in(ROOM, played))  # located 1 ms late
    fresh = cue_take(99)
    heard = heard_in(ROOM, fresh)
    assert db(np.sum((heard - own.predict(np.roll(fresh, 16))) ** 2) / np.sum(heard**2)) < -30.0


def test_noise_is_left_alone():
    own = OwnSound(RATE_HZ)
    rng = np.random.default_rng(5)
    for seed in range(20):
        played = cue_take(seed)
        noise = 0.1 * rng.standard_normal(len(played))
        heard = heard_in(ROOM, played) + noise
        own.learn(played, heard)
    residual = heard - own.predict(played)
    assert db(np.sum(residual**2) / np.sum(noise**2)) == pytest.approx(0.0, abs=1.0)


def test_a_landing_survives_and_leaves_no_ghost_in_the_next_rep():
    """Landings at another moment in every rep, as strong as the cue."""
    own = OwnSound(RATE_HZ)
    rng = np.random.default_rng(6)
    landing = rng.standard_normal(1200) * np.exp(-np.arange(1200) / 300)
    for seed in range(20):
        played = cue_take(seed)
        heard = heard_in(ROOM, played)
        at = 11_000 + int(rng.integers(4000))
        heard[at : at + 1200] += landing
        own.learn(played, heard)
    residual = heard - own.predict(played)
    assert db(np.sum(residual[at : at + 1200] ** 2) / np.sum(landing**2)) == pytest.approx(0.0, abs=1.0)
    fresh = cue_take(99)
    ghost = heard_in(ROOM, fresh) - own.predict(fresh)
    assert db(np.sum(ghost**2) / np.sum(landing**2)) < -15.0


def test_a_late_reflection_is_removed_once_there_is_material_for_it():
    room = np.zeros(3000)
    room[[0, 37, 2880]] = [1.0, -0.6, 0.5]  # a wall 30 m away: 180 ms
    own = OwnSound(RATE_HZ)
    for seed in range(16):
        played = cue_take(seed)
        own.learn(played, heard_in(room, played))
    fresh = cue_take(99)
    heard = heard_in(room, fresh)
    assert db(np.sum((heard - own.predict(fresh)) ** 2) / np.sum(heard**2)) < -30.0


@pytest.mark.parametrize("seed", range(5))
def test_a_landing_in_the_very_first_rep_is_not_explained_away(seed):
    """One rep bears a short filter alone: the landing comes 100 ms after the contact, the filter ends after 50."""
    own, played = OwnSound(RATE_HZ), cue_take(seed)
    landing = np.random.default_rng(seed).standard_normal(1200) * np.exp(-np.arange(1200) / 300)
    at = int(np.flatnonzero(np.abs(played) > 0.5)[0]) + 1600
    heard = heard_in(ROOM, played)
    heard[at : at + 1200] += landing
    own.learn(played, heard)
    residual = heard - own.predict(played)
    assert db(np.sum(residual[at : at + 1200] ** 2) / np.sum(landing**2)) == pytest.approx(0.0, abs=1.0)


def test_a_reflection_that_moved_is_forgotten_by_three_in_a_hundred_a_rep():
    before, after = np.zeros(300), np.zeros(300)
    before[[0, 90]] = after[[0, 200]] = [1.0, 0.4]
    own = OwnSound(RATE_HZ)
    for seed in range(30):
        played = cue_take(seed)
        own.learn(played, heard_in(before, played))
    for seed in range(24):
        played = cue_take(100 + seed)
        own.learn(played, heard_in(after, played))
    impulse = np.zeros(4000)
    impulse[1000] = 1.0
    response = own.predict(impulse)[1000:1300]
    old, new = sum(0.97 ** (24 + rep) for rep in range(30)), sum(0.97**rep for rep in range(24))
    assert response[90] == pytest.approx(0.4 * old / (old + new), abs=0.02)
    assert response[200] == pytest.approx(0.4 * new / (old + new), abs=0.02)


def test_two_sounds_are_predicted_as_the_sum_of_each():
    """Each with what the room makes of it, up to 2 ms before the moment at which it was located."""
    own, one, other = OwnSound(RATE_HZ), np.zeros(4000), np.zeros(4000)
    for seed in range(12):
        played = cue_take(seed)
        own.learn(np.roll(played, 16), heard_in(ROOM, played))
    one[1000], other[1100] = 1.0, 0.5
    np.testing.assert_allclose(own.predict(one + other), own.predict(one) + own.predict(other), atol=1e-12)
    assert np.abs(own.predict(one)[984]) > 0.5  # located 1 ms late: the direct sound comes 16 samples before


def test_before_anything_was_learned_nothing_is_removed():
    played = cue_take(1)
    assert not OwnSound(RATE_HZ).predict(played).any()
    silent = OwnSound(RATE_HZ)
    silent.learn(np.zeros(4000), np.ones(4000))
    assert not silent.predict(played).any()
