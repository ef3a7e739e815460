"""How often `compare` is right about invented players whose habit is known: four tests each, days differing."""

from __future__ import annotations

import json
import random
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner
from history_player import add, made_rep, made_session

from drilltimer.app.plan import make_plan
from drilltimer.cli import main
from drilltimer.history.compare import changes_of, figures, plain_figures
from drilltimer.history.entries import RepEntry
from drilltimer.history.export import export_history
from drilltimer.history.store import History

SCATTER_MS, DAYS_MS, TESTS = 55.0, 15.0, 4
PLAN = make_plan("test-block", 1).reps
HABITS_MS: dict[str, Callable[[float], float]] = {
    "unchanged": lambda way: 40.0,
    "in the middle": lambda way: 0.0,
    "improves evenly": lambda way: 80.0 - 70.0 * way,
    "improves at once": lambda way: 80.0 if way < 0.5 else 10.0,
}


def drawn_test(draw: random.Random, habit_ms: float, days_ms: float) -> list[RepEntry]:
    """A test block of thirty counted landings, about a day's own habit."""
    today_ms = draw.gauss(habit_ms, days_ms)
    return [made_rep(rep, draw.gauss(today_ms, SCATTER_MS)) for rep in PLAN]


def drawn_tests(draw: random.Random, kind: str, days_ms: float = DAYS_MS) -> list[list[RepEntry]]:
    return [drawn_test(draw, HABITS_MS[kind](number / (TESTS - 1)), days_ms) for number in range(TESTS)]


@pytest.mark.long
@pytest.mark.parametrize(("kind", "least", "most"), [("unchanged", 0, 3), ("improves evenly", 48, 60)])
def test_sixty_players_brought_in_and_compared(
    kind: str, least: int, most: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    draw = random.Random(kind)
    with History(tmp_path / "elsewhere.sqlite") as history:
        for player in range(60):
            for number, entries in enumerate(drawn_tests(draw, kind), 1):
                uid = f"{player}-{number}"
                add(history, made_session(f"P{player}", uid=uid, day=f"2026-03-{7 * number:02}"), entries)
        export_history(history, tmp_path / "all.json")
    monkeypatch.setenv("DRILLTIMER_HOME", str(tmp_path / "home"))
    runner = CliRunner()
    assert runner.invoke(main, ["import", str(tmp_path / "all.json")]).exit_code == 0
    told = 0
    for player in range(60):
        answer = runner.invoke(main, ["compare", f"P{player}", "--json"])
        changes = json.loads(answer.stdout)[0]["changes"]
        assert [name for name, change in changes.items() if change["primary"]] == ["constant_error_ms"]
        looked_at = ["constant_error_ms"] if least else list(changes)
        told += any(changes[name]["finding"] == "changed" for name in looked_at)
    print(f"{kind}: changed {told} of 60")
    assert least <= told <= most


@pytest.mark.parametrize(
    ("kind", "days_ms", "least", "most"),
    [
        ("unchanged", 15.0, 0.0, 0.05),
        pytest.param("unchanged", 0.0, 0.0, 0.05, marks=pytest.mark.long),
        pytest.param("in the middle", 15.0, 0.0, 0.05, marks=pytest.mark.long),
        ("improves evenly", 15.0, 0.80, 1.0),
        ("improves at once", 15.0, 0.85, 1.0),
    ],
)
def test_share_of_many_players_called_changed(kind: str, days_ms: float, least: float, most: float) -> None:
    draw, rounds, told, covered = random.Random(9), 1000, 0, 0
    change_ms = HABITS_MS[kind](1.0) - HABITS_MS[kind](0.0)
    for _ in range(rounds):
        tests = [[each for each in test if not each.rep.warm_up] for test in drawn_tests(draw, kind, days_ms)]
        measured = [(float(place), figures(test)) for place, test in enumerate(tests)]
        changes = changes_of(measured, plain_figures(tests[0]), plain_figures(tests[-1]), "constant_error_ms")
        constant = changes["constant_error_ms"]
        assert constant.low is not None
        assert constant.high is not None
        covered += constant.low <= change_ms <= constant.high
        looked_at = changes.values() if not change_ms else [constant]
        told += any(change.finding == "changed" for change in looked_at)
    print(f"{kind}, days differing by {days_ms:.0f} ms: changed {told / rounds:.3f}, covered {covered / rounds:.3f}")
    assert least <= told / rounds <= most
    if kind != "improves at once":  # no straight line
        assert covered / rounds >= 0.94
