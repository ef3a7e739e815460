"""From the net's log weights to an answer: when the feet came down, how sure that is, or why it cannot be told.

The weights make a distribution over the columns of the picture and over there having been no landing. Between columns
the arrival picker places the moment (Akaike's criterion for the best split in two: Maeda 1985, Zisin 38:365-379; by
absolute deviations, for by variances a click of rain or fire carries it off). What is told is likely enough; what
is not is either missed, when a landing as loud as this player's would have been heard in this very noise, or void.

What was told is remembered: marks to know this player's landings by, and the power that they bring here.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from typing import TypeVar

import numpy as np

from drilltimer.hear.net import MARK, Answer, Net
from drilltimer.hear.onsets import split_gain
from drilltimer.hear.picture import COLUMN_S, FRAMES, FROM_S, Picture, cut_patch, level_db, picking_bands
from drilltimer.model import LandingSound
from drilltimer.units import ms_from_s

LANDING_S = (-0.3, 0.7)  # from the contact: a touchdown lies here
FIRST_STEP_S = (0.12, 0.62)  # from the touchdown
NEAR_S = 0.010  # touchdowns this near are one and the same
NEAR = round(NEAR_S / COLUMN_S)  # columns
LEAST_BELIEF, MOST_BELIEF = 0.8, 0.99  # of all that is possible, what is told; in a doubtful session more
USUAL_SURE, USUAL_REPS = 0.85, 2.0  # how sure of the likeliest answer one usually is, and as how many reps that counts
LEAST_STEP = 0.5
MARK_S = 0.004  # after the touchdown the net describes it
PICKED_S = 0.002  # a touchdown lies so near the middle of its likeliest column
BACK_S, AHEAD_S = 0.012, 0.006  # what the picker sees about that
PICK_SHARE = 0.5  # of the picker's log-likelihood, which takes samples for independent
LEAST_NONE = 0.5  # for a rep without a landing
LITTLE_NONE, LEAST_RIVAL = 0.2, 0.3  # something was heard, and it is two things at least
# How late the picker is and how far it scatters about that, by the spread of the distribution it picks from: measured
# on made scenes of the splits `fit` and `choose`, whose feet differ by a fifth of a millisecond in how soon they rise.
LATE_MS, LATE_SHARE, LATE_SPREAD_MS = 0.12, 0.5, 0.6
SPREADS_MS, SIGMAS_MS = (0.0, 0.5, 0.7, 1.2), (0.08, 0.5, 0.95, 1.7)
DOUBT_SHARE = 2.0  # what is barely believed scatters so much more
TRIED_S = (-0.05, 0.12, 0.29)  # from the contact: here a usual landing is tried out

NOISY = "too_noisy"
TWO = "two_sounds"

KEPT_REPS = 24  # longer ago, the player stood elsewhere
ENOUGH = 3  # landings from which they are a measure for others
RECALLED_REPS = 6  # that landings of an earlier day speak for: shoes, floor or recording level may have changed

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Hypothesis:
    """What a rep is taken for; moments in samples of the segment.

    Parameters
    ----------
    is_told : bool
        Whether there was a touchdown, and it is sure enough to be told.
    doubt : str
        Why it cannot be told whether there was one, or when; empty where it can.
    likely : float
        The likeliest moment of a touchdown, told or not.
    belief, none : float
        Probability that a touchdown lies near it, and that there was none.
    uncertainty_ms : float
        One sigma about a moment that is told.
    late_ms : float
        By how much the touchdown was usually sooner than that moment.
    level_db : float
        Of the landing, re full scale.
    step : float, optional
        The first step, where it is heard.
    mark, patch : float arrays
        The net's mark of the landing and what it brought, as from `cut_patch`; empty where none is told.
    """

    is_told: bool = False
    doubt: str = ""
    likely: float = 0.0
    belief: float = 0.0
    none: float = 1.0
    uncertainty_ms: float = 0.0
    late_ms: float = 0.0
    level_db: float = 0.0
    step: float | None = None
    mark: np.ndarray = field(default_factory=lambda: np.zeros(0))
    patch: np.ndarray = field(default_factory=lambda: np.zeros(0))

    @property
    def sure(self) -> float:
        """Probability of the likeliest answer, a touchdown or none."""
        return max(self.belief, self.none)


NOTHING = Hypothesis()


def decide(
    picture: Picture,
    net: Net,
    marks: Sequence[np.ndarray],
    usual: np.ndarray,
    edges: tuple[float, float],
    white: np.ndarray,
    rate_hz: float,
    least: float = LEAST_BELIEF,
) -> Hypothesis:
    """Tell a rep's touchdown from its picture, or why none is told.

    Parameters
    ----------
    marks : sequence of float arrays, shape (MARK,)
        Of landings of this player that were told before, this rep's left out.
    usual : float array, shape (BANDS, PATCH)
        What a landing of this player brings here.
    edges : pair of float
        Samples before and after which sounds belong to other reps.
    white : float array, shape (n,)
        The whitened segment.
    least : float
        What must be believed of a touchdown that is told; from `least_belief`.
    """
    allowed = allowed_columns(picture, *edges)
    if not allowed.any():
        return Hypothesis(doubt=NOISY)
    answers = net.read(picture.columns(), marks, allowed)
    shares, none = posterior(answers, allowed)
    near = _near_sums(shares)
    best = int(np.argmax(near))
    likely, spread_ms = _place(picture, shares, best, white, rate_hz)
    belief = float(near[best])
    hypothesis = Hypothesis(False, "", likely, belief, none, sigma_ms(spread_ms, belief), late_ms(spread_ms))
    if belief >= least:
        first = picture.column(likely)
        column = min(FRAMES - 1, round(first + MARK_S / COLUMN_S))
        mark = np.concatenate([each.marks[:, column] for each in answers])
        patch = cut_patch(picture, round(first))
        step = _step_after(picture, answers, first)
        return replace(hypothesis, is_told=True, level_db=level_db(patch), step=step, mark=mark, patch=patch)
    if none >= LEAST_NONE and would_hear(picture, net, marks, usual, allowed, least):
        return hypothesis
    return replace(hypothesis, doubt=TWO if none < LITTLE_NONE and belief > LEAST_RIVAL else NOISY)


def least_belief(others: Sequence[float]) -> float:
    """What must be believed before it is told: the less sure the session's other reps are, the more.

    In noise that the net was not taught it is unsure of most reps, and then it errs where it is sure, too. The log odds
    are moved by twice what the others' are below the usual.

    Parameters
    ----------
    others : sequence of float
        Probability of the likeliest answer, a touchdown or none, of each other rep.
    """
    mean = (sum(others) + USUAL_REPS * USUAL_SURE) / (len(others) + USUAL_REPS)
    odds = _odds(LEAST_BELIEF) * (_odds(USUAL_SURE) / _odds(min(mean, USUAL_SURE))) ** 2
    return min(odds / (1.0 + odds), MOST_BELIEF)


def _odds(share: float) -> float:
    return share / (1.0 - share)


def late_ms(spread_ms: float) -> float:
    """By how much the likeliest moment comes after the touchdown: the vaguer, the more of it is in the noise."""
    return LATE_MS + LATE_SHARE * min(spread_ms, LATE_SPREAD_MS)


def sigma_ms(spread_ms: float, belief: float) -> float:
    """One standard deviation of a touchdown about the moment told."""
    return float(np.interp(spread_ms, SPREADS_MS, SIGMAS_MS)) * (1.0 + DOUBT_SHARE * (1.0 - belief))


def would_hear(
    picture: Picture, net: Net, marks: Sequence[np.ndarray], landing: np.ndarray, allowed: np.ndarray, least: float
) -> bool:
    """Whether a landing, as from `cut_patch`, would be told at most of the times tried if it were put into this rep."""
    columns = [round((time_s - FROM_S) / COLUMN_S) for time_s in TRIED_S]
    columns = [column for column in columns if allowed[column]]
    heard = 0
    for tried, column in enumerate(columns):
        if 2 * heard > len(columns) or 2 * (tried - heard) >= len(columns):
            break  # a player waits for the answer, and the rest cannot change it
        heard += is_heard_at(picture.with_landing(landing, column), net, marks, allowed, column, least)
    return 2 * heard > len(columns)


def is_heard_at(
    picture: Picture, net: Net, marks: Sequence[np.ndarray], allowed: np.ndarray, column: int, least: float
) -> bool:
    """Whether a landing at a column would be told there."""
    shares, _ = posterior(net.read(picture.columns(), marks, allowed), allowed)
    return bool(_near_sums(shares)[column] >= least)


def allowed_columns(picture: Picture, opens: float, closes: float) -> np.ndarray:
    """Columns in which a first touchdown may lie; bool, shape (FRAMES,)."""
    times_s = FROM_S + COLUMN_S * np.arange(FRAMES)
    samples = picture.first + picture.step * np.arange(FRAMES)
    seen = ~np.isnan(picture.power[0])
    return np.asarray(
        (times_s >= LANDING_S[0]) & (times_s <= LANDING_S[1]) & (samples >= opens) & (samples < closes) & seen
    )


def posterior(answers: Sequence[Answer], allowed: np.ndarray) -> tuple[np.ndarray, float]:
    """Probability of a first touchdown in each column, shape (FRAMES,), and of none: the mean of all answers'."""
    weights = [np.append(np.where(allowed, answer.first, -np.inf), answer.none) for answer in answers]
    shares = np.mean([_shares(each) for each in weights], axis=0)
    return shares[:-1], float(shares[-1])


