"""Conversions against published tables and hand arithmetic."""

from __future__ import annotations

import math
import tomllib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drilltimer import units

PUBLISHED = tomllib.loads((Path(__file__).parent / "data" / "published.toml").read_text(encoding="utf-8"))


def rows(section: str, key: str) -> list[tuple[float, float]]:
    return [(float(argument), float(value)) for argument, value in PUBLISHED[section][key].items()]


@pytest.mark.parametrize(("air_c", "expected_m_s"), rows("speed_of_sound", "m_s"))
def test_speed_of_sound(air_c: float, expected_m_s: float) -> None:
    tolerance = PUBLISHED["speed_of_sound"]["tolerance"]
    assert units.speed_of_sound_m_s(air_c) == pytest.approx(expected_m_s, abs=tolerance)


def test_neglecting_humidity_costs_less_than_the_docstring_says() -> None:
    humid = PUBLISHED["humid_air"]
    share = units.speed_of_sound_m_s(humid["air_c"]) / humid["m_s"] - 1
    assert -humid["neglected_share"] < share < 0


def test_no_air_is_colder_than_nothing() -> None:
    with pytest.raises(ValueError, match="below absolute zero"):
        units.speed_of_sound_m_s(-273.15)


def test_way_of_sound() -> None:
    way = PUBLISHED["way_of_sound"]
    assert units.air_delay_ms(way["distance_m"], way["air_c"]) == pytest.approx(way["ms"], abs=way["tolerance"])
    assert units.air_delay_ms(-way["distance_m"], way["air_c"]) == pytest.approx(-way["ms"], abs=way["tolerance"])


@pytest.mark.parametrize("frequency_hz", [0.0, -50.0])
def test_a_weighting_has_no_value_at_or_below_zero(frequency_hz: float) -> None:
    with pytest.raises(ValueError, match="no value"):
        units.a_weighting_db(frequency_hz)


@given(frames=st.integers(-(10**9), 10**9), rate_hz=st.sampled_from([8000, 22_050, 44_100, 48_000, 96_000]))
def test_frames_survive_seconds_and_milliseconds(frames: int, rate_hz: int) -> None:
    time_s = units.s_from_frames(frames, rate_hz)
    assert units.frames_from_s(time_s, rate_hz) == frames
    assert units.frames_from_s(units.s_from_ms(units.ms_from_s(time_s)), rate_hz) == frames


def test_known_levels() -> None:
    assert units.db_from_ratio(10) == pytest.approx(20)
    assert units.db_from_ratio(0.5) == pytest.approx(-6.0206, abs=1e-4)
    assert units.ratio_from_db(-20) == pytest.approx(0.1)
    assert units.db_from_ratio(0) == -math.inf


@given(level_db=st.floats(-200, 200))
def test_levels_survive_ratios(level_db: float) -> None:
    assert units.db_from_ratio(units.ratio_from_db(level_db)) == pytest.approx(level_db, abs=1e-9)
