"""Real footsteps as landings, scored as a coach would: rendered drill, simulated room, `drilltimer score --json`.

The steps are the sounds of a free game, Minetest Game (celeron55, Perttu Ahola and contributors), from Debian's package
`minetest-data` (tried with 5.6.1+dfsg+~1.9.0mt8+dfsg-2). They are not shipped here. As its README.txt states them:

- `default_wood_footstep`, `default_dirt_footstep`: Mito551, CC BY-SA 3.0
- `default_hard_footstep`: Erdie, CC BY 3.0, freesound.org/people/Erdie/sounds/41579
- `default_ice_footstep`: InspectorJ, CC BY 3.0, freesound.org/people/InspectorJ/sounds/416967
- `default_metal_footstep`: mypantsfelldown, CC0 1.0, freesound.org/people/mypantsfelldown/sounds/398937

Left out are those in the development scenes, to which weights of the ear were fitted.
"""

from __future__ import annotations

import json
import os
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile
from click.testing import CliRunner
from scipy.signal import resample_poly

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))  # the measuring package is no installed one

from drilltimer.cli import main
from drilltimer.sim import air
from drilltimer.sim.settings import PRESETS
from tests.accuracy.cases import Case
from tests.accuracy.measure import RATE_HZ, record

FOLDER = Path(
    os.environ.get("DRILLTIMER_FOOTSTEPS") or "/usr/share/games/minetest/games/minetest_game/mods/default/sounds"
)
SURFACES = ("wood", "dirt", "hard", "ice", "metal")
IN_THE_SCENES = ("default_wood_footstep.2.ogg", "default_hard_footstep.2.ogg")

# The truth, without any detector: a step begins where the clean clip first reaches 5 % of its peak. Where it takes
# more than 2.5 ms from there to 20 %, the beginning is a matter of opinion, and the clip is not used.
BEGINS_SHARE, RISEN_SHARE, VAGUE_MS = 0.05, 0.20, 2.5
BEFORE_S = 0.003  # of the clip's own sound before that point, kept

FOUND_MS = 50.0

pytestmark = [
    pytest.mark.long,
    pytest.mark.skipif(
        not any(FOLDER.glob("default_*_footstep*.ogg")),
        reason=f"no footsteps in {FOLDER}: apt-get install minetest-data, or set DRILLTIMER_FOOTSTEPS to a folder "
        "with its default_*_footstep.*.ogg",
    ),
]


