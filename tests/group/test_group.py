"""Group sessions from end to end: every shipped plan on a simulated hall, sheet, history, board, command line."""

from __future__ import annotations

import csv
import dataclasses
import functools
import html.parser
import io
import json
import re
import shutil
import subprocess
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from browser import browse, needs_chromium
from click.testing import CliRunner
from rich.cells import cell_len
from rich.console import Console
from words import say

from drilltimer.cli import main
from drilltimer.errors import DeviceError, Notice, as_kept, notice
from drilltimer.group.board import Board, Listed, Place, PlayerScore
from drilltimer.group.board_drawing import draw_board
from drilltimer.group.cli import _event_lines
from drilltimer.group.crowd import Gathering
from drilltimer.group.events import Gathered, Moved, ScoredRep
from drilltimer.group.language import read_group_plan
from drilltimer.group.lint import doubts, landings_asked
from drilltimer.group.roster import RosterMove
from drilltimer.group.run import (
    LoadedPlan,
    conduct,
    list_group_plans,
    load_plan,
    open_hall,
    refuse_one_loudspeaker,
    run_group,
)
from drilltimer.group.scoreboard import board_of, player_scores, together
from drilltimer.group.sheet import GroupSheet, SheetRow, render_sheet, sheet_of, write_sheet
from drilltimer.group.timeline import lay_out
from drilltimer.model import Block, Grade, Verdict
from drilltimer.score.stats import summarize
from drilltimer.sim.player import SimulatedPlayer
from drilltimer.sim.room import SimulatedRoom
from drilltimer.ui.glyphs import as_glyphs, big_text
from drilltimer.ui.lines import BY_KEY
from drilltimer.ui.screen import Viewport
from drilltimer.ui.wording import load_wording

SHIPPED = list(list_group_plans())
QUICK = "two-lanes"  # what most tests here read
PLANS = [name if name == QUICK else pytest.param(name, marks=pytest.mark.long) for name in SHIPPED]
LOW_RATE_HZ = 16_000  # forty minutes at the rate of the ear take two thirds of the time; all else here is at 48 kHz


@pytest.fixture(autouse=True)
def own_home(tmp_path, monkeypatch):
    monkeypatch.setenv("DRILLTIMER_HOME", str(tmp_path / "home"))


def simulate(loaded, seed=3, skill="mixed", rate_hz=48_000):
    session = conduct(loaded, rate_hz, seed)
    events = []
    hall = open_hall(session, seed, skill, 0.0)
    outcome = run_group(session, hall, on_event=events.append, on_trouble=pytest.fail)
    return outcome, events, hall


@functools.cache
def shipped_session(name, skill="mixed"):
    """What a shipped plan came to: simulated once, read by several tests."""
    return simulate(load_plan(name), skill=skill)


def test_two_routines_and_three_group_plans_are_shipped():
    plans = [load_plan(name).plan for name in SHIPPED]
    assert sum(not plan.stations for plan in plans) == 2
    assert sum(bool(plan.stations) for plan in plans) == 3


@pytest.mark.parametrize("name", SHIPPED)
def test_a_shipped_plan_fits_and_gives_nothing_to_doubt(name):
    loaded = load_plan(name)
    assert loaded.course.left_out == 0
    told = [doubt.message for doubt in doubts(loaded.plan, loaded.course, loaded.drills)]
    assert all("two adults" in message for message in told), told
    assert min(landings_asked(loaded.plan, loaded.course, loaded.drills)) > 0


@pytest.mark.parametrize("name", PLANS)
def test_a_shipped_plan_runs_to_its_end_and_everybody_is_scored_or_nobody(name):
    loaded = load_plan(name)
    outcome, events, _ = shipped_session(name)
    assert outcome.fault is None
    assert not outcome.interrupted
    session, plan = outcome.session, loaded.plan
    assert (session.now - session.zero) / 48_000 == pytest.approx(loaded.course.end_s, abs=0.1)
    scored = [event for event in events if isinstance(event, ScoredRep)]
    gathered = [event.gathering for event in events if isinstance(event, Gathered)]
    if plan.stations:
        assert {each.player for each in scored} == set(range(len(plan.players)))
        timed = [each for each in scored if each.verdict.error_ms is not None]
        assert len(timed) > 0.6 * len(scored)
    else:
        assert not scored
        heard = [each for each in gathered if each.onsets]
        assert len(heard) > 0.7 * len(gathered)
        assert all(each.first_ms <= each.last_ms for each in heard)


