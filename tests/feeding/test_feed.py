"""`drilltimer feed RECORDING` on a scene of our own: what is heard, told, kept, and refused."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import jsonschema
import numpy as np
import pytest
import soundfile
from click.testing import CliRunner
from history_player import add, made_reps, made_session
from schemas import feed_schema

from drilltimer.app.open import open_room
from drilltimer.cli import main
from drilltimer.errors import HistoryError
from drilltimer.feeding.fed_session import FeedSession
from drilltimer.feeding.journal import keep_fed
from drilltimer.feeding.listener import FeedListener
from drilltimer.feeding.run import Asked, hear_recording
from drilltimer.feeding.spots import placed
from drilltimer.history.compare import compare
from drilltimer.history.marks import FEEDING, Mark
from drilltimer.history.queries import reps, session
from drilltimer.history.store import History
from drilltimer.model import Block, Grade, Health, Placement, Window
from tests.feeding.label import court_of
from tests.feeding.scene import Scene, Setting, make_scene

SETTING = Setting(
    6001, play="rally", room="outdoor", feeder="string", feeder_m=12.0, neighbours=False, snr_db=30.0,
    length_s=30.0, clips=False,
)  # fmt: skip


@pytest.fixture(scope="module")
def scene() -> Scene:
    return make_scene(SETTING)


@pytest.fixture(scope="module")
def recording(scene: Scene, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("feed") / "balls.wav"
    soundfile.write(path, scene.samples, scene.rate_hz, subtype="PCM_16")
    return path


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("DRILLTIMER_HOME", str(tmp_path))
    return tmp_path


def spots(scene: Scene) -> list[str]:
    known = scene.truth["known"]
    told = ["--air-c", str(known["temperature_c"])]
    for key, metres in known["distances"].items():
        told += ["--" + key.removesuffix("_m").replace("_", "-"), str(metres)]
    return told


def feed(path: Path, *options: str) -> dict:
    result = CliRunner().invoke(main, ["feed", str(path), "--play", "rally", "--json", *options])
    assert result.exit_code == 0, result.output
    document = json.loads(result.stdout)
    jsonschema.validate(document, feed_schema())
    return document


@pytest.mark.long
def test_contacts_and_touchdowns_are_heard_where_they_were(scene, recording, home):
    told = feed(recording, *spots(scene))["reps"]
    truth = {each["rep"]: each for each in scene.truth["landings"]}
    errors_ms, found = [], 0
    for contact in scene.truth["contacts"]:
        near = [rep for rep in told if abs(rep["contact_heard_s"] - contact["mic_s"]) < 0.03]
        found += len(near) == 1
        landing = truth.get(contact["rep"])
        if near and landing and near[0]["touchdown_s"] and abs(near[0]["touchdown_s"] - landing["mic_s"]) < 0.05:
            errors_ms.append(near[0]["touchdown_ms"] - landing["after_contact_ms"])
    assert found >= 0.9 * len(scene.truth["contacts"])
    assert len(told) <= 1.1 * len(scene.truth["contacts"])
    assert len(errors_ms) >= 0.6 * len(truth)
    assert abs(np.median(errors_ms)) < 5.0  # the feeder strays by 0.8 m, which is 2.3 ms


@pytest.mark.long
def test_what_nobody_told_widens_the_uncertainty(scene, recording, home):
    known, unknown = (feed(recording, *options)["reps"] for options in (spots(scene), []))

    def doubt_ms(told: list[dict]) -> float:
        return float(np.median([rep["uncertainty_ms"] for rep in told if rep["uncertainty_ms"] is not None]))

    assert doubt_ms(unknown) > 2.0 * doubt_ms(known) > 0.0


@pytest.mark.long
def test_where_nobody_landed_nothing_is_claimed(home, tmp_path):
    scene = make_scene(replace(SETTING, seed=6002, length_s=20.0))
    path = tmp_path / "balls.wav"
    soundfile.write(path, scene.samples, scene.rate_hz, subtype="PCM_16")
    bare_s = [each["mic_s"] for each in scene.truth["contacts"] if each["landing"] == "missing"]
    assert len(bare_s) == 1
    told = feed(path, *spots(scene))["reps"]
    grades = [rep["grade"] for rep in told if abs(rep["contact_heard_s"] - bare_s[0]) < 0.03]
    assert grades == ["missed"]
    assert sum(rep["touchdown_ms"] is not None for rep in told) >= 4  # the others are not called missed


@pytest.mark.long
def test_the_size_of_blocks_changes_nothing(scene):
    court = court_of(scene.truth)
    answers = []
    for frames in (480, 32_000):
        listener, told = FeedListener(scene.rate_hz, 1, court), []
        for start in range(0, len(scene.samples), frames):
            piece = scene.samples[start : start + frames, None]
            told += listener.feed(Block(start, piece, np.zeros((len(piece), 1), np.float32)))
        told += listener.finish()
        answers.append([(each.contact.at, each.landing and each.landing.touchdown.at, each.void) for each in told])
    assert len(answers[0]) > 3
    assert answers[0] == answers[1]


@pytest.mark.long
def test_live_feeding_is_kept_as_a_kind_of_its_own(scene, recording, home):
    told = feed(recording, *spots(scene), "--player", "Robin")["reps"]
    with History(home / "history.sqlite") as history:
        kept = session(history, 1)
        assert kept.drill == f"{FEEDING}: rally"
        assert kept.player == "Robin"
        assert len(reps(history, 1)) == len(told)
        add(history, made_session("Robin"), made_reps())
        with pytest.raises(HistoryError, match="one session of 'Test block'"):
            compare(history, "Robin", drill="Test block")
        # Not even under the same name: a cued drill's file may be called anything.
        namesake = add(history, replace(made_session("Robin", uid="b"), drill=f"{FEEDING}: rally"), made_reps())
        with pytest.raises(HistoryError, match="not comparable"):
            compare(history, "Robin", drill=f"{FEEDING}: rally", first="1", last=str(namesake))


@pytest.mark.long
def test_a_coachs_mark_stands_beside_the_measured_value(scene, recording, home):
    asked = Asked("rally", placed(), Window(100.0, 160.0, 220.0))
    outcome = hear_recording(recording, asked)
    timed = next(each.rep for each in outcome.verdicts if each.touchdown_ms is not None)
    keep_fed("Robin", replace(outcome, marks={timed: Mark.LATE}))
    with History(home / "history.sqlite") as history:
        kept = {each.rep.index: each for each in reps(history, 1)}
    assert {index: each.coach for index, each in kept.items() if each.coach} == {timed: "late"}
    assert kept[timed].verdict.touchdown_ms == pytest.approx(outcome.verdicts[timed].touchdown_ms, abs=0.01)
    assert kept[timed].verdict.grade == outcome.verdicts[timed].grade


def test_a_rep_declared_void_is_not_counted_but_stays_measured(scene):
    asked = Asked("rally", placed(), Window(100.0, 160.0, 220.0))
    listener = FeedListener(scene.rate_hz, 1, asked.court)
    session = FeedSession(listener, asked.placement, asked.window, scene.rate_hz, "rally")
    assert session.mark(Mark.VOID) is None  # nothing to speak of yet
    for start in range(0, len(scene.samples), scene.rate_hz):
        piece = scene.samples[start : start + scene.rate_hz, None]
        session.feed(Block(start, piece, np.zeros((len(piece), 1), np.float32)))
        if session.verdicts and session.verdicts[-1].touchdown_ms is not None:
            break
    last = session.verdicts[-1]
    assert last.touchdown_ms is not None
    assert session.mark(Mark.VOID) is last
    assert session.marks == {last.rep: Mark.VOID}
    assert session.as_counted(last).grade is Grade.VOID
    assert session.as_counted(last).touchdown_ms is None
    assert session.verdicts[-1] is last
    session.mark(Mark.VOID)  # taken back
    assert session.marks == {}
    assert session.as_counted(last) is last


@pytest.mark.parametrize(
    ("name", "content", "options", "said"),
    [
        ("empty.wav", b"", [], "empty"),
        ("text.wav", b"forehand, backhand\n" * 50, [], "not a sound file"),
        ("balls.wav", None, ["--window", "100", "50", "10"], "window"),
        ("balls.wav", None, ["--play", "serve"], "serve"),
        ("missing.wav", None, [], "missing.wav"),
    ],
)
def test_bad_input_is_told_in_one_error(recording, home, tmp_path, name, content, options, said):
    path = recording if name == "balls.wav" else tmp_path / name
    if content is not None:
        path.write_bytes(content)
    result = CliRunner().invoke(main, ["feed", str(path), *options])
    assert result.exit_code == 2
    assert said in result.output
    assert result.stderr.count("drilltimer: ") + result.stderr.count("Error: ") == 1  # ours or the option parser's
    assert result.stdout == ""
    assert "Traceback" not in result.output


def test_feeding_without_a_contact_is_told_and_not_kept(home, monkeypatch):
    """A quiet room: nobody feeds."""
    card = SimpleNamespace(stream=open_room("club", 1, Placement(), 0.0), names=("a", "b"), again=None)
    monkeypatch.setattr("drilltimer.app.open.open_card", lambda *names, **_: card)
    result = CliRunner().invoke(main, ["feed", "--minutes", "0.1", "--player", "Robin"])
    assert result.exit_code == 0, result.stderr
    assert "no contact was heard: stand the microphone nearer" in result.stderr
    assert "no session is kept: no rep was judged" in result.stderr
    assert "no player is called 'Robin'" in CliRunner().invoke(main, ["history", "Robin"]).stderr


class Microphone:
    """A microphone that hears a scene, and ends the session with it."""

    input_channels, output_channels = 1, 1

    def __init__(self, scene: Scene) -> None:
        self.rate_hz, self._samples, self._at = scene.rate_hz, scene.samples[:, None], 0

    def start(self) -> None:
        pass

    play = silence = close = lambda self, *_: None

    def health(self) -> Health:
        return Health()

    def read(self) -> Block:
        start, self._at = self._at, self._at + self.rate_hz // 10
        samples = self._samples[start : self._at]
        if not len(samples):
            raise KeyboardInterrupt
        return Block(start, samples, np.zeros_like(samples))


@pytest.mark.long
@pytest.mark.parametrize("ending", ["wav", "flac"])
def test_a_session_that_was_kept_live_counts_once_when_its_recording_is_fed(scene, home, monkeypatch, ending):
    beginning = replace(scene, samples=scene.samples[: 10 * scene.rate_hz])
    card = SimpleNamespace(stream=Microphone(beginning), names=("a", "b"), again=None)
    monkeypatch.setattr("drilltimer.app.open.open_card", lambda *names, **_: card)
    record, moved = home / f"a.{ending}", home / f"moved.{ending}"

    def told(*options: object) -> str:
        result = CliRunner().invoke(main, ["feed", *map(str, options)])
        assert result.exit_code == (130 if "--record" in options else 0), result.output
        return result.stderr

    assert "kept as session 1, player Ann" in told("--record", record, "--player", "Ann", "--json")
    record.rename(moved)
    again = "not kept again: session 1, player ann, is this practice, as it was heard live"
    assert again in told(moved, "--player", "ann")
    assert again in told(moved, "--player", "ann", "--play", "feed")
    assert "kept as session 2, player Bea" in told(moved, "--player", "Bea")
    assert CliRunner().invoke(main, ["forget", "Ann", "--yes"]).exit_code == 0
    assert "kept as session 3, player Ann" in told(moved, "--player", "Ann")


@pytest.mark.long
def test_a_recording_that_ends_early_is_heard_told_and_kept_in_no_history(recording: Path, home: Path) -> None:
    cut = home / "cut.wav"
    cut.write_bytes(recording.read_bytes()[: round(0.7 * recording.stat().st_size)])
    result = CliRunner().invoke(main, ["feed", str(cut), "--play", "rally", "--json", "--player", "Kim"])
    assert result.exit_code == 2
    whole_s = soundfile.info(recording).duration
    words = f"the recording ends after {0.7 * whole_s:.1f} s, its header promises {whole_s:.1f} s"
    assert f"cut.wav: {words}" in result.stderr
    document = json.loads(result.stdout)
    jsonschema.validate(document, feed_schema())
    assert document["health"]["notes"][-1] == words
    assert len(document["reps"]) >= 4
    assert not (home / "history.sqlite").exists()
