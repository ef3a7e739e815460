"""Group plan files: what is read, and every fault told with its line."""

from __future__ import annotations

import pytest

from drilltimer.errors import DrillFileError
from drilltimer.group.language import read_group_plan
from drilltimer.group.plan import CHANGE_S, ROUNDS, WORK_S
from drilltimer.group.run import load_plan
from drilltimer.model import Placement

PLAN = """\
name: Evening
players:
  - Ann
  - {name: 7, level: advanced, arrives_s: 5m}
  - {name: Bo, child: true, leaves_s: "20:00"}
level: club
stations:
  - {drill: steady-contact, microphone: 2, place: {speaker_m: 4, microphone_m: 1}}
  - {exercise: shuffle}
time_limit_s: 45m
"""


def faults(text):
    with pytest.raises(
        DrillFileError, match=r"is not a group plan that can be run|cannot be read as a group plan"
    ) as at:
        read_group_plan(text, "f.yaml")
    return [(problem.line, problem.key, problem.message) for problem in at.value.problems]


def test_a_plan_is_read_with_its_defaults():
    plan, _ = read_group_plan(PLAN, "f.yaml")
    assert [(p.name, p.number, p.level, p.child) for p in plan.players] == [
        ("Ann", 1, "club", False), ("7", 2, "advanced", False), ("Bo", 3, "club", True)
    ]  # fmt: skip
    assert (plan.players[1].arrives_s, plan.players[2].leaves_s) == (300.0, 1200.0)
    assert (plan.work_s, plan.change_s, plan.rounds, plan.time_limit_s) == (WORK_S, CHANGE_S, ROUNDS, 2700.0)
    assert plan.stations[0].placement == Placement(4.0, 1.0, 0.3)
    assert plan.channels == 2
    assert [station.scored for station in plan.stations] == [True, False]
    assert plan.drills == ("steady-contact",)


@pytest.mark.parametrize(
    ("before", "after", "line", "key", "words"),
    [
        ("- Ann", '- "An\\nn"', 3, "players[1]", "a name in one line"),
        ("- Ann", '- "An\\tn"', 3, "players[1]", "a name in one line"),
        ("- Ann", '- " "', 3, "players[1]", "not blanks alone"),
        ("{exercise: shuffle}", '{exercise: "a\\r\\nb"}', 9, "stations[2].exercise", "a name in one line"),
        ("level: club", "levl: club", 6, "levl", "did you mean level"),
        ("name: 7, level: advanced", "name: 7, level: advnced", 4, "players[2].level", "did you mean advanced"),
        ("- Ann", "- bo", 5, "players[3]", "is player 1 already"),
        ("leaves_s: \"20:00\"", "leaves_s: 60, arrives_s: 90", 5, "players[3].leaves_s", "leaves before arriving"),
        ("exercise: shuffle", "drill: random-contact", 9, "stations[2].drill", "expected steady-contact here too"),
        ("{exercise: shuffle}", "{exercise: x, microphone: 1}", 9, "stations[2].microphone", "with a drill is heard"),
        ("{exercise: shuffle}", "{drill: steady-contact, microphone: 2}", 8, "stations[1].microphone", "cannot share"),
        ("{exercise: shuffle}", "{drill: steady-contact, microphone: 1, turns: false}", 9,
         "stations[2].turns", "only microphone"),
        ("{exercise: shuffle}", "{drill: steady-contact, side: left}", 8, "stations[1]", "needs one too"),
        ("time_limit_s: 45m", "time_limit_s: 45 minutes", 10, "time_limit_s", "1m30s or 1:30"),
        ("time_limit_s: 45m", "rotation: [[1, 2], [2]]", 10, "rotation[2]", "1 squad, but the first row has 2"),
        ("time_limit_s: 45m", "rotation: [[1, 1]]", 10, "rotation[1]", "station 1 has 2 squads at once"),
        ("time_limit_s: 45m", "rotation: [[1, 3]]", 10, "rotation[1]", "there is no station 3"),
        ("time_limit_s: 45m", "change_s: 2", 10, "change_s", "expected 4 or more"),
    ],
)  # fmt: skip
def test_a_fault_is_told_with_its_line_and_key(before, after, line, key, words):
    assert before in PLAN
    found = faults(PLAN.replace(before, after))
    assert any(place == line and name == key and words in message for place, name, message in found), found


def test_all_faults_are_told_at_once():
    found = faults(PLAN.replace("level: club", "levl: club").replace("exercise: shuffle", "exrcise: shuffle"))
    assert [line for line, _, _ in found] == [6, 9]


def test_a_misspelt_key_hides_neither_another_player_of_that_name_nor_an_unknown_drill(tmp_path):
    text = PLAN.replace("level: club", "levl: club").replace("- Ann", "- bo").replace("steady-contact", "steady-contac")
    plan = tmp_path / "f.yaml"
    plan.write_text(text)
    with pytest.raises(DrillFileError) as refusal:
        load_plan(str(plan))
    told = [(problem.line, problem.key, problem.message) for problem in refusal.value.problems]
    assert [(line, key) for line, key, _ in told] == [(5, "players[3]"), (6, "levl"), (8, "stations[1].drill")]
    assert "did you mean level" in told[1][2]
    assert "did you mean 'steady-contact'" in told[2][2]


@pytest.mark.parametrize(
    "text", ["", "name: x\nplayers: 3\n", "name: x\nplayers: 41\nstations: [{exercise: a}]\n", "- 1\n"]
)
def test_what_is_no_plan_is_refused(text):
    assert faults(text)


def test_stations_of_one_name_are_told_apart():
    text = "name: x\nplayers: 4\nstations:\n  - {drill: steady-contact, microphone: 1}\n  - {exercise: rope}\n"
    text += "  - {drill: steady-contact, microphone: 2}\n  - {drill: steady-contact, name: rope jump}\n"
    plan, _ = read_group_plan(text, "x.yaml")
    names = ["steady-contact (station 1)", "rope", "steady-contact (station 3)", "rope jump"]
    assert [station.name for station in plan.stations] == names
