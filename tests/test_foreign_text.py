"""Whatever sheets, exports and files are called and say, nothing of it steers a terminal."""

from __future__ import annotations

import json
import re
import unicodedata
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from faint_noise import write_noise
from history_player import add, made_reps, made_session
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from drilltimer.cli import main
from drilltimer.cli.terminal import note, print_document, print_result
from drilltimer.history.export import export_history
from drilltimer.history.store import History
from drilltimer.ui.lines import table
from drilltimer.units import printable

STEERS = re.compile("[\x00-\x09\x0b-\x1f\x7f-\x9f\u200b-\u200f\u2028-\u202e\u2066-\u2069]")
HOSTILE = "\x1b]0;title\x07\x1b[2J\x9b31m\u202egnp.\r\x08\x7f"


def call(*arguments: object) -> Result:
    answer = CliRunner().invoke(main, [str(each) for each in arguments], color=True)  # else click takes escapes away
    assert answer.exception is None or isinstance(answer.exception, SystemExit), answer.exc_info
    assert not STEERS.search(answer.output), answer.output
    return answer


@given(st.text())
@example(HOSTILE)
@example("\ud800")
def test_text_is_on_one_line_and_its_letters_stay(text: str) -> None:
    shown = printable(text)
    assert not STEERS.search(shown)
    assert "\n" not in shown
    assert printable(shown) == shown
    if not any(unicodedata.category(each)[0] in "CZ" for each in text):
        assert shown == text


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow])
@given(st.text())
@example(HOSTILE)
def test_nothing_that_is_printed_steers_a_terminal(capsys: pytest.CaptureFixture[str], text: str) -> None:
    print_result(text)
    note(text)
    print_document({text: text})
    told = capsys.readouterr()
    assert not STEERS.search(told.out + told.err)
    assert text.count("\n") + 2 == told.out.count("\n")
    document = told.out.splitlines()[-1]
    assert json.loads(document) == {text: text}


def test_a_cell_of_a_table_ends_no_line() -> None:
    lines = table([("a\nb", "c"), ("d", HOSTILE)], ("one", "two"))
    assert len(lines) == 3
    assert lines[1] == "a\\nb  c"
    assert not STEERS.search("".join(lines))


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("DRILLTIMER_HOME", str(tmp_path / "home"))
    return tmp_path


def test_an_import_steers_no_terminal(home: Path) -> None:
    with History(home / "other.sqlite") as other:
        add(other, made_session(), made_reps())
        export_history(other, home / "out.json")
    document = json.loads((home / "out.json").read_text())
    (session,) = document["sessions"]
    for name in ("drill", "input_device", "output_device", "source", "ending", "protocol"):
        session[name] = HOSTILE
    session["health"] = json.dumps({"notes": [HOSTILE, "second\nline"]})
    session["reps"][8] |= {"call": HOSTILE, "void": HOSTILE, "grade": "void", "level": HOSTILE}
    document["players"][0] |= {"level": HOSTILE, "sport": HOSTILE}
    (home / "hostile.json").write_text(json.dumps(document))
    assert call("import", home / "hostile.json").exit_code == 0
    assert call("history").exit_code == 0
    assert "title" in call("history", "Kim").stdout
    for arguments in (
        ("history", "Kim", "--json"),
        ("history", "Kim", "--trend"),
        ("history", "session:1"),
        ("history", "session:1", "--json"),
        ("report", "Kim", "-o", home / "kim.html"),
        ("compare", "Kim", "--drill", HOSTILE),
        ("export", home / "again.json"),
    ):
        call(*arguments)


@pytest.mark.parametrize(
    ("keys", "name"),
    [({"audio": HOSTILE + ".wav"}, "a"), ({"drill": HOSTILE, "audio": "no.wav"}, "a"), ({"audio": 5}, HOSTILE[:-2])],
)
def test_a_sheet_steers_no_terminal(home: Path, keys: dict[str, object], name: str) -> None:
    reps = [{"cues": [{"role": "contact", "at_s": 2}], "call": HOSTILE}]
    sheet = home / f"{name.replace('/', '')}.cues.json"
    sheet.write_text(json.dumps({"audio": "a.wav", "rate_hz": 48_000, "reps": reps} | keys))
    write_noise(home / "a.wav")
    assert call("score", home / "a.wav", "--sheet", sheet).exit_code == 2


def test_what_is_typed_steers_no_terminal(home: Path) -> None:
    for arguments in (
        ("run", HOSTILE),
        ("run", "steady-contact", "--level", HOSTILE),
        ("history", HOSTILE),
        ("score", home / HOSTILE),
        ("import", home / HOSTILE),
        ("drills", "check", HOSTILE),
        ("sounds", "play", HOSTILE),
        (HOSTILE,),
    ):
        assert call(*arguments).exit_code == 2
