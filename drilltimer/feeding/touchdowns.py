"""Which impact near a feeder's contact is the touchdown, or is there none: every candidate weighed against the others.

What speaks for a candidate: that it sounds like this player's landings, that it comes when landings come, that nothing
like a foot came just before it (it would be the second foot), that it stands out of how contacts ring on (`tails`), and
that it does not come at the same time after every contact, as a wall's echo does and no player. The weights are a
conditional logit's, fitted to scenes of our own (`python -m tests.feeding.fit`), the shipped development scenes left
out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from drilltimer.feeding.impact_finder import Impact
from drilltimer.feeding.reverberation import Followed
from drilltimer.feeding.rhythm import touchdown_density
from drilltimer.feeding.sound_classes import Kind
from drilltimer.units import ms_from_s

WINDOW_S = (-0.24, 0.52)  # touchdown after contact
ECHO_S = 0.0015  # an echo keeps its time within this: the feeder moves by half a metre
LAST_ECHO_S = 0.6
SHORTLY_S = 0.08
ODDS = (-8.0, 10.0)
EVIDENCE = 15
FEET = (Kind.LANDING, Kind.SECOND_FOOT, Kind.STEP)
FOREIGN = (Kind.NEXT_CONTACT, Kind.NEXT_BOUNCE)
NOISE = (Kind.OTHER, Kind.OTHER_2, Kind.OTHER_3)
LEAST_SHARE = 0.01
LEAST_UNCOVERED = 0.05  # of strength: below, nothing stands out of a contact's tail
ONE_SIGMA = 0.6827
SECOND_FOOT_S = (0.008, 0.085)


@dataclass(frozen=True, slots=True)
class Neighbourhood:
    """Impacts around a contact, in time order.

    Parameters
    ----------
    times_s : float array, shape (n,)
        Since the contact's arrival.
    foot_odds, playing : float array, shape (n,)
        Log odds of being a landing; probability of being another state of the play.
    shares : float array, shape (n, K)
        Probability of each class.
    uncovered : float array, shape (n,)
        Strength when the contact's own tail counts as noise.
    contact : int
        Place of the contact itself.
    later_s : float
        By how much longer the player's sounds travel than the feeder's.
    """

    impacts: Sequence[Impact]
    times_s: np.ndarray
    foot_odds: np.ndarray
    playing: np.ndarray
    shares: np.ndarray
    uncovered: np.ndarray
    contact: int
    later_s: float

    def kinds_of(self, place: int) -> tuple[float, float, float]:
        """How probably an impact is a foot at all, of the court beside, or noise and echo."""
        share = self.shares[place]
        return float(share[list(FEET)].sum()), float(share[list(FOREIGN)].sum()), float(share[list(NOISE)].sum())

    def candidates(self) -> np.ndarray:
        """Places of the impacts that may be the touchdown."""
        after_s = self.times_s - self.later_s
        near = (after_s > WINDOW_S[0]) & (after_s < WINDOW_S[1])
        near[self.contact] = False
        return np.flatnonzero(near)


class Echoes:
    """What followed other contacts in a stream at `rate_hz`, and when: a wall answers each of them alike."""

    def __init__(self, rate_hz: float) -> None:
        self._heard: Followed[np.ndarray] = Followed(rate_hz)

    def learn_from(self, around: Neighbourhood) -> None:
        """Take note of the impacts after a contact."""
        lags_s = around.times_s[(around.times_s > 0.0) & (around.times_s < LAST_ECHO_S)]
        self._heard.put(around.impacts[around.contact].at, lags_s)

    def log_odds(self, contact_frame: int, lag_s: float) -> float:
        """Of an impact so long after that contact being an echo, by how many other contacts have it too."""
        others = self._heard.others(contact_frame)
        share = 0.1
        if lag_s > 0.003 and others:
            nearest = np.array([np.abs(lags - lag_s).min(initial=1.0) for lags in others])
            share = (float(np.exp(-0.5 * (nearest / ECHO_S) ** 2).sum()) + 0.1) / (len(others) + 1.0)
        return float(np.log(share / (1.02 - share)))


def weigh_evidence(around: Neighbourhood, echoes: Echoes) -> tuple[np.ndarray, np.ndarray]:
    """Candidates' places, and what speaks for each; shape (candidates, EVIDENCE)."""
    places = around.candidates()
    contact = around.impacts[around.contact]
    usual = np.log(touchdown_density(around.times_s - around.later_s) + 1e-3)
    rows = np.zeros((len(places), EVIDENCE))
    for row, place in enumerate(places):
        impact, at_s = around.impacts[place], float(around.times_s[place])
        before, louder_db = _foot_nearby(around, place, -1)
        after, _ = _foot_nearby(around, place, 1)
        softer_db = float(np.clip(contact.level_db - impact.level_db, -20.0, 25.0))
        rows[row] = (
            float(np.clip(around.foot_odds[place], *ODDS)),
            usual[place],
            echoes.log_odds(round(contact.at), at_s),
            float(np.log(impact.strength)),
            louder_db / 10.0,
            before / 5.0,
            around.playing[place],
            softer_db / 10.0 if 0.0 < at_s < 0.15 else 0.0,
            float(at_s < 0.0),
            after / 5.0,
            min(abs(at_s) / 0.03, 1.0),
            float(np.log(around.uncovered[place] + LEAST_UNCOVERED)),
            *(float(np.log(share + LEAST_SHARE)) for share in around.kinds_of(int(place))),
        )
    return places, rows


