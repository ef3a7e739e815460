"""A report of live feeding: what was measured how, and the coach's eye beside it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from history_player import add, made_reps, made_session

from drilltimer.history.marks import FEEDING
from drilltimer.history.queries import session
from drilltimer.history.report import render_report
from drilltimer.history.store import History
from drilltimer.model import Grade


def page(tmp_path: Path, drill: str, marks: dict[int, str]) -> tuple[str, list[Grade]]:
    reps = [replace(each, coach=marks.get(each.rep.index)) for each in made_reps(seed=3, habit_ms=90.0)]
    with History(tmp_path / "history.sqlite") as history:
        number = add(history, replace(made_session(), drill=drill), reps)
        return render_report(history, session(history, number)), [each.verdict.grade for each in reps]


def test_marks_are_counted_beside_measured_grades(tmp_path):
    marks = {1: "late", 2: "late", 3: "early", 4: "void"}
    shown, grades = page(tmp_path, f"{FEEDING}: rally", marks)
    agreed = (grades[1] is Grade.LATE) + (grades[2] is Grade.LATE) + (grades[3] in (Grade.EARLY, Grade.BEFORE))
    assert 0 < agreed < 3  # the test means something
    assert f"They agree in {agreed} of 3 reps" in shown
    assert f'<th scope="row">early</th><td>{grades[3].value}</td><td>1</td>' in shown


def test_a_session_of_live_feeding_claims_no_loudspeaker(tmp_path):
    shown, _ = page(tmp_path, f"{FEEDING}: rally", {})
    assert "nothing was played" in shown
    assert "from the loudspeaker" not in shown
    assert "coach’s eye" not in shown


def test_a_cued_session_tells_where_the_loudspeaker_stood(tmp_path):
    shown, _ = page(tmp_path, "test-block", {})
    assert "from the loudspeaker" in shown
    assert "nothing was played" not in shown
