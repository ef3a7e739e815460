"""Conditional logits: what made the choices is found again."""

import numpy as np
import pytest

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
