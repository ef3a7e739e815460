"""One definition of the target: code, README, `drills show` and results say the same, also where it is no middle."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from drilltimer.drill.language import load_drill
from drilltimer.drill.summary import describe
from drilltimer.drill.windows import CENTRES_MS, window_for
from drilltimer.model import LEVELS, Grade, Heard, Landing, Onset, Placement, Rep
from drilltimer.score.match import judge
from drilltimer.ui.wording import load_wording

README = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")


@pytest.mark.parametrize("level", LEVELS)
def test_windows_and_targets_are_those_of_the_readme(level: str) -> None:
    row = re.search(rf"^\| {level} \| (\d+)-(\d+) \| (\d+)-(\d+) \| (\d+)-(\d+) \|$", README, re.MULTILINE)
    targets = re.search(r"^\| \*\*target\*\* \| (\d+) \| (\d+) \| (\d+) \|$", README, re.MULTILINE)
    assert row is not None
    assert targets is not None
    ends = [float(end) for end in row.groups()]
    for number, situation in enumerate(CENTRES_MS):
        window = window_for(level, situation)  # type: ignore[arg-type]
        assert [window.open_ms, window.close_ms] == ends[2 * number : 2 * number + 2]
        assert window.centre_ms == float(targets.group(number + 1)) == CENTRES_MS[situation]


def test_a_beginners_errors_count_from_the_target_that_is_shown() -> None:
    text = "name: X\nlevel: beginner\nsituation: baseline\nreps: 5\nlead_in: {kind: swing, length_s: 0.5}\n"
    drill = load_drill(text + "rhythm: {interval_s: 3, rally: 5, rest_s: 9}\n", "x")
    window = drill.blocks[0].window
    assert describe(drill)[0] == "5 contacts. Land 70 to 270 ms after the contact, at best 160 (beginner level)."
    rep = Rep(0, 0.0, 3.0, 1.0, (), None, window)
    heard = Heard(0, Onset(48_000.0, -20.0, 0.1), True, Landing(Onset(48_000.0 + 48.0 * 170.0, -20.0, 0.1)))
    verdict = judge(heard, rep, Placement(), 48_000)
    assert verdict.grade is Grade.ON_TIME
    assert verdict.error_ms == pytest.approx(10.0)  # from 160, and not from the middle, 170
    assert load_wording()("scores.signs").endswith("counted from the target")
    assert "middle of the window" not in README
