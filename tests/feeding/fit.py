"""Fits what `feeding/listener` knows beforehand: sound classes over many scenes of our own, and touchdowns' weights.

    python -m tests.feeding.fit [--scenes 110] [--cache FOLDER]

Half an hour on two cores; `--cache` keeps the scenes. The development scenes with truth take no
part: every figure measured on them is that of a scene left out.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

import click
import numpy as np

import drilltimer.feeding as home
from drilltimer.feeding.impact_finder import Impact
from drilltimer.feeding.listener import FeedListener
from drilltimer.feeding.reverberation import PowerTrack
from drilltimer.feeding.sound_classes import Kind, Prior, level_shift
from drilltimer.feeding.touchdowns import EVIDENCE, Echoes, weigh_evidence
from tests.feeding.label import court_of, find_impacts, label
from tests.feeding.scene import RATE_HZ, Setting, make_scene
from tests.logit import Choice, Logit, fit_logit

DIRECTIONS = 10
ROUNDS = 25
STEADY = 20.0  # sounds' worth of the classes' common covariance
OTHERS = (Kind.OTHER, Kind.OTHER_2, Kind.OTHER_3)
STRENGTH_OF_PRIOR = 0.5


@dataclass(frozen=True, slots=True)
class Example:
    """A scene, its impacts and what they are."""

    truth: dict
    impacts: list[Impact]
    track: PowerTrack
    features: np.ndarray
    kinds: np.ndarray


def load_example(seed: int, cache: Path | None) -> Example:
    """Make a scene, or take it from the cache."""
    sound, text = (cache / f"a{seed:03d}.npy", cache / f"s{seed:03d}.json") if cache else (None, None)
    if sound and text and sound.exists() and text.exists():
        samples, truth = np.load(sound).astype(np.float32) / 32768.0, json.loads(text.read_text(encoding="utf-8"))
    else:
        scene = make_scene(Setting(seed))
        samples, truth = scene.samples, scene.truth
        if sound and text:
            np.save(sound, np.round(samples * 32768.0).clip(-32768, 32767).astype(np.int16))
            text.write_text(json.dumps(truth), encoding="utf-8")
    impacts, track = find_impacts(samples, RATE_HZ)
    features = np.array([impact.features for impact in impacts])
    return Example(truth, impacts, track, features, label(impacts, RATE_HZ, truth))


def fit_prior(examples: list[Example]) -> Prior:
    """Maximum likelihood by expectation and maximisation, from class means of each scene."""
    rng = np.random.default_rng(0)
    counts, means, within, pool, per_s = _statistics(examples, rng)
    scenes, size, depth = means.shape
    seen = counts.sum(axis=0)
    middle = (counts[:, :, None] * means).sum(axis=0) / np.maximum(seen, 1.0)[:, None]
    shared = 0.3 * rng.standard_normal((size, depth, DIRECTIONS))
    own = np.tile(np.eye(depth), (size, 1, 1))
    for _ in range(ROUNDS):
        common, moments, apart, weight = _expect(counts, means, within, middle, shared, own)
        turn = np.linalg.cholesky(moments.mean(axis=0))
        basis = np.column_stack([common, np.ones(scenes)])
        for kind in range(size):
            share = counts[:, kind] / (counts[:, kind] + 2.0)
            gram = np.zeros((DIRECTIONS + 1, DIRECTIONS + 1))
            gram[:-1, :-1] = np.einsum("s,srq->rq", share, moments)
            gram[:-1, -1] = gram[-1, :-1] = share @ common
            gram[-1, -1] = share.sum()
            ridge = np.diag([2.0] * DIRECTIONS + [1e-3])
            solved = (means[:, kind] * share[:, None]).T @ basis @ np.linalg.inv(gram + ridge)
            shared[kind], middle[kind] = solved[:, :-1] @ turn, solved[:, -1]
            spread = (apart[kind] + 2.4 * np.diag(np.diag(pool))) / (weight[kind] + 6.0)
            own[kind] = (spread + spread.T) / 2.0
    return Prior(middle, shared, own, within, per_s)


def _statistics(
    examples: list[Example], rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Counts (scenes, K), means (scenes, K, D), within-scene covariances, their pool, and rates."""
    other = np.concatenate([each.features[each.kinds == Kind.OTHER] for each in examples])
    centres = other[rng.integers(0, len(other), 3)]
    for _ in range(20):
        nearest = ((other[:, None] - centres) ** 2).sum(axis=2).argmin(axis=1)
        centres = np.array([other[nearest == k].mean(axis=0) for k in range(3)])
    size, depth = len(Kind), other.shape[1]
    counts, means = np.zeros((len(examples), size)), np.zeros((len(examples), size, depth))
    scatter, freedom, length_s = np.zeros((size, depth, depth)), np.zeros(size), 0.0
    for row, each in enumerate(examples):
        kinds = each.kinds.copy()
        rest = kinds == Kind.OTHER
        nearest = ((each.features[rest][:, None] - centres) ** 2).sum(axis=2).argmin(axis=1)
        kinds[rest] = np.array(OTHERS)[nearest]
        if each.truth["known"]["feeder"] == "machine":
            kinds[kinds == Kind.CONTACT] = Kind.MACHINE
        shift = level_shift(court_of(each.truth).told)
        length_s += each.impacts[-1].at / RATE_HZ
        for kind in np.unique(kinds):
            mine = each.features[kinds == kind].copy()
            mine[:, 0] -= shift[kind]
            counts[row, kind], means[row, kind] = len(mine), mine.mean(axis=0)
            scatter[kind] += (mine - means[row, kind]).T @ (mine - means[row, kind])
            freedom[kind] += len(mine) - 1
    pool = scatter.sum(axis=0) / freedom.sum()
    within = (scatter + STEADY * np.diag(np.diag(pool))) / (freedom + STEADY)[:, None, None]
    per_s = counts.sum(axis=0) / length_s
    per_s[Kind.MACHINE] = per_s[Kind.CONTACT] = per_s[[Kind.MACHINE, Kind.CONTACT]].sum()
    return counts, means, within + 0.05 * np.eye(depth), pool, per_s


