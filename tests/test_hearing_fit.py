"""The fit of the ear's weights: what made the choices is found again, and training scenes say what they sound like."""

from collections import Counter

import numpy as np
import pytest

from drilltimer.hear import decide, feet
from tests.hearing import scene as training
from tests.hearing.fit import tally, told
from tests.hearing.scene import make_scene
from tests.hearing.shoes import RATE_HZ, Shoes, cut_step
from tests.hearing.witness import hear
from tests.logit import Choice, Logit, fit_logit


def drawn(weights, none, rng):
    """A choice among five readings as a conditional logit with these weights makes it; with an offset of its own."""
    columns = np.column_stack([rng.normal(size=(5, len(weights))), rng.normal(size=5)])
    scores = np.append(columns @ np.append(weights, 1.0), none)
    answer = int(np.argmax(scores + rng.gumbel(size=6)))
    return Choice(columns, np.arange(5) == answer, np.ones(1))


def test_the_weights_that_made_the_choices_are_found_again():
    rng = np.random.default_rng(3)
    true, none = np.array([1.5, -2.0, 0.4]), 1.2
    choices = [drawn(true, none, rng) for _ in range(4000)]
    start = Logit(np.array([0.0, 0.0, 0.0, 1.0]), np.zeros(1))
    found = fit_logit(choices, np.ones(len(choices)), start, np.array([True, True, True, False]))
    assert found.weights == pytest.approx([*true, 1.0], abs=0.15)  # three standard errors
    assert found.none == pytest.approx([none], abs=0.15)


def test_several_right_answers_are_as_good_as_each_other():
    rng = np.random.default_rng(4)
    choices = [drawn(np.array([1.5]), 1.2, rng) for _ in range(4000)]
    twice = [
        Choice(np.repeat(each.evidence, 2, axis=0), np.repeat(each.right, 2), each.none) for each in choices
    ]  # every reading comes twice: none must weigh as much more
    fixed = np.array([True, False])
    once, doubled = (
        fit_logit(some, np.ones(len(some)), Logit(np.array([0.0, 1.0]), np.zeros(1)), fixed)
        for some in (choices, twice)
    )
    assert doubled.weights == pytest.approx(once.weights, abs=0.02)
    assert doubled.none - once.none == pytest.approx([np.log(2.0)], abs=0.02)


def test_answers_are_counted_by_kind():
    logit = Logit(np.array([1.0]), np.array([0.5]))
    evidence = np.array([[0.0], [1.0]])
    right, wrong, none = np.array([False, True]), np.array([True, False]), np.array([False, False])
    choices = [Choice(evidence, right, np.ones(1)), Choice(evidence, wrong, np.ones(1))]
    choices += [Choice(evidence, none, np.ones(1)), Choice(evidence - 1.0, right, np.ones(1))]
    choices += [Choice(evidence - 1.0, none, np.ones(1)), Choice(evidence - 1.0, none, np.ones(1), lost=True)]
    assert list(tally(logit, choices)) == [1, 1, 2, 1, 1]


def test_a_step_is_cut_where_it_begins_and_before_a_second_impact():
    decay = np.exp(-np.arange(9600) / 300.0)
    step = np.random.default_rng(1).normal(size=9600) * decay
    twice = np.pad(step, (480, 4800)) + 0.8 * np.pad(step, (5280, 0))
    clip = cut_step(twice)
    assert clip is not None
    assert np.abs(clip).max() == pytest.approx(1.0)
    assert 0.08 * RATE_HZ <= len(clip) <= 0.1 * RATE_HZ  # the second one comes 100 ms after the first
    assert np.argmax(np.abs(clip) > 0.05) < 0.001 * RATE_HZ
    assert cut_step(np.linspace(0.0, 1.0, 9600) ** 2 * np.sin(np.arange(9600))) is None  # no clear beginning


def test_a_players_feet_sound_alike():
    shoes = Shoes(np.random.default_rng(2), {})
    rng = np.random.default_rng(5)
    strikes = np.array([shoes.strike(RATE_HZ, "wood", rng)[:960] for _ in range(12)])
    alike = np.corrcoef(strikes)[np.triu_indices(12, 1)]
    assert 0.4 < np.quantile(alike, 0.9) < 0.9999


def test_a_training_scene_is_weighed_by_the_products_own_code(tmp_path, monkeypatch):
    monkeypatch.setattr(training, "REPS", 6)
    monkeypatch.setattr(training, "SNRS_DB", (30.0,))
    made = make_scene(5, {}, tmp_path)
    assert make_scene(5, {}, tmp_path) == made
    feet_told = Counter(truth.second_s is not None for truth in made.truths.values() if truth.first_s is not None)
    assert feet_told[True] + feet_told[False] >= 4
    choices = hear(made)
    weights = {"landing": decide.LANDING, "step": decide.STEP}
    weights |= {"first foot": feet.FIRST_FOOT, "second foot": feet.SECOND_FOOT}
    for question, asked in choices.items():
        assert all(each.evidence.shape == (len(each.right), len(weights[question])) for each in asked), question
    assert len(choices["landing"]) == 2 * len(made.truths)  # heard twice
    right = sum(bool(each.right.any()) for each in choices["landing"])
    assert right == pytest.approx(2 * (feet_told[True] + feet_told[False]), abs=2)


def test_weights_are_told_as_they_stand_in_the_code():
    logit = Logit(np.array(list(feet.FIRST_FOOT.values())), np.array([feet.NO_FIRST_FOOT]))
    scope = {}
    exec(told("first foot", logit), scope)
    assert scope["FIRST_FOOT"] == feet.FIRST_FOOT
    assert scope["NO_FIRST_FOOT"] == feet.NO_FIRST_FOOT