FORTY_MINUTES = """\
name: Forty minutes
players: 12
level: club
warm_up:
  - {movement: jog, work_s: 120}
  - {drill: first-hop, work_s: 60, rest_s: 20}
stations:
  - {name: lane 1, drill: random-contact, microphone: 1, place: &near
      {speaker_m: 2.5, microphone_m: 1.5, speaker_to_microphone_m: 1.2}}
  - {name: lane 2, drill: random-contact, microphone: 2, place: *near}
  - {name: shuffle, exercise: side shuffle}
  - {name: wall, exercise: volleys}
work_s: 150
change_s: 20
round_rest_s: 60
rounds: 3
time_limit_s: 40m
"""


@pytest.mark.long
def test_forty_minutes_with_twelve_players_at_full_speed():
    plan, tree = read_group_plan(FORTY_MINUTES, "forty.yaml")
    drills = {name: load_drill_named(name) for name in plan.drills}
    course = lay_out(plan)
    assert 37 * 60 < course.end_s <= 40 * 60
    outcome, events, hall = simulate(LoadedPlan("forty.yaml", tree, plan, drills, course), 3, "club", LOW_RATE_HZ)
    session = outcome.session
    assert (session.now - session.zero) / LOW_RATE_HZ <= 40 * 60 + 0.1
    scored = [event for event in events if isinstance(event, ScoredRep)]
    assert {each.player for each in scored} == set(range(12))
    counts = [sum(each.player == player for each in scored) for player in range(12)]
    assert min(counts) >= 10
    truth = {(player, each.rep): each for player, lane in hall.parts for each in hall.truth_of(player, lane)}
    errors_ms, wrong, landed = [], 0, 0
    for each in scored:
        real = truth.get((each.player, each.rep.index))
        if real is None:  # the wait before it ran out: nothing sounded that anybody could answer
            assert each.rep.withheld
            continue
        landed += real.touchdown_ms is not None
        if each.verdict.touchdown_ms is None:
            continue
        if real.touchdown_ms is None or abs(each.verdict.touchdown_ms - real.touchdown_ms) > 50.0:
            wrong += 1
        else:
            errors_ms.append(each.verdict.touchdown_ms - real.touchdown_ms)
    assert landed > 150
    assert len(errors_ms) > 0.75 * landed
    assert wrong < 0.06 * landed
    assert sorted(map(abs, errors_ms))[len(errors_ms) // 2] < 1.0


def load_drill_named(name):
    from drilltimer.audio.files import find_drill
    from drilltimer.drill.language import load_drill

    return load_drill(*find_drill(name))


@pytest.mark.long
def test_a_whole_group_that_does_not_step_in_is_estimated_near_the_truth(monkeypatch):
    """A step into the hop is a sound like any other to it, and comes first: README says so."""
    monkeypatch.setattr(SimulatedPlayer, "_before", lambda self, rep, landing_db: ())
    _, events, hall = simulate(load_plan("short-warm-up"), skill="club")
    truth = {}
    for player, lane in hall.parts:
        for each in hall.truth_of(player, lane):
            truth.setdefault(each.rep, []).append(each.touchdown_ms)
    apart = []
    for event in events:
        if isinstance(event, Gathered) and event.gathering.first_ms is not None:
            real = [ms for ms in truth[event.rep.index] if ms is not None]
            apart.append(event.gathering.first_ms - min(real))
    assert len(apart) >= 8
    apart.sort()
    assert abs(apart[len(apart) // 2]) < 15.0


def test_what_is_estimated_of_a_group_says_what_it_counts_from():
    found = [Gathering(1, 3, 160.0, 220.0, 2 / 3), Gathering(2, 1, -10.0, -10.0, 0.0)]
    session = SimpleNamespace(now=0, zero=0, plan=SimpleNamespace(players=()), gatherings=found)
    told = [_event_lines(Gathered(None, each), session, 48_000, load_wording())[0].split("  ")[-1] for each in found]
    assert told == [
        "the group, estimated: first touchdown +160 ms, last +220 ms after the contact, 67 % of 3 sounds in the window",
        "the group, estimated: one touchdown, -10 ms after the contact, 0 % in the window",
    ]
    assert "first touchdown +75 ms, last +105 ms after the contact, spread 30 ms" in say(together(session))


def test_it_is_told_with_who_is_out_that_a_turn_falls_silent():
    session = SimpleNamespace(now=0, zero=0, plan=SimpleNamespace(players=()))
    moved = Moved(RosterMove(0.0, "Ann", inside=False), silences=True)
    assert _event_lines(moved, session, 48_000, load_wording()) == [
        " 0:00  Ann is out; a turn that nobody is left in stays silent"
    ]


# ---------------------------------------------------------------- sheet and history


def sheet_for(ranking=False, name=QUICK):
    outcome, _, _ = shipped_session(name)
    return sheet_of(outcome.session, load_wording(), ranking=ranking, simulated=True)


def test_a_sheet_keeps_the_list_s_order_and_ranks_only_when_asked(tmp_path):
    sheet = sheet_for()
    assert [row.player for row in sheet.rows] == ["1", "2", "3", "4"]
    shares = [row.scores.in_window_share for row in sheet_for(ranking=True).rows]
    known = [share for share in shares if share is not None]  # one of them is mostly void
    assert len(known) >= 3
    assert shares[: len(known)] == sorted(known, reverse=True)
    assert shares != [row.scores.in_window_share for row in sheet.rows]
    write_sheet(sheet, tmp_path / "s.csv")
    with (tmp_path / "s.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert [row["player"] for row in rows] == ["1", "2", "3", "4"]
    for row, made in zip(rows, sheet.rows, strict=True):
        assert int(row["reps"]) == made.scores.n == int(row["timed"]) + int(row["missed"])
        assert row["practise"] == made.practise
        told = float(row["constant_error_ms"]) if row["constant_error_ms"] else None
        assert told == pytest.approx(made.scores.constant_error_ms, abs=0.051)  # None where most reps are void


def test_a_habit_of_landing_early_is_a_number_in_the_sheet_s_table(tmp_path):
    row = sheet_for().rows[0]
    scores = dataclasses.replace(row.scores, constant_error_ms=-23.44, in_window_share=2 / 3, variable_error_ms=-0.02)
    sheet = dataclasses.replace(sheet_for(), rows=(dataclasses.replace(row, scores=scores),))
    write_sheet(sheet, tmp_path / "s.csv")
    with (tmp_path / "s.csv").open(newline="") as file:
        (found,) = csv.DictReader(file)
    names = ("constant_error_ms", "in_window_percent", "variable_error_ms")
    assert [found[name] for name in names] == ["-23.4", "67", "0.0"]


def test_no_habit_is_neither_late_nor_early():
    texts = load_wording().section("sheet")
    errors_ms = {"Ann": 0.3, "Bo": -0.3, "Cy": 0.6, "Di": -0.6}
    grades = {name: Verdict(0, Grade.ON_TIME, touchdown_ms=133.0, error_ms=ms) for name, ms in errors_ms.items()}
    rows = tuple(SheetRow(name, summarize([verdict]), "", "") for name, verdict in grades.items())
    page = render_sheet(GroupSheet("Even", "2026-11-25T20:00:00Z", rows, (), texts, (), "", True, False))
    cells = [re.sub("<[^>]*>", "", cell) for cell in re.findall(r'<td class="n"[^>]*>(.*?)</td>', page)]
    assert [cell for cell in cells if "ms" in cell] == ["0 ms", "0 ms", "1 ms late", "1 ms early"]


@pytest.mark.skipif(shutil.which("chromium") is None, reason="needs the browser Chromium to print with")
@pytest.mark.parametrize("count", [12, 13, 24, 25, 40])
@pytest.mark.parametrize("paper", ["A4", "letter"])
def test_a_sheet_is_printed_on_one_page(count, paper, tmp_path):
    """Every player with a long name and the longest advice there is, every line below the table filled."""
    texts = load_wording()
    advice = texts("told.advice_6"), "serve-return"
    rows = tuple(SheetRow(f"Maximiliane Beispiel {place}", summarize([]), *advice) for place in range(count))
    moves = (70.0, "Ann", False), (150.0, "Bo", True)
    together = (
        "group, estimated (contacts: 20): first touchdown +50 ms, last +250 ms after the contact, spread "
        "200 ms, 57 % of the sounds in the window; nobody's own score"
    )
    page = GroupSheet("Print", "2026-11-25T20:00:00Z", rows, (), texts.section("sheet"), moves, together, True, True)
    source, printed = tmp_path / "sheet.html", tmp_path / "sheet.pdf"
    source.write_text(render_sheet(page).replace("size: landscape", f"size: {paper} landscape"))
    options = ["--headless", "--no-sandbox", "--disable-gpu", "--no-pdf-header-footer", f"--print-to-pdf={printed}"]
    subprocess.run(["chromium", *options, source], check=True, capture_output=True, timeout=120)
    assert len(re.findall(rb"/Type\s*/Page\b", printed.read_bytes())) == 1


@needs_chromium
def test_on_a_phone_each_player_is_a_card_that_fits(tmp_path):
    """390 pixels wide: nothing lies to the right of the screen, and a player takes no screen alone."""
    advice = load_wording()("told.advice_6"), "serve-return"
    scores = summarize([Verdict(n, Grade.ON_TIME, touchdown_ms=133.0, error_ms=10.0 * n - 40) for n in range(10)])
    rows = tuple(SheetRow(f"Maximiliane Beispiel {place}", scores, *advice) for place in range(6))
    page = GroupSheet("Cards", "2026-11-25T20:00:00Z", rows, (), load_wording().section("sheet"))
    measured = (
        "<body><script>window.onload = () => { const box = name => [...document.querySelectorAll(name)].map("
        "each => each.getBoundingClientRect()); console.log('MEASURED ' + JSON.stringify([innerWidth,"
        "document.documentElement.scrollWidth, Math.max(...box('td').map(each => each.right)),"
        "Math.max(...box('tbody tr').map(each => each.height))])) }</script>"
    )
    source = tmp_path / "sheet.html"
    html_text = re.sub(r'<meta http-equiv="Content-Security-Policy"[^>]*>', "", render_sheet(page))
    frame = tmp_path / "phone.html"
    source.write_text(re.sub("<body[^>]*>", lambda _: measured, html_text), encoding="utf-8")
    frame.write_text('<iframe src="sheet.html" style="width: 390px; height: 2000px; border: 0"></iframe>')
    log = browse(
        frame, "--window-size=800,2200", "--allow-file-access-from-files", f"--screenshot={tmp_path / 's.png'}"
    )
    (found,) = re.findall(r"MEASURED (\[.*?\])", log)
    wide, scrolled, right, high = json.loads(found)
    assert wide == 390
    assert max(scrolled, right) <= 390
    assert high <= 200  # four of them on a screen


def test_a_sheet_escapes_names_and_loads_nothing():
    sheet = sheet_for()
    rows = (dataclasses.replace(sheet.rows[0], player="<script>x"), *sheet.rows[1:])
    page = render_sheet(dataclasses.replace(sheet, rows=rows))
    assert "<script" not in page
    assert "&lt;script&gt;x" in page
    assert "http" not in page.replace("http-equiv", "")
    assert "Simulated players" in page
    html.parser.HTMLParser().feed(page)


def run(*arguments):
    return CliRunner().invoke(main, ["group", *map(str, arguments)])


@pytest.mark.long
def test_a_run_from_the_command_line_keeps_everybody_s_reps(tmp_path):
    sheet = tmp_path / "sheet.html"
    done = run("run", "two-lanes", "--simulate", "mixed", "--speed", 0, "--seed", 3, "--sheet", sheet, "--keep")
    assert done.exit_code == 0, done.output
    assert "round 1 of 1, interval 2 of 2" in done.output
    assert "rest_of" not in done.output
    assert sheet.read_text().startswith("<!DOCTYPE html>")
    assert "kept under the players' names (session 1-4); 'drilltimer history NAME' shows them" in done.stderr
    assert "kept as session" not in done.output  # forty lines of it would push the scores off the screen
    kept = CliRunner().invoke(main, ["history"]).output
    assert [line.split()[0] for line in kept.splitlines()[1:5]] == ["1", "2", "3", "4"]
    reps = CliRunner().invoke(main, ["history", "session:1"]).output
    assert "Random contact" in reps


@pytest.mark.long
@pytest.mark.parametrize("options", [[], ["--no-history", "--keep"]])
def test_nothing_is_kept_of_simulated_players_or_when_that_is_asked(tmp_path, options):
    plan = tmp_path / "short.yaml"
    plan.write_text("name: Short\nplayers: 2\nstations: [{drill: catch, microphone: 1}]\nwork_s: 20\n")
    done = run("run", plan, "--simulate", "club", "--speed", 0, "--seed", 3, *options)
    assert done.exit_code == 0, done.output
    assert not (tmp_path / "home" / "history.sqlite").exists()


def test_show_and_check_and_list_tell_who_is_where(tmp_path):
    shown = run("show", "club-circuit").output
    assert "split step: microphone 1 scores one player at a time" in shown
    assert "split step: 1, 2" in shown
    assert re.search(r"Landings asked of a player: (\d+|(\d+) to (?!\2\b)\d+)\.\n", shown)
    assert "can be run, 12 players, 6 stations" in run("check", "club-circuit").output
    assert all(name in run().output for name in SHIPPED)


CRABS = """\
name: Warm
players: 3
warm_up:
  - {movement: Side shuffle, work_s: 40}
  - {movement: Crab walk, work_s: 25, rest_s: 12}
  - {movement: crab walk (slow), work_s: 25, rest_s: 12}
  - {drill: first-hop, work_s: 40, rest_s: 12}
"""


def test_a_movement_that_cannot_be_called_by_name_is_told_with_what_mends_it(tmp_path):
    import soundfile

    plan = tmp_path / "warm.yaml"
    plan.write_text(CRABS)
    checked = run("check", plan)
    assert checked.exit_code == 0
    first, crab, slow = checked.output.splitlines()
    assert "can be run" in first
    assert f'{plan}:5:16: warm_up[2].movement: there is no recording of "crab walk"' in crab
    assert crab.endswith('drilltimer sounds record "crab walk"')
    assert f'{plan}:6:16: warm_up[3].movement: there is no recording of "crab walk (slow)"' in slow
    assert "letters" in slow
    shown = [line for line in run("show", plan).output.splitlines() if "of work" in line]
    assert [line.endswith(', called "next exercise"') for line in shown] == [False, True, True, False]

    folder = tmp_path / "home/sounds/en"
    folder.mkdir(parents=True)
    soundfile.write(folder / "crab-walk.wav", 0.3 * np.sin(np.arange(4000)), 8000)
    assert len(run("check", plan).output.splitlines()) == 2
    for name in SHIPPED:
        assert "no recording" not in run("check", name).output


def test_two_courts_are_told_that_they_take_turns_and_counted_so():
    for verb in ("check", "show"):
        assert "each court answers its own, every second one" in run(verb, "two-courts").output
        assert "every second one" not in run(verb, "two-lanes").output
    plan = load_plan("two-courts").plan
    told = []
    for work_s in (60.0, 90.0):  # 28 and 43 s a turn
        short = replace(plan, work_s=work_s)
        drills = load_plan("two-courts").drills
        told.append([doubt for doubt in doubts(short, lay_out(short), drills) if doubt.key == "work_s"])
    assert [bool(each) for each in told] == [True, False]
    assert "only 2 contacts" in told[0][0].message


def test_two_courts_are_refused_on_an_output_of_one_channel():
    mono, stereo = (SimulatedRoom(output_channels=count) for count in (1, 2))
    with pytest.raises(DeviceError, match=r"two-courts.*left and a right channel"):
        refuse_one_loudspeaker(load_plan("two-courts"), mono)
    refuse_one_loudspeaker(load_plan("two-courts"), stereo)
    refuse_one_loudspeaker(load_plan("two-lanes"), mono)


def test_faults_of_the_command_line_are_told_before_anything_sounds(tmp_path):
    taken = tmp_path / "taken.html"
    taken.write_text("")
    for arguments, words in (
        (("run", "club-circut"), "did you mean 'club-circuit'"),
        (("run", "two-lanes", "--simulate", "nobody"), "there is no simulated player 'nobody'"),
        (("run", "two-lanes", "--simulate", "club", "--sheet", taken), "is there already"),
        (("run", "two-lanes", "--simulate", "club", "--sheet", tmp_path / "x.pdf"), "ends in .html or .csv"),
        (("run", "two-lanes", "--simulate", "club", "--sheet", tmp_path / "no/x.csv"), "there is no folder"),
    ):
        done = run(*arguments)
        assert done.exit_code == 2, (arguments, done.output)
        assert words in done.output


# ---------------------------------------------------------------- the board


def round_title(place: int) -> Notice:
    """Of the first of two rounds of six."""
    return notice("group_round", round=1, rounds=2, name=notice("group_interval", place=place, length=6))


BOARD = Board(
    title="Club evening",
    stage=round_title(3),
    next_stage=round_title(4),
    working=True,
    left_s=24.6,
    whole_left_s=1830.0,
    places=(
        Place("split step", ("Ann", "Bo"), ("Bo",), ("Cy", "Di"), True),
        Place("shuffle", ("Eve",), (), ("Fay",)),
    ),
    resting=("Gus",),
    scores=(PlayerScore("Ann", 8, 0.625, -21.0),),
    together="",
)


def lines(board, columns=80, rows=24, ascii_only=False):
    console = Console(width=columns, height=rows, record=True, color_system=None, file=io.StringIO())
    console.print(draw_board(board, Viewport(columns, rows, ascii_only=ascii_only), load_wording()))
    return console.export_text().splitlines()


def test_the_board_tells_who_is_where_and_how_long_still():
    shown = lines(BOARD)
    text = "\n".join(shown)
    assert "free in 30:30" in shown[0]
    assert shown[1].startswith("WORK  round 1 of 2, interval 3 of 6")
    assert "split step: Ann, <Bo>  then Cy, Di" in text
    assert "shuffle: Eve  then Fay" in text
    assert "resting: Gus" in text
    assert "in the window, habit (reps):" in text
    assert "Ann: 62 % -21 ms (8)" in text
    assert "next: round 1 of 2, interval 4 of 6" in text
    assert sum("█" in line or "▀" in line for line in shown) >= 4


def test_names_and_next_stations_take_the_room_that_the_clock_leaves():
    shown = [line.strip() for line in lines(BOARD, 60, 40)]
    at = shown.index("split step")
    assert shown[at : at + 6] == ["split step", "Ann, <Bo>", "then Cy, Di", "shuffle", "Eve", "then Fay"]
    assert "split step: Ann, <Bo>  then Cy, Di" in lines(BOARD, 80, 24)  # where there is none, a line each


@pytest.mark.parametrize("state", ["WORK", "CHANGE", "PAUSED"])
@pytest.mark.parametrize(("columns", "rows"), [(80, 24), (120, 40)])
def test_what_is_going_on_is_as_big_as_the_clock(state, columns, rows):
    changes = {"WORK": {}, "CHANGE": {"working": False}, "PAUSED": {"paused": BY_KEY}}[state]
    shown = {line.strip() for line in lines(dataclasses.replace(BOARD, **changes), columns, rows)}
    scales = [scale for scale in (1, 2, 3) if {row.strip() for row in big_text(as_glyphs(state), scale)} <= shown]
    assert scales
    assert rows == 24 or ("◀" in "".join(shown)) == (state == "CHANGE")  # between bars, where there is room for them


@pytest.mark.parametrize(("columns", "rows"), [(80, 24), (40, 12), (200, 60), (20, 6), (80, 5)])
def test_the_board_keeps_to_its_window(columns, rows):
    for ascii_only in (False, True):
        shown = lines(BOARD, columns, rows, ascii_only)
        assert len(shown) <= rows
        assert all(len(line) <= columns for line in shown)


LONG = tuple(f"Maximilian von Hohenstein {number}" for number in range(40))
CROWDED = dataclasses.replace(
    BOARD,
    title="Für 李小龍 und alle anderen, die noch kommen wollen, ehe es dunkel wird",
    places=(Place("影のステップ", LONG[:8], LONG[:1], LONG[8:16], True),),
    scores=tuple(PlayerScore(name, 8, 0.625, -21.0) for name in ("李小龍", "🎾 Ann", *LONG[:3])),
    together="group, estimated (contacts: 12): first touchdown +185 ms, last +410 ms after the contact, spread 226 "
    "ms, 57 % of the sounds in the window; nobody's own score",
    roster=tuple(Listed(name, number % 7 > 0) for number, name in enumerate(LONG)),
)


def test_nothing_on_the_board_is_cut_where_there_is_room():
    shown = lines(CROWDED, 80, 40)
    text = " ".join(" ".join(shown).split())
    assert "free in 30:30" in shown[0]  # whatever letters the title has
    for name in LONG[:16]:
        assert name in text
    assert "last +410 ms after the contact, spread 226 ms, 57 % of the sounds in the window" in text
    assert all(cell_len(line) <= 80 for line in shown)


def test_what_is_cut_says_so_and_figures_are_not_halved():
    for columns, rows, dots in ((60, 12, "…"), (80, 14, "…"), (60, 12, "...")):
        shown = lines(CROWDED, columns, rows, ascii_only=dots == "...")
        assert len(shown) <= rows
        assert any(re.search(rf"[ ,]{re.escape(dots)} *$", line) for line in shown)
        assert any(line.startswith("影のステップ: <") for line in shown)
        assert all(cell_len(line) <= columns for line in shown)


def test_the_board_says_when_it_is_over():
    over = dataclasses.replace(BOARD, stage=None, next_stage=None, working=False, places=())
    assert lines(over)[1].rstrip() == "FINISHED"
    assert lines(dataclasses.replace(over, next_stage="jog"))[1].rstrip() == "CHANGE, then jog"


def asking(board, columns, rows):
    console = Console(width=columns, height=rows, record=True, color_system=None, file=io.StringIO())
    console.print(draw_board(board, Viewport(columns, rows), load_wording(), asked="1"))
    return [line.rstrip() for line in console.export_text().splitlines()]


@pytest.mark.parametrize(("columns", "rows"), [(80, 24), (120, 40), (60, 16)])
def test_whoever_is_taken_out_can_be_found_by_number_in_any_window(columns, rows):
    shown = asking(dataclasses.replace(CROWDED, joins=False), columns, rows)
    assert len(shown) <= rows
    assert shown[-1] == "number to take out or bring in, then Enter: 1_"
    text = " " + " ".join(" ".join(shown).split())
    assert all(re.search(rf" {number} (\(out\) )?M", text) for number in range(1, 41))
    assert "somebody new" not in text
    assert text.count("(out) M") == 6  # however short the names must be
    assert "40 someb" in " ".join(asking(dataclasses.replace(CROWDED, roster=CROWDED.roster[:39]), columns, rows))
    numbers = dataclasses.replace(CROWDED, roster=tuple(Listed(str(n), n != 2) for n in range(1, 14)))
    text = " ".join(" ".join(asking(numbers, columns, rows)).split())
    assert "1 2 (out) 3 4 5" in text  # and not "1 1"
    assert "14 somebody new" in text


def test_a_pause_stands_out():
    assert lines(dataclasses.replace(BOARD, paused=as_kept("a ball")))[1].startswith("PAUSED: a ball")


def test_the_board_stands_still_in_a_pause():
    session = conduct(load_plan("club-circuit"), 8_000, 1)

    def feed(until_s):
        while session.now < session.zero + until_s * 8_000:
            session.feed(Block(session.now, np.zeros((800, 1), np.float32), np.zeros((800, 1), np.float32)))

    for at_s, left_s in ((5.0, 3.0), (20.0, 24.0)):  # led up to, and at work, which the pause moved to 14-44 s
        feed(at_s)
        assert board_of(session, 8_000).left_s == pytest.approx(left_s, abs=0.3)
        session.pause(BY_KEY)
        before = board_of(session, 8_000)
        feed(at_s + 4.0)
        after = board_of(session, 8_000)
        assert (after.left_s, after.whole_left_s, after.working) == (before.left_s, before.whole_left_s, before.working)
        session.resume()
        feed(at_s + 4.0 + 1.0)


def test_the_board_of_a_running_session_counts_down():
    session = conduct(load_plan("two-lanes"), 48_000, 1)
    board = board_of(session, 48_000)
    assert board.stage is None
    assert player_scores(session) == ()
