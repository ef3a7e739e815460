"""Which tests may be compared, what is said of them, and what the verbs print."""

from __future__ import annotations

import contextlib
import io
import json
import math
import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner
from history_player import add, made_reps, made_session

from drilltimer.cli import main
from drilltimer.errors import HistoryError, notice
from drilltimer.history.cli.compare import sentence
from drilltimer.history.compare import FIGURES, compare, counted, figures, systematic_ms
from drilltimer.history.entries import RepEntry
from drilltimer.history.store import History
from drilltimer.model import TIMED_GRADES, Grade, Placement, Verdict


@pytest.fixture
def history(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[History]:
    monkeypatch.setenv("DRILLTIMER_HOME", str(tmp_path))
    with History(tmp_path / "history.sqlite") as kept:
        yield kept


def add_test(history: History, number: int, habit_ms: float, scatter_ms: float, **changes: object) -> int:
    entry = made_session(uid=f"t{number}", day=f"2026-03-{number:02}", seed=number)
    reps = made_reps(seed=number, habit_ms=habit_ms, scatter_ms=scatter_ms)
    return add(history, replace(entry, **changes), reps)  # type: ignore[arg-type]


def voided(entries: list[RepEntry], count: int) -> list[RepEntry]:
    """The last reps, unheard."""
    spoilt = [RepEntry(e.rep, Verdict(e.rep.index, Grade.VOID, void=notice("lost_in_rep"))) for e in entries[-count:]]
    return [*entries[:-count], *spoilt]


def test_late_and_scattered_then_steady_is_told(history: History) -> None:
    add_test(history, 4, 140, 80)
    add_test(history, 5, 140, 80)
    add_test(history, 6, 20, 30)
    add_test(history, 7, 20, 30)
    (found,) = compare(history, "kim")
    constant, spread = found.changes["constant_error_ms"], found.changes["variable_error_ms"]
    assert constant.change == pytest.approx(-120, abs=45)
    assert spread.change == pytest.approx(-50, abs=30)
    assert constant.low is not None
    assert constant.high is not None
    assert constant.low < -120 < constant.high
    share = found.changes["in_window_share"]
    assert share.high is not None
    assert share.high <= 1.0
    assert {constant.finding, spread.finding, found.changes["in_window_share"].finding} == {"changed"}
    assert set(found.changes) == {name for name, _, _ in FIGURES}
    assert (found.before.scored, found.before.warm_up >= 5) == (30, True)
    assert found.changes["first_step_ms"].finding == "too few reps to say"  # a test block calls no directions


def test_same_player_twice_has_not_changed(history: History) -> None:
    add_test(history, 4, 20, 40)
    add_test(history, 5, 20, 40)
    (found,) = compare(history, "Kim")
    assert "changed" not in {change.finding for change in found.changes.values()}


def test_void_reps_are_stated_and_too_few_are_not_judged(history: History) -> None:
    add(history, made_session(uid="a", day="2026-03-01"), voided(made_reps(seed=1, habit_ms=200, scatter_ms=10), 12))
    add_test(history, 2, 0, 10)
    (found,) = compare(history, "Kim")
    assert found.before.void == 12
    assert found.changes["constant_error_ms"].finding == "too few reps to say"
    assert found.changes["constant_error_ms"].change == pytest.approx(-200, abs=20)


def test_missed_reps_count_as_not_in_the_window(history: History) -> None:
    missed = [
        RepEntry(e.rep, Verdict(e.rep.index, Grade.MISSED)) if not e.rep.withheld and e.rep.index % 2 else e
        for e in made_reps(seed=1, scatter_ms=5)
    ]
    add(history, made_session(uid="a", day="2026-03-01"), missed)
    add(history, made_session(uid="b", day="2026-03-02"), missed)
    add_test(history, 3, 0, 5)
    (found,) = compare(history, "Kim")
    share, gone = found.changes["in_window_share"], found.changes["missed_share"]
    assert share.before == pytest.approx(1 - (gone.before or 0))
    assert (share.after, gone.after) == (1, 0)
    assert share.finding == gone.finding == "changed"


def test_first_and_latest_are_taken_unless_told_otherwise(history: History) -> None:
    for day in range(1, 6):
        add_test(history, day, 10.0 * day, 30)
    (found,) = compare(history, "Kim")
    assert (found.before.entry.number, found.after.entry.number, found.tests) == (1, 5, 5)
    (found,) = compare(history, "Kim", first="2", last="2026-03-04")
    assert (found.before.entry.number, found.after.entry.number) == (2, 4)
    (found,) = compare(history, "Kim", first="2026-03-03")
    assert found.before.entry.number == 3
    with pytest.raises(HistoryError, match="'99'"):
        compare(history, "Kim", first="99")
    with pytest.raises(HistoryError, match="--from and --to are both session 3"):
        compare(history, "Kim", first="3", last="3")


def test_a_date_is_a_day_and_not_a_word(history: History) -> None:
    for number in (2, 3, 4):
        add_test(history, number, 0, 40)
    (found,) = compare(history, "Kim", first="2026-3-3", last="2026-3-10")
    assert (found.before.entry.number, found.after.entry.number) == (2, 3)
    for word in ("yesterday", "\N{SUPERSCRIPT TWO}", "31.05.2026", "2026-13-01", "9" * 20):
        with pytest.raises(HistoryError, match="is neither a session nor a date"):
            compare(history, "Kim", last=word)
        with pytest.raises(HistoryError, match="is neither a session nor a date"):
            compare(history, "Kim", first=word)


def test_day_to_day_differences_raise_the_minimal_change(history: History) -> None:
    for day, habit_ms in enumerate((0, 90, 0, 90, 0, 70), 1):
        add_test(history, day, habit_ms, 10)
    (found,) = compare(history, "Kim")
    constant = found.changes["constant_error_ms"]
    assert constant.typical_error is not None
    assert constant.typical_error > 22  # 15 ms is taken to be usual; these days differ by more, and count as four of 20
    assert constant.finding == "no change shown"


def test_of_many_tests_the_baseline_and_the_latest_are_on_the_line(history: History) -> None:
    for day in range(1, 25):
        add_test(history, day, 3000 if 3 <= day <= 6 else 20, 10)
    (found,) = compare(history, "Kim")
    constant = found.changes["constant_error_ms"]
    assert constant.typical_error is not None
    assert constant.typical_error < 20  # the four that are left out would tell of hundreds
    assert found.tests == 24


def test_a_test_of_few_reps_is_not_on_the_line(history: History) -> None:
    for day in (1, 2, 4, 5, 6):
        add_test(history, day, 0, 10)
    short = voided(made_reps(seed=3, habit_ms=200, scatter_ms=10), 20)
    add(history, made_session(uid="short", day="2026-03-03"), short)
    (found,) = compare(history, "Kim")
    typical_error = found.changes["constant_error_ms"].typical_error
    assert typical_error is not None
    assert 0.0 < typical_error < 16.0
    assert found.tests == 6


def test_two_tests_are_a_baseline_and_no_comparison(history: History) -> None:
    add_test(history, 1, 140, 30)
    add_test(history, 2, 0, 30)
    (found,) = compare(history, "Kim")
    assert {change.finding for change in found.changes.values()} <= {"too few tests to say", "too few reps to say"}
    assert found.changes["constant_error_ms"].change == pytest.approx(-140, abs=25)
    assert any("one more test after them" in note for note in found.notes)
    add_test(history, 3, 0, 30)
    (found,) = compare(history, "Kim")
    assert found.changes["constant_error_ms"].finding == "changed"
    assert any("15 ms in the constant error is taken to be usual" in note for note in found.notes)


def test_a_bad_first_test_is_told_to_be_perhaps_a_bad_day(history: History) -> None:
    for day, habit_ms in ((1, -120), (2, 5), (3, -5), (4, 0)):
        add_test(history, day, habit_ms, 10)
    (found,) = compare(history, "Kim")
    (told,) = [note for note in found.notes if "regression to the mean" in note]
    assert "without it the change is -" in told
    assert any("regression" in note for note in compare(history, "Kim", first="2")[0].notes) is False
    add_test(history, 5, 150, 10)
    assert not any("regression" in note for note in compare(history, "Kim")[0].notes)


def test_a_comparison_begins_with_a_sentence_for_parents(history: History) -> None:
    for number in (1, 2):
        add_test(history, number, 0, 30)
    (found,) = compare(history, "Kim")
    assert sentence(found) == "It is too early to say whether Kim has changed: too few tests."
    add_test(history, 3, 0, 30)
    (found,) = compare(history, "Kim")
    assert sentence(found).startswith("Nothing shows that Kim has changed")
    share = replace(found.changes["in_window_share"], before=0.5, after=0.75, primary=True, finding="changed")
    habit = replace(found.changes["constant_error_ms"], primary=False)
    shown = replace(found, changes={**found.changes, "constant_error_ms": habit, "in_window_share": share})
    assert sentence(shown) == "Kim has changed (in the window): 75 % now, 50 % then."


def test_a_test_is_not_compared_with_itself(history: History) -> None:
    for number in (1, 2, 3):
        add_test(history, number, 0, 30)
    with pytest.raises(HistoryError, match="--from and --to are both session 2: a test is not compared") as refusal:
        compare(history, "Kim", first="2", last="2")
    assert "1, 3" in str(refusal.value)


def test_tests_in_the_wrong_order_are_refused(history: History) -> None:
    for day in (1, 2, 3):
        add_test(history, day, 0, 30)
    with pytest.raises(HistoryError, match=r"session 3 was made after session 1\n.*\nExchange --from and --to"):
        compare(history, "Kim", first="3", last="1")


def test_constant_error_has_one_value_in_history_and_compare(history: History) -> None:
    for day in (1, 2, 3):
        spoilt = made_reps(seed=day, habit_ms=60, scatter_ms=30)
        worst = next(each for each in spoilt if each.verdict.grade in TIMED_GRADES and not each.rep.warm_up)
        far = replace(worst.verdict, error_ms=440.0, touchdown_ms=573.0, grade=Grade.LATE)
        entries = [replace(each, verdict=far) if each is worst else each for each in spoilt]
        add(history, made_session(uid=str(day), day=f"2026-03-0{day}", seed=day), entries)
    listed = json.loads(run("history", "Kim", "--json")[1])["sessions"]
    (compared,) = json.loads(run("compare", "Kim", "--json")[1])
    for name in ("constant_error_ms", "variable_error_ms"):
        assert compared["changes"][name]["before"] == pytest.approx(listed[-1][name], rel=1e-9)
        assert compared["changes"][name]["after"] == pytest.approx(listed[0][name], rel=1e-9)


def test_the_figure_that_a_drill_is_about_is_marked(history: History, tmp_path: Path) -> None:
    drill = tmp_path / "mine.yaml"
    drill.write_text(
        "name: Mine\nreps: 25\nprimary: in_window_share\n"
        "lead_in: {kind: swing, length_s: 0.4}\nrhythm: {interval_s: 2, rally: 5, rest_s: 5}\n"
    )
    for day in (1, 2, 3):
        entry = made_session(uid=str(day), day=f"2026-03-0{day}", drill=str(drill), seed=day)
        add(history, entry, made_reps(str(drill), day, habit_ms=200 if day < 3 else 0))
    (found,) = compare(history, "Kim", drill="Mine")
    assert [name for name, change in found.changes.items() if change.primary] == ["in_window_share"]
    assert found.changes["in_window_share"].finding == "changed"
    assert (
        sum(line.startswith("in the window *") for line in run("compare", "Kim", "--drill", "Mine")[1].splitlines())
        == 1
    )


def test_figures_leave_out_guessed_steps_and_need_five_landings() -> None:
    entries = [each for each in made_reps("direction", 2) if each.verdict.grade in TIMED_GRADES][:10]
    assert entries[0].verdict.first_step_ms is not None
    late = [replace(e, verdict=replace(e.verdict, first_step_ms=300.0)) for e in entries]
    guesses = [replace(e, verdict=replace(e.verdict, first_step_ms=50.0, guessed=True)) for e in late[:4]]
    steps = figures([*guesses, *late[4:]])["first_step_ms"]
    assert steps is not None
    assert (steps.value, steps.reps) == (300.0, 6)
    assert figures(entries[:4])["constant_error_ms"] is None
    assert figures(entries[:5])["constant_error_ms"] is not None


def test_a_rep_that_the_coach_declared_void_does_not_count() -> None:
    entries = [each for each in made_reps() if not each.rep.warm_up]
    marked = [replace(entries[0], coach="void"), replace(entries[1], coach="early"), *entries[2:]]
    assert counted(marked, "predictive") == marked[1:]


def test_other_protocols_and_simulated_sessions_are_kept_apart(history: History) -> None:
    add_test(history, 1, 100, 30, protocol="changed")
    add_test(history, 2, 100, 30, source="simulated")
    add_test(history, 3, 0, 30)
    with pytest.raises(HistoryError, match="takes two\n2 sessions of this drill left out: something else"):
        compare(history, "Kim")
    with pytest.raises(HistoryError, match="not comparable"):
        compare(history, "Kim", first="1")


def test_reaction_is_compared_with_reaction_and_said_to_be_other(history: History) -> None:
    for day in (1, 2):
        entry = made_session(uid=str(day), day=f"2026-03-0{day}", drill="reaction", seed=day)
        add(history, entry, made_reps("reaction", day))
    add_test(history, 3, 0, 30)
    (found,) = compare(history, "Kim", drill="Reaction")
    assert found.mode == "reactive"
    assert any("says nothing about the timing of a split step" in note for note in found.notes)
    with pytest.raises(HistoryError, match="it takes two"):
        compare(history, "Kim")


def test_modes_of_one_session_are_compared_each_for_itself(history: History) -> None:
    for day in (1, 2):
        mixed = [
            RepEntry(replace(e.rep, mode="reactive" if e.rep.index % 3 == 0 else "predictive"), e.verdict)
            for e in made_reps(seed=day)
        ]
        add(history, made_session(uid=str(day), day=f"2026-03-0{day}"), mixed)
    found = compare(history, "Kim")
    assert [each.mode for each in found] == ["predictive", "reactive"]
    assert sum(each.before.scored for each in found) == 30


def test_another_place_is_noted(history: History) -> None:
    add_test(history, 1, 0, 30)
    add_test(history, 2, 0, 30, placement=Placement(2.0, 2.0, 0.3))
    assert any("different places" in note for note in compare(history, "Kim")[0].notes)


def test_uncertainty_of_the_ear_and_the_distances_count(history: History) -> None:
    reps = made_reps()
    assert systematic_ms(reps) == pytest.approx(math.hypot(1.0, math.sqrt(2) * 0.2914), abs=1e-3)
    dull = [RepEntry(e.rep, replace(e.verdict, uncertainty_ms=20.0)) for e in reps]
    add(history, made_session(uid="a", day="2026-03-01"), dull)
    add(history, made_session(uid="b", day="2026-03-02"), dull)
    (found,) = compare(history, "Kim")
    constant = found.changes["constant_error_ms"]
    assert constant.low is not None
    assert constant.low < -1.96 * math.sqrt(2) * 20


# ---------------------------------------------------------------- the verbs


def run(*arguments: str) -> tuple[int, str, str]:
    answer = CliRunner().invoke(main, list(arguments))
    return answer.exit_code, answer.stdout, answer.stderr


def test_verbs_show_players_sessions_reps_and_trend(history: History) -> None:
    add_test(history, 1, 140, 80)
    add_test(history, 2, 20, 30)
    code, out, _ = run("history")
    assert code == 0
    assert out.splitlines()[1].split() == ["Kim", "-", "-", "2", "2026-03-02"]
    code, _, err = run("history", "kim", "--set-level", "club", "--set-sport", "padel")
    assert (code, "level club, sport padel" in err) == (0, True)
    assert run("history")[1].splitlines()[1].split()[1:3] == ["club", "padel"]
    code, out, err = run("history", "Kim", "--limit", "1")
    assert [line.split()[0] for line in out.splitlines()] == ["session", "2", "habit:"]
    assert out.splitlines()[-1].startswith("habit: minus is early, plus is late")
    assert "1 of 2 sessions; older ones: --before 2" in err
    assert "answered calls" not in err  # nothing was called in a test block
    code, out, _ = run("history", "Kim", "--trend")
    first, second = (line for line in out.splitlines() if "2026-03" in line)
    assert first.index("o") > second.index("o") > out.splitlines()[0].index(" 0 >") - 20
    assert out.splitlines()[-1].startswith("o the habit (constant error), ----- its scatter (variable error)")
    code, out, _ = run("history", "2")
    assert "30 reps scored" in out
    assert out.count("warm-up") >= 5
    code, out, _ = run("history", "2", "--json")
    document = json.loads(out)
    assert document["scores"]["n"] == 30
    assert document["session"]["player"] == "Kim"
    code, out, err = run("history", "99")
    assert (code, out) == (2, "")
    assert "no session 99" in err


def test_verb_compare_prints_every_figure_and_its_finding(history: History) -> None:
    add_test(history, 1, 140, 80)
    add_test(history, 2, 140, 80)
    add_test(history, 3, 20, 30)
    code, out, err = run("compare", "Kim")
    assert code == 0
    told = r"Kim lands nearer to the right moment than before: on average \d+ ms late now, 1\d\d ms late then."
    assert re.fullmatch(told, out.splitlines()[0])
    for _, label, _ in FIGURES:
        assert sum(line.startswith((label + "  ", label + " *  ")) for line in out.splitlines()) == 1
    constant = next(line for line in out.splitlines() if line.startswith("habit"))
    assert constant.endswith("changed")
    assert "3 tests hardly tell how much Kim differs from day to day" in err
    signed = {"habit"}
    for _, label, _ in FIGURES:  # what has no early and late has no sign, but its change has
        row = next(row for row in out.splitlines() if row.startswith((label + "  ", label + " *")))
        before, after = re.split(r" {2,}", row.removeprefix(label + " *").removeprefix(label).strip())[:2]
        assert (before + after).count("+") == 2 * (label in signed), label
    assert "habit: minus is early, plus is late" in out
    code, out, _ = run("compare", "Kim", "--json")
    (document,) = json.loads(out)
    assert document["changes"]["constant_error_ms"]["finding"] == "changed"
    code, out, err = run("compare", "Nobody")
    assert (code, out) == (2, "")
    assert "no player is called 'Nobody'" in err
    assert "did you mean 'Kim'?" in run("compare", "KIMM")[2]


def test_verbs_take_out_bring_in_back_up_and_forget(history: History, tmp_path: Path) -> None:
    add_test(history, 1, 0, 30)
    out_file = tmp_path / "out.csv"
    assert run("export", str(out_file))[0] == 0
    assert run("backup")[0] == 0
    history.database.execute("SELECT 1")
    code, out, err = run("forget", "kim", "--yes")
    assert (code, "player Kim and 1 session are deleted" in out) == (0, True)
    assert "history.backup-" in err
    assert "exports" in err
    code, out, _ = run("import", str(out_file))
    assert (code, out) == (0, "1 session added, 0 completed, 0 known already\n")
    code, _, err = run("forget", "kim")
    assert code == 130  # asked, and nobody could answer
    assert "nothing was deleted" in err
    answer = CliRunner().invoke(main, ["forget", "kim"], input="n\n")
    assert answer.exit_code == 0
    assert "nothing was deleted" in answer.stderr
    assert run("history", "Kim")[0] == 0
    assert run("forget", "--sweep")[0] == 0
    assert run("forget")[0] == 2


def test_a_short_export_has_a_row_per_session(history: History, tmp_path: Path) -> None:
    add_test(history, 1, 140, 80)
    add_test(history, 2, 20, 30)
    assert run("export", str(tmp_path / "short.csv"), "--short", "--player", "kim")[0] == 0
    head, first, second = (tmp_path / "short.csv").read_text(encoding="utf-8").splitlines()
    assert head == "date,player,drill,landings,in_window_percent,habit_ms,scatter_ms"
    assert re.fullmatch(r"2026-03-01,Kim,Test block,30,\d+,1\d\d,\d+", first)
    assert re.fullmatch(r"2026-03-02,Kim,Test block,30,\d+,\d+,\d+", second)
    code, _, err = run("export", str(tmp_path / "short.json"), "--short")
    assert code == 2
    assert "a short export ends in .csv" in err


def test_verbs_without_a_history_say_how_one_begins(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("DRILLTIMER_HOME", str(tmp_path / "none"))
    for arguments in (
        ("history",),
        ("compare", "x"),
        ("report", "x", "-o", "y.html"),
        ("export", "x.csv"),
        ("backup",),
    ):
        code, out, err = run(*arguments)
        assert (code, out) == (2, "")
        assert "there is no history yet" in err
    assert not (tmp_path / "none").exists()


def test_run_keeps_the_session_under_a_player(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("DRILLTIMER_HOME", str(tmp_path))
    drill = tmp_path / "short.yaml"
    drill.write_text("name: Short\nreps: 3\nlead_in: {kind: swing, length_s: 0.4}\nrhythm: {interval_s: 2, rally: 3}\n")
    told = run("run", str(drill), "--simulate", "expert", "--speed", "0", "--seed", "1", "--player", "7", "--plain")
    assert told[0] == 0
    assert "kept as session 1, player 7" in told[2]
    document = json.loads(run("history", "session:1", "--json")[1])
    assert len(document["reps"]) == 3
    assert document["session"] | {"started_utc": ""} == document["session"] | {
        "started_utc": "",
        "player": "7",
        "drill": "Short",
        "seed": 1,
        "source": "simulated",
        "ending": "done",
    }
    assert run("run", str(drill), "--simulate", "expert", "--speed", "0", "--player", "a\nb")[0] == 2


@pytest.mark.long
def test_test_block_lists_its_reps_only_when_it_is_over(monkeypatch: pytest.MonkeyPatch) -> None:
    import drilltimer.app.live as live

    runner, seen = CliRunner(), list[bool]()

    def watched(*arguments: object, on_rep: object, **others: object) -> live.Outcome:
        def on_rep_watched(*judged: object) -> None:
            written = io.StringIO()
            with contextlib.redirect_stdout(written):
                on_rep(*judged)  # type: ignore[operator]
            seen.append(bool(written.getvalue()))

        return real(*arguments, on_rep=on_rep_watched, **others)  # type: ignore[arg-type]

    real = live.run_live
    monkeypatch.setattr(live, "run_live", watched)
    for drill, tells in (("test-block", False), ("catch", True)):
        seen.clear()
        told = runner.invoke(main, ["run", drill, "--simulate", "expert", "--speed", "0", "--seed", "1", "--plain"])
        assert told.exit_code == 0
        assert set(seen) == {tells}
        assert ("tells nothing on the way" in told.stderr) is not tells
        if not tells:
            assert (
                sum(" on time " in line or " late " in line or " early " in line for line in told.stdout.splitlines())
                >= 25
            )
