"""Landings over days: counted once, of people alone, and told before a session that would go beyond guidance."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest
from click.testing import CliRunner
from history_player import add, made_reps, made_session
from words import say

from drilltimer.app.plan import make_plan
from drilltimer.cli import main
from drilltimer.history.days import DayLoad, beyond, day_load
from drilltimer.history.entries import Player, RepEntry
from drilltimer.history.queries import session
from drilltimer.history.report import render_report
from drilltimer.history.run import about_days
from drilltimer.history.store import History
from drilltimer.model import Grade, Verdict

TODAY = date(2026, 3, 10)


@pytest.fixture
def history(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[History]:
    monkeypatch.setenv("DRILLTIMER_HOME", str(tmp_path))
    with History(tmp_path / "history.sqlite") as kept:
        yield kept


def days(*landings: int) -> DayLoad:
    """Landings of today, yesterday, and so on."""
    return DayLoad(TODAY, tuple((TODAY - timedelta(days=back), count) for back, count in enumerate(landings)))


def test_landings_of_all_sessions_add_up_by_day_and_simulated_ones_are_nobodys(history: History) -> None:
    reps = made_reps()
    sounded = sum(not each.rep.withheld for each in reps)  # 35: those to warm up are landings, too
    gone = next(place for place, each in enumerate(reps) if not each.rep.withheld)
    missed = RepEntry(reps[gone].rep, Verdict(reps[gone].rep.index, Grade.MISSED))
    add(history, made_session(uid="a", day="2026-03-10"), reps)
    add(history, made_session(uid="b", day="2026-03-10"), [*reps[:gone], missed, *reps[gone + 1 :]])
    add(history, made_session(uid="c", day="2026-03-04"), reps)
    add(history, made_session(uid="d", day="2026-03-03"), reps)
    add(history, made_session(uid="e", day="2026-01-03"), reps)
    add(history, replace(made_session(uid="f", day="2026-03-10"), source="simulated"), reps)
    add(history, made_session(uid="g", day="2026-02-10"), reps)  # four weeks ago
    add(history, made_session(uid="h", day="2026-02-09"), reps)
    add(history, made_session(uid="i", day="2026-03-12"), reps)  # of a computer whose clock is fast
    load = day_load(history, "kim", TODAY)
    assert sounded == 35
    assert load.on(0) == 2 * sounded - 1
    assert load.seven_days == 3 * sounded - 1
    assert [count for _, count in load.days] == [35, 35, 35, 69]


@pytest.mark.parametrize(
    ("level", "load", "coming", "told"),
    [
        ("adult club", days(100), 20, []),
        ("adult club", days(100), 21,
         ["121 landings today, 21 of them to come: for club level guidance ends at 120 a day"]),
        ("adult", days(0, 0, 200), 161,
         ["161 landings today, 161 of them to come: for club level guidance ends at 120 a day",
          "361 landings in seven days, 161 of them to come: for club level guidance ends at 360 in seven days"]),
        ("adult", days(0, 0, 120, 0, 120, 0, 100), 20, []),
        ("adult beginner", days(91), 0, ["91 landings today: for beginner level guidance ends at 90 a day"]),
        ("child", days(30), 20, []),
        ("child", days(30), 21, ["51 landings today, 21 of them to come: for children guidance ends at 50 a day"]),
        ("child", days(0, 20), 20, ["landings yesterday too: children have a day between two sessions of jumps"]),
        ("child", days(20, 20), 20, ["landings yesterday too: children have a day between two sessions of jumps"]),
        ("child", days(0, 0, 50, 0, 31), 20,
         ["101 landings in seven days, 20 of them to come: for children guidance ends at 100 in seven days"]),
        (None, days(60), 70, ["130 landings today, 70 of them to come: for children guidance ends at 50 a day",
                              "130 landings in seven days, 70 of them to come: for children guidance ends at 100 in "
                              "seven days",
                              "130 landings today, 70 of them to come: for club level guidance ends at 120 a day"]),
        ("adult", days(0, 0, 0, 0, 0, 0, 0, 400), 30, []),
    ],
)  # fmt: skip
def test_what_goes_beyond_guidance_is_told_a_childs_first(
    level: str | None, load: DayLoad, coming: int, told: list[str]
) -> None:
    assert list(map(say, beyond(load, level, coming))) == told


def test_run_tells_before_a_session_that_would_go_beyond_the_day(history: History, tmp_path: Path) -> None:
    today = datetime.now(UTC).strftime("%Y-%m-%d")
    now = datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
    history.add_player(Player("Kim", "child", None))
    add(history, replace(made_session(uid="a", day=today), started_utc=now), made_reps())
    plan = make_plan("direction", 1)
    (told, *_) = about_days("Kim", plan)
    assert say(told) == f"caution: {35 + plan.landings} landings today, {plan.landings} of them to come: " + (
        "for children guidance ends at 50 a day"
    )
    assert about_days("Nobody", plan) == []
    answer = CliRunner().invoke(main, ["history", "Kim"])
    assert "landings: 35 today, 35 in seven days; for children guidance ends at 50 and 100" in answer.stderr
    document = json.loads(CliRunner().invoke(main, ["history", "Kim", "--json"]).stdout)
    assert (document["landings"]["today"], document["landings"]["seven_days"]) == (35, 35)
    assert "in seven days 35; for children guidance ends at 50 and 100" in render_report(history, session(history, 1))
    # as run asks for it: words before anything sounds
    drill = tmp_path / "short.yaml"
    drill.write_text(
        "name: Short\nreps: 30\nlead_in: {kind: swing, length_s: 0.4}\nrhythm: {interval_s: 2, rally: 5, rest_s: 9}\n"
    )
    refused = CliRunner().invoke(main, ["run", str(drill), "--player", "Kim", "--input", "no such device", "--plain"])
    assert "65 landings today, 30 of them to come: for children guidance ends at 50 a day" in refused.stderr
