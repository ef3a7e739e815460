"""A plan to begin with, and a wall chart to print: from the command line, in a real browser where there is one."""

from __future__ import annotations

import html.parser
import json
import re

import pytest
from browser import browse, needs_chromium
from click.testing import CliRunner

from drilltimer.cli import main
from drilltimer.group.run import load_plan


@pytest.fixture(autouse=True)
def own_home(tmp_path, monkeypatch):
    monkeypatch.setenv("DRILLTIMER_HOME", str(tmp_path / "home"))
    monkeypatch.chdir(tmp_path)


def group(*arguments):
    return CliRunner().invoke(main, ["group", *map(str, arguments)])


@pytest.mark.parametrize("players", [1, 2, 7, 12, 40])
@pytest.mark.parametrize("minutes", [5, 45, 120])
@pytest.mark.parametrize("courts", [1, 2])
def test_a_new_plan_can_be_run_and_fits_players_booking_and_courts(players, minutes, courts):
    done = group("new", "tuesday", "--players", players, "--minutes", minutes, "--courts", courts)
    assert done.exit_code == 0, done.output
    loaded = load_plan("tuesday")
    plan = loaded.plan
    assert (plan.name, len(plan.players), plan.time_limit_s) == ("Tuesday", players, 60.0 * minutes)
    assert sum(station.scored for station in plan.stations) == courts
    assert loaded.course.end_s <= 60 * minutes
    assert minutes < 45 or loaded.course.left_out == 0
    assert loaded.file.endswith("groups/tuesday.yaml")
    again = group("new", "tuesday")
    assert again.exit_code == 2
    assert "is there already" in again.output


def test_where_a_file_takes_the_folders_place_a_plan_cannot_be_written(tmp_path):
    (tmp_path / "taken.yaml").touch()
    answer = group("new", "taken.yaml/own.yaml")
    assert answer.exit_code == 2
    assert "cannot be written" in answer.output
    assert "Choose another folder" in answer.output


def test_what_is_commented_out_in_a_new_plan_is_right_too(tmp_path):
    assert group("new", "own.yaml").exit_code == 0
    path = tmp_path / "own.yaml"
    text = path.read_text(encoding="utf-8")
    path.write_text(re.sub(r"^# (children:|pairs:|warm_up:|  - )", r"\1", text, flags=re.MULTILINE), encoding="utf-8")
    plan = load_plan("own.yaml").plan
    assert plan.pairs
    assert all(player.child for player in plan.players)
    assert len(plan.warm_up) == 2


def test_a_wall_chart_has_the_plan_and_a_card_for_each_station(tmp_path):
    done = group("show", "club-circuit", "--print", "wall.html")
    assert done.exit_code == 0, done.output
    page = (tmp_path / "wall.html").read_text(encoding="utf-8")
    html.parser.HTMLParser().feed(page)
    assert page.count('<section class="card">') == 6
    assert "stand on one leg and change at leisure" in page
    assert page.count("<td>1, 2</td>") == 12 * 2  # in twelve intervals, in the plan and on a card
    assert "http" not in page.replace("http-equiv", "")
    for wrong in ("wall.html", "wall.pdf"):
        assert group("show", "club-circuit", "--print", wrong).exit_code == 2
    assert group("show", "short-warm-up", "--print", "other.html").exit_code == 2  # nobody walks anywhere


@needs_chromium
def test_a_wall_chart_is_a_page_for_the_plan_and_one_for_each_station(tmp_path):
    group("show", "club-circuit", "--print", "wall.html")
    paper = tmp_path / "wall.pdf"
    browse(tmp_path / "wall.html", "--no-pdf-header-footer", f"--print-to-pdf={paper}")
    assert len(re.findall(rb"/Type\s*/Page\b", paper.read_bytes())) == 7


def test_plans_are_documents_too():
    listed = json.loads(group("--json").stdout)
    assert {"name": "two-lanes", "players": "4"}.items() <= listed[-1].items()
    document = json.loads(group("show", "two-lanes", "--json").stdout)
    assert document["stages"][0]["stations"] == [["1", "2"], ["3", "4"]]
    assert document["landings"] == dict.fromkeys("1234", 10)
