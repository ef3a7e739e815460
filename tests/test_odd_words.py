"""Words that no verb can use, and names that are no text: each is told in one line or taken as it is."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from drilltimer.audio.files import as_text, expanded, for_libsndfile, is_text
from drilltimer.cli import main
from drilltimer.errors import RecordingError
from drilltimer.history.entries import Player
from drilltimer.history.store import History
from drilltimer.recordings.writing import AudioWriter

NO_TEXT = os.fsdecode(b"practice\xff")  # Latin-1, as old cards and archives still have it
posix = pytest.mark.skipif(os.name != "posix", reason="file names are any bytes on POSIX alone")


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("DRILLTIMER_HOME", str(tmp_path / "home"))
    return tmp_path / "home"


def call(*arguments: object, code: int = 0) -> Result:
    answer = CliRunner().invoke(main, [str(argument) for argument in arguments])
    assert answer.exception is None or isinstance(answer.exception, SystemExit), answer.exc_info
    assert answer.exit_code == code, answer.output
    return answer


@pytest.mark.parametrize("option", ["--distance", "--air-c", "--speed", "--wait-s"])
def test_not_a_number_is_in_no_range(option: str) -> None:
    told = call("run", "steady-contact", "--simulate", "club", "--speed", 0, option, "nan", code=2).output
    assert f"Invalid value for '{option}': 'nan': expected" in told


@pytest.mark.parametrize(
    "window", [("nan", "0", "9"), ("-inf", "0", "9"), ("0", "9", "inf"), ("9", "5", "1"), ("0", "9", "1e308")]
)
def test_a_window_that_is_none_is_refused(window: tuple[str, ...]) -> None:
    assert "each must be greater than the one before" in call("feed", "x.wav", "--window", *window, code=2).output


@pytest.mark.parametrize(
    "arguments",
    [
        ("run", "~nobody-of-that-name/x.yaml"),
        ("score", "~nobody-of-that-name/x.wav"),
        ("group", "check", "~nobody-of-that-name/x.yaml"),
        ("drills", "new", "~nobody-of-that-name.yaml"),
    ],
)
def test_a_home_of_nobody_is_a_name_like_any_other(arguments: tuple[str, ...]) -> None:
    assert "~nobody-of-that-name" in call(*arguments, code=2).output


def short_drill(folder: Path) -> Path:
    path = folder / "short.yaml"
    path.write_text("name: Short\ndescription: A few contacts.\nreps: 8\nrhythm: {interval_s: 2.5}\n")
    return path


@pytest.mark.long
def test_a_sheet_lies_beside_its_sound_whoever_expands_the_home(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """Windows' command line hands "~" on as it is."""
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.setenv("USERPROFILE", str(tmp_path))
    monkeypatch.chdir(tmp_path)
    drill = short_drill(tmp_path)
    call("render", drill, "~/out.wav", "--seed", 3)
    call("run", drill, "--simulate", "club", "--speed", 0, "--record", "~/kept.wav")
    made = {path.name for path in tmp_path.iterdir()}
    assert {"out.wav", "out.cues.json", "out.card.txt", "kept.wav", "kept.played.flac", "kept.cues.json"} <= made
    assert "~" not in made


def test_a_tilde_is_the_home_folder(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.setenv("USERPROFILE", str(tmp_path))
    assert expanded("~/a.wav") == tmp_path / "a.wav"


@posix
def test_a_name_that_is_no_text_is_told_from_one_that_is() -> None:
    assert is_text("Žofie.wav")
    assert not is_text(NO_TEXT)
    assert as_text(NO_TEXT) == "practice\\udcff"
    assert for_libsndfile(Path(NO_TEXT)) == b"practice\xff"
    assert for_libsndfile(Path("Žofie.wav")) == "Žofie.wav"


@posix
@pytest.mark.parametrize("ending", [".wav", ".flac"])
def test_sound_is_not_written_under_a_name_that_no_sheet_could_tell(tmp_path: Path, ending: str) -> None:
    path = tmp_path / f"{NO_TEXT}{ending}"
    with pytest.raises(RecordingError, match="is no UTF-8 text"):
        AudioWriter(path, 48_000, 1)
    assert not path.exists()


@pytest.mark.long
@posix
def test_a_recording_whose_name_is_no_text_is_scored_drawn_and_kept(tmp_path: Path) -> None:
    folder = tmp_path / NO_TEXT
    folder.mkdir()
    call("render", short_drill(tmp_path), folder / "drill.flac", "--seed", 3)
    recording = folder / f"{NO_TEXT}.flac"
    shutil.copy(folder / "drill.flac", recording)
    sheet = folder / "drill.cues.json"
    told = call("score", recording, "--sheet", sheet, "--player", "Kim", "--annotate", tmp_path / "out").output
    assert "kept as session 1, player Kim" in told
    assert "practice\\udcff.flac" in (tmp_path / "out" / "rep-001.svg").read_text(encoding="utf-8")
    call("score", folder, "--player", "Kim")
    assert "1 scored, 0 not" in call("score", folder).output
    call("export", tmp_path / "all.json")


def test_what_stdout_cannot_encode_comes_as_an_escape(home: Path) -> None:
    """As under Windows, where a redirected stdout has the code page of the country."""
    with History(home / "history.sqlite") as kept:
        kept.add_player(Player("Łukasz"))
    environment = {**os.environ, "PYTHONIOENCODING": "cp1252", "PYTHONUTF8": "0"}
    listed = subprocess.run(
        [sys.executable, "-c", "from drilltimer.cli import main; main()", "history"],
        env=environment,
        capture_output=True,
        timeout=60,
        check=False,
    )
    assert (listed.returncode, listed.stderr) == (0, b"")
    assert b"\\u0141ukasz" in listed.stdout
