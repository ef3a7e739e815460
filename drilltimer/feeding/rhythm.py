"""Whose sound is whose, over a sequence: contact, bounce, own contact, far bounce, contact.

A hidden semi-Markov model over the impacts of a stretch. Each is either a state of the play or background; states
follow each other after times that the ball's flight allows, some may go unheard, and play breaks off and begins anew. A
contact is the more likely when something like a landing lies near it. All readings are added up (forward and backward),
so that every impact has its probability of being each state. Times are compared where the sounds were made, not where
they were heard: the way through the air is taken off.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from drilltimer.feeding.forward_backward import REACH, Chain
from drilltimer.feeding.sound_classes import BEFORE_FEEDER_M, Kind
from drilltimer.feeding.spots import reckoned
from drilltimer.model import Placement
from drilltimer.units import speed_of_sound_m_s

PlayKind = Literal["rally", "feed", "return"]
UNHEARD = 0.08  # chance that a state makes no sound that is heard
STRAY = 0.15  # share of such sounds that belong to no state: the ball is picked up, dribbled, hit into the fence
FOREIGN = 1e-3  # per second, of states that this play does not have
MISSING = 0.12  # chance that a contact has no landing
WORTHLESS = -10.0  # log odds below which an impact is no state
EARLY_S, LATE_MEDIAN_S, LATE_START_S, LATE_SPREAD = (-0.22, 0.02), 0.21, -0.06, 0.5
EARLY_SHARE = 0.14


@dataclass(frozen=True, slots=True)
class Flow:
    """A kind of play as a chain of states: who may sound after whom, and how long after.

    Parameters
    ----------
    states : tuple of Kind
        The first one is the contact.
    follow : dict
        State -> (next, mean s, spread s). Spreads are wide: a slow ball and a fast one fit alike.
    breaks : dict
        Chance that play ends after a state.
    """

    states: tuple[Kind, ...]
    follow: dict[Kind, tuple[Kind, float, float]]
    breaks: dict[Kind, float]
    least_pause_s: float


_FLIGHT = {Kind.CONTACT: (Kind.BOUNCE, 0.80, 0.20)}
_ANSWER = {Kind.BOUNCE: (Kind.OWN_CONTACT, 0.36, 0.12), Kind.OWN_CONTACT: (Kind.FAR_BOUNCE, 0.90, 0.20)}
FLOWS: dict[PlayKind, Flow] = {
    "rally": Flow(
        (Kind.CONTACT, Kind.BOUNCE, Kind.OWN_CONTACT, Kind.FAR_BOUNCE, Kind.DROP_BOUNCE),
        {
            **_FLIGHT,
            **_ANSWER,
            Kind.FAR_BOUNCE: (Kind.CONTACT, 0.43, 0.14),
            Kind.DROP_BOUNCE: (Kind.CONTACT, 0.48, 0.15),
        },
        {Kind.CONTACT: 0.12, Kind.BOUNCE: 0.12, Kind.OWN_CONTACT: 0.12, Kind.FAR_BOUNCE: 0.2},
        0.9,
    ),
    "return": Flow(
        (Kind.CONTACT, Kind.BOUNCE, Kind.OWN_CONTACT, Kind.FAR_BOUNCE),
        {**_FLIGHT, **_ANSWER},
        {Kind.CONTACT: 0.08, Kind.BOUNCE: 0.08, Kind.OWN_CONTACT: 0.08, Kind.FAR_BOUNCE: 0.9},
        0.8,
    ),
    "feed": Flow(
        (Kind.CONTACT, Kind.BOUNCE, Kind.SECOND_BOUNCE),
        {**_FLIGHT, Kind.BOUNCE: (Kind.SECOND_BOUNCE, 0.65, 0.22)},
        {Kind.CONTACT: 0.08, Kind.BOUNCE: 0.08, Kind.SECOND_BOUNCE: 0.9},
        0.8,
    ),
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Ways:
    """Seconds that sound needs from where it is made to the microphone."""

    feeder_s: float
    player_s: float
    far_floor_s: float

    def of(self, kind: Kind) -> float:
        """To the microphone from where that kind is made."""
        if kind in (Kind.FAR_BOUNCE, Kind.DROP_BOUNCE):
            return self.far_floor_s
        return self.feeder_s if kind == Kind.CONTACT else self.player_s


def ways_for(told: Placement) -> Ways:
    """How long sounds travel to the microphone; usual distances stand in for those that nobody told."""
    place = reckoned(told)
    feeder_m, player_m, speed_m_s = place.speaker_to_mic_m, place.player_to_mic_m, speed_of_sound_m_s(place.air_c)
    return Ways(feeder_m / speed_m_s, player_m / speed_m_s, max(feeder_m - BEFORE_FEEDER_M, 2.0) / speed_m_s)


@dataclass(frozen=True, slots=True)
class RhythmHypothesis:
    """What the impacts of a stretch are taken for.

    Parameters
    ----------
    states : float array, shape (S, n)
        Probability that an impact is each state of the flow.
    shares : float array, shape (n, K)
        Probability that it is of each class.
    foot_odds : float array, shape (n,)
        Log odds of a landing against all that is not of the play.
    log_likelihood : float
        Of the whole stretch, over that of pure background.
    """

    states: np.ndarray
    shares: np.ndarray
    foot_odds: np.ndarray
    log_likelihood: float


def touchdown_density(after_s: np.ndarray) -> np.ndarray:
    """How usual a touchdown so long after the contact is, per second: most after it, with a long tail; some before."""
    since = np.maximum(after_s - LATE_START_S, 1e-3)
    spread = np.log(since / (LATE_MEDIAN_S)) / LATE_SPREAD
    late = np.exp(-0.5 * spread**2) / (since * LATE_SPREAD * math.sqrt(2.0 * math.pi))
    late = np.where(after_s > LATE_START_S, late, 0.0)
    low, high = EARLY_S
    early = np.where((after_s > low) & (after_s < high), 1.0 / (high - low), 0.0)
    return np.asarray((1.0 - EARLY_SHARE) * late + EARLY_SHARE * early)


def read(times_s: np.ndarray, densities: np.ndarray, per_s: np.ndarray, play: PlayKind, ways: Ways) -> RhythmHypothesis:
    """Weigh all readings of a stretch.

    Parameters
    ----------
    times_s : float array, shape (n,)
        Arrivals, ascending.
    densities : float array, shape (n, K)
        Log densities under each class.
    per_s : float array, shape (K,)
        How often each class sounds.
    """
    flow = FLOWS[play]
    background = _background(densities, per_s, flow)
    odds = densities - _log_sum(background, 1)[:, None]
    emissions = np.array([odds[:, kind] for kind in flow.states])
    after_s = (times_s - ways.player_s)[None, :] - (times_s - ways.feeder_s)[:, None]
    landings = _landing_weights(after_s, odds[:, Kind.LANDING])
    emissions[0] += np.logaddexp(math.log(MISSING), math.log(1.0 - MISSING) + _log_sum(landings, 1))
    kept = np.flatnonzero(emissions.max(axis=0) > WORTHLESS)
    states = np.zeros(emissions.shape)
    states[:, kept], total = _weigh(times_s[kept], emissions[:, kept], flow, ways)
    shares = _shares(states, landings, background, flow)
    return RhythmHypothesis(states, shares, odds[:, Kind.LANDING], total)


def _background(densities: np.ndarray, per_s: np.ndarray, flow: Flow) -> np.ndarray:
    """Log rate density of each class where it is no part of the play; shape (n, K)."""
    rates = np.log(per_s + 1e-12)
    rates[[*flow.states, Kind.LANDING, Kind.CONTACT]] += math.log(STRAY)
    ball = {Kind.OWN_CONTACT, Kind.BOUNCE, Kind.SECOND_BOUNCE, Kind.FAR_BOUNCE, Kind.DROP_BOUNCE}
    rates[[kind for kind in ball if kind not in flow.states]] = math.log(FOREIGN)
    rates[Kind.MACHINE] = -30.0
    return np.asarray(densities + rates)


def _landing_weights(after_s: np.ndarray, odds: np.ndarray) -> np.ndarray:
    """Log weight of each impact (column) as the landing of each contact (row)."""
    with np.errstate(divide="ignore"):
        weights = np.log(touchdown_density(after_s)) + odds[None, :]
    np.fill_diagonal(weights, -np.inf)
    return np.asarray(weights)


def _shares(states: np.ndarray, landings: np.ndarray, background: np.ndarray, flow: Flow) -> np.ndarray:
    shares = np.zeros(background.shape)
    for index, kind in enumerate(flow.states):
        shares[:, kind] += states[index]
    playing = states.sum(axis=0)
    weights = landings + math.log(1.0 - MISSING)
    whole = np.logaddexp(math.log(MISSING), _log_sum(weights, 1))
    landed = (states[0][:, None] * np.exp(weights - whole[:, None])).sum(axis=0)
    landed = np.minimum(landed, np.maximum(1.0 - playing, 0.0))
    shares[:, Kind.LANDING] += landed
    rest = np.maximum(1.0 - playing - landed, 0.0)
    shares += rest[:, None] * np.exp(background - _log_sum(background, 1)[:, None])
    return shares


def _steps(flow: Flow) -> list[tuple[int, int, float, float, float]]:
    """From state, to state, mean s, spread s, chance: the next one, or one later with those between unheard."""
    places = {kind: index for index, kind in enumerate(flow.states)}
    steps = []
    for start in flow.follow:
        at, mean_s, variance, chance = start, 0.0, 0.0, 1.0 - flow.breaks.get(start, 0.05)
        while at in flow.follow:
            at, more_s, spread_s = flow.follow[at]
            mean_s, variance = mean_s + more_s, variance + spread_s**2
            steps.append((places[start], places[at], mean_s, math.sqrt(variance), chance * (1.0 - UNHEARD)))
            chance *= UNHEARD
            if at in (start, Kind.CONTACT):
                break
    return steps


def _step_densities(times_s: np.ndarray, flow: Flow, ways: Ways) -> np.ndarray:
    """Per second, how usual impact i is as state b after impact i - REACH + k as state a, at `[i, b, k, a]`."""
    n, size = len(times_s), len(flow.states)
    padded = np.concatenate([np.full(REACH, -np.inf), times_s])
    gaps_s = times_s[:, None] - padded[np.arange(n)[:, None] + np.arange(REACH)[None, :]]
    densities = np.zeros((n, size, REACH, size))
    delay_s = np.array([ways.of(kind) for kind in flow.states])
    for a, b, mean_s, spread_s, chance in _steps(flow):
        off = (gaps_s - (delay_s[b] - delay_s[a]) - mean_s) / spread_s
        possible = (np.abs(off) < 3.2) & (gaps_s > 0.12)
        density = chance / (spread_s * math.sqrt(2.0 * math.pi)) * np.exp(-0.5 * off**2)
        densities[:, b, :, a] += np.where(possible, density, 0.0)
    return densities


def _weigh(times_s: np.ndarray, emissions: np.ndarray, flow: Flow, ways: Ways) -> tuple[np.ndarray, float]:
    """Probability of each state, shape (S, n), and the log likelihood of it all."""
    if not len(times_s):
        return emissions, 0.0
    begins, ends = _break_chances(flow)
    steps = _step_densities(times_s, flow, ways)
    chain = Chain(times_s, np.exp(emissions), steps, begins, ends, flow.least_pause_s)
    forward, backward = chain.forward(), chain.backward()
    with np.errstate(divide="ignore"):
        total = float(np.logaddexp(_log_sum((forward + np.log(chain.closing)).ravel(), 0), chain.nothing()))
    return np.exp(np.minimum(forward + backward - total, 0.0)), total


def _break_chances(flow: Flow) -> tuple[np.ndarray, np.ndarray]:
    """Chance to begin with each state, and to end after it."""
    begins = np.zeros(len(flow.states))
    begins[0] = 1.0
    if Kind.DROP_BOUNCE in flow.states:
        begins[0], begins[flow.states.index(Kind.DROP_BOUNCE)] = 0.6, 0.4
    return begins, np.array([flow.breaks.get(kind, 0.0) for kind in flow.states])


def _log_sum(values: np.ndarray, axis: int) -> np.ndarray:
    """Log of the sum of exponentials, -inf where there is nothing."""
    top = np.max(values, axis=axis, keepdims=True)
    top = np.where(np.isfinite(top), top, 0.0)
    with np.errstate(divide="ignore"):
        return np.asarray(np.log(np.exp(values - top).sum(axis=axis)) + np.squeeze(top, axis))
