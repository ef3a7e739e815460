"""What is read is a regular file of a size that makes sense: nothing waits for ever, and nothing fills the memory."""

from __future__ import annotations

import os
import resource
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from faint_noise import write_noise

from drilltimer.cli import main
from drilltimer.history import intake
from drilltimer.recordings import reference as played

GB = 1_000_000_000


def call(*arguments: object) -> str:
    answer: Result = CliRunner().invoke(main, [str(each) for each in arguments])
    assert answer.exception is None or isinstance(answer.exception, SystemExit), answer.exc_info
    assert answer.exit_code == 2, answer.output
    return answer.stderr


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("DRILLTIMER_HOME", str(tmp_path / "home"))
    write_noise(tmp_path / "a.wav")
    return tmp_path


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes among this system's files")
@pytest.mark.parametrize("suffix", [".json", ".csv", ".sqlite"])
def test_a_pipe_is_no_export_and_no_sheet(home: Path, suffix: str) -> None:
    pipe = home / f"pipe{suffix}"
    os.mkfifo(pipe)  # nobody writes into it: whoever opens it waits for ever
    assert "is not a regular file" in call("import", pipe)
    assert "is not a regular file" in call("score", home / "a.wav", "--sheet", pipe)


@pytest.mark.skipif(not os.path.exists("/dev/zero"), reason="no such device")
def test_a_device_without_end_is_no_export_and_no_sheet(home: Path) -> None:
    assert "is not a regular file" in call("import", "/dev/zero")
    assert "is not a regular file" in call("score", home / "a.wav", "--sheet", "/dev/zero")


@pytest.mark.skipif(sys.platform == "win32", reason="files with holes need another call there")
@pytest.mark.parametrize("suffix", [".json", ".csv", ".sqlite"])
@pytest.mark.parametrize("size", [20 * GB, GB // 2])
def test_a_file_full_of_nothing_is_refused_in_little_memory(home: Path, suffix: str, size: int) -> None:
    empty = home / f"empty{suffix}"
    with empty.open("wb") as file:
        file.truncate(size)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    call("import", empty)
    assert "is longer than 32 MB, which no cue sheet is" in call("score", home / "a.wav", "--sheet", empty)
    after = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    assert (after - before) * (1 if sys.platform == "darwin" else 1024) < GB


def test_a_line_without_end_is_refused(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(intake, "LONGEST_LINE", 1000)
    (home / "a.csv").write_text("x" * 2000)
    assert "has a line of more than 1000 characters" in call("import", home / "a.csv")
    (home / "a.json").write_text('{"format":"drilltimer history","schema":1,"players":[],"sessions":[\n{' + "x" * 2000)
    assert "has a line of more than 1000 characters" in call("import", home / "a.json")


def test_a_sheet_may_be_as_long_as_the_longest(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(played, "MAX_SHEET_BYTES", 100)
    (home / "a.cues.json").write_text("{" + " " * 98 + "}")
    assert "longer than" not in call("score", home / "a.wav", "--sheet", home / "a.cues.json")
    (home / "a.cues.json").write_text("{" + " " * 99 + "}")
    assert "longer than" in call("score", home / "a.wav", "--sheet", home / "a.cues.json")
