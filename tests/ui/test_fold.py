"""Lines in a terminal's width: no word broken, none lost, and figures under their heads."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from dataclasses import replace

import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st
from rich.cells import cell_len
from test_lines import ENGLISH, REP, TIMED

from drilltimer.cli import main, terminal
from drilltimer.errors import as_kept
from drilltimer.history.cli.history import trend_lines
from drilltimer.history.entries import SessionLine
from drilltimer.model import Grade, Verdict
from drilltimer.ui.lines import folded, header, padded, rep_line, row_lines, table

HEADS = ("session", "began (UTC)", "drill", "from", "in window", "constant", "void", "")
ROWS = [
    ("2", "2026-11-29 20:02", "Test block", "simulated", "53 % of 30", "+44 ms", "0", ""),
    ("11", "2026-11-28 20:02", "Serve return", "live", "-50 %", "-3 ms", "12", "cut off, or still running"),
]


@given(st.text(alphabet="ab  é界-\n", max_size=200), st.integers(12, 60))
def test_folded_text_keeps_every_word_and_the_width(text, columns):
    told = folded(text, columns)
    assert told.split() == text.split()
    for line in told.split("\n"):
        assert cell_len(line) <= columns or len(line.split()) <= 1  # a single word that is longer


def test_what_goes_on_hangs_under_what_it_belongs_to():
    prose = folded("note: the sound of this room is loud, move closer", 24)
    assert prose.split("\n") == ["note: the sound of this", "  room is loud, move", "  closer"]
    label = folded("before  session 1, of thirty reps, five of them to warm up", 40)
    assert label.split("\n") == ["before  session 1, of thirty reps, five", "        of them to warm up"]
    assert folded("  file.yaml:3:1: reps: too many of them", 26).split("\n")[1] == "    many of them"


def test_a_file_or_a_pipe_gets_whole_lines():
    text = "word " * 100
    assert folded(text, None) == text
    assert len(rep_line(REP, replace(TIMED, grade=Grade.VOID, void=as_kept("x" * 90)), ENGLISH)) > 160


def _start(lines, cell):
    """Column at which a cell stands, of two spaces or a line's beginning and what follows it."""
    found = [re.search(rf"(?:^|(?<=  )){re.escape(cell)}(?=  |$)", line) for line in lines]
    return next(match.start() for match in found if match)


@pytest.mark.parametrize("columns", [40, 60, 80, 100])
def test_a_table_breaks_every_row_at_the_same_column(columns):
    lines = table(ROWS, HEADS, columns)
    assert all(cell_len(line) <= columns for line in lines)
    whole = table(ROWS, HEADS)
    assert " ".join(lines).split() == " ".join(whole).split()
    for cells in zip(HEADS, *ROWS, strict=True):
        starts = [_start(lines, cell) for cell in cells if cell]
        assert len(set(starts)) == 1, cells


def test_wide_letters_take_two_cells():
    lines = table([("李小龍", "3"), ("Ann", "12")], ("player", "reps"))
    assert {cell_len(line[: line.index(reps)]) for line, reps in zip(lines, ("reps", "3", "12"), strict=True)} == {8}
    assert padded("李", 4) == "李  "
    assert padded("李", 4, right=True) == "  李"


@pytest.mark.parametrize("columns", [60, 70, 80, 100])
def test_a_rep_breaks_under_its_heads_and_a_remark_goes_below(columns):
    heads = header(ENGLISH, columns).split("\n")
    lines = rep_line(REP, TIMED, ENGLISH, columns).split("\n")
    for head, text in (("touchdown", "+201 ms"), ("error", "+68 ms"), ("stagger", "30 ms"), ("first step", "402 ms")):
        under = {(place, line.index(head) + len(head)) for place, line in enumerate(heads) if head in line}
        assert under == {(place, line.index(text) + len(text)) for place, line in enumerate(lines) if text in line}
    void = rep_line(REP, Verdict(4, Grade.VOID, void=as_kept("two sounds fit equally well")), ENGLISH, columns)
    assert void.endswith("(two sounds fit equally well)")
    assert all(len(line) <= columns for line in [*heads, *lines, *void.split("\n")])


