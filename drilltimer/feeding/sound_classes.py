"""Kinds of sound on a court, as densities of features: what is known beforehand, moved to this session.

A class is a Gaussian whose middle differs between sessions: partly for all classes together (microphone, gain, room,
a few directions `shared`), partly for each alone (this racket, these shoes, `own`). Both parts have a prior from many
scenes, and a session's sounds, each counted by how probably it is of the class, move them: joint factor analysis as in
speaker recognition (Kenny, Boulianne, Ouellet, Dumouchel 2007, IEEE TASLP 15:1435-1447, from memory). What is not known
about a middle widens its density, so that nothing is sure of a racket it has not heard.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import IntEnum
from functools import cache
from importlib.resources import files

import numpy as np

from drilltimer.feeding.impact_finder import LEVEL
from drilltimer.feeding.spots import USUAL_FEEDER_M, USUAL_PLAYER_M, reckoned
from drilltimer.model import Placement

HEAVY_TAIL = 12.0  # degrees of freedom: no sound is as improbable as a Gaussian says
TEMPER = 0.6  # features say the same thing twice
MOST_SOUNDS = 40.0  # of a class that count: nobody hits alike for ever
LEAST_SOUNDS = 0.3


class Kind(IntEnum):
    """What makes a sound. Contacts and bounces of `NEXT` belong to the court beside."""

    CONTACT = 0
    LANDING = 1
    SECOND_FOOT = 2
    OWN_CONTACT = 3
    BOUNCE = 4
    SECOND_BOUNCE = 5
    FAR_BOUNCE = 6
    DROP_BOUNCE = 7
    STEP = 8
    NEXT_CONTACT = 9
    NEXT_BOUNCE = 10
    NEXT_STEP = 11
    OTHER = 12
    MACHINE = 13  # a machine's contact
    OTHER_2 = 14
    OTHER_3 = 15


@dataclass(frozen=True, slots=True)
class Prior:
    """What is known of K classes of sound before a session, each a Gaussian over D features.

    Parameters
    ----------
    middle : float array, shape (K, D)
        Usual features of each class, all sessions taken together.
    shared : float array, shape (K, D, R)
        Directions in which the middles of all classes move together, a standard normal along each.
    own : float array, shape (K, D, D)
        Covariance of what a class moves by itself.
    within : float array, shape (K, D, D)
        Covariance of a class within a session.
    per_s : float array, shape (K,)
        How many of them there are in a second.
    """

    middle: np.ndarray
    shared: np.ndarray
    own: np.ndarray
    within: np.ndarray
    per_s: np.ndarray


BEFORE_FEEDER_M = 2.5  # the far bounce lies so much before the feeder
AT_PLAYER = (Kind.LANDING, Kind.SECOND_FOOT, Kind.OWN_CONTACT, Kind.BOUNCE, Kind.SECOND_BOUNCE, Kind.STEP)


def level_shift(told: Placement) -> np.ndarray:
    """By how much each class is louder than at the usual spots, in the level feature's units; shape (K,)."""
    place = reckoned(told)
    feeder_m, player_m = place.speaker_to_mic_m or USUAL_FEEDER_M, place.player_to_mic_m or USUAL_PLAYER_M

    def louder(usual_m: float, real_m: float) -> float:
        return float(20.0 * np.log10(usual_m / max(real_m, 0.5)) / 6.0)

    shift = np.zeros(len(Kind))
    shift[[Kind.CONTACT, Kind.MACHINE]] = louder(USUAL_FEEDER_M, feeder_m)
    shift[list(AT_PLAYER)] = louder(USUAL_PLAYER_M, player_m)
    far_m = max(feeder_m - BEFORE_FEEDER_M, 2.0)
    shift[[Kind.FAR_BOUNCE, Kind.DROP_BOUNCE]] = louder(USUAL_FEEDER_M - 2.0, far_m)
    return shift


