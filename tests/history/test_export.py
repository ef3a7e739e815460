"""Out and in: exports hold everything, imports double nothing, conflicts and broken files are told."""

from __future__ import annotations

import csv
import json
import math
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from history_player import add, made_reps, made_session

from drilltimer.errors import HistoryError
from drilltimer.history import export, queries
from drilltimer.history.entries import NEWER_COLUMNS, Player, RepEntry
from drilltimer.history.export import export_history, new_file
from drilltimer.history.intake import import_history
from drilltimer.history.schema import SCHEMA
from drilltimer.history.store import History
from drilltimer.model import Grade

HOSTILE = '=HYPERLINK("x"), "Q" <i>\''


@pytest.fixture
def history(tmp_path: Path) -> Iterator[History]:
    with History(tmp_path / "history.sqlite") as kept:
        add(kept, made_session("Kim", uid="one"), made_reps(seed=1))
        add(kept, made_session(HOSTILE, uid="two", drill="direction"), made_reps("direction", 2))
        kept.add_player(Player("Kim", "club", "padel"))
        yield kept


def content(history: History) -> list[object]:
    numbers = [row["number"] for row in history.rows("SELECT number FROM sessions ORDER BY uid")]
    entries = [replace(queries.session(history, number), number=0) for number in numbers]
    players = [line.player for line in queries.players(history)]
    return [players, entries, [queries.reps(history, number) for number in numbers]]


@pytest.mark.parametrize("suffix", [".csv", ".json", ".sqlite"])
def test_what_goes_out_comes_in_unchanged_and_once(tmp_path: Path, history: History, suffix: str) -> None:
    out = tmp_path / f"out{suffix}"
    if suffix == ".sqlite":
        out = history.path
    else:
        assert export_history(history, out) == (2, len(made_reps()) + len(made_reps("direction", 2)) + _extra())
    with History(tmp_path / "other.sqlite") as other:
        assert import_history(other, out).added == 2
        first = content(other)
        assert first == content(history)
        again = import_history(other, out)
        assert (again.added, again.completed, again.known, again.conflicts) == (0, 0, 2, [])
        assert content(other) == first


def _extra() -> int:
    return len(made_reps(seed=1)) - len(made_reps())


def test_csv_has_one_row_per_rep_and_units_in_its_header(tmp_path: Path, history: History) -> None:
    out = tmp_path / "out.csv"
    _, reps = export_history(history, out, "kim")
    with out.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == reps == len(made_reps(seed=1))
    assert {"touchdown_ms", "error_ms", "contact_s", "session_air_c", "session_speaker_to_player_m"} <= set(rows[0])
    first = made_reps(seed=1)[0]
    assert float(rows[0]["touchdown_ms"]) == first.verdict.touchdown_ms


def test_spreadsheets_are_given_no_formula(tmp_path: Path, history: History) -> None:
    out = tmp_path / "out.csv"
    export_history(history, out)
    cells = [cell for row in csv.reader(out.read_text(encoding="utf-8").splitlines()) for cell in row]
    dangerous = [cell for cell in cells if cell[:1] in ("=", "@", "\t") or (cell[:1] in "+-" and not _number(cell))]
    assert [cell for cell in dangerous if cell] == []
    assert f"'{HOSTILE}" in cells


def _number(cell: str) -> bool:
    try:
        float(cell)
    except ValueError:
        return False
    return True


def test_exports_overwrite_nothing_and_leave_no_half_files(tmp_path: Path, history: History) -> None:
    out = tmp_path / "out.json"
    out.write_text("mine")
    with pytest.raises(HistoryError, match="is there already"):
        export_history(history, out)
    assert out.read_text() == "mine"
    with pytest.raises(HistoryError, match=r"\.csv or \.json"):
        export_history(history, tmp_path / "out.xlsx")
    with pytest.raises(HistoryError, match="no player"):
        export_history(history, tmp_path / "x.csv", "Nobody")
    assert not (tmp_path / "x.csv").exists()
    broken = tmp_path / "broken.txt"
    with pytest.raises(HistoryError, match="cannot be written: no space"), new_file(broken):
        raise OSError("no space")
    assert not broken.exists()