def _shares(weights: np.ndarray) -> np.ndarray:
    """Probabilities of what has these log weights."""
    each = np.exp(weights - weights.max())
    return np.asarray(each / each.sum())


def _near_sums(shares: np.ndarray) -> np.ndarray:
    """Probability within `NEAR_S` of each column."""
    total = np.concatenate([np.zeros(NEAR + 1), np.cumsum(shares), np.full(NEAR, shares.sum())])
    return np.asarray(total[2 * NEAR + 1 :] - total[: -2 * NEAR - 1])


def _place(picture: Picture, shares: np.ndarray, best: int, white: np.ndarray, rate_hz: float) -> tuple[float, float]:
    """The likeliest sample near a column, and the standard deviation (ms) about it."""
    columns = np.arange(max(0, best - NEAR), min(FRAMES, best + NEAR + 1))
    peak = picture.sample(columns[np.argmax(shares[columns])])
    low, high = (round(peak + sign * PICKED_S * rate_hz) for sign in (-1, 1))
    places = np.arange(max(low, 0), min(high, len(white) - 1) + 1)
    prior = np.interp((places - picture.first) / picture.step, np.arange(FRAMES), np.log(np.maximum(shares, 1e-9)))
    begin, end = max(0, int(peak - BACK_S * rate_hz)), min(len(white), int(peak + AHEAD_S * rate_hz))
    around = slice(max(0, begin - 256), end)
    parts = [(weight, part[begin - around.start :]) for weight, part in picking_bands(white[around], rate_hz)]
    gain = np.sum([weight * split_gain(part, 1.0) for weight, part in parts], axis=0)
    logs = prior + 0.5 * PICK_SHARE * np.interp(places, np.arange(begin, end), gain, left=0.0, right=0.0)
    weights = np.exp(logs - logs.max())
    weights /= weights.sum()
    at = int(np.argmax(logs))
    spread = float(np.sqrt(np.sum(weights * (places - places[at]) ** 2)))
    return float(places[at]), ms_from_s(spread / rate_hz)