@dataclass(frozen=True, slots=True)
class SoundClasses:
    """Densities of this session; immutable, `learn` gives the next."""

    prior: Prior
    shift: np.ndarray
    machine: bool
    middle: np.ndarray
    precision: np.ndarray
    log_det: np.ndarray

    def log_densities(self, features: np.ndarray) -> np.ndarray:
        """How well each class explains each sound: log of its density; shape (n, K) from features of shape (n, D)."""
        from scipy.special import gammaln

        n, d = features.shape
        half = (HEAVY_TAIL + d) / 2.0
        constant = gammaln(half) - gammaln(HEAVY_TAIL / 2.0) - 0.5 * d * np.log(HEAVY_TAIL / 2.0)
        out = np.empty((n, len(Kind)))
        for kind in range(len(Kind)):
            off = features - self.middle[kind]
            off[:, LEVEL] -= self.shift[kind]
            distance = np.einsum("nd,de,ne->n", off, self.precision[kind], off)
            out[:, kind] = constant - 0.5 * self.log_det[kind] - half * np.log1p(distance / HEAVY_TAIL)
        if self.machine:
            out[:, Kind.CONTACT] = out[:, Kind.MACHINE]
        return TEMPER * out

    def learn(self, features: np.ndarray, shares: np.ndarray) -> SoundClasses:
        """Anew from the prior and these sounds, `shares` (n, K) telling how probably each is of each class."""
        shares = shares.copy()
        if self.machine:
            shares[:, Kind.MACHINE], shares[:, Kind.CONTACT] = shares[:, Kind.CONTACT].copy(), 0.0
        counts = shares.sum(axis=0)
        sums = shares.T @ features
        means = sums / np.maximum(counts, 1e-9)[:, None]
        means[:, LEVEL] -= self.shift
        heard = np.flatnonzero(counts >= LEAST_SOUNDS)
        return fit_session(self, means, counts, heard)


def fit_session(classes: SoundClasses, means: np.ndarray, counts: np.ndarray, heard: np.ndarray) -> SoundClasses:
    """Posterior of the shared directions, then of each class's own part."""
    prior = classes.prior
    rank = prior.shared.shape[2]
    information, pull = np.eye(rank), np.zeros(rank)
    sharpness = {}
    for kind in heard:
        spread = prior.own[kind] + prior.within[kind] / min(counts[kind], MOST_SOUNDS)
        sharpness[kind] = np.linalg.inv(spread)
        towards = prior.shared[kind].T @ sharpness[kind]
        information += towards @ prior.shared[kind]
        pull += towards @ (means[kind] - prior.middle[kind])
    doubt = np.linalg.inv(information)
    common = doubt @ pull
    middle = prior.middle + prior.shared @ common
    own = prior.own.copy()
    for kind, sharp in sharpness.items():
        gain = prior.own[kind] @ sharp
        middle[kind] = middle[kind] + gain @ (means[kind] - middle[kind])
        own[kind] = own[kind] - gain @ prior.own[kind]
    spread = prior.within + own + np.einsum("kdr,rq,keq->kde", prior.shared, doubt, prior.shared)
    return replace(classes, middle=middle, precision=np.linalg.inv(spread), log_det=np.linalg.slogdet(spread)[1])


def classes_for(prior: Prior, told: Placement, *, machine: bool) -> SoundClasses:
    """What is known before a session's first sound."""
    blank = SoundClasses(prior, level_shift(told), machine, prior.middle, prior.own, np.zeros(len(Kind)))
    return fit_session(blank, prior.middle, np.zeros(len(Kind)), np.zeros(0, int))


@cache
def shipped_prior() -> Prior:
    """The fitted prior: `python -m tests.feeding.fit` writes it."""
    return Prior(*(_shipped()[name] for name in ("middle", "shared", "own", "within", "per_s")))


def touchdown_weights() -> np.ndarray:
    """What each kind of evidence for a touchdown is worth, the weight of none at all first."""
    return _shipped()["touchdown"]


@cache
def _shipped() -> dict[str, np.ndarray]:
    with files("drilltimer.feeding").joinpath("feeding.npz").open("rb") as file:
        return {name: values.astype(np.float64) for name, values in np.load(file).items()}
