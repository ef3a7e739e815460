"""Damage inside a sound database: values that mean nothing are told and left out, and everything else can be used."""

from __future__ import annotations

import json
import math
import re
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from history_player import add, made_reps, made_session
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from drilltimer.cli import main
from drilltimer.history.connect import FILE_NAME
from drilltimer.history.entries import BLOCK_COLUMNS, REP_COLUMNS, SESSION_COLUMNS
from drilltimer.history.store import History

TESTS = 4  # so many that the day-to-day error is looked for too
LATEST = TESTS
REPS = len(made_reps(seed=LATEST - 1))
CONTROL = re.compile(r"[\x00-\x08\x0b-\x1f\x7f-\x9f]")


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("sound") / FILE_NAME
    with History(path) as kept:
        for number in range(TESTS):
            day = f"2026-03-{10 + number}"
            add(kept, made_session(uid=f"u{number}", day=day, seed=number), made_reps(seed=number))
        add(kept, made_session(uid="calls", drill="direction"), made_reps("direction"))
        kept.sweep()
    return path


@pytest.fixture
def home(tmp_path: Path, sound: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    monkeypatch.setenv("DRILLTIMER_HOME", str(tmp_path))
    shutil.copy(sound, tmp_path / FILE_NAME)
    return tmp_path


def damage(home: Path, table: str, column: str, value: object, rep: int = 8) -> None:
    where = {"sessions": f"number = {LATEST}", "blocks": f"session = {LATEST}"}
    with closing(sqlite3.connect(home / FILE_NAME)) as database, database:
        chosen = where.get(table, f"session = {LATEST} AND rep = {rep}")
        database.execute(f"UPDATE OR REPLACE {table} SET {column} = ? WHERE {chosen}", (value,))


def call(*arguments: object) -> Result:
    return CliRunner().invoke(main, [str(each) for each in arguments])


def every_verb(home: Path) -> dict[str, Result]:
    """What reads the history, each in a way that reads all of it."""
    for old in home.glob("out*"):
        old.unlink()
    return {
        "list": call("history", "Kim"),
        "json": call("history", "Kim", "--json"),
        "trend": call("history", "Kim", "--trend"),
        "session": call("history", f"session:{LATEST}"),
        "report": call("report", "Kim", "-o", home / "out.html"),
        "compare": call("compare", "Kim"),
        "csv": call("export", home / "out.csv"),
        "export": call("export", home / "out.json"),
    }


def check(answers: dict[str, Result]) -> None:
    """Exit 0 or a refusal in words, and nothing that steers a terminal."""
    for verb, answer in answers.items():
        told = f"{verb}: {answer.output}"
        assert answer.exception is None or isinstance(answer.exception, SystemExit), (told, answer.exc_info)
        assert answer.exit_code in (0, 2), told
        assert not CONTROL.search(answer.output), told


def taken_in(home: Path, file: Path) -> Result:
    """An import into a new history."""
    other = home / "other"
    shutil.rmtree(other, ignore_errors=True)
    return CliRunner(env={"DRILLTIMER_HOME": str(other)}).invoke(main, ["import", str(file)])


def test_a_sound_history_is_told_without_a_word_of_damage(home: Path) -> None:
    for verb, answer in every_verb(home).items():
        assert answer.exit_code == 0, (verb, answer.output)
        assert "left out" not in answer.output, (verb, answer.output)


@pytest.mark.parametrize(
    ("column", "value"),
    [("touchdown_ms", 1e308), ("error_ms", -1e308), ("stagger_ms", math.inf), ("start_s", 1e7), ("close_ms", 1e9)],
)
def test_a_number_out_of_range_is_told_and_costs_its_rep_alone(home: Path, column: str, value: float) -> None:
    damage(home, "reps", column, value)
    answers = every_verb(home)
    check(answers)
    for verb, answer in answers.items():
        assert answer.exit_code == 0, (verb, answer.output)
        assert "1 rep left out" in answer.stderr, (verb, answer.stderr)
    assert len(answers["session"].stdout.splitlines()) > REPS - 1
    document = json.loads((home / "out.json").read_text())
    (latest,) = (each for each in document["sessions"] if each["uid"] == f"u{LATEST - 1}")
    assert [each["rep"] for each in latest["reps"]] == [rep for rep in range(REPS) if rep != 8]
    assert "1 rep left out" in taken_in(home, home / FILE_NAME).stderr


def test_the_scores_of_a_list_are_those_of_the_sound_reps(home: Path) -> None:
    before = json.loads(every_verb(home)["json"].stdout)["sessions"][0]
    damage(home, "reps", "error_ms", 1e308)
    after = json.loads(every_verb(home)["json"].stdout)["sessions"][0]
    assert after["scored"] == before["scored"] - 1
    assert abs(after["constant_error_ms"] - before["constant_error_ms"]) < 20.0


@pytest.mark.parametrize(("column", "value"), [("air_c", 1e308), ("speaker_to_player_m", -5.0), ("rate_hz", 10**12)])
def test_a_session_measured_where_nobody_can_stand_is_left_out(home: Path, column: str, value: float) -> None:
    damage(home, "sessions", column, value)
    answers = every_verb(home)
    check(answers)
    assert answers["session"].exit_code == 2
    assert f"session {LATEST} is damaged: {column}" in answers["session"].stderr
    assert answers["compare"].exit_code == 0
    assert "1 session left out" in answers["list"].stderr


def test_a_reps_damaged_mode_leaves_the_list_whole(home: Path) -> None:
    damage(home, "reps", "mode", b"")
    answers = every_verb(home)
    check(answers)
    assert "bytes" not in answers["json"].stdout


cells = st.one_of(
    st.integers(-(2**63), 2**63 - 1),
    st.floats(),
    st.text(max_size=30).map(lambda text: text.encode("utf-8", "ignore").decode()),
    st.binary(max_size=30),
    st.sampled_from(["", "null", "[null]", "{}", "[]", "[{}]", '{"notes": 5}', "NaN", "1e999", "[" * 5000]),
)
places = st.one_of(
    st.tuples(st.just("sessions"), st.sampled_from(SESSION_COLUMNS)),
    st.tuples(st.just("blocks"), st.sampled_from(BLOCK_COLUMNS)),
    st.tuples(st.just("reps"), st.sampled_from(REP_COLUMNS)),
)


@pytest.mark.long
@settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow])
@given(place=places, value=cells)
def test_any_value_anywhere_ends_in_no_traceback(
    home: Path, sound: Path, place: tuple[str, str], value: object
) -> None:
    shutil.copy(sound, home / FILE_NAME)
    damage(home, *place, value)
    answers = every_verb(home)
    check(answers | {"import": taken_in(home, home / FILE_NAME)})
    assert answers["export"].exit_code == 0
    assert taken_in(home, home / "out.json").exit_code == 0  # what goes out comes in


