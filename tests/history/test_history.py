"""The history: what is written comes back, lists stay bounded, a bad day ends in clear words and nothing is lost."""

from __future__ import annotations

import os
import re
import sqlite3
import threading
import time
from collections.abc import Iterator
from contextlib import closing, suppress
from dataclasses import fields, replace
from pathlib import Path

import numpy as np
import pytest
from history_player import add, made_reps, made_session
from words import Words, refused, say

import drilltimer.history.connect as connecting
from drilltimer.app.drive import Ending
from drilltimer.app.plan import make_plan
from drilltimer.errors import HistoryError, Notice, as_kept, notice
from drilltimer.history import own_target, queries
from drilltimer.history.connect import DamagedHistoryError, connect, set_aside
from drilltimer.history.days import here
from drilltimer.history.entries import REP_COLUMNS, Player, RepEntry, clean_name, rep_row
from drilltimer.history.export import back_up, copies_beside
from drilltimer.history.journal import Journal
from drilltimer.history.protocol import protocol_of
from drilltimer.history.schema import MIGRATIONS, SCHEMA
from drilltimer.history.store import History
from drilltimer.model import Cue, Grade, Health, Placement, Progression, Rep, Sound, Verdict, Window
from drilltimer.recordings.cuesheet import sheet_to_json
from drilltimer.recordings.journal import Kept, keep_scored
from drilltimer.recordings.run import ScoredRecording
from drilltimer.recordings.session_recorder import make_sheet
from drilltimer.recordings.warp import ClockMap
from drilltimer.score.stats import summarize
from drilltimer.session import Play


@pytest.fixture
def history(tmp_path: Path) -> Iterator[History]:
    with History(tmp_path / "history.sqlite") as kept:
        yield kept


HEALTH = Health(blocks=7, notes=(notice("zeros", seconds=4.0), notice("simulated")))


def judged(entries: list[RepEntry]) -> list[tuple[Rep, Verdict]]:
    return [(entry.rep, entry.verdict) for entry in entries]


# ---------------------------------------------------------------- what is written comes back


def test_session_and_reps_come_back_as_they_were(history: History) -> None:
    entry = replace(
        made_session(),
        health=Health(blocks=9, xruns=1, drift_ppm=-3.5, notes=(notice("simulated"), as_kept("a note"))),
        ending="interrupted",
    )
    cues = (
        Cue("precue", "swing", 1.0, length_s=0.5, pan=-0.5),
        Cue("contact", "smack", 1.0, gain_db=-3.0),
        Cue("call", "left", 1.2),
    )
    rep = Rep(3, 10.0, 13.0, 11.0, cues, "left", Window(73, 133, 193), "reactive", block=1, warm_up=True, level="club")
    verdict = Verdict(
        3, Grade.LATE, "left", 1.5, 1.7, 1.72, 2.1, 200.0, 67.0, 0.8, 0.7, 20.0, 600.0, None, True, "club", 73, 193
    )
    number = add(history, entry, [RepEntry(rep, verdict)])
    assert queries.session(history, number) == replace(entry, number=number)
    assert queries.reps(history, number) == [RepEntry(rep, verdict)]


def test_no_field_of_a_verdict_is_left_out(history: History) -> None:
    """What is not kept differs when it is read back, and the session would be saved as a file of its own, too."""
    kept = {field.name for field in fields(Verdict)} - {"rep", "level", "call", "window_open_ms", "window_close_ms"}
    assert kept <= set(REP_COLUMNS)  # and those five are the rep's


def test_sessions_list_holds_counted_reps_only(history: History) -> None:
    reps = made_reps(habit_ms=30, scatter_ms=50)
    last = reps[-1]
    reps[-1] = replace(last, coach="void")  # the coach saw more than was heard
    reps[-2] = replace(reps[-2], verdict=replace(reps[-2].verdict, grade=Grade.MISSED, error_ms=None))
    reps[-3] = replace(reps[-3], verdict=replace(reps[-3].verdict, grade=Grade.VOID, error_ms=None))
    add(history, made_session(), reps)
    scores = summarize(each.verdict for each in reps if not each.rep.warm_up and each.coach != "void")
    (line,) = queries.session_lines(history)
    assert (line.scored, line.missed, line.void) == (scores.n, scores.missed, scores.void)
    assert (line.scored, line.missed, line.void) == (28, scores.missed, 1)
    assert line.on_time == round(28 * (scores.in_window_share or 0))
    assert line.constant_error_ms == pytest.approx(scores.constant_error_ms, abs=1e-6)
    assert line.variable_error_ms == pytest.approx(scores.variable_error_ms, abs=1e-6)


