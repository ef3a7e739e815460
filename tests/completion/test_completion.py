"""Names on the shell's tab key: what is offered, and one command that has real shells offer it."""

from __future__ import annotations

import os
import shutil
import sys
from pathlib import Path

import pytest
from click.shell_completion import ShellComplete
from click.testing import CliRunner
from history_player import add, made_reps, made_session

from drilltimer.cli import main
from drilltimer.history.run import open_history

PROGRAM = "import sys; from drilltimer.cli import main; main(prog_name='drilltimer')"


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    for name, folder in (
        ("DRILLTIMER_HOME", "data"),
        ("HOME", "home"),
        ("ZDOTDIR", "home"),
        ("XDG_CONFIG_HOME", "conf"),
    ):
        monkeypatch.setenv(name, str(tmp_path / folder))
    (tmp_path / "home").mkdir()
    return tmp_path / "home"


def offered(*words: str, typed: str = "") -> list[str]:
    found = ShellComplete(main, {}, "drilltimer", "_DRILLTIMER_COMPLETE").get_completions(list(words), typed)
    return [item.value for item in found]


@pytest.fixture
def kept() -> None:
    with open_history(make=True) as history:
        for number, player in enumerate(("Kim", "Lou Reed", "12")):
            add(history, made_session(player, uid=str(number)), made_reps()[:3])


@pytest.mark.parametrize(
    ("words", "typed", "names"),
    [
        (("run",), "ste", ["steady-contact", "step-in"]),
        (("render",), "FIRST", ["first-hop"]),
        (("drills", "show"), "test", ["test-block"]),
        (("drills", "check", "first-hop"), "feints", ["feints"]),
        (("group", "run"), "two", ["two-courts", "two-lanes"]),
        (("run", "first-hop", "--player"), "k", ["Kim"]),
        (("compare",), "", ["12", "Kim", "Lou Reed"]),
        (("forget",), "L", ["Lou Reed"]),
        (("history",), "", ["12", "Kim", "Lou Reed", "1", "2", "3"]),
        (("report",), "3", ["3"]),
        (("run",), "./my", ["./my"]),  # a path: the shell's own business
    ],
)
@pytest.mark.usefixtures("kept")
def test_names_are_offered(words: tuple[str, ...], typed: str, names: list[str]) -> None:
    assert sorted(offered(*words, typed=typed)) == sorted(names)


def test_where_nothing_is_kept_nobody_is_offered_and_nothing_is_made(tmp_path: Path) -> None:
    assert offered("history") == offered("run", "first-hop", "--player") == []
    assert not (tmp_path / "data").exists()


def test_the_line_is_added_once_and_leaves_the_rest_as_it_was(home: Path) -> None:
    (home / ".bashrc").write_text("alias l=ls\nno newline at the end")
    for _ in range(2):
        answer = CliRunner().invoke(main, ["completion", "bash"])
        assert answer.exit_code == 0, answer.output
    lines = (home / ".bashrc").read_text().splitlines()
    assert lines[:2] == ["alias l=ls", "no newline at the end"]
    assert len(lines) == 3
    assert lines[2].endswith("# drilltimer completion")


def test_a_shell_that_is_not_known_is_asked_for(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SHELL", "/bin/tcsh")
    answer = CliRunner().invoke(main, ["completion"])
    assert answer.exit_code == 2
    assert "tcsh" in answer.stderr
    assert "Say bash, zsh or fish" in answer.stderr


@pytest.mark.long
@pytest.mark.skipif(sys.platform == "win32", reason="shells of POSIX systems")
@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_after_one_command_a_real_shell_completes_a_drill(shell: str, tmp_path: Path) -> None:
    pexpect = pytest.importorskip("pexpect", reason="pip install pexpect")
    if shutil.which(shell) is None:
        pytest.skip(f"no {shell} here")
    program = tmp_path / "bin" / "drilltimer"
    program.parent.mkdir()
    program.write_text(f'#!/bin/sh\nexec "{sys.executable}" -c "{PROGRAM}" "$@"\n')
    program.chmod(0o755)
    environment = {**os.environ, "PATH": f"{program.parent}:{os.environ['PATH']}", "TERM": "dumb", "PS1": "ready> "}
    options = {"env": environment, "encoding": "utf-8", "timeout": 60, "dimensions": (24, 100), "cwd": tmp_path}
    installed = pexpect.spawn("drilltimer", ["completion", shell], **options)
    installed.expect("Open a new terminal")
    installed.expect(pexpect.EOF)
    session = pexpect.spawn(shell, ["-i"], **options)
    session.sendline("echo be''gun")
    session.expect("begun")  # what it reads at its start has been read
    session.send("drilltimer run stead\t")
    session.expect(r"stead[^\n]*y-contact")  # a shell may draw the line anew in between
    session.close(force=True)
