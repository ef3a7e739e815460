"""Evidence for the readings of a sound: named columns, each with what a unit of it is worth in nepers of likelihood.

The weights are those of conditional logits: the reading with the greatest sum is the likeliest one. DEVELOPERS.md tells
how they are fitted ("The ear's weights") and to what those in use were ("Accuracy").
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

Evidence = dict[str, np.ndarray]  # by name, each of shape (readings,)


def weigh(evidence: Evidence, weights: Mapping[str, float]) -> np.ndarray:
    """Log weight of each reading; shape (readings,)."""
    return np.asarray(sum(weights[name] * column for name, column in evidence.items()))
