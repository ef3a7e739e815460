"""Where the first step comes soonest: simulations with a known optimum, and what the history gives and withholds."""

from __future__ import annotations

import json
import random
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner
from history_player import add, made_rep, made_session

from drilltimer.cli import main
from drilltimer.history.entries import RepEntry
from drilltimer.history.own_target import own_target
from drilltimer.history.report import render_report
from drilltimer.history.soonest import FEWEST, soonest_step
from drilltimer.history.store import History
from drilltimer.model import Cue, Rep, Window

OPTIMUM_MS = 150.0
WINDOW_MS = 120.0


def drawn(
    draw: random.Random, count: int, mean_ms: float, early: float, late: float
) -> tuple[list[float], list[float]]:
    """Touchdowns scattered by 62 ms, first steps with skewed times of 60 ms, one in 25 misheard."""
    touchdowns_ms = [draw.gauss(mean_ms, 62.0) for _ in range(count)]
    steps_ms = []
    for touchdown_ms in touchdowns_ms:
        away = (touchdown_ms - OPTIMUM_MS) / 100.0
        step_ms = 400.0 + (early if away < 0 else late) * away**2 + draw.gammavariate(9.0, 20.0) - 180.0
        steps_ms.append(step_ms + draw.uniform(-150.0, 400.0) if draw.random() < 0.04 else step_ms)
    return touchdowns_ms, steps_ms


@pytest.mark.parametrize(
    ("name", "mean_ms", "early", "late"),
    [
        ("as steep on both sides", 140.0, 50.0, 50.0),
        pytest.param("early costs twice as much", 140.0, 70.0, 35.0, marks=pytest.mark.long),
        pytest.param("early costs twice as much, landing late", 175.0, 70.0, 35.0, marks=pytest.mark.long),
    ],
)
def test_interval_covers_a_known_optimum_in_93_to_97_of_100(
    name: str, mean_ms: float, early: float, late: float
) -> None:
    draw, rounds, covered, told, narrow = random.Random(6), 300, 0, 0, 0
    for _ in range(rounds):
        found = soonest_step(*drawn(draw, 200, mean_ms, early, late), WINDOW_MS)
        told += found.low_ms is not None
        narrow += found.low_ms is not None and found.missing == 0
        covered += found.low_ms is None or found.high_ms is None or found.low_ms <= OPTIMUM_MS <= found.high_ms
    print(f"{name}: covers {covered / rounds:.3f}, told {told / rounds:.2f}, narrow {narrow / rounds:.2f}")
    assert 0.93 <= covered / rounds <= 0.97
    assert told / rounds > 0.7


def test_without_a_lowest_point_nothing_is_told() -> None:
    draw = random.Random(2)
    for slope in (0.0, 60.0, -60.0):  # flat, the sooner the better, the later the better
        told = 0
        for _ in range(15):
            touchdowns_ms, steps_ms = drawn(draw, 200, 150.0, 0.0, 0.0)
            tilted = [step + slope * at / 100.0 for at, step in zip(touchdowns_ms, steps_ms, strict=True)]
            told += soonest_step(touchdowns_ms, tilted, WINDOW_MS).low_ms is not None
        assert told <= 1, slope


def test_too_few_answers_say_how_many_are_missing() -> None:
    draw = random.Random(3)
    touchdowns_ms, steps_ms = drawn(draw, 200, 140.0, 60.0, 60.0)
    few = soonest_step(touchdowns_ms[:30], steps_ms[:30], WINDOW_MS)
    assert (few.touchdown_ms, few.missing, few.curve) == (None, FEWEST - 30, ())
    enough = soonest_step(touchdowns_ms, steps_ms, WINDOW_MS)
    assert enough.low_ms is not None
    assert enough.high_ms is not None
    assert enough.missing == 0
    narrow = soonest_step(touchdowns_ms, steps_ms, (enough.high_ms - enough.low_ms) / 2.0)
    assert narrow.missing == 600  # half as wide takes four times as many


def test_answers_that_do_not_differ_say_nothing() -> None:
    assert soonest_step([150.0] * 50, [400.0] * 50, WINDOW_MS).touchdown_ms is None
    assert soonest_step([100.0 + at for at in range(50)], [400.0] * 50, WINDOW_MS).touchdown_ms is None


# ---------------------------------------------------------------- from the history


@pytest.fixture
def history(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[History]:
    monkeypatch.setenv("DRILLTIMER_HOME", str(tmp_path))
    with History(tmp_path / "history.sqlite") as kept:
        yield kept


def answered(
    index: int, step_ms: float, *known_s: float, touchdown_ms: float = 133.0, guessed: bool = False
) -> RepEntry:
    """A rep whose directions are known so long after its contact, and its first step after the contact."""
    calls = (Cue("call", "left", 1.0 + at_s - 0.1, known_s=0.1) for at_s in known_s)
    cues = (Cue("contact", "smack", 1.0), *calls)
    rep = Rep(index, 3.0 * index, 3.0 * index + 3, 3.0 * index + 1, cues, "left", Window(73, 133, 193))
    verdict = made_rep(rep, touchdown_ms - 133.0).verdict
    return RepEntry(rep, replace(verdict, first_step_ms=step_ms, guessed=guessed))


def test_answers_count_from_where_the_last_direction_is_known_and_guesses_are_none(history: History) -> None:
    taken_back = [answered(index, 1000.0, 0.2, 0.5) for index in range(20)]
    too_soon = [answered(index, 700.0, 0.2, 0.5) for index in range(20, 30)]  # that answered the first call
    guesses = [answered(index, 430.0, 0.2, guessed=True) for index in range(30, 40)]
    lapses = [answered(index, 1201.0, 0.2) for index in range(40, 50)]
    add(history, made_session(), [*taken_back, *too_soon, *guesses, *lapses])
    simulated = replace(made_session(uid="sim", day="2026-03-02"), source="simulated")
    add(history, simulated, [answered(index, 600.0, 0.2) for index in range(20)])
    target = own_target(history, "Kim")
    assert {round(answer.step_ms, 6) for answer in target.answers} == {500.0}
    assert len(target.answers) == 20
    assert "20 answered calls: about 20 more are missing" in target.told


def test_a_known_optimum_is_offered_and_drawn_and_never_called_a_window_of_responses(history: History) -> None:
    touchdowns_ms, steps_ms = drawn(random.Random(3), 200, 140.0, 60.0, 60.0)
    drawn_reps = [
        answered(index, step_ms + 170.0, 0.17, touchdown_ms=at_ms)
        for index, (at_ms, step_ms) in enumerate(zip(touchdowns_ms, steps_ms, strict=True))
    ]
    number = add(history, made_session(drill="direction"), drawn_reps)
    runner = CliRunner()
    document = json.loads(runner.invoke(main, ["history", "Kim", "--json"]).stdout)
    found = document["soonest_step"]
    assert found["low_ms"] <= OPTIMUM_MS <= found["high_ms"]
    assert "personal_window" not in document
    told = runner.invoke(main, ["history", "Kim"]).stderr
    assert "first step comes soonest after touchdowns at" in told
    assert "It is not applied" in told
    from drilltimer.history.queries import session

    page = render_report(history, session(history, number))
    assert "When the first step comes soonest" in page
    assert '<polyline class="curve"' in page