@pytest.mark.parametrize(
    "value", ["{", "", "[1]", "null", b"\xff\xfe", '{"notes": [3]}', '{"blocks": "many"}', "[" * 9000]
)
def test_a_sessions_damaged_health_costs_none_of_its_reps(home: Path, value: object) -> None:
    damage(home, "sessions", "health", value)
    answers = every_verb(home)
    check(answers)
    for verb, answer in answers.items():
        assert answer.exit_code == 0, (verb, answer.output)
    for verb in ("session", "report", "compare", "export"):
        assert "health is damaged and left out" in answers[verb].stderr, verb
    document = json.loads((home / "out.json").read_text())
    assert {each["uid"]: len(each["reps"]) for each in document["sessions"]}[f"u{LATEST - 1}"] == REPS


@pytest.mark.parametrize(
    ("column", "value"),
    [
        ("cues", "[{"),
        ("cues", '[{"role": "call"}]'),
        ("cues", '[{"role": "call", "sound": "left", "at_s": 1.0, "louder": 1}]'),
        ("cues", "7"),
        ("cues", b"\x00\xff"),
        ("grade", "splendid"),
        ("mode", "both"),
        ("void", b"\x80"),
        ("start_s", "soon"),
    ],
)
def test_a_reps_damage_is_told_and_costs_that_rep_alone(home: Path, column: str, value: object) -> None:
    damage(home, "reps", column, value)
    answers = every_verb(home)
    check(answers)
    for verb in ("session", "report", "compare", "export", "csv"):
        assert answers[verb].exit_code == 0, (verb, answers[verb].output)
        assert f"session {LATEST}: 1 rep left out, which the file holds damaged" in answers[verb].stderr, verb
    assert taken_in(home, home / FILE_NAME).exit_code == 0


@pytest.mark.parametrize("column", ["name", "level", "sport"])
def test_a_players_damage_is_told(home: Path, column: str) -> None:
    with closing(sqlite3.connect(home / FILE_NAME)) as database, database:
        database.execute(f"UPDATE players SET {column} = ?", (b"\xff\x00",))
    answers = every_verb(home) | {"players": call("history"), "forget": call("forget", "Kim", "--yes")}
    check(answers | {"import": taken_in(home, home / FILE_NAME)})
