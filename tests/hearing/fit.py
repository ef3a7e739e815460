"""Fits the weights by which the ear reads a rep, and prints them as they stand in the code.

    python -m tests.hearing.fit --cache FOLDER [--feet FOLDER ...] [--scenes FOLDER ...] [--count 60]

Makes training scenes (`scene`), hears them through the product's own code (`witness`), and fits four conditional
logits: which rise is the landing, which the first step (`hear/decide.py`), which the foot before, which the one after
(`hear/feet.py`). `--feet` are folders of recorded steps, one to a file; `--scenes` are further scenes with truth. What
the ear weighs depends on what it decided before, so paste and fit again until the figures stay.
"""

from __future__ import annotations

from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import click
import numpy as np

from drilltimer.hear import decide, feet
from tests.hearing.scene import Scene, make_scene, read_scene
from tests.hearing.shoes import recorded_feet
from tests.hearing.witness import Choices, hear
from tests.logit import Choice, Logit, fit_logit

FOLDS = 6
FIXED = {"usual_time"}
# So much is taken off the fitted weight of none: a second foot is told when it is 0.6 times as likely as none, for
# likelihood counts a landing made up and one left out alike, and of the latter there are more.
LENIENT = {"second foot": 0.5}
QUESTIONS = {
    "landing": ("LANDING", decide.LANDING, {"NO_LANDING": decide.NO_LANDING, "NEVER_LANDED": decide.NEVER_LANDED}),
    "step": ("STEP", decide.STEP, {"NO_STEP": decide.NO_STEP}),
    "first foot": ("FIRST_FOOT", feet.FIRST_FOOT, {"NO_FIRST_FOOT": feet.NO_FIRST_FOOT}),
    "second foot": ("SECOND_FOOT", feet.SECOND_FOOT, {"NO_SECOND_FOOT": feet.NO_SECOND_FOOT}),
}


@dataclass(frozen=True, slots=True)
class Heard:
    """Choices of one scene; `source` is where the scene came from."""

    source: str
    choices: Choices


def shipped(question: str) -> Logit:
    """Today's weights."""
    _, weights, none = QUESTIONS[question]
    return Logit(np.array(list(weights.values())), np.array(list(none.values())))


def fit(question: str, heard: list[Heard], shared_count: float) -> Logit:
    """Fit one question to these scenes; those not made here count `shared_count` times."""
    _, weights, _ = QUESTIONS[question]
    pairs = [
        (choice, 1.0 if each.source == "own" else shared_count)
        for each in heard
        for choice in each.choices[question]
        if not choice.lost
    ]
    free = np.array([name not in FIXED for name in weights])
    counts = np.array([count for _, count in pairs])
    found = fit_logit([choice for choice, _ in pairs], counts, shipped(question), free)
    return Logit(found.weights, found.none - LENIENT.get(question, 0.0) * (np.arange(len(found.none)) == 0))


def tally(logit: Logit, choices: list[Choice]) -> np.ndarray:
    """Right, at another place, missed; made up, rightly none."""
    counts = np.zeros(5, int)
    for choice in choices:
        answer = logit.answer(choice)
        if choice.lost or choice.right.any():
            counts[2 if answer < 0 else 0 if choice.right[answer] else 1] += 1
        else:
            counts[4 if answer < 0 else 3] += 1
    return counts


def today(question: str, heard: list[Heard]) -> dict[str, np.ndarray]:
    """Tally of today's weights by source."""
    tallies: dict[str, np.ndarray] = {}
    for each in heard:
        tallies[each.source] = tallies.get(each.source, 0) + tally(shipped(question), each.choices[question])
    return tallies


def left_out(question: str, heard: list[Heard], shared_count: float) -> dict[str, np.ndarray]:
    """Tally by source, each scene answered by weights that were fitted without it."""
    tallies: dict[str, np.ndarray] = {}
    for fold in range(FOLDS):
        logit = fit(question, [each for k, each in enumerate(heard) if k % FOLDS != fold], shared_count)
        for each in heard[fold::FOLDS]:
            tallies[each.source] = tallies.get(each.source, 0) + tally(logit, each.choices[question])
    return tallies


def told(question: str, logit: Logit) -> str:
    """The weights as they stand in the code."""
    name, weights, none = QUESTIONS[question]
    lines = [f"{name} = {{"]
    lines += [f'    "{key}": {value:.2f},' for key, value in zip(weights, logit.weights, strict=True)]
    lines.append("}")
    return "\n".join(lines + [f"{key} = {value:.2f}" for key, value in zip(none, logit.none, strict=True)])


def _listen(scene: Scene, source: str) -> Heard:
    return Heard(source, hear(scene))


def _own(seed: int, folders: tuple[Path, ...], leave_out: tuple[str, ...], cache: Path) -> Heard:
    return _listen(make_scene(seed, recorded_feet(folders, leave_out), cache), "own")


@click.command()
@click.option("--cache", type=click.Path(path_type=Path, file_okay=False), required=True, help="Scenes are kept here.")
@click.option("--count", default=60, show_default=True, help="Scenes of our own.")
@click.option("--feet", "folders", multiple=True, type=click.Path(path_type=Path, exists=True, file_okay=False))
@click.option("--leave-out", multiple=True, help="Stem of a file of --feet that must not be learned from.")
@click.option("--scenes", multiple=True, type=click.Path(path_type=Path, exists=True, file_okay=False))
@click.option("--shared-count", default=3.0, show_default=True, help="How often a landing of --scenes counts.")
@click.option("--jobs", default=2, show_default=True)
def main(
    cache: Path,
    count: int,
    folders: tuple[Path, ...],
    leave_out: tuple[str, ...],
    scenes: tuple[Path, ...],
    shared_count: float,
    jobs: int,
) -> None:
    """Fit, and print weights and left-out figures."""
    cache.mkdir(parents=True, exist_ok=True)
    further = [(read_scene(path, cache), folder.name) for folder in scenes for path in sorted(folder.glob("*.json"))]
    own = partial(_own, folders=folders, leave_out=leave_out, cache=cache)
    with ProcessPoolExecutor(jobs) as workers:
        heard = list(workers.map(own, range(count)))
        heard += workers.map(_listen, *zip(*further, strict=True)) if further else []
    for question in QUESTIONS:
        for kind, tallies in (("today", today(question, heard)), ("left out", left_out(question, heard, shared_count))):
            for source, (right, elsewhere, missed, made_up, none) in tallies.items():
                true = right + elsewhere + missed
                click.echo(
                    f"# {question}, {source}, {kind}: {right} of {true} right, {elsewhere} at another place; "
                    f"{made_up} of {made_up + none} made up"
                )
        click.echo(told(question, fit(question, heard, shared_count)) + "\n")


if __name__ == "__main__":
    main()