def _step_after(picture: Picture, answers: Sequence[Answer], first: float) -> float | None:
    """The likeliest moment of a first step after a touchdown at a column; None where there was none."""
    low, high = (int(first + edge_s / COLUMN_S) for edge_s in FIRST_STEP_S)
    piece = slice(low + 1, min(high, FRAMES))
    if piece.stop <= piece.start:
        return None
    none = min(FRAMES - 1, round(first))
    shares = np.mean([_shares(np.append(each.step[piece], each.no_step[none])) for each in answers], axis=0)
    near = _near_sums(shares[:-1])
    best = int(np.argmax(near))
    if near[best] < LEAST_STEP:
        return None
    some = slice(max(0, best - NEAR), best + NEAR + 1)
    middle = np.sum(shares[:-1][some] * np.arange(len(shares) - 1)[some]) / shares[:-1][some].sum()
    return picture.sample(low + 1 + float(middle))


class Memory:
    """The last landings of a player on one channel.

    They are kept by rep, so that a rep heard a second time is not judged by what it taught itself.

    The hops of a sound check stand in for a session's first landings only (`recall`): floor, shoe or level may have
    changed. With a ball beside each of the first three landings 75 of 96 were right with them, 50 without (measured
    2026-11-25).
    """

    def __init__(self) -> None:
        self._landings: dict[int, Hypothesis] = {}
        self._patterns: dict[int, np.ndarray] = {}
        self._sure: dict[int, float] = {}
        self._recalled: list[np.ndarray] = []
        self._reps = 0

    @property
    def landings(self) -> tuple[LandingSound, ...]:
        """Landings heard here, the latest last; recalled ones are left out."""
        return tuple(LandingSound(tuple(float(each) for each in known.mark)) for known in self._landings.values())

    def recall(self, landings: Iterable[LandingSound]) -> None:
        """Begin with landings heard on these devices before; they speak until this session has heard its own."""
        self._recalled = [np.array(each.mark, np.float32) for each in landings if len(each.mark) == MARK]

    def learn(
        self, rep: int, landing: Hypothesis | None, pattern: np.ndarray | None = None, sure: float | None = None
    ) -> None:
        """Take note of what a rep was taken for, how its landing sounds (by `cut_pattern`), and how sure that is."""
        self._reps += 1
        _put(self._sure, rep, sure)
        _put(self._landings, rep, landing)
        _put(self._patterns, rep, pattern)

    def marks(self, rep: int) -> list[np.ndarray]:
        """Marks of the landings known, this rep's left out."""
        heard = [known.mark for other, known in self._landings.items() if other != rep]
        if len(heard) >= ENOUGH or self._reps >= RECALLED_REPS:
            return heard
        return [*self._recalled, *heard]

    def patterns(self, rep: int) -> list[np.ndarray]:
        """How other landings sound, this rep's left out."""
        return [pattern for other, pattern in self._patterns.items() if other != rep]

    def sureness(self, rep: int) -> list[float]:
        """How sure other reps were, this rep's left out."""
        return [sure for other, sure in self._sure.items() if other != rep]

    def landings_by_rep(self) -> dict[int, Hypothesis]:
        """The last landings that were told, by the rep that they belong to."""
        return dict(self._landings)

    def usual(self, rep: int) -> np.ndarray | None:
        """What a landing of this player brings here, this rep's left out: the one in the middle by level; or None."""
        known = sorted(
            (landing for other, landing in self._landings.items() if other != rep), key=lambda landing: landing.level_db
        )
        return known[len(known) // 2].patch if len(known) >= ENOUGH else None


def _put(store: dict[int, T], rep: int, what: T | None) -> None:
    """Keep the latest reps alone."""
    store.pop(rep, None)
    if what is not None:
        store[rep] = what
        while len(store) > KEPT_REPS:
            del store[next(iter(store))]
