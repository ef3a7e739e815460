"""`score` on recordings in which the player steps into the hop or bounces on the toes first; exact truth, not ours."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest
from test_scenes import compare, f1, score_all, touchdowns_s

FOLDER = Path(
    os.environ.get("DRILLTIMER_APPROACH_SCENES") or Path(__file__).parents[2].parent / "shared" / "approach-scenes"
)
NEAR_S = 0.02

pytestmark = [
    pytest.mark.long,
    pytest.mark.skipif(
        not any(FOLDER.glob("s*.json")),
        reason=f"no recordings with steps before the landing in {FOLDER}; set DRILLTIMER_APPROACH_SCENES to a "
        "folder of sNN.json truth files with the played and the recorded FLAC that each of them names",
    ),
]


@pytest.fixture(scope="module")
def scored(tmp_path_factory):
    return score_all(FOLDER, "s*.json", tmp_path_factory)


def test_a_step_into_the_hop_is_not_taken_for_the_landing(scored, capsys):
    lines, told, at_steps, found, missed, made_up = [], 0, 0, 0, 0, 0
    for truth, document in scored:
        errors, not_found, false = compare(truth, document, NEAR_S)
        before_s = np.array(
            [each["mic_s"] for each in truth["others"] if each["type"] in ("approach_step", "toe_bounce")]
        )
        landings_s = np.array([each["mic_s"] for each in truth["landings"]])
        at = [
            at_s
            for at_s in touchdowns_s(document)
            if np.min(np.abs(before_s - at_s)) <= NEAR_S < np.min(np.abs(landings_s - at_s))
        ]
        told, at_steps = told + len(touchdowns_s(document)), at_steps + len(at)
        found, missed, made_up = found + len(errors), missed + not_found, made_up + false
        snr_db = truth["condition"]["snr_db"]
        figures = f"{len(errors)} found, {not_found} not, {false} wrong, {len(at)} at a step"
        lines.append(f"{truth['scene']} {snr_db:2.0f} dB: {figures}")
    lines.append(f"all: F1 {f1(found, missed, made_up):.3f}, {at_steps} of {told} told at a step before the landing")
    with capsys.disabled():
        print("\n" + "\n".join(lines))
    assert f1(found, missed, made_up) >= 0.89
    assert made_up <= 0.03 * told  # two of 75
    assert at_steps <= 0.02 * told