def clips():
    """Clips that begin clearly, at 48 kHz; each begins `BEFORE_S` after its first sample, peak 1."""
    chosen = {}
    for path in sorted(path for surface in SURFACES for path in FOLDER.glob(f"default_{surface}_footstep.*.ogg")):
        samples, rate_hz = soundfile.read(path, always_2d=True)
        wave = resample_poly(samples.mean(axis=1), RATE_HZ // 50, rate_hz // 50)
        size = np.abs(wave) / np.abs(wave).max()
        begins, risen = (int(np.argmax(size >= share)) for share in (BEGINS_SHARE, RISEN_SHARE))
        if path.name not in IN_THE_SCENES and 1e3 * (risen - begins) / RATE_HZ <= VAGUE_MS:
            before = round(BEFORE_S * RATE_HZ)
            chosen[path.name] = np.pad(wave, (before, 0))[begins:] / np.abs(wave).max()
    return chosen


@pytest.fixture
def real_feet(monkeypatch):
    """The simulated player gets real feet; answers their names."""
    feet = clips()
    waves = list(feet.values())
    monkeypatch.setattr(air, "foot_strike", lambda rate_hz, surface, rng: waves[rng.integers(len(waves))])
    return list(feet)


def scored(case, seed, folder):
    """True and told touchdown of every rep with a contact, in ms of the recording; None for none."""
    made, heard, sheet = record(case, seed, folder)
    answer = CliRunner().invoke(main, ["score", str(heard), "--sheet", str(sheet), "--json"], catch_exceptions=False)
    assert answer.exit_code == 0, answer.stderr
    told = {rep["rep"]: rep["touchdown_s"] for rep in json.loads(answer.stdout)["reps"]}
    pairs = []
    for truth in made.truth:
        if not truth.withheld:
            true_ms = None if truth.touchdown_at is None else 1e3 * (truth.touchdown_at / RATE_HZ + BEFORE_S)
            pairs.append((true_ms, None if told[truth.rep] is None else 1e3 * told[truth.rep]))
    return pairs


def figures(pairs):
    """Signed errors (ms) of those found, how many were missed, how many made up."""
    errors_ms = [
        told - true for true, told in pairs if None not in (true, told) and abs(told - true) <= FOUND_MS
    ]  # fmt: skip
    landings, answers = (sum(pair[side] is not None for pair in pairs) for side in (0, 1))
    return np.array(errors_ms), landings - len(errors_ms), answers - len(errors_ms)


def test_there_are_steps_of_several_floors(real_feet):
    assert len(real_feet) >= 6
    assert len({name.split("_")[1] for name in real_feet}) >= 4


def quiet(name, **changes):
    return replace(PRESETS[name], distractors_per_min=0.0, **changes)


# Room, drill, and what must come out: F1, median |error| and share within 5 ms; measured 2026-12-01, beside it. Each
# strike is another clip, so nothing that was heard before is like it; a third of the landings has steps before them.
CASES = {
    "court, 24 dB": (Case("feet", "", quiet("court", snr_db=24.0)), 0.85, 0.9, 0.80),  # 0.877
    "hall, 24 dB, calls": (Case("feet", "", quiet("hall"), drill="direction"), 0.80, 1.2, 0.80),  # 0.824, 0.44 ms
    "court, 18 dB": (Case("feet", "", quiet("court", snr_db=18.0)), 0.78, 1.2, 0.75),  # 0.836, 0.52 ms
}


@pytest.mark.parametrize("name", CASES)
def test_real_feet_are_heard_and_timed(real_feet, tmp_path, capsys, name):
    case, least_f1, most_median_ms, least_near = CASES[name]
    errors_ms, missed, made_up = figures([pair for seed in (11, 13) for pair in scored(case, seed, tmp_path)])
    size_ms = np.abs(errors_ms)
    f1 = 2 * len(size_ms) / (2 * len(size_ms) + missed + made_up)
    middle, far = np.quantile(size_ms, [0.5, 0.95])
    with capsys.disabled():
        print(
            f"\n{name}: {len(size_ms)} found, {missed} missed, {made_up} made up, F1 {f1:.3f}; |error| median "
            f"{middle:.2f} ms, 95 % {far:.1f} ms, bias {np.median(errors_ms):+.2f} ms"
        )
    assert least_f1 <= f1
    assert 0.02 < middle <= most_median_ms  # nothing real is timed to the sample
    assert -0.5 <= np.median(errors_ms) <= 1.0
    assert np.mean(size_ms <= 5.0) >= least_near
    # The rest are feet taken for one another: the step's heel and ball, or the softer of two feet.
    assert 0.5 < far <= 40.0  # 25-28 ms


def test_without_feet_next_to_nothing_is_heard(monkeypatch, tmp_path):
    """The same session with a player who has no weight."""
    with monkeypatch.context() as light:
        wave = next(iter(clips().values()))
        draws = iter([1.0] * air.SAMPLE_FEET)  # the room sets its level by some feet of full weight first
        light.setattr(air, "foot_strike", lambda rate_hz, surface, rng: next(draws, 1e-6) * wave)
        pairs = scored(CASES["court, 24 dB"][0], 11, tmp_path)
    assert len(pairs) > 12
    assert sum(told is not None for _, told in pairs) <= 0.2 * len(pairs)  # 2 made up of the wind, 2026-11-25
