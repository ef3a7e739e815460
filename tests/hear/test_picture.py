"""A picture is relative to the take's own noise, moves with the contact, and takes a landing in as power."""

import numpy as np
import pytest

from drilltimer.hear.picture import (
    BANDS,
    BEFORE,
    CHANNELS,
    COLUMN_S,
    FRAMES,
    FROM_S,
    PATCH,
    cut_patch,
    draw_picture,
    level_db,
    whiten,
)

RATE_HZ = 16_000
LANDING_S, CONTACT_S = 1.3, 1.15


def segment(level=1.0, late=0):
    """Noise with a thud of 30 ms, `late` samples later than usual, as the ear has it after filters."""
    rng = np.random.default_rng(7)
    noise = 0.01 * rng.normal(size=3 * RATE_HZ)
    at = round(LANDING_S * RATE_HZ)
    t = np.arange(round(0.03 * RATE_HZ)) / RATE_HZ
    noise[at : at + len(t)] += 0.4 * np.sin(2 * np.pi * 300.0 * t) * np.exp(-t / 0.01)
    return level * np.roll(noise, late)


def picture(signal, contact_s=CONTACT_S):
    flat = whiten(signal, RATE_HZ)
    return draw_picture(flat, (), np.zeros_like(flat.power), contact_s * RATE_HZ, RATE_HZ)


def test_columns_lie_where_they_say():
    drawn = picture(segment())
    assert drawn.column(CONTACT_S * RATE_HZ) == pytest.approx(-FROM_S / COLUMN_S, abs=0.5)
    strongest = np.argmax(np.nan_to_num(drawn.power).sum(axis=0))
    assert drawn.sample(strongest) / RATE_HZ == pytest.approx(LANDING_S + 0.004, abs=0.006)
    assert drawn.columns().shape == (CHANNELS, FRAMES)


def test_gain_is_no_part_of_it():
    soft, loud = picture(segment(0.1)).columns(), picture(segment(10.0)).columns()
    assert soft == pytest.approx(loud, abs=1e-3)


def test_what_lies_outside_the_take_is_said_to_be_lost():
    drawn = picture(segment()[: round(1.8 * RATE_HZ)])
    lost = drawn.columns()[-1]
    seen = drawn.sample(np.arange(FRAMES)) < 1.78 * RATE_HZ
    assert not lost[seen].any()
    assert lost[drawn.sample(np.arange(FRAMES)) > 1.81 * RATE_HZ].all()
    assert not drawn.columns()[:-1, -1].any()


def test_a_patch_brings_a_landing_to_another_time():
    drawn = picture(segment())
    first = round(drawn.column(LANDING_S * RATE_HZ))
    patch = cut_patch(drawn, first)
    assert patch.shape == (BANDS, PATCH)
    moved = drawn.with_landing(patch, first - 200)
    power = (moved.power - drawn.power) * drawn.noise[:, None]
    assert power[:, first - 200 - BEFORE : first - 200 - BEFORE + PATCH] == pytest.approx(patch, rel=1e-3, abs=1e-12)
    assert not power[:, first:].any()
    assert np.isfinite(moved.fine).all()


def test_level_is_that_of_the_loudest_ten_milliseconds():
    patch = np.zeros((BANDS, PATCH))
    patch[3, 10:15] = 0.01
    assert level_db(patch) == pytest.approx(-20.0)
    assert level_db(10.0 * patch) == pytest.approx(-10.0)
