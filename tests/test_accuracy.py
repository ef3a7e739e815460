"""The accuracy that the table in accuracy/README.md states, on the little of it that a test-suite can afford."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))  # the measuring package is no installed one

from drilltimer.sim.settings import PRESETS
from tests.accuracy.cases import STEPPING, Case, quick_cases
from tests.accuracy.guesses import guess_cases, measure_guesses
from tests.accuracy.live import measure_live
from tests.accuracy.measure import measure

pytestmark = pytest.mark.long


@pytest.fixture(scope="module")
def figures():
    return {case.label: measure(case) for case in quick_cases()}


def test_dry_at_20_db_touchdowns_are_timed_within_half_a_millisecond(figures):
    """The goal set for this ear: half a millisecond, without a habit of its own."""
    errors_ms = figures["20 dB"].errors_ms
    assert len(errors_ms) > 40
    assert np.median(np.abs(errors_ms)) < 0.5
    assert abs(np.median(errors_ms)) < 0.4  # 0.31; recorded feet that no fit heard: +0.04


def test_landings_are_found_and_none_made_up(figures):
    assert figures["quiet"].f1 > 0.93
    assert figures["20 dB"].f1 > 0.9


def test_uncertainty_is_as_great_as_the_errors(figures):
    """Errors over told uncertainty, those beyond three of it counting as three: a foot taken for the other."""
    normalised = np.clip(np.concatenate([each.normalised for each in figures.values()]), -3.0, 3.0)
    assert 0.5 < np.std(normalised) < 1.25


def test_live_tells_what_is_told_later():
    """A file is heard twice and its clock is known beforehand; that may sharpen a touchdown, not move it."""
    beside = measure_live(Case("room", "quiet", PRESETS["quiet"], seeds=(1,)))
    assert beside.landings >= 15
    assert len(beside.apart_ms) >= beside.landings - 1
    assert beside.live_alone + beside.later_alone <= 2
    assert 0.0 < np.quantile(np.abs(beside.apart_ms), 0.95) < 0.4  # measured: 0.31


def test_footfalls_too_soon_to_answer_are_guesses_and_answers_are_none():
    """Of those that are heard, at 20 dB; with twelve seeds 94 and 90 % of them, none of the answers."""
    dry, _ = guess_cases((1, 2))
    found = measure_guesses(dry)
    print(found)
    assert found.guesses_heard >= 5
    assert found.hit_rate >= 0.75  # ten guesses
    assert found.false_rate <= 0.05


def test_in_the_drill_for_the_step_in_the_step_is_not_taken_for_the_landing():
    """Every landing has a step 0.2 to 0.45 s before it; four seeds: F1 0.99 in a quiet hall, 0.97 on a court."""
    case = Case("steps before", "step-in", PRESETS["quiet"], "step-in", STEPPING["a step in"], (1,), reps=28)
    found = measure(case)
    assert found.landings >= 24
    assert found.f1 > 0.93
    assert np.mean(np.abs(found.errors_ms) > 20.0) < 0.05
