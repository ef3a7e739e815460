"""What this player's landing sounds like here, learned from the session: colour, spread, and the strength of noise."""

from __future__ import annotations

from collections import deque

import numpy as np

from drilltimer.hear.onsets import COLOUR_EDGES_HZ

KEEP = 40
BROAD_DB = 9.0  # spread of a landing's band levels before anything is known
NARROW_DB = 3.0  # no player lands twice alike
PRIOR_LANDINGS = 4.0  # how many landings the broad spread weighs


class Profile:
    """Running, robust description of landings and of noise."""

    def __init__(self) -> None:
        self._colours: deque[np.ndarray] = deque(maxlen=KEEP)
        self._guesses: deque[np.ndarray] = deque(maxlen=KEEP)
        self._noise: deque[np.ndarray] = deque(maxlen=KEEP)

    def learn_landing(self, colour_db: np.ndarray) -> None:
        """Take in the colour of a landing that was decided on."""
        self._colours.append(colour_db)

    def learn_guess(self, colour_db: np.ndarray) -> None:
        """Take in the colour of a rep's strongest sound: a first idea until landings are known."""
        self._guesses.append(colour_db)

    def learn_noise(self, strengths: np.ndarray) -> None:
        """Take in the strengths of all rises of a take, most of which are noise."""
        if len(strengths):
            self._noise.append(np.quantile(strengths, (0.5, 0.85)))

    def colour(self) -> tuple[np.ndarray, np.ndarray]:
        """Typical colour and its spread, both in dB and of shape (8,)."""
        known = self._colours if len(self._colours) > 2 else self._guesses
        if not known:
            bands = len(COLOUR_EDGES_HZ) - 1
            return np.full(bands, -40.0), np.full(bands, 1e3)
        seen = np.array(known)
        middle = np.median(seen, axis=0)
        spread = np.clip(1.4826 * np.median(np.abs(seen - middle), axis=0), NARROW_DB, 12.0)
        n = len(self._colours)
        return middle, np.sqrt((n * spread**2 + PRIOR_LANDINGS * BROAD_DB**2) / (n + PRIOR_LANDINGS))

    def noise(self) -> tuple[float, float]:
        """Median strength of a rise that is only noise, and the scale of its exponential tail."""
        if not self._noise:
            return 0.35, 0.15
        middle, high = np.median(np.array(self._noise), axis=0)
        return float(middle), max(float(high - middle) / 1.2, 0.02)