def test_lists_are_bounded_newest_first_and_go_on_before_a_session(history: History) -> None:
    for day in range(1, 8):
        history.begin(made_session(uid=str(day), day=f"2026-03-{day:02}"))
    newest = queries.session_lines(history, "kim", limit=3)
    assert [line.started_utc[8:10] for line in newest] == ["07", "06", "05"]
    older = queries.session_lines(history, "KIM", limit=3, before=newest[-1].number)
    assert [line.started_utc[8:10] for line in older] == ["04", "03", "02"]


def test_lists_go_by_the_moment_and_then_by_the_number(history: History) -> None:
    for uid, day in (("a", 5), ("b", 3), ("c", 5), ("d", 4)):  # as after an import: numbers are not in time order
        history.begin(made_session(uid=uid, day=f"2026-03-{day:02}"))
    assert [line.number for line in queries.session_lines(history)] == [3, 1, 4, 2]
    assert [line.number for line in queries.session_lines(history, before=1)] == [4, 2]
    assert [line.number for line in queries.session_lines(history, before=4)] == [2]


def test_a_list_is_never_longer_than_a_thousand(history: History, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(queries, "LONGEST_LIST", 2)
    for uid in "abc":
        history.begin(made_session(uid=uid))
    assert len(queries.session_lines(history, limit=1000)) == 2


def test_lists_of_one_player_touch_no_other_players_reps(history: History) -> None:
    """What keeps them fast with 100,000 sessions; `tests/benchmarks/history_size.py` measures it."""
    asked: list[str] = []
    history.database.set_trace_callback(asked.append)
    add(history, made_session(), made_reps())
    queries.session_lines(history, "kim")
    list(queries.players(history))
    own_target.own_target(history, "kim")
    queries.sessions_of_drill(history, "kim", "Test block")
    history.database.set_trace_callback(None)
    plans = [
        row["detail"]
        for query in asked
        if query.lstrip().startswith("SELECT")
        for row in history.database.execute(f"EXPLAIN QUERY PLAN {query}")
    ]
    assert [plan for plan in plans if "SEARCH r " in plan]
    assert [plan for plan in plans if re.match(r"SCAN (r|reps)\b", plan)] == []


def test_names_are_one_player_however_they_are_written(history: History) -> None:
    assert history.add_player(Player("Zoe\u0301", "club")) == history.add_player(Player(" zo\u00e9 ", None, "padel"))
    assert queries.find_player(history, "ZO\u00c9") == Player("Zo\u00e9", "club", "padel")


@pytest.mark.parametrize("name", ["", "   ", "x" * 81, "a\x1b[2Jb", "a\nb", "a\u202eb"])
def test_names_that_steer_a_terminal_are_refused(name: str) -> None:
    with pytest.raises(HistoryError, match="a player's name"):
        clean_name(name)


def test_unknown_player_is_told_the_nearest(history: History) -> None:
    history.add_player(Player("Marta"))
    with pytest.raises(HistoryError, match=r"'Mrta'; did you mean 'Marta'\?"):
        queries.find_player(history, "Mrta")


def test_number_is_always_a_session_and_a_player_of_that_name_is_asked_for_as_one(history: History) -> None:
    number = add(history, made_session("Kim"), made_reps())
    history.add_player(Player(str(number)))
    history.add_player(Player("12"))
    assert queries.find_target(history, str(number)) == queries.find_target(history, f"session:{number}") == number
    assert queries.find_target(history, f"player:{number}") == Player(str(number))
    with pytest.raises(HistoryError, match="there is no session 12") as refusal:
        queries.find_target(history, "12")
    assert "player:12" in str(refusal.value)
    history.add_player(Player(f"session:{number}"))
    assert queries.find_target(history, f"session:{number}") == number  # whoever is called so
    with pytest.raises(HistoryError, match="no player is called '99999999999999999999'"):
        queries.find_target(history, "9" * 20)


def test_players_whose_names_are_numbers_stand_in_their_order(history: History) -> None:
    for name in ("10", "2", "Kim 12", "1", "Kim 3", "Ann"):
        history.add_player(Player(name))
    assert [line.player.name for line in queries.players(history)] == ["1", "2", "10", "Ann", "Kim 3", "Kim 12"]


def test_a_persons_list_holds_no_session_of_a_simulated_player(history: History) -> None:
    simulated = replace(made_session("Kim", uid="s"), source="simulated")
    first = add(history, simulated, made_reps())
    assert [line.number for line in queries.session_lines(history, "Kim")] == [first]  # nobody but a simulated player
    second = add(history, made_session("Kim", uid="t", day="2026-03-01"), made_reps())
    assert [line.number for line in queries.session_lines(history, "Kim")] == [second]
    assert queries.count_sessions(history, "Kim", of_person=True) == 1
    assert queries.count_sessions(history, "Kim") == 2  # all of which `forget` deletes


def test_one_landing_has_no_scatter(history: History) -> None:
    timed = [each for each in made_reps() if each.verdict.error_ms is not None and not each.rep.warm_up]
    add(history, made_session(), timed[:1])
    (line,) = queries.session_lines(history, "Kim")
    assert line.constant_error_ms is not None
    assert line.variable_error_ms is None


@pytest.mark.skipif(not hasattr(time, "tzset"), reason="the zone of a process can be set on POSIX alone")
@pytest.mark.parametrize(("zone", "shown"), [("UTC0", "2026-03-10 17:20"), ("NZST-12", "2026-03-11 05:20")])
def test_times_are_read_in_the_readers_own_zone(zone: str, shown: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TZ", zone)
    time.tzset()
    try:
        assert here("2026-03-10T17:20:00Z") == shown
        assert here("-") == "-"
    finally:
        monkeypatch.undo()
        time.tzset()


def test_protocol_is_of_what_is_asked_not_of_words() -> None:
    drill = make_plan("test-block", 1).drill
    assert protocol_of(drill) == protocol_of(make_plan("test-block", 2).drill)
    assert protocol_of(replace(drill, name="Test", description="other words")) == protocol_of(drill)
    harder = replace(drill.blocks[1], window=Window(93, 133, 173))
    assert protocol_of(replace(drill, blocks=(drill.blocks[0], harder))) != protocol_of(drill)
    moving = [protocol_of(replace(drill, progression=rule)) for rule in (None, Progression(), Progression(reps=8))]
    assert len(set(moving)) == 3
    # Another one would part all tests made so far from those to come.
    assert moving[0] == "b43758e0a6f576ea"


def test_test_block_asks_the_same_of_every_seed_and_level() -> None:
    for seed in range(30):
        plan = make_plan("test-block", seed, "advanced")
        counted = [rep for rep in plan.reps if not rep.warm_up]
        assert sum(not rep.withheld for rep in counted) == 30
        assert {rep.window for rep in plan.reps} == {Window(73, 133, 193)}
        assert sum(rep.warm_up and not rep.withheld for rep in plan.reps) == 5
        assert {block.feedback.kind for block in plan.drill.blocks if block.feedback} == {"none"}
    starts = {tuple(rep.contact_s for rep in make_plan("test-block", seed).reps) for seed in range(10)}
    assert len(starts) == 10


# ---------------------------------------------------------------- forgetting


def test_forgotten_player_leaves_no_byte_behind(tmp_path: Path) -> None:
    path = tmp_path / "history.sqlite"
    with History(path) as history:
        add(history, made_session("Unmistakable Name", uid="gone"), made_reps())
        add(history, made_session("Kim", uid="stays"), made_reps(seed=1))
        assert history.forget("unmistakable name") == 1
        files = [path.with_name(path.name + side) for side in ("", "-wal", "-shm")]
        for file in files:
            assert b"Unmistakable" not in (file.read_bytes() if file.exists() else b"")
        assert [line.player.name for line in queries.players(history)] == ["Kim"]
        assert len(queries.reps(history, 2)) == len(made_reps(seed=1))
        assert history.database.execute("SELECT count(*) FROM reps WHERE session = 1").fetchone()[0] == 0


def test_what_is_deleted_is_overwritten_even_before_the_file_is_rewritten(history: History) -> None:
    history.add_player(Player("Unmistakable Name"))
    history.sweep()
    assert b"Unmistakable" in history.path.read_bytes()
    with history.transaction():
        history.database.execute("DELETE FROM players")
    history.database.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    assert b"Unmistakable" not in history.path.read_bytes()


def test_forgetting_gives_the_space_back(history: History) -> None:
    for seed in range(20):
        add(history, made_session(uid=str(seed)), made_reps(seed=seed))
    history.sweep()
    size = history.path.stat().st_size
    history.forget("Kim")
    assert history.path.stat().st_size < size / 3


def test_forgetting_tells_when_a_reader_keeps_the_traces(tmp_path: Path) -> None:
    path = tmp_path / "history.sqlite"
    with History(path, wait_s=0.1) as history, History(path) as reader:
        add(history, made_session("Kim"), made_reps())
        reading = reader.database.execute("SELECT * FROM reps")
        reading.fetchone()
        with pytest.raises(HistoryError, match="may still hold traces"):
            history.forget("Kim")
        reading.close()
        history.sweep()
        with pytest.raises(HistoryError, match="no player"):
            history.forget("Kim")


# ---------------------------------------------------------------- bad days


def test_newer_history_is_refused_and_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "history.sqlite"
    History(path).close()
    with closing(sqlite3.connect(path)) as database:
        database.execute(f"PRAGMA user_version = {SCHEMA + 1}")
    before = path.read_bytes()
    with pytest.raises(HistoryError, match=f"newer drilltimer .schema {SCHEMA + 1}"):
        History(path)
    assert path.read_bytes() == before


def test_database_of_another_program_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "history.sqlite"
    with closing(sqlite3.connect(path)) as database:
        database.execute("CREATE TABLE something (x)")
    with pytest.raises(HistoryError, match="another program"):
        History(path)


def test_older_history_is_copied_then_brought_up_to_date(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "history.sqlite"
    with History(path) as history:
        number = add(history, made_session(), made_reps())
    grown = (*MIGRATIONS, "ALTER TABLE players ADD COLUMN club TEXT")
    monkeypatch.setattr(connecting, "MIGRATIONS", grown)
    monkeypatch.setattr(connecting, "SCHEMA", len(grown))
    with History(path) as history:
        assert history.database.execute("PRAGMA user_version").fetchone()[0] == len(grown)
        assert len(queries.reps(history, number)) == len(made_reps())
        history.database.execute("SELECT club FROM players")
    (copy,) = tmp_path.glob(f"history.before-schema-{len(grown)}-*.sqlite")
    with closing(sqlite3.connect(copy)) as database:
        assert database.execute("PRAGMA user_version").fetchone()[0] == SCHEMA
        assert database.execute("SELECT count(*) FROM sessions").fetchone()[0] == 1


@pytest.mark.parametrize(
    ("void", "words"),
    [
        (notice("lost_in_rep"), "sound was lost in this rep"),
        (notice("lost", input="a", output="b", why=notice("stalled", seconds=0.5)),
         "lost the sound device ('a' to 'b'): no sound came for 0.5 s: the device was unplugged, or the computer "
         "slept"),
        (as_kept("paused by somebody"), "paused by somebody"),
    ],
)  # fmt: skip
def test_why_a_rep_is_void_is_kept_as_a_fact_and_in_words(tmp_path: Path, void: Notice, words: str) -> None:
    entry = RepEntry(made_reps()[0].rep, replace(made_reps()[0].verdict, grade=Grade.VOID, error_ms=None, void=void))
    with History(tmp_path / "history.sqlite") as history:
        number = add(history, made_session(), [entry])
        assert queries.reps(history, number) == [entry]
        assert history.database.execute("SELECT void FROM reps").fetchone()[0] == words


@pytest.mark.parametrize(
    ("kept", "told"), [(None, "a ball came"), ('["a_ball_of_a_later_version",{"ms":3}]', "a ball of a later version")]
)
def test_what_an_older_or_a_later_version_kept_stays_readable(tmp_path: Path, kept: str | None, told: str) -> None:
    with History(tmp_path / "history.sqlite") as history:
        number = add(history, made_session(), made_reps()[:1])
        history.database.execute("UPDATE reps SET grade = 'void', void = 'a ball came', void_notice = ?", (kept,))
        (entry,) = queries.reps(history, number)
        assert say(entry.verdict.void) == told
        again = history.database.execute("SELECT void_notice FROM reps").fetchone()[0]
    assert kept is None or rep_row(entry)["void_notice"] == again  # nothing of it is lost when it goes on to others


@pytest.mark.parametrize("kept", ['"x"', '["by_hand"]', '["by_hand",[]]', '["by_hand",{"ms":null}]', "[", "[1,{}]"])
def test_a_damaged_fact_leaves_its_rep_out(tmp_path: Path, kept: str) -> None:
    with History(tmp_path / "history.sqlite") as history:
        number = add(history, made_session(), made_reps()[:2])
        history.database.execute("UPDATE reps SET void_notice = ? WHERE rep = 0", (kept,))
        assert [each.rep.index for each in queries.reps(history, number)] == [1]
        assert "1 rep left out" in history.left_out[0]


def test_history_from_before_the_coachs_mark_keeps_its_rows(tmp_path: Path) -> None:
    path = tmp_path / "history.sqlite"
    written = (Path(__file__).parents[1] / "data" / "history-schema-1.sql").read_text(encoding="utf-8")
    with closing(sqlite3.connect(path)) as database:
        database.executescript(written)
        old = database.execute("SELECT * FROM reps ORDER BY rep").fetchall()
    with History(path) as history:
        new = history.database.execute("SELECT * FROM reps ORDER BY rep").fetchall()
        assert [tuple(row) for row in new] == [(*row, None, None, None) for row in old]
        assert len(new) == 6
        expected = [replace(e, verdict=replace(e.verdict, ear_uncertainty_ms=None)) for e in made_reps()[:6]]
        assert queries.reps(history, 1) == expected
        assert queries.session(history, 1) == replace(made_session(), number=1)
        assert history.database.execute("PRAGMA user_version").fetchone()[0] == SCHEMA
        marked = add(history, replace(made_session(), uid="b"), [replace(expected[0], coach="late")])
        assert queries.reps(history, marked)[0].coach == "late"
    (copy,) = tmp_path.glob(f"history.before-schema-{SCHEMA}-*.sqlite")
    with closing(sqlite3.connect(copy)) as database:
        assert database.execute("PRAGMA user_version").fetchone()[0] == 1
        assert database.execute("SELECT * FROM reps ORDER BY rep").fetchall() == old


def test_failed_migration_changes_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "history.sqlite"
    with History(path) as history:
        add(history, made_session(), made_reps())
    grown = (*MIGRATIONS, "ALTER TABLE players ADD COLUMN club TEXT; ALTER TABLE nowhere ADD COLUMN x")
    with monkeypatch.context() as patch:
        patch.setattr(connecting, "MIGRATIONS", grown)
        patch.setattr(connecting, "SCHEMA", len(grown))
        with pytest.raises(HistoryError, match="nowhere"):
            History(path)
    with History(path) as history:
        columns = [row["name"] for row in history.rows("PRAGMA table_info(players)")]
        assert "club" not in columns
        assert len(queries.session_lines(history)) == 1


def test_locked_history_is_told_after_the_wait(tmp_path: Path) -> None:
    path = tmp_path / "history.sqlite"
    with (
        History(path, wait_s=0.05) as history,
        History(path) as other,
        other.transaction(),
        pytest.raises(HistoryError, match="another program holds the history"),
    ):
        history.begin(made_session())


def test_two_programs_write_side_by_side(tmp_path: Path) -> None:
    path = tmp_path / "history.sqlite"
    reps = made_reps()
    with History(path) as one, History(path) as two:
        numbers = [one.begin(made_session(uid="one")), two.begin(made_session("Lee", uid="two"))]
        for rep in reps:
            one.add_reps(numbers[0], [rep])
            two.add_reps(numbers[1], [rep])
        assert [len(queries.reps(one, number)) for number in numbers] == [len(reps)] * 2


def test_new_file_is_not_taken_for_another_programs_while_that_makes_its_tables(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two start at once: the other one comes between two looks at the file, or would."""
    path, came = tmp_path / "history.sqlite", []

    class Slow(sqlite3.Connection):
        def execute(self, statement: str, *given: object) -> sqlite3.Cursor:  # type: ignore[override]
            if "sqlite_master" in statement and not came:
                came.append(statement)
                with suppress(HistoryError):  # it is made to wait
                    connect(path, wait_s=0.05).close()
            return super().execute(statement, *given)  # type: ignore[arg-type]

    opened = sqlite3.connect
    monkeypatch.setattr(connecting.sqlite3, "connect", lambda *where, **how: opened(*where, factory=Slow, **how))
    with closing(connect(path)) as database:
        assert database.execute("PRAGMA user_version").fetchone()[0] == SCHEMA
    assert came


def test_new_file_is_waited_for_while_another_program_opens_it(tmp_path: Path) -> None:
    path = tmp_path / "history.sqlite"
    with closing(sqlite3.connect(path, isolation_level=None, check_same_thread=False)) as other:
        other.execute("BEGIN IMMEDIATE")  # SQLite's own wait does not hold here: two openers could wait for each other
        with pytest.raises(HistoryError, match="another program holds the history"):
            History(path, wait_s=0.05)
        letting_go = threading.Timer(0.1, other.execute, ["ROLLBACK"])
        letting_go.start()
        History(path).close()
        letting_go.join()


def test_full_disk_is_told_and_what_was_kept_stays(history: History) -> None:
    number = add(history, made_session(), made_reps()[:5])
    pages = history.database.execute("PRAGMA page_count").fetchone()[0]
    history.database.execute(f"PRAGMA max_page_count = {pages}")
    with refused(HistoryError, "the disk is full"):
        history.replace_session(made_session(uid="too much"), made_reps() + made_reps("steady-contact"))
    assert len(queries.reps(history, number)) == 5
    assert history.database.execute("PRAGMA integrity_check").fetchone()[0] == "ok"
    history.database.execute("PRAGMA max_page_count = 1000000")
    assert add(history, made_session(uid="again"), made_reps())


@pytest.mark.parametrize(
    "content", [b"no database, and long enough to be read as one" * 50, b"SQLite format 3\x00" + b"\xff" * 5000]
)
def test_what_is_no_database_is_told_as_damaged(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "history.sqlite"
    path.write_bytes(content)
    with pytest.raises(DamagedHistoryError, match="damaged"):
        connect(path)
    assert path.read_bytes() == content


def test_damaged_history_is_set_aside_whole_and_never_twice_under_one_name(tmp_path: Path) -> None:
    path = tmp_path / "history.sqlite"
    asides = []
    for content in (b"first", b"second"):
        path.write_bytes(content)
        path.with_name("history.sqlite-wal").write_bytes(content + b" log")
        asides.append(set_aside(path))
    assert not path.exists()
    assert [aside.read_bytes() for aside in asides] == [b"first", b"second"]
    assert [aside.with_name(aside.name + "-wal").read_bytes() for aside in asides] == [b"first log", b"second log"]
    assert sorted(asides) == [each for each in copies_beside(path) if each.suffix == ".sqlite"]


def test_folder_that_cannot_be_written_is_told(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(HistoryError, match="cannot be opened for writing"):
        History(tmp_path / "file" / "history.sqlite")


# ---------------------------------------------------------------- a session goes on whatever happens to the history


def test_journal_writes_rep_by_rep_and_later_verdicts_win(tmp_path: Path) -> None:
    path, told = tmp_path / "history.sqlite", Words()
    journal = Journal(path, replace(made_session(), ending=None), told.append)
    entries = made_reps()
    with History(path) as watching:
        for count, entry in enumerate(entries, 1):
            journal.rep(entry.rep, entry.verdict)
            assert len(queries.reps(watching, 1)) == count
        assert queries.session(watching, 1).ending is None
        changed = replace(entries[4].verdict, grade=Grade.VOID, error_ms=None, void=notice("by_hand"))
        entries[4] = RepEntry(entries[4].rep, changed)
        journal.end(Ending(health=HEALTH, interrupted=True), judged(entries))
        assert queries.reps(watching, 1)[4].verdict.grade == Grade.VOID
        assert queries.session(watching, 1).ending == "interrupted"
        assert queries.session(watching, 1).health == HEALTH
    assert told == ["kept as session 1, player Kim; 'drilltimer history session:1' shows it"]


def forgets_meanwhile(path: Path, reps_before: int) -> list[str]:
    """What a journal tells whose player, who has an earlier session, is forgotten after so many reps."""
    with History(path) as other:
        add(other, made_session(uid="earlier"), made_reps())
    told = Words()
    journal, entries = Journal(path, replace(made_session(), ending=None), told.append), made_reps()
    for count, entry in enumerate(entries):
        if count == reps_before:
            with History(path) as other:
                assert other.forget("Kim") == 1 + (reps_before > 0)
        journal.rep(entry.rep, entry.verdict)
    if reps_before == len(entries):
        with History(path) as other:
            other.forget("Kim")
    assert journal.end(Ending(health=Health(blocks=7)), judged(entries)) is None
    return told


@pytest.mark.parametrize("reps_before", [0, 1, 10, len(made_reps())])
def test_a_player_who_is_forgotten_meanwhile_stays_forgotten(tmp_path: Path, reps_before: int) -> None:
    path = tmp_path / "history.sqlite"
    told = forgets_meanwhile(path, reps_before)
    assert told == ["player Kim was forgotten meanwhile: nothing of this session is kept"]
    with History(path) as history:
        assert list(queries.players(history)) == []
        history.sweep()
    assert [each.name for each in tmp_path.iterdir()] == ["history.sqlite"]
    assert b"Kim" not in path.read_bytes()


def test_a_player_who_begins_with_this_session_was_not_forgotten(tmp_path: Path) -> None:
    path, told, entries = tmp_path / "history.sqlite", Words(), made_reps()
    journal = Journal(path, replace(made_session(), ending=None), told.append)
    with History(path) as other:
        add(other, made_session("Lee", uid="b"), made_reps())
        other.forget("Lee")
    journal.rep(entries[0].rep, entries[0].verdict)
    assert journal.end(Ending(health=Health(blocks=7)), judged(entries)) == 1 + 1  # Lee's number is not given again
    assert told[-1].startswith("kept as session 2")


@pytest.mark.parametrize("ending", ["done", "interrupted"])
def test_journal_keeps_no_session_in_which_nothing_was_judged(tmp_path: Path, ending: str) -> None:
    path, told = tmp_path / "history.sqlite", Words()
    journal = Journal(path, replace(made_session(), ending=None), told.append)
    journal.end(Ending(health=Health(), interrupted=ending == "interrupted"), [])
    assert told == ["no session is kept: no rep was judged"]
    with History(path) as history:
        assert list(queries.players(history)) == []
        assert queries.session_lines(history) == []


def test_journal_keeps_reps_that_were_judged_at_the_end_alone(tmp_path: Path) -> None:
    path, told, entries = tmp_path / "history.sqlite", Words(), made_reps()
    journal = Journal(path, replace(made_session(), ending=None), told.append)
    journal.end(Ending(health=Health(), interrupted=True), judged(entries[:1]))
    with History(path) as history:
        assert queries.reps(history, 1) == entries[:1]
    assert len(told) == 1


def test_journal_keeps_reps_while_the_history_is_locked(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("drilltimer.history.journal.PATIENCE_S", 0.01)
    path, told, entries = tmp_path / "history.sqlite", Words(), made_reps()
    with History(path) as other:
        with other.transaction():
            journal = Journal(path, made_session(), told.append)
            for entry in entries[:10]:
                journal.rep(entry.rep, entry.verdict)
        assert len(told) == 1
        assert "another program holds the history" in told[0]
        journal.rep(entries[10].rep, entries[10].verdict)
        assert len(queries.reps(other, 1)) == 11
        journal.end(Ending(health=Health(blocks=7)), judged(entries[:11]))


def test_journal_sets_a_damaged_history_aside_and_keeps_the_session(tmp_path: Path) -> None:
    path, told, entries = tmp_path / "history.sqlite", Words(), made_reps()
    path.write_bytes(b"no database, but somebody's only copy of something" * 50)
    journal = Journal(path, made_session(), told.append)
    for entry in entries:
        journal.rep(entry.rep, entry.verdict)
    journal.end(Ending(health=Health(blocks=7)), judged(entries))
    (aside,) = tmp_path.glob("history.damaged-*.sqlite")
    assert aside.read_bytes().startswith(b"no database, but")
    assert "set aside" in told[0]
    assert aside.name in told[0]
    with History(path) as history:
        assert queries.reps(history, 1) == [RepEntry(e.rep, e.verdict) for e in entries]


def test_journal_begins_anew_when_the_history_is_damaged_under_it(tmp_path: Path) -> None:
    path, told, entries = tmp_path / "history.sqlite", Words(), made_reps()
    journal = Journal(path, made_session(), told.append)
    for entry in entries[:8]:
        journal.rep(entry.rep, entry.verdict)
    for file in (path, path.with_name(path.name + "-wal")):
        with file.open("r+b") as spoilt:  # as a failing disk would, under the open connection
            spoilt.write(b"\xa5" * file.stat().st_size)
    with closing(sqlite3.connect(path)) as other, pytest.raises(sqlite3.DatabaseError):
        other.execute("SELECT * FROM reps")
    for entry in entries[8:]:
        journal.rep(entry.rep, entry.verdict)
    journal.end(Ending(health=Health(blocks=7)), judged(entries))
    assert "set aside" in told[0]
    with History(path) as history:
        assert queries.reps(history, 1) == entries
    assert len(list(tmp_path.glob("history.damaged-*.sqlite"))) == 1


def test_journal_saves_the_session_apart_when_nothing_else_works(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from drilltimer.history.intake import import_history

    path, told, entries = tmp_path / "history.sqlite", Words(), made_reps()
    History(path).close()
    with closing(sqlite3.connect(path)) as database:
        database.execute("PRAGMA user_version = 99")
    journal = Journal(path, made_session(), told.append)
    for entry in entries:
        journal.rep(entry.rep, entry.verdict)
    journal.end(Ending(health=Health(blocks=7)), judged(entries))
    assert "newer drilltimer" in told[0]
    (saved,) = tmp_path.glob("unsaved-*.json")
    assert str(saved) in told[-1]
    with History(tmp_path / "other.sqlite") as history:
        assert import_history(history, saved).added == 1
        assert queries.reps(history, 1) == entries


def test_journal_saves_the_session_elsewhere_when_its_folder_is_full(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from drilltimer.history import journal as journals

    full, elsewhere, told, entries = tmp_path / "full", tmp_path / "elsewhere", Words(), made_reps()
    elsewhere.mkdir()
    full.write_text("no folder: nothing can be written into it")
    monkeypatch.chdir(elsewhere)
    journal = journals.Journal(full / "history.sqlite", made_session(), told.append)
    for entry in entries:
        journal.rep(entry.rep, entry.verdict)
    journal.end(Ending(health=Health(blocks=7)), judged(entries))
    (saved,) = elsewhere.glob("unsaved-*.json")
    assert f"saved as {saved} instead" in told[-1]


def test_scored_recording_is_kept_once_however_often_it_is_scored(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("DRILLTIMER_HOME", str(tmp_path))
    sheet, recording, placement = tmp_path / "x.cues.json", tmp_path / "x.wav", Placement(3, 3, 0)
    plan = make_plan("test-block", 4)
    recording.write_bytes(b"what the recorder heard")
    silent = Sound("silent", np.zeros(1, np.float32), 48_000)
    plays = [Play(round(48e3 * (rep.start_s + cue.at_s)), silent, cue, rep) for rep in plan.reps for cue in rep.cues]
    sheet.write_text(sheet_to_json(make_sheet(plan, plays, 48_000, 0, "x.flac", placement)), encoding="utf-8")
    entries = made_reps(seed=4)
    verdicts = tuple(each.verdict for each in entries)
    reps = tuple(replace(each.rep, cues=(), block=0) for each in entries)
    scored = ScoredRecording(str(recording), ClockMap(0.0, 0.0), reps, verdicts, summarize(verdicts), Health(), sheet)
    assert keep_scored("Kim", scored) == Kept(1)
    number = keep_scored("kim", scored).number
    assert keep_scored("kim", scored) == Kept(number + 1, again=True)
    with History(tmp_path / "history.sqlite") as history:
        (line,) = queries.session_lines(history)
        number = line.number
        entry = queries.session(history, number)
        assert (line.scored, line.source) == (30, "recording")
        assert entry.protocol == protocol_of(plan.drill)
        assert [each.rep.block for each in queries.reps(history, number)] == [rep.block for rep in plan.reps]


def test_backup_is_a_checked_copy_taken_while_a_session_runs(history: History) -> None:
    number = add(history, made_session(), made_reps())
    with History(history.path) as other:
        copy = back_up(other)
    with History(copy) as taken:
        assert queries.reps(taken, number) == queries.reps(history, number)
    before = copy.read_bytes()
    with pytest.raises(HistoryError, match="is there already"):
        back_up(history, copy)
    assert copy.read_bytes() == before
    with pytest.raises(HistoryError, match="cannot be written"):
        back_up(history, history.path.parent / "nowhere" / "x.sqlite")


def test_history_is_for_its_owner_alone(history: History) -> None:
    if os.name != "posix":
        pytest.skip("file modes are POSIX's")
    assert history.path.stat().st_mode & 0o077 == 0


def test_placement_stays_with_the_session(history: History) -> None:
    number = history.begin(replace(made_session(), placement=Placement(2.5, 1.5, 1.0, 31.0)))
    assert queries.session(history, number).placement == Placement(2.5, 1.5, 1.0, 31.0)