def _expect(
    counts: np.ndarray, means: np.ndarray, within: np.ndarray, middle: np.ndarray, shared: np.ndarray, own: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    scenes, size, depth = means.shape
    common, moments = np.zeros((scenes, DIRECTIONS)), np.zeros((scenes, DIRECTIONS, DIRECTIONS))
    apart, weight = np.zeros((size, depth, depth)), np.zeros(size)
    for scene in range(scenes):
        heard = np.flatnonzero(counts[scene] >= 1)
        sharp = {k: np.linalg.inv(own[k] + within[k] / min(counts[scene, k], 60.0)) for k in heard}
        information = np.eye(DIRECTIONS) + sum(shared[k].T @ sharp[k] @ shared[k] for k in heard)
        doubt = np.linalg.inv(information)
        common[scene] = doubt @ sum(shared[k].T @ sharp[k] @ (means[scene, k] - middle[k]) for k in heard)
        moments[scene] = doubt + np.outer(common[scene], common[scene])
        for k in heard:
            left = own[k] @ sharp[k] @ (means[scene, k] - middle[k] - shared[k] @ common[scene])
            share = counts[scene, k] / (counts[scene, k] + 2.0)
            doubtful = own[k] - own[k] @ sharp[k] @ own[k] + 0.5 * shared[k] @ doubt @ shared[k].T
            apart[k] += share * (np.outer(left, left) + doubtful)
            weight[k] += share
    return common, moments, apart, weight


def touchdown_examples(example: Example, prior: Prior) -> list[tuple[np.ndarray, int]]:
    """Evidence at each true contact, and which candidate is right; the last one is none."""
    truth = example.truth
    court = court_of(truth)
    listener = FeedListener(RATE_HZ, 1, court, prior=prior, touchdown=np.zeros(EVIDENCE + 1))
    classes = listener.learn_from(example.impacts)
    hypothesis = listener.read(example.impacts, classes)
    at_s = np.array([impact.at / RATE_HZ for impact in example.impacts])
    landings = {each["rep"]: each["mic_s"] for each in truth["landings"]}
    near = [int(np.argmin(np.abs(at_s - each["mic_s"]))) for each in truth["contacts"]]
    excerpts = [example.track.cut(example.impacts[place].at) for place in near]
    for place, excerpt in zip(near, excerpts, strict=True):
        listener.learned.tails.learn_from(example.impacts[place].at, excerpt)
    pairs = zip(near, excerpts, strict=True)
    arounds = [listener.around(example.impacts, hypothesis, place, excerpt) for place, excerpt in pairs]
    echoes = Echoes(RATE_HZ)
    for around in arounds:
        echoes.learn_from(around)
    rows = []
    for each, around in zip(truth["contacts"], arounds, strict=True):
        places, evidence = weigh_evidence(around, echoes)
        right = len(places)
        if each["rep"] in landings:
            contact_s = around.impacts[around.contact].at / RATE_HZ
            off_s = np.abs(around.times_s[places] + contact_s - landings[each["rep"]])
            if not len(off_s) or off_s.min() > 0.008:
                continue
            right = int(np.argmin(off_s))
        rows.append((evidence, right))
    return rows


def fit_touchdown(rows: list[tuple[np.ndarray, int]]) -> np.ndarray:
    """Weights of a conditional logit, none first."""
    choices = [
        Choice(evidence, np.arange(len(evidence)) == right, np.ones(1)) for evidence, right in rows if len(evidence)
    ]  # without a candidate there is nothing to choose
    start, free = Logit(np.zeros(EVIDENCE), np.zeros(1)), np.ones(EVIDENCE, bool)
    found = fit_logit(choices, np.ones(len(choices)), start, free, ridge=STRENGTH_OF_PRIOR, scaled=False)
    return np.append(found.none, found.weights)


def fit(examples: list[Example]) -> dict[str, np.ndarray]:
    """All that is shipped, as 32 bit."""
    prior = fit_prior(examples)
    rows = [row for each in examples for row in touchdown_examples(each, prior)]
    named = {name: getattr(prior, name) for name in ("middle", "shared", "own", "within", "per_s")}
    return {name: values.astype(np.float32) for name, values in (named | {"touchdown": fit_touchdown(rows)}).items()}


@click.command()
@click.option("--scenes", default=110, show_default=True)
@click.option("--cache", type=click.Path(path_type=Path, file_okay=False))
def main(scenes: int, cache: Path | None) -> None:
    """Fit and write feeding/listener.npz."""
    examples = [load_example(seed, cache) for seed in range(scenes)]
    np.savez_compressed(Path(home.__path__[0]) / "feeding.npz", **fit(examples))


if __name__ == "__main__":
    main()