def test_session_that_goes_on_elsewhere_is_completed(tmp_path: Path, history: History) -> None:
    reps = made_reps(seed=5)
    whole = made_session(uid="three")
    with History(tmp_path / "here.sqlite") as here, History(tmp_path / "there.sqlite") as there:
        add(here, replace(whole, ending=None), reps[:10])
        add(there, whole, reps)
        assert import_history(here, there.path).completed == 1
        assert queries.reps(here, 1) == reps
        assert queries.session(here, 1).ending == "done"
        assert import_history(there, here.path).known == 1


def test_an_earlier_state_of_a_session_changes_nothing(tmp_path: Path, history: History) -> None:
    reps = made_reps(seed=5)
    with History(tmp_path / "here.sqlite") as here, History(tmp_path / "there.sqlite") as there:
        add(here, made_session(uid="three"), reps)
        add(there, replace(made_session(uid="three"), ending=None), reps[:10])
        before = content(here)
        done = import_history(here, there.path)
        assert (done.added, done.completed, done.known, done.conflicts) == (0, 0, 1, [])
        assert content(here) == before


def test_a_table_of_an_older_version_lacks_the_newer_columns_and_comes_in(tmp_path: Path, history: History) -> None:
    export_history(history, tmp_path / "new.csv")
    with (tmp_path / "new.csv").open(encoding="utf-8", newline="") as file:
        rows = [{name: cell for name, cell in row.items() if name not in NEWER_COLUMNS} for row in csv.DictReader(file)]
    with (tmp_path / "old.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, rows[0].keys())
        writer.writeheader()
        writer.writerows(rows)
    with History(tmp_path / "other.sqlite") as other:
        assert import_history(other, tmp_path / "old.csv").added == 2
        assert [line.player.name for line in queries.players(other)] == [
            line.player.name for line in queries.players(history)
        ]
        found = [each for number in (1, 2) for each in queries.reps(other, number)]
        assert len(found) == len(rows)
        assert all(each.coach is None for each in found)


def test_session_that_went_another_way_elsewhere_is_not_completed(tmp_path: Path, history: History) -> None:
    reps = made_reps(seed=5)
    changed = [RepEntry(reps[0].rep, replace(reps[0].verdict, grade=Grade.VOID)), *reps[1:]]
    with History(tmp_path / "here.sqlite") as here, History(tmp_path / "there.sqlite") as there:
        add(here, replace(made_session(uid="three"), ending=None), reps[:10])
        add(there, made_session(uid="three"), changed)
        done = import_history(here, there.path)
        assert (done.completed, done.known, len(done.conflicts)) == (0, 0, 1)
        assert queries.reps(here, 1) == reps[:10]
        assert queries.session(here, 1).ending is None


def test_conflicts_are_told_and_ours_stays(tmp_path: Path, history: History) -> None:
    reps = made_reps(seed=1)
    changed = [RepEntry(reps[0].rep, replace(reps[0].verdict, grade=Grade.VOID)), *reps[1:]]
    with History(tmp_path / "there.sqlite") as there:
        add(there, made_session("Kim", uid="one"), changed)
        there.add_player(Player("Kim", "beginner", None))
        done = import_history(history, there.path)
    assert done.added == 0
    assert any("session 1 (Kim, Test block" in each and "ours was kept" in each for each in done.conflicts)
    assert any("level is 'club' here and 'beginner' there" in each for each in done.conflicts)
    assert queries.reps(history, 1) == reps
    assert queries.find_player(history, "kim") == Player("Kim", "club", "padel")


def _cut(path: Path) -> None:
    path.write_bytes(path.read_bytes()[:-2000])


def _as_newer(path: Path) -> None:
    path.write_text(path.read_text().replace('"schema":1', '"schema":2', 1))


def _other(path: Path) -> None:
    path.write_text('{"reps": []}')


def _nonsense(path: Path) -> None:
    path.write_text(path.read_text().replace('"grade":"on time"', '"grade":"perfect"'))


@pytest.mark.parametrize(
    ("spoil", "told"),
    [
        (_cut, "is broken"),
        (_as_newer, "newer drilltimer"),
        (_other, "no export of drilltimer"),
        (_nonsense, "does not make sense"),
        (lambda path: path.write_bytes(b"\xff\xfe\x00"), "no export of drilltimer"),
        (lambda path: path.write_text("[" * 100_000), "no export of drilltimer"),
        (lambda path: path.unlink(), "there is no such file"),
    ],
)
def test_broken_json_is_told(tmp_path: Path, history: History, spoil: Callable[[Path], object], told: str) -> None:
    out = tmp_path / "out.json"
    export_history(history, out)
    spoil(out)
    with History(tmp_path / "other.sqlite") as other, pytest.raises(HistoryError, match=told):
        import_history(other, out)


NONSENSE: tuple[tuple[str, str, object], ...] = (
    ("session", "started_utc", "yesterday"),
    ("session", "started_utc", 20260310),
    ("session", "drill", None),
    ("session", "drill", "\ud800"),
    ("session", "air_c", "warm"),
    ("session", "air_c", math.inf),
    ("session", "seed", 10**30),
    ("session", "seed", 1.5),
    ("session", "versions", "2"),
    ("session", "health", '{"noise_db": "loud"}'),
    ("session", "health", '{"notes": [1]}'),
    ("session", "health", "[]"),
    ("block", "warm_up", "no"),
    ("block", "name", 3),
    ("rep", "error_ms", "late"),
    ("rep", "error_ms", math.nan),
    ("rep", "error_ms", -math.inf),
    ("rep", "open_ms", None),
    ("rep", "rep", True),
    ("rep", "mode", "both"),
    ("rep", "coach", "splendid"),
    ("rep", "cues", '[{"role": "call", "sound": "left", "at_s": "soon"}]'),
    ("rep", "cues", "[1]"),
    ("rep", "void", None),
    ("session", "air_c", 1e30),
    ("session", "speaker_to_player_m", -1),
    ("session", "rate_hz", 10**9),
    ("session", "drill", "x" * 200_000),
    ("session", "health", '{"blocks": 1e300}'),
    ("session", "versions", '{"numpy": 2}'),
    ("block", "number", -1),
    ("player", "level", 5),
    ("player", "sport", ["padel"]),
    ("rep", "grade", "splendid"),
    ("rep", "touchdown_ms", 1e308),
    ("rep", "first_step_ms", -1e9),
    ("rep", "contact_s", 1e12),
    ("rep", "withheld", 2),
    ("rep", "cues", '[{"role": "call", "sound": "left", "at_s": 1e300}]'),
    ("rep", "cues", '[{"role": "shout", "sound": "left", "at_s": 1.0}]'),
)


@pytest.mark.parametrize(("where", "name", "value"), NONSENSE)
def test_what_no_table_can_hold_is_told_and_not_taken_in(
    tmp_path: Path, history: History, where: str, name: str, value: object
) -> None:
    out = tmp_path / "out.json"
    export_history(history, out, "kim")
    document = json.loads(out.read_text())
    (session,) = document["sessions"]
    (player,) = document["players"]
    places = {"session": session, "block": session["blocks"][0], "rep": session["reps"][8], "player": player}
    places[where][name] = value
    out.write_text(json.dumps(document))
    with History(tmp_path / "other.sqlite") as other:
        with pytest.raises(HistoryError, match="session one does not make sense"):
            import_history(other, out)
        assert queries.session_lines(other) == []


@pytest.mark.parametrize("cell", ["inf", "nan"])
def test_a_number_without_end_in_a_table_is_told(tmp_path: Path, history: History, cell: str) -> None:
    out = tmp_path / "out.csv"
    export_history(history, out, "kim")
    rows = list(csv.reader(out.read_text(encoding="utf-8").splitlines()))
    rows[7][rows[0].index("touchdown_ms")] = cell
    with out.open("w", encoding="utf-8", newline="") as file:
        csv.writer(file).writerows(rows)
    with History(tmp_path / "other.sqlite") as other:
        with pytest.raises(HistoryError, match=rf"rep \d+: touchdown_ms: {cell} is no number"):
            import_history(other, out)
        assert queries.session_lines(other) == []


def test_reformatted_json_comes_in_too(tmp_path: Path, history: History) -> None:
    out = tmp_path / "out.json"
    export_history(history, out)
    out.write_text(json.dumps(json.loads(out.read_text()), indent=2))
    with History(tmp_path / "other.sqlite") as other:
        assert import_history(other, out).added == 2
        assert content(other) == content(history)


def test_changed_csv_is_told_with_its_line_and_column(tmp_path: Path, history: History) -> None:
    out = tmp_path / "out.csv"
    export_history(history, out)
    rows = list(csv.reader(out.read_text(encoding="utf-8").splitlines()))
    rows[7][rows[0].index("touchdown_ms")] = "1,5"
    with out.open("w", encoding="utf-8", newline="") as file:
        csv.writer(file).writerows(rows)
    with History(tmp_path / "other.sqlite") as other:
        with pytest.raises(HistoryError, match=r"out\.csv:8: touchdown_ms: '1,5' is not a number"):
            import_history(other, out)
        out.write_text("name,time\nKim,3\n")
        with pytest.raises(HistoryError, match=r"out\.csv:1: .*column 'player' is missing"):
            import_history(other, out)


def test_damaged_database_gives_what_can_be_read(tmp_path: Path) -> None:
    path = tmp_path / "old.sqlite"
    with History(path) as old:
        for seed in range(40):
            add(old, made_session(uid=f"s{seed}", seed=0), made_reps(seed=seed))
        old.sweep()
        pages = old.database.execute("PRAGMA page_count").fetchone()[0]
    raw = bytearray(path.read_bytes())
    raw[(pages - 3) * 4096 : (pages - 2) * 4096] = b"\xa5" * 4096  # deep in the reps of the last sessions
    path.write_bytes(raw)
    with History(tmp_path / "new.sqlite") as new:
        done = import_history(new, path)
        assert 20 <= done.added < 40
        assert "could not be read" in done.damage
        for line in queries.session_lines(new, limit=100):
            seed = int(queries.session(new, line.number).uid[1:])
            assert queries.reps(new, line.number) == made_reps(seed=seed)


def test_newer_or_foreign_database_is_refused(tmp_path: Path, history: History) -> None:
    with History(tmp_path / "newer.sqlite") as newer:
        newer.database.execute(f"PRAGMA user_version = {SCHEMA + 1}")
    with pytest.raises(HistoryError, match="newer drilltimer"):
        import_history(history, tmp_path / "newer.sqlite")
    (tmp_path / "text.sqlite").write_text("hello " * 500)
    with pytest.raises(HistoryError, match="is no history"):
        import_history(history, tmp_path / "text.sqlite")
    (tmp_path / "empty.sqlite").touch()
    with pytest.raises(HistoryError, match="is no history") as fault:
        import_history(history, tmp_path / "empty.sqlite")
    assert "an export (.csv, .json)" in fault.value.fix
    with pytest.raises(HistoryError, match="is a folder"):
        import_history(history, tmp_path)
    with pytest.raises(HistoryError, match="the history itself"):
        import_history(history, history.path)


@pytest.mark.parametrize("suffix", [".csv", ".json"])
def test_an_export_is_of_one_moment_whatever_is_written_meanwhile(
    tmp_path: Path, history: History, suffix: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Another program keeps a new player's session, and more of an old one's, after the players were listed."""
    listed = export.players_out

    def listed_then_written(kept: History, player: str | None) -> Iterator[dict[str, object]]:
        yield from list(listed(kept, player))
        with History(history.path) as other:
            add(other, made_session("Lee", uid="three"), made_reps(seed=3))
            other.wait(0.01)
            with pytest.raises(
                HistoryError, match="another program is reading"
            ):  # deleted, but the export has it still
                other.forget("Kim")

    monkeypatch.setattr(export, "players_out", listed_then_written)
    before = content(history)
    out = tmp_path / f"out{suffix}"
    assert export_history(history, out)[0] == 2
    with History(tmp_path / "other.sqlite") as taken:
        import_history(taken, out)
        assert content(taken) == before
    assert [line.player.name for line in queries.players(history)] == [HOSTILE, "Lee"]  # and now it sees the rest


def test_a_snapshot_ends_with_its_error(history: History) -> None:
    with pytest.raises(RuntimeError, match="on the way"), history.snapshot():
        raise RuntimeError("on the way")
    assert not history.database.in_transaction