def _foot_nearby(around: Neighbourhood, place: int, side: int) -> tuple[float, float]:
    """Best foot odds shortly before (-1) or after (1) an impact, and how much louder anything there was."""
    best, louder_db, other = -6.0, -25.0, place + side
    level_db = around.impacts[place].level_db
    while 0 <= other < len(around.impacts):
        if abs(around.times_s[other] - around.times_s[place]) >= SHORTLY_S:
            break
        if other != around.contact:
            best = max(best, min(float(around.foot_odds[other]), 8.0))
            louder_db = max(louder_db, around.impacts[other].level_db - level_db)
        other += side
    return best, float(np.clip(louder_db, -25.0, 15.0))


def chances(rows: np.ndarray, weights: np.ndarray) -> np.ndarray:
    """Probability of each candidate, the last entry being "none"; `weights` (EVIDENCE + 1,), the first for none."""
    scores = np.append(rows @ weights[1:], weights[0])
    shares = np.exp(scores - scores.max())
    return np.asarray(shares / shares.sum())


def half_width_ms(around: Neighbourhood, places: np.ndarray, shares: np.ndarray, best: int) -> float:
    """Distance from the chosen candidate within which the touchdown lies with one sigma's probability, if there is one.

    Each candidate is a normal distribution of its picker's scatter, weighed by its share: where another one is nearly
    as likely, the distance reaches to it.
    """
    from scipy.special import ndtr

    off_ms = np.array([ms_from_s(around.times_s[place] - around.times_s[places[best]]) for place in places])
    off_ms -= [around.impacts[place].late_ms - around.impacts[places[best]].late_ms for place in places]
    sigma_ms = np.array([around.impacts[place].scatter_ms for place in places])
    weights = shares[: len(places)] / shares[: len(places)].sum()
    low_ms, high_ms = 0.0, float(np.abs(off_ms).max() + 5.0 * sigma_ms.max())
    for _ in range(40):
        middle_ms = 0.5 * (low_ms + high_ms)
        within = ndtr((middle_ms - off_ms) / sigma_ms) - ndtr((-middle_ms - off_ms) / sigma_ms)
        if float(weights @ within) < ONE_SIGMA:
            low_ms = middle_ms
        else:
            high_ms = middle_ms
    return high_ms
