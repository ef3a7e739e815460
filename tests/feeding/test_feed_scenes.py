"""Live feeding on development scenes with truth, through `drilltimer feed --json`, as a user would.

The scenes are too big to ship; without them this skips. Nothing was fitted to them, so every figure here is that of
scenes left out. Only what their `known` block tells is told.
"""

from __future__ import annotations

import json
import os
from pathlib import Path
from types import ModuleType

import jsonschema
import pytest
from click.testing import CliRunner
from schemas import feed_schema

from drilltimer.cli import main
from tests.evaluation import load_evaluation

FOLDER = Path(os.environ.get("DRILLTIMER_FEED_SCENES", Path(__file__).resolve().parents[3] / "shared" / "feed-scenes"))
NAMES = sorted(path.stem for path in FOLDER.glob("g*.json")) if FOLDER.is_dir() else []
pytestmark = [
    pytest.mark.long,
    pytest.mark.skipif(not NAMES, reason="no feed scenes: set DRILLTIMER_FEED_SCENES to a folder of them"),
]


@pytest.fixture(scope="module")
def judge() -> ModuleType:
    return load_evaluation(FOLDER / "evaluate_feed.py")


def hear(name: str) -> tuple[dict, list[dict]]:
    """Truth, and answers in the evaluation's form."""
    truth = json.loads((FOLDER / f"{name}.json").read_text(encoding="utf-8"))
    known = truth["known"]
    options = ["--play", known["play"], "--feeder", known["feeder"], "--air-c", str(known["temperature_c"]), "--json"]
    for key, metres in known["distances"].items():
        options += ["--" + key.removesuffix("_m").replace("_", "-"), str(metres)]
    result = CliRunner().invoke(main, ["feed", str(FOLDER / truth["recorded"]), *options])
    assert result.exit_code == 0, result.output
    document = json.loads(result.stdout)
    jsonschema.validate(document, feed_schema())
    answers = [
        {
            "contact_s": rep["contact_heard_s"],
            "landing_s": rep["touchdown_s"],
            "after_contact_ms": rep["touchdown_ms"],
        }
        for rep in document["reps"]
    ]
    return truth, answers


def test_contacts_and_touchdowns_of_scenes_left_out(judge: ModuleType) -> None:
    truths, answers = [], {}
    for name in NAMES:
        truth, answers[name] = hear(name)
        truths.append(truth)
        print(name, judge.line(*judge.score([truth], answers)[:2]))
    figures = judge.line(*judge.score(truths, answers)[:2])
    print("all", figures)
    assert figures["f1"] >= 0.92
    assert figures["right"] >= 0.80
    assert abs(figures["after_bias_ms"]) < 3.0
