"""Live feeding beside the plain way: another library's onsets, the loud ones taken for contacts, the nearest for feet.

    pip install -e '.[test,bench]'
    DRILLTIMER_FEED_SCENES=path/to/feed-scenes python -m tests.benchmarks.feeding

The plain way is treated better than we are: each library's setting, least strength and least time between two contacts
are those with which it does best on the very scenes that judge it; it is told the same distances, and searches the
stretch in which touchdowns lie. All are judged by the scenes' own evaluation.
"""

from __future__ import annotations

import itertools
import json
import os
import time
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np

from drilltimer.feeding.run import Asked, hear_recording
from drilltimer.feeding.spots import placed
from drilltimer.model import Window
from drilltimer.units import air_delay_ms, ms_from_s, s_from_ms
from tests.benchmarks.picker_libraries import LIBRARIES
from tests.evaluation import load_evaluation
from tests.recorded import read_audio

FOLDER = Path(os.environ.get("DRILLTIMER_FEED_SCENES", Path(__file__).resolve().parents[3] / "shared" / "feed-scenes"))
AFTER_S = (-0.17, 0.31)  # touchdown after contact, where the plain way looks for it
QUANTILES = (0.0, 0.3, 0.5, 0.65, 0.75, 0.82, 0.88, 0.92, 0.95)
APART_S = (0.5, 1.2, 1.7, 2.0, 2.4, 2.8)
SAME_S = 0.008  # the contact's own onset is no touchdown
COMPARED = ("librosa", "aubio")

Answers = list[dict[str, float | None]]


def ours(truth: dict[str, Any]) -> Answers:
    """What `drilltimer feed` answers."""
    known = truth["known"]
    told, machine = placed(**known["distances"], air_c=known["temperature_c"]), known["feeder"] == "machine"
    asked = Asked(known["play"], told, Window(0.0, 150.0, 300.0), machine=machine)
    fed = hear_recording(FOLDER / truth["recorded"], asked)
    return [
        {"contact_s": each.contact_heard_s, "landing_s": each.touchdown_s, "after_contact_ms": each.touchdown_ms}
        for each in fed.verdicts
    ]


def pair_nearest(
    truth: dict[str, Any], found: tuple[np.ndarray, np.ndarray], quantile: float, apart_s: float
) -> Answers:
    """Strong onsets well apart are contacts; the touchdown is the onset nearest to the contact in the stretch."""
    at_s, strength = found
    known = truth["known"]
    metres = known["distances"]
    later_s = s_from_ms(air_delay_ms(metres["player_to_mic_m"] - metres["feeder_to_mic_m"], known["temperature_c"]))
    answers: Answers = []
    taken: list[float] = []
    for place in np.argsort(-strength):
        if strength[place] >= np.quantile(strength, quantile) and all(
            abs(at_s[place] - other) >= apart_s for other in taken
        ):
            taken.append(float(at_s[place]))
    for contact_s in sorted(taken):
        after_s = at_s - contact_s - later_s
        near = np.flatnonzero((after_s > AFTER_S[0]) & (after_s < AFTER_S[1]) & (np.abs(at_s - contact_s) > SAME_S))
        best = near[np.argmin(np.abs(after_s[near]))] if len(near) else None
        answers.append(
            {
                "contact_s": contact_s,
                "landing_s": None if best is None else float(at_s[best]),
                "after_contact_ms": None if best is None else ms_from_s(float(after_s[best])),
            }
        )
    return answers


def row(name: str, figures: dict[str, Any], cost_s: float) -> str:
    """A row of the table."""
    return (
        f"| {name} | {figures['precision']:.3f} | {figures['recall']:.3f} | {figures['f1']:.3f} | "
        f"{figures['landing_f1']:.3f} | {figures['after_median_abs_ms']} ms | {100 * figures['right']:.0f} % | "
        f"{cost_s:.1f} s |"
    )


def plainly(library: str, truths: list[dict[str, Any]], judge: ModuleType) -> tuple[str, dict[str, Any], float]:
    """A library's best: its setting, its figures, and the seconds of computing that one setting takes."""
    heard = {truth["scene"]: read_audio(FOLDER / truth["recorded"]) for truth in truths}
    best: tuple[str, dict[str, Any], float] | None = None
    for setting, pick in LIBRARIES[library]().items():
        begins_s = time.process_time()
        found = {name: pick(samples[:, 0], rate_hz) for name, (samples, rate_hz) in heard.items()}
        cost_s = time.process_time() - begins_s
        for quantile, apart_s in itertools.product(QUANTILES, APART_S):
            paired = {each["scene"]: pair_nearest(each, found[each["scene"]], quantile, apart_s) for each in truths}
            figures = judge.line(*judge.score(truths, paired)[:2])
            name = f"{library} ({setting}; strongest {1 - quantile:.0%}, {apart_s:g} s apart), nearest onset"
            if best is None or (figures["f1"], figures["right"]) > (best[1]["f1"], best[1]["right"]):
                best = name, figures, cost_s
    assert best is not None
    return best


def main() -> None:
    """Print the table."""
    judge = load_evaluation(FOLDER / "evaluate_feed.py")
    truths = [json.loads(path.read_text(encoding="utf-8")) for path in sorted(FOLDER.glob("g*.json"))]
    minutes = sum(truth["duration_s"] for truth in truths) / 60.0
    print("| | precision | recall | contact F1 | landing F1 | median error | right | CPU a minute |")
    print("|---|---|---|---|---|---|---|---|")
    begins_s = time.process_time()
    answers = {truth["scene"]: ours(truth) for truth in truths}
    cost_s = (time.process_time() - begins_s) / minutes
    print(row("drilltimer feed", judge.line(*judge.score(truths, answers)[:2]), cost_s))
    for library in COMPARED:
        name, figures, cost_s = plainly(library, truths, judge)
        print(row(name, figures, cost_s / minutes))


if __name__ == "__main__":
    main()
