"""The list of drills: shipped and own, whole and broken."""

from __future__ import annotations

import json

import pytest
from click.testing import CliRunner

from drilltimer.app.plan import make_plan
from drilltimer.audio.files import shipped_folder
from drilltimer.cli import main
from drilltimer.drills.catalogue import catalogue, ladder
from drilltimer.drills.cli import LEVELS, PURPOSES, SPORT_NAMES

OWN = "name: Own\nreps: 7\nlead_in: {kind: swing, length_s: 0.4}\nrhythm: {interval_s: 3}\n"


@pytest.fixture
def own(tmp_path, monkeypatch):
    monkeypatch.setenv("DRILLTIMER_HOME", str(tmp_path))
    folder = tmp_path / "drills"
    folder.mkdir()
    return folder


def test_the_ladder_knows_every_shipped_drill_and_leads_from_the_first_hop_to_a_test(own):
    listed = entries()
    assert set(ladder()) == set(listed)
    for name, entry in listed.items():
        assert entry.trains
        assert entry.level in LEVELS
        assert set(entry.purposes) <= set(PURPOSES)
        assert entry.purposes
        assert set(entry.sports) <= set(SPORT_NAMES)
        steps = [name]
        while steps[-1] and len(steps) < 30:
            steps.append(listed[steps[-1]].next)
        assert steps[-2:] == ["transfer-block", ""], steps
    for sport in SPORT_NAMES:
        assert any(sport in entry.sports for entry in listed.values())
    assert {purpose for entry in listed.values() for purpose in entry.purposes} == set(PURPOSES)


def test_the_list_is_narrowed_by_sport_level_and_purpose(own):
    (own / "mine.yaml").write_text(OWN)
    found = CliRunner().invoke(main, ["drills", "--sport", "padel", "--level", "beginner", "--for", "direction"])
    assert found.exit_code == 0
    head, *rows = found.stdout.splitlines()
    assert head.split() == ["name", "length", "landings", "level", "next", "trains"]
    assert [row.split()[0] for row in rows] == ["direction"]
    assert rows[0].endswith("waiting for the direction before the step")
    document = json.loads(CliRunner().invoke(main, ["drills", "--sport", "squash", "--json"]).stdout)
    names = {each["name"] for each in document}
    assert {"squash-rally", "first-hop", "mine"} <= names
    assert not {"padel-rally", "serve-return"} & names
    assert next(each for each in document if each["name"] == "first-hop")["next"] == "steady-contact"


def entries():
    return {entry.name: entry for entry in catalogue()}


def test_every_shipped_drill_is_listed_whole_with_its_length(own):
    listed = entries()
    assert set(listed) == {path.stem for path in shipped_folder("drills").glob("*.yaml")}
    for entry in listed.values():
        assert not entry.own
        assert entry.fault == ""
        assert 0.5 < entry.length_s / 60 < 45
        assert entry.length == f"{entry.length_s / 60:.1f} min"
        assert entry.landings == str(entry.landings_asked)
        assert set(entry.mode.split("/")) <= {"predictive", "reactive"}
        assert 20 < len(entry.summary) < 200
        assert not entry.summary.endswith(".")


def test_length_and_landings_are_the_plans(own):
    entry = entries()["test-block"]
    plan = make_plan("test-block", 0)
    assert (entry.length_s, entry.landings_asked) == (plan.length_s, 35)  # 5 to warm up, 30 scored


def test_an_own_drill_stands_in_for_the_shipped_one_of_its_name(own):
    (own / "test-block.yaml").write_text(OWN)
    entry = entries()["test-block"]
    assert entry.own
    assert entry.landings == "7"


def test_a_broken_drill_is_listed_with_its_fault_and_spoils_nothing(own):
    (own / "mine.yaml").write_text(OWN)
    (own / "broken.yaml").write_text(OWN + "repz: 4\n")
    listed = entries()
    assert listed["mine"].fault == ""
    broken = listed["broken"]
    assert "repz" in broken.fault
    assert broken.summary.startswith("broken: ")
    assert (broken.length, broken.landings, broken.mode) == ("-", "-", "-")
    assert broken.document()["length_s"] is None
    assert len(listed) == 2 + len(list(shipped_folder("drills").glob("*.yaml")))