def test_what_stands_before_a_rep_stands_before_its_heads():
    lines = rep_line(REP, TIMED, ENGLISH, 80, (" 0:13", padded("Ann", 6)), mark="coach: late").split("\n")
    assert lines[0].startswith(" 0:13  Ann       5  left ")
    assert lines[1].startswith(" " * 7)
    assert lines[-1].endswith("coach: late")
    assert header(ENGLISH, 80, ("     ", "player")).split("\n")[0].index("rep") == lines[0].index("  5")


def test_cells_that_are_empty_take_no_line():
    assert row_lines(["abcdefgh", "   ", ""], 9, 2) == ["abcdefgh"]


@pytest.mark.parametrize("columns", [60, 80, None])
def test_a_trend_is_drawn_as_wide_as_the_terminal(columns):
    line = SessionLine(123456, "Kim", "2026-11-29T20:02:38Z", "Test block", "live", "predictive", "done", 30, 20, 0, 0,
                       -299.0, 60.0)  # fmt: skip
    drawn = trend_lines([line], columns)[1]
    assert len(drawn) <= (columns or 100)
    assert re.search(r"123456  2026-11-29  o-+ +\| +-299 ms$", drawn)


@pytest.mark.parametrize(
    "arguments",
    [
        ("--no-such-option-as-this-one",),
        ("no-such-command-as-this-one",),
        ("run", "steady-contact", "--distance", "nan"),
        ("score", "evening", "--player", "Ann", "--player-by-folder"),
        ("drills", "show", "--no-such-option-as-this-one"),
        ("history", "--limit", "several hundred"),
    ],
)
def test_what_the_option_parser_says_keeps_to_the_terminals_width(arguments, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "evening").mkdir()
    told = {}
    for columns in (None, 40):
        monkeypatch.setattr(terminal, "terminal_columns", lambda stream, columns=columns: columns)
        answer = CliRunner().invoke(main, list(arguments))
        assert (answer.exit_code, answer.stdout) == (2, "")
        told[columns] = answer.stderr
    assert told[40].split() == told[None].split()
    assert max(map(len, told[None].splitlines())) > 40
    assert max(map(len, told[40].splitlines())) <= 40
    assert "\n\nError: " in told[40]


def test_without_a_command_help_is_shown_as_ever(monkeypatch):
    for columns in (None, 40):
        monkeypatch.setattr(terminal, "terminal_columns", lambda stream, columns=columns: columns)
        assert "Commands:\n  " in CliRunner().invoke(main, []).stdout


@pytest.mark.long
@pytest.mark.skipif(sys.platform == "win32", reason="pexpect needs a POSIX terminal")
def test_a_narrow_terminal_gets_narrow_lines_and_a_pipe_the_whole(tmp_path):
    pexpect = pytest.importorskip("pexpect", reason="pip install pexpect pyte")
    program = [sys.executable, "-c", "from drilltimer.cli import main; main()"]
    environment = {name: value for name, value in os.environ.items() if name not in ("COLUMNS", "LINES")}
    environment["DRILLTIMER_HOME"] = str(tmp_path)
    shown = {}
    for columns in (60, 100):
        spawned = pexpect.spawn(
            program[0], [*program[1:], "drills", "show", "club-warm-up"], env=environment, dimensions=(24, columns),
            timeout=60, encoding="utf-8",
        )  # fmt: skip
        shown[columns] = spawned.read().replace("\r\n", "\n")
        spawned.close()
        assert spawned.exitstatus == 0
        assert max(map(len, shown[columns].split("\n"))) <= columns
    caution = "Clear the floor of balls, wear court shoes, warm up first."
    assert caution in " ".join(shown[60].split())
    piped = subprocess.run(
        [*program, "drills", "show", "club-warm-up"], env=environment, capture_output=True, check=True, encoding="utf-8"
    )
    assert max(map(len, piped.stdout.split("\n"))) > 150
