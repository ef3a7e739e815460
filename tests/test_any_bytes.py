"""Any bytes, and any damage to a sound file, as sheet, export, database or drill: done or refused in words."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner
from faint_noise import write_noise
from history_player import add, made_reps, made_session
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from drilltimer.audio.files import shipped_folder
from drilltimer.cli import main
from drilltimer.history.export import export_history
from drilltimer.history.store import History
from drilltimer.model import Placement, Window
from drilltimer.recordings.cuesheet import CueSheet, SheetCue, SheetRep, sheet_to_json

ENDINGS = [".cues.json", ".json", ".csv", ".sqlite", ".yaml"]
quick = settings(max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow])


class Files(dict[str, bytes]):
    """Sound files by their ending; too long to be shown."""

    def __repr__(self) -> str:
        return "Files()"


@pytest.fixture(scope="module")
def sound_files(tmp_path_factory: pytest.TempPathFactory) -> Files:
    folder = tmp_path_factory.mktemp("sound")
    with History(folder / "a.sqlite") as kept:
        add(kept, made_session(), made_reps()[:12])
        kept.database.execute("PRAGMA journal_mode = DELETE")
        for ending in (".json", ".csv"):
            export_history(kept, folder / f"a{ending}")
    window = Window(73.0, 133.0, 193.0)
    reps = tuple(
        SheetRep(
            rep, at_s, False, "left", (SheetCue("contact", "smack", at_s), SheetCue("call", "left", at_s + 0.2)), at_s
        )
        for rep, at_s in enumerate((0.5, 1.5, 2.5))
    )
    sheet = CueSheet("b.wav", 48_000, reps, "Any", 7, Placement(3.0, 3.0, 0.3), window)
    (folder / "a.cues.json").write_text(sheet_to_json(sheet))
    (folder / "a.yaml").write_bytes((shipped_folder("drills") / "serve-return.yaml").read_bytes())
    return Files({ending: (folder / f"a{ending}").read_bytes() for ending in ENDINGS})


@pytest.fixture
def give(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[[str, bytes], None]:
    write_noise(tmp_path / "a.wav")
    write_noise(tmp_path / "b.wav")
    monkeypatch.setenv("DRILLTIMER_HOME", str(tmp_path / "home"))

    def given_as(ending: str, content: bytes) -> None:
        file = tmp_path / f"given{ending}"
        file.write_bytes(content)
        commands = {
            ".cues.json": ["score", str(tmp_path / "a.wav"), "--sheet", str(file)],
            ".yaml": ["drills", "check", str(file)],
        }
        answer = CliRunner().invoke(main, commands.get(ending, ["import", str(file)]), color=True)
        assert answer.exception is None or isinstance(answer.exception, SystemExit), answer.exc_info
        assert answer.exit_code in (0, 2, 3), answer.output
        assert "\x1b" not in answer.output
        shown = [["history"], ["history", "Kim"], ["history", "Kim", "--trend"]]
        for arguments in shown if ending not in commands else ():
            after = CliRunner().invoke(main, arguments, color=True)
            assert after.exception is None or isinstance(after.exception, SystemExit), after.exc_info

    return given_as


@pytest.mark.long
@pytest.mark.parametrize("ending", ENDINGS)
@quick
@given(content=st.binary(max_size=300) | st.text(max_size=200).map(lambda text: text.encode("utf-8", "replace")))
def test_any_bytes_are_read_or_refused(give: Callable[[str, bytes], None], ending: str, content: bytes) -> None:
    give(ending, content)


@pytest.mark.long
@pytest.mark.parametrize("ending", ENDINGS)
@quick
@given(places=st.lists(st.tuples(st.floats(0, 1, exclude_max=True), st.binary(max_size=9)), min_size=1, max_size=6))
def test_a_sound_file_with_any_damage_is_read_or_refused(
    give: Callable[[str, bytes], None],
    sound_files: Files,
    ending: str,
    places: list[tuple[float, bytes]],
) -> None:
    content = bytearray(sound_files[ending])
    for place, piece in places:
        at = int(place * len(content))
        content[at : at + len(piece)] = piece
    give(ending, bytes(content))


values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=9),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=6,
)


@pytest.mark.parametrize("ending", [pytest.param(".cues.json", marks=pytest.mark.long), ".json"])
@quick
@given(where=st.lists(st.integers(0, 40), max_size=6), value=values)
def test_any_value_anywhere_in_json_is_read_or_refused(
    give: Callable[[str, bytes], None], sound_files: Files, ending: str, where: list[int], value: object
) -> None:
    document = json.loads(sound_files[ending])
    inner, key = [document], 0
    for step in where:
        deeper = inner[key]
        if not isinstance(deeper, dict | list) or not deeper:
            break
        inner, key = deeper, (sorted(deeper)[step % len(deeper)] if isinstance(deeper, dict) else step % len(deeper))
    inner[key] = value
    give(ending, json.dumps(document).encode())
