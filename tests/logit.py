"""Conditional logits: which of several readings, or none, by what speaks for each. Fits of the ear's weights use it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import accumulate

import numpy as np

RIDGE = 0.3  # of weights that are worth what a deviation of their column is


@dataclass(frozen=True, slots=True)
class Choice:
    """One question: which of these readings, or none?

    Parameters
    ----------
    evidence : float array, shape (readings, columns)
        In the order of the weights.
    right : bool array, shape (readings,)
        Several where they are as good as each other; all False where none is right.
    none : float array, shape (n,)
        What speaks for none; its first entry is 1.
    lost : bool
        There is a right answer, but it is not among the readings.
    """

    evidence: np.ndarray
    right: np.ndarray
    none: np.ndarray
    lost: bool = False


@dataclass(frozen=True, slots=True)
class Logit:
    """Weights of the evidence, and of none."""

    weights: np.ndarray
    none: np.ndarray

    def answer(self, choice: Choice) -> int:
        """Index of the likeliest reading, -1 for none."""
        scores = choice.evidence @ self.weights
        best = int(np.argmax(scores))
        return best if scores[best] > choice.none @ self.none else -1


def fit_logit(
    choices: Sequence[Choice],
    counts: np.ndarray,
    start: Logit,
    free: np.ndarray,
    *,
    ridge: float = RIDGE,
    scaled: bool = True,
) -> Logit:
    """Maximum likelihood with a ridge on the weights of the evidence.

    Parameters
    ----------
    choices : sequence of Choice
        Each with at least one reading.
    counts : float array, shape (choices,)
        How often each counts.
    start : Logit
    free : bool array
        Which weights may move.
    ridge : float
        Half of a weight's square times this is taken off the log likelihood.
    scaled : bool
        Whether a weight is what a deviation of its column is worth there, and not a unit of it.
    """
    from scipy.optimize import minimize

    sizes = [len(choice.right) for choice in choices]
    first = np.array([0, *accumulate(sizes)][:-1])
    owner = np.repeat(np.arange(len(choices)), sizes)
    columns = np.concatenate([choice.evidence for choice in choices])
    right = np.concatenate([choice.right for choice in choices]).astype(float)
    none = np.array([choice.none for choice in choices])
    any_right = np.maximum.reduceat(right, first) > 0.0
    offset = columns[:, ~free] @ start.weights[~free]
    deviations = columns[:, free].std(axis=0) + 1e-9 if scaled else np.ones(int(free.sum()))
    scale = np.append(deviations, np.ones(none.shape[1]))
    moving = columns[:, free] / scale[: free.sum()]

    def loss(theta: np.ndarray) -> tuple[float, np.ndarray]:
        scores, against = moving @ theta[: free.sum()] + offset, none @ theta[free.sum() :]
        top = np.maximum(np.maximum.reduceat(scores, first), against)
        shares, share_none = np.exp(scores - top[owner]), np.exp(against - top)
        total = np.add.reduceat(shares, first) + share_none
        said = np.where(any_right, np.add.reduceat(shares * right, first), share_none) + 1e-300
        value = -float(counts @ (np.log(said) - np.log(total))) + 0.5 * ridge * float(
            theta[: free.sum()] @ theta[: free.sum()]
        )
        pull = (shares / total[owner] - any_right[owner] * shares * right / said[owner]) * counts[owner]
        pull_none = counts * (share_none / total - ~any_right)
        slope = np.append(moving.T @ pull + ridge * theta[: free.sum()], none.T @ pull_none)
        return value, slope

    begin = np.append(start.weights[free], start.none) * scale
    found = minimize(loss, begin, jac=True, method="L-BFGS-B", options={"maxiter": 500}).x / scale
    weights = start.weights.copy()
    weights[free] = found[: free.sum()]
    return Logit(weights, found[free.sum() :])
