"""Names and paths that are longer than a system takes are told in words, wherever they come from."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from faint_noise import write_noise

from drilltimer.cli import main

NAMES = ["x" * 300, "x/" * 3000 + "x"]


def call(*arguments: object, code: int = 2) -> Result:
    answer = CliRunner().invoke(main, [str(each) for each in arguments])
    assert answer.exception is None or isinstance(answer.exception, SystemExit), answer.exc_info
    assert answer.exit_code == code, answer.output
    return answer


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("DRILLTIMER_HOME", str(tmp_path / "home"))
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.mark.parametrize("name", NAMES, ids=["name", "path"])
def test_what_is_named_too_long_is_told(home: Path, name: str) -> None:
    write_noise(home / "a.wav")
    (home / "a.cues.json").write_text("{}")
    for arguments in (
        ("score", name),
        ("score", name, "--sheet", home / "a.cues.json"),
        ("score", home / "a.wav", "--sheet", name),
        ("score", home, "--out", f"{name}/{name}"),
        ("feed", name),
        ("import", name),
        ("import", f"{name}.json"),
        ("sounds", "play", name),
        ("drills", "check", name),
        ("drills", "new", f"{name}.yaml"),
        ("run", f"{name}.yaml"),
        ("run", "steady-contact", "--simulate", "club", "--record", f"{name}/a.wav"),
        ("render", "steady-contact", f"{name}/a.wav"),
        ("group", "check", name),
    ):
        call(*arguments)


@pytest.mark.parametrize("name", NAMES, ids=["name", "path"])
def test_a_folder_of_ones_own_with_too_long_a_name_is_told(
    home: Path, name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("DRILLTIMER_HOME", name)
    for arguments in ("drills", "history", "sounds", "backup", "run steady-contact --simulate club", "drills new abc"):
        assert "DRILLTIMER_HOME names a folder that cannot be" in call(*arguments.split()).stderr


def test_the_same_in_a_folder_that_is_not_there_yet(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("DRILLTIMER_HOME", str(home / "not-yet" / NAMES[0]))
    told = call("run", "steady-contact", "--simulate", "club", "--speed", 0, "--player", "Kim")
    assert "DRILLTIMER_HOME names a folder that cannot be" in told.stderr
    assert not (home / "not-yet").exists()


def test_a_recording_whose_sheet_would_have_too_long_a_name_is_refused_beforehand(home: Path) -> None:
    told = call("run", "steady-contact", "--simulate", "club", "--record", "x" * 245 + ".wav").stderr
    assert "cannot be written: File name too long" in told


@pytest.mark.long
@pytest.mark.parametrize("audio", ["x" * 300, "x" * 999, "a\x00.wav"])
def test_a_sheets_sound_with_a_name_that_cannot_be_is_told(home: Path, audio: str) -> None:
    reps = [{"cues": [{"role": "contact", "at_s": 2}]}]
    (home / "a.cues.json").write_text(json.dumps({"audio": audio, "rate_hz": 48_000, "reps": reps}))
    write_noise(home / "a.wav")
    call("score", home / "a.wav", "--sheet", home / "a.cues.json")
    write_noise(home / "b.wav")
    call("score", home)
