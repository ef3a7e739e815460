"""Every verb as a user meets it: what is printed where, what is written, and how each thing that goes wrong is told."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from unittest.mock import Mock

import numpy as np
import pytest
import soundfile
from calling import call
from click import Context
from click.testing import CliRunner
from jsonschema import Draft202012Validator
from recorded import simulate_recording
from schemas import score_schema, sheet_schema
from words import refused

import drilltimer.app.open as openings
from drilltimer.app.live import run_live
from drilltimer.app.plan import load_bank, make_plan
from drilltimer.cli import main
from drilltimer.errors import DeviceError, HistoryError, RecordingError
from drilltimer.feeding.run import Asked, run_feed
from drilltimer.feeding.spots import placed
from drilltimer.history import journal
from drilltimer.model import Placement, Window
from drilltimer.recordings.cuesheet import sheet_from_json
from drilltimer.recordings.session_recorder import recorder
from drilltimer.sim.player import SKILLS, SimulatedPlayer
from drilltimer.sim.settings import PRESETS

RATE_HZ = 48_000  # of the simulated room, and of `render` unless told otherwise
CONTEXT = Context(main)
VERBS = main.list_commands(CONTEXT)
SHORT = """\
name: Short
reps: 5
lead_in: {kind: swing, length_s: 0.4}
rhythm: {interval_s: 2.4, jitter_cv: 0.15, rally: 5}
calls: {words: [left, right], delay_s: [0.3, 0.4]}
"""
WAITS = """\
name: Waits
reps: 4
lead_in: {kind: swing, length_s: 0.4}
rhythm: {wait: {min_s: 1, mean_extra_s: 1, max_s: 2}, rest_s: 1}
"""
BARE = "name: Bare\nreps: 4\nrhythm: {interval_s: 1.5, jitter_cv: 0.2, rally: 4}\n"


@pytest.fixture(autouse=True)
def _no_trace_of_the_machine(tmp_path, monkeypatch):
    """No drills of the machine's user."""
    monkeypatch.setenv("DRILLTIMER_HOME", str(tmp_path / "home"))


@pytest.fixture
def drill(tmp_path):
    path = tmp_path / "short.yaml"
    path.write_text(SHORT)
    return path


def simulated(drill, *options, seed=7, code=0):
    return call("run", drill, "--simulate", "club", "--speed", 0, "--seed", seed, *options, code=code)


def document(answer):
    value = json.loads(answer.stdout)
    Draft202012Validator(score_schema()).validate(value)
    return value


@pytest.fixture
def room(monkeypatch):
    """The rooms that `run --simulate` opens, for their truth."""
    opened = []
    original = openings.open_room

    def opening(*arguments):
        opened.append(original(*arguments))
        return opened[-1]

    monkeypatch.setattr(openings, "open_room", opening)
    return opened


# ---------------------------------------------------------------- help and lists


@pytest.mark.parametrize("verb", VERBS)
def test_every_verb_explains_itself_and_its_options(verb):
    text = call(verb, "--help").stdout
    assert text.startswith("Usage: ")
    command = main.get_command(CONTEXT, verb)
    assert command.help.splitlines()[0].rstrip(".").split()[0] in text
    for parameter in command.params:
        for name in parameter.opts if parameter.param_type_name == "option" else []:
            assert name in text


def test_the_verbs_are_the_promised_ones():
    assert {"run", "render", "score", "drills", "devices"} <= set(VERBS)


def test_drills_are_listed_for_people_and_for_programs(tmp_path):
    own = tmp_path / "home" / "drills"
    own.mkdir(parents=True)
    (own / "mine.yaml").write_text(SHORT)
    (own / "broken.yaml").write_text("name: Broken\nrepz: 3\n")
    answer = call("drills")
    lines = {line.split()[0]: line for line in answer.stdout.splitlines()}
    assert "steady-contact" in lines
    assert "broken:" in lines["broken"]
    assert str(own) in answer.stderr
    entries = {entry["name"]: entry for entry in json.loads(call("drills", "--json").stdout)}
    assert set(entries) == set(lines) - {"name"}
    assert entries["mine"]["own"] is True
    assert entries["mine"]["landings_asked"] == 5
    assert entries["mine"]["fault"] == ""
    assert "repz" in entries["broken"]["fault"]
    assert entries["steady-contact"]["own"] is False


# ---------------------------------------------------------------- a simulated session


def test_a_session_is_told_rep_by_rep_and_then_summed_up(drill):
    answer = simulated(drill)
    rows = [line for line in answer.stdout.splitlines() if line[:3].strip().isdigit() and line[3:5] == "  "]
    assert [int(row[:3]) for row in rows] == [1, 2, 3, 4, 5]
    assert "5 reps scored" in answer.stdout
    assert "constant error" in answer.stdout
    assert "seed 7" in answer.stderr
    assert "simulated room" in answer.stdout


def test_json_stands_alone_on_stdout_and_keeps_the_schema(drill):
    answer = simulated(drill, "--json")
    value = document(answer)
    assert [rep["rep"] for rep in value["reps"]] == [0, 1, 2, 3, 4]
    assert value["recording"] is None
    assert value["scores"]["n"] == 5
    assert value["health"]["xruns"] == 0
    assert value["clock"]["offset_s"] == pytest.approx(0.15 + 0.3 / 343.2, abs=5e-4)  # the quiet room's round trip


@pytest.mark.long
def test_the_same_seed_gives_the_same_session_and_another_another(drill):
    once, again, other = (simulated(drill, "--json", seed=seed).stdout for seed in (7, 7, 8))
    assert once == again
    assert once != other


def test_touchdowns_agree_with_what_the_simulated_player_did(drill, room):
    value = document(simulated(drill, "--json"))
    (stream,) = room
    truth = {each.rep: each for each in stream.truth}
    errors_ms = []
    for rep in value["reps"]:
        real = truth[rep["rep"]]
        assert rep["contact_heard_s"] == pytest.approx(real.contact_at / RATE_HZ, abs=3e-4)
        errors_ms.append(rep["touchdown_ms"] - real.touchdown_ms)
        assert rep["touchdown_s"] == pytest.approx(real.touchdown_at / RATE_HZ, abs=4e-3)
    assert len(errors_ms) == 5
    assert abs(float(np.median(errors_ms))) < 1.5
    assert float(np.abs(errors_ms).max()) < 4.0


@pytest.mark.long
def test_distance_is_taken_off(drill):
    near, far = (document(simulated(drill, "--json", "--distance", metres)) for metres in (1, 9))
    assert near["scores"]["timed"] == far["scores"]["timed"] == 5
    # The player answers what reaches the ear, so where he stands must not show in his error: 8 m are 46 ms of sound.
    for here, there in zip(near["reps"], far["reps"], strict=True):
        assert there["touchdown_ms"] == pytest.approx(here["touchdown_ms"], abs=5.0)


@pytest.mark.long
def test_a_level_changes_the_window_and_nothing_else(drill):
    plain, advanced = (document(simulated(drill, "--json", *more)) for more in ((), ("--level", "advanced")))
    assert [rep["touchdown_s"] for rep in plain["reps"]] == pytest.approx(
        [rep["touchdown_s"] for rep in advanced["reps"]], abs=0.3
    )
    assert plain["scores"]["in_window_share"] >= advanced["scores"]["in_window_share"]


# ---------------------------------------------------------------- recorded, rendered, scored later


@pytest.mark.long
def test_a_recorded_session_scores_the_same_again(drill, tmp_path):
    kept = tmp_path / "practice.wav"
    live = document(simulated(drill, "--json", "--record", kept))
    assert live["recording"] == str(kept)
    sheet = tmp_path / "practice.cues.json"
    Draft202012Validator(sheet_schema()).validate(json.loads(sheet.read_text()))
    again = document(call("score", kept, "--sheet", sheet, "--json"))
    assert len(again["reps"]) == len(live["reps"]) == 5
    for now, later in zip(live["reps"], again["reps"], strict=True):
        assert later["touchdown_s"] == pytest.approx(now["touchdown_s"], abs=1e-3)
        assert later["touchdown_ms"] == pytest.approx(now["touchdown_ms"], abs=1.0)
        assert later["grade"] == now["grade"]
        assert later["call"] == now["call"]


@pytest.mark.long
def test_a_simulated_session_stays_simulated_when_its_recording_is_scored(drill, tmp_path):
    simulated(drill, "--record", tmp_path / "a.wav")
    assert "simulated room and player" in call("score", tmp_path / "a.wav", "--player", "Ann").stdout
    assert sources("Ann") == ["simulated"]
    sheet = tmp_path / "a.cues.json"  # written before sheets said so
    sheet.write_text(
        json.dumps({key: value for key, value in json.loads(sheet.read_text()).items() if key != "simulated"})
    )
    call("score", tmp_path / "a.wav", "--player", "Bea")
    assert sources("Bea") == ["recording"]


@pytest.mark.long
@pytest.mark.parametrize("as_json", [True, False])
def test_scores_are_printed_whatever_keeping_does(drill, tmp_path, monkeypatch, as_json):
    def broken(*_arguments, **_named):
        raise RuntimeError("nobody thought of this")

    simulated(drill, "--record", tmp_path / "a.wav")
    monkeypatch.setattr("drilltimer.recordings.journal.keep_scored", broken)
    monkeypatch.setattr(journal.Journal, "end", broken)
    played = ["run", str(drill), "--simulate", "club", "--speed", "0"]
    for arguments in (["score", str(tmp_path / "a.wav")], played):
        answer = CliRunner().invoke(main, [*arguments, "--player", "Ann", *["--json"] * as_json])
        assert '"in_window_share"' in answer.stdout if as_json else "reps scored" in answer.stdout


@pytest.mark.parametrize("seconds", [-1e12, 4e11, 1e300])
def test_a_recording_from_a_year_without_calendar_is_not_kept_and_told(seconds):
    recording = Mock(stat=lambda: Mock(st_mtime=seconds))
    with pytest.raises(HistoryError, match="when it was made cannot be told"):
        journal.taken_utc(recording)


def test_a_seed_is_no_greater_than_the_history_can_keep(drill):
    assert "--seed" in simulated(drill, "--player", "Ann", seed=2**63, code=2).stderr
    simulated(drill, "--player", "Ann", seed=2**63 - 1)
    assert len(sources("Ann")) == 1


def sources(player):
    return [each["source"] for each in json.loads(call("history", player, "--json").stdout)["sessions"]]


@pytest.mark.long
def test_a_practice_that_was_kept_live_counts_once_when_its_recording_is_scored(drill, tmp_path):
    simulated(drill, "--record", tmp_path / "a.wav", "--player", "Ann")
    (tmp_path / "a.wav").rename(tmp_path / "moved.wav")
    told = call("score", tmp_path / "moved.wav", "--player", "ann").stderr
    assert "not kept again: session 1, player ann, is this practice, as it was heard live" in told
    told = call("score", tmp_path, "--player", "Ann").stderr
    assert "moved.wav: not kept again: session 1 is this practice" in told
    assert "scored before" in call("score", tmp_path, "--player", "Ann").stderr
    assert len(sources("Ann")) == 1
    assert "kept as session 2" in call("score", tmp_path / "moved.wav", "--player", "Bea").stderr
    call("forget", "Ann", "--yes")
    assert "kept as session 3" in call("score", tmp_path / "moved.wav", "--player", "Ann").stderr


def test_one_is_told_as_one_from_the_drill_to_the_report(tmp_path):
    drill = tmp_path / "one.yaml"
    drill.write_text(
        "name: One\nreps: 1\nlead_in: {kind: count, ticks: 1, length_s: 1}\ncalls: {words: [left], delay_s: 0.1}\n"
        "rhythm: {wait: {min_s: 1, max_s: 2, mean_extra_s: 0.4}}\n"
    )
    report, sheets = tmp_path / "one.html", tmp_path / "sheets"
    sheets.mkdir()
    told = [call("drills", "show", drill), simulated(drill, "--record", sheets / "a.wav", "--player", "Ann")]
    call("render", drill, sheets / "b.flac", "--seed", "9")
    told += [call("score", sheets / "a.wav", "--player", "Bea"), call("history", "session:1")]
    told += [call("report", "session:1", "-o", report), call("forget", "Bea", "--yes")]
    text = "\n".join([each.output for each in told] + [report.read_text(encoding="utf-8")])
    assert "contact" in text
    assert not re.findall(r"\b1 (?!times )[a-z]{3,}s\b.{0,20}", text)


def test_what_withheld_contacts_brought_is_scored_again_from_the_recording(tmp_path):
    """A wait that came to nothing makes no sound at all, and is in the sheet nevertheless."""
    drill = tmp_path / "quiet.yaml"
    drill.write_text(WAITS)
    kept = tmp_path / "quiet.wav"
    live = document(simulated(drill, "--json", "--record", kept, seed=5))
    again = document(call("score", kept, "--json"))
    graded = [(rep["rep"], rep["grade"]) for rep in live["reps"]]
    assert "withheld (kept still)" in dict(graded).values()
    assert [(rep["rep"], rep["grade"]) for rep in again["reps"]] == graded


@pytest.mark.parametrize("there", ["out.wav", "out.cues.json", "out-2.cues.json"])
def test_a_drill_as_sound_never_takes_the_place_of_a_recording_or_a_sheet(tmp_path, there):
    drill = tmp_path / "bare.yaml"
    drill.write_text(BARE)
    (tmp_path / there).write_bytes(b"of yesterday")
    takes = ("--takes", 2) if "-2" in there else ()
    assert f"{there}: is there already" in call("render", drill, tmp_path / "out.wav", *takes, code=2).stderr
    assert {path.name for path in tmp_path.iterdir()} == {"bare.yaml", there}  # no take was begun
    assert (tmp_path / there).read_bytes() == b"of yesterday"


def test_nothing_is_recorded_unasked(drill, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    simulated(drill)
    assert {path.name for path in tmp_path.iterdir()} <= {"short.yaml", "home"}


@pytest.mark.long
def test_recording_is_announced(drill, tmp_path):
    assert (
        f"recording the microphone to {tmp_path / 'p.flac'}" in simulated(drill, "--record", tmp_path / "p.flac").stderr
    )


@pytest.mark.parametrize("there", ["p.wav", "p.played.flac", "p.cues.json"])
def test_a_session_that_was_recorded_is_never_overwritten(drill, tmp_path, there):
    (tmp_path / there).write_bytes(b"of yesterday")
    arguments = ("run", drill, "--simulate", "club", "--speed", 0, "--record", tmp_path / "p.wav", "--player", "Kim")
    assert f"{there}: is there already" in call(*arguments, code=2).stderr
    assert (tmp_path / there).read_bytes() == b"of yesterday"
    assert not (tmp_path / "home" / "history.sqlite").exists()  # nor is a session begun


@pytest.mark.parametrize(("name", "rate_hz"), [("out.flac", 48_000), ("out.wav", 44_100)])
def test_a_rendered_sheet_tells_where_the_contacts_are_in_the_sound(tmp_path, name, rate_hz):
    """Without lead-in and calls every contact is the first sound after silence."""
    drill = tmp_path / "bare.yaml"
    drill.write_text(BARE)
    out = tmp_path / name
    call("render", drill, out, "--seed", 3, "--rate-hz", rate_hz, "--no-signature")
    text = (tmp_path / "out.cues.json").read_text()
    Draft202012Validator(sheet_schema()).validate(json.loads(text))
    sheet = sheet_from_json(text, "out.cues.json")
    assert sheet.audio == name
    assert sheet.rate_hz == rate_hz
    samples, rate = soundfile.read(out, always_2d=True)
    assert rate == rate_hz
    loud = np.flatnonzero(np.abs(samples).max(axis=1) > 1e-4)
    begins = loud[np.diff(loud, prepend=-rate_hz) > 0.4 * rate_hz]  # far more silence than inside a contact cue
    contacts = [cue.at_s * rate_hz for rep in sheet.reps for cue in rep.cues if cue.role == "contact"]
    assert len(contacts) == 4
    assert begins == pytest.approx(contacts, abs=3)  # a cue's first frames rise from zero


@pytest.mark.long
def test_a_rendered_drill_recorded_by_a_stranger_is_scored(drill, tmp_path):
    out = tmp_path / "out.flac"
    call("render", drill, out, "--seed", 5, "--distance", 3, "--no-signature")
    plan = make_plan(str(drill), 5)
    settings = replace(PRESETS["court"], clock_ppm=80.0, placement=Placement(3.0, 3.0, 0.0, 20.0))
    recording = simulate_recording(
        plan.reps,
        load_bank(plan, RATE_HZ),
        settings,
        2,
        player=SimulatedPlayer(SKILLS["expert"], 2),
        offset_s=3.7,
        recorder_rate_hz=44_100,
    )
    path = tmp_path / "telephone.wav"
    soundfile.write(path, recording.recorded, 44_100)
    value = document(call("score", path, "--sheet", tmp_path / "out.cues.json", "--json"))
    assert value["clock"]["offset_s"] == pytest.approx(3.7, abs=2e-3)
    assert value["clock"]["skew_ppm"] == pytest.approx(80.0, abs=10.0)  # the court is 12 s long
    errors_ms = [
        rep["touchdown_ms"] - real.touchdown_ms
        for rep, real in zip(value["reps"], recording.truth, strict=True)
        if real.touchdown_ms is not None and rep["touchdown_ms"] is not None
    ]
    assert len(errors_ms) >= 4
    assert float(np.median(np.abs(errors_ms))) < 3.0
    for_people = call("score", path, "--sheet", tmp_path / "out.cues.json")
    assert "constant error" in for_people.stdout
    assert "sound travel are taken off" in for_people.stderr


# ---------------------------------------------------------------- what goes wrong


def told(answer):
    """What the user is told, and that it is told once, on stderr alone."""
    assert answer.stderr.count("drilltimer: ") + answer.stderr.count("Error: ") == 1, answer.stderr
    return answer.stderr


def test_a_missing_drill_names_the_nearest():
    answer = call("run", "stedy-contact", "--simulate", "club", code=2)
    assert "'steady-contact'" in told(answer)
    assert answer.stdout == ""


def test_a_broken_drill_is_told_all_its_faults_with_their_places(tmp_path):
    path = tmp_path / "broken.yaml"
    path.write_text(
        "name: Broken\nrepz: 5\nreps: -3\nrhythm: {interval_s: fast}\nlead_in: {kind: swing, length_s: 0.4}\n"
    )
    text = told(call("run", path, "--simulate", "club", code=2))
    for place in ("broken.yaml:2:1", "broken.yaml:3:", "broken.yaml:4:"):
        assert place in text
    assert "reps" in text


def test_an_unknown_skill_names_the_nearest_and_lists_all(drill):
    text = told(call("run", drill, "--simulate", "expret", code=2))
    assert "did you mean 'expert'" in text
    assert "novice" in text


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["run"], "DRILL"),
        (["run", "steady-contact", "--sped", "2"], "--speed"),
        (["run", "steady-contact", "--seed", "x"], "--seed"),
        (["run", "steady-contact", "--air-c", "400"], "--air-c"),
        (["run", "steady-contact", "--level", "clubb"], "--level"),
        (["score", "x.wav"], "x.wav: no such file"),
        (["jump"], "jump"),
    ],
)
def test_wrong_arguments_are_named(arguments, words):
    answer = call(*arguments, code=2)
    assert words in told(answer)
    assert answer.stdout == ""


@pytest.mark.parametrize("fault", [KeyboardInterrupt, RecordingError("the disk is full")])
def test_a_drill_whose_writing_ended_early_leaves_its_name_free(tmp_path, monkeypatch, fault):
    drill = tmp_path / "bare.yaml"
    drill.write_text(BARE)
    with monkeypatch.context() as broken:
        broken.setattr("drilltimer.recordings.rendering.write_text", Mock(side_effect=fault))
        answer = call("render", drill, tmp_path / "out.wav", code=130 if fault is KeyboardInterrupt else 2)
    words = "interrupted" if fault is KeyboardInterrupt else "the disk is full\nNothing of it was left behind"
    assert words in answer.stderr
    assert [path.name for path in tmp_path.iterdir()] == ["bare.yaml"]
    call("render", drill, tmp_path / "out.wav")


def test_a_name_longer_than_any_disk_takes_is_told(drill, tmp_path):
    endless = tmp_path / f"{'x' * 300}.wav"
    for arguments in (("run", drill, "--simulate", "club", "--record", endless), ("render", drill, endless)):
        assert "x.wav: cannot be written" in told(call(*arguments, code=2))


def test_an_empty_name_keeps_nothing_and_says_so(drill):
    assert "a name is empty" in told(call("run", drill, "--simulate", "club", "--speed", 0, "--player", " ", code=2))


def test_an_unwritable_output_is_told(drill, tmp_path):
    nowhere = tmp_path / "no" / "such" / "out.flac"
    assert f"{nowhere}: there is no folder" in told(call("render", drill, nowhere, code=2))
    assert ".wav or .flac" in told(call("render", drill, tmp_path / "out.mp3", code=2))


@pytest.mark.parametrize("name", ["no/such/kept.wav", "kept.mp3"])
def test_a_place_that_cannot_be_recorded_to_is_told_before_the_session(drill, tmp_path, name):
    answer = simulated(drill, "--record", tmp_path / name, "--player", "Kim", code=2)
    assert str(tmp_path / name) in told(answer)
    assert not (tmp_path / "home" / "history.sqlite").exists()  # no session was begun that would stand there cut off


def test_a_stream_is_closed_when_its_session_cannot_be_recorded(tmp_path):
    plan, place = make_plan("steady-contact", 1), Placement(3.0, 3.0, 0.3)
    room = openings.open_room("club", 1, place, 0.0)
    closed = []
    room.close = lambda: closed.append("closed")
    with pytest.raises(RecordingError, match="there is no folder"):
        run_live(plan, room, place, record=recorder(tmp_path / "no/kept.wav"), on_rep=print, on_trouble=print)
    feed = Asked("rally", placed(), Window(100.0, 160.0, 220.0))
    with refused(RecordingError, "cannot be written"):
        run_feed(feed, room, record=tmp_path / "no/kept.wav", on_rep=print, on_trouble=print)
    assert closed == ["closed", "closed"]


@pytest.fixture
def rendered(drill, tmp_path):
    """A sheet and its sound."""
    call("render", drill, tmp_path / "out.wav", "--seed", 5)
    return tmp_path / "out.cues.json"


def noise(path, seconds=20, rate_hz=RATE_HZ):
    soundfile.write(path, 0.05 * np.random.default_rng(4).standard_normal(seconds * rate_hz), rate_hz)
    return path


def test_a_recording_that_is_not_there_is_told_before_its_folder_is_searched(tmp_path):
    told = call("score", tmp_path / "kept.wav", code=2).stderr
    assert "kept.wav: no such file" in told
    assert "sheet" not in told
    soundfile.write(tmp_path / "kept.wav", np.zeros(1000), RATE_HZ)
    assert "name it with --sheet" in call("score", tmp_path / "kept.wav", code=2).stderr


def test_a_recording_without_a_cue_in_it_is_told(rendered, tmp_path):
    path = noise(tmp_path / "noise.wav")
    answer = call("score", path, "--sheet", rendered, "--json", code=2)
    assert f"{path}: no contact cue of {rendered.name} is heard" in told(answer)
    assert answer.stdout == ""


def test_digital_silence_is_told(rendered, tmp_path):
    path = tmp_path / "silence.wav"
    soundfile.write(path, np.zeros(20 * RATE_HZ), RATE_HZ)
    assert "no contact cue" in told(call("score", path, "--sheet", rendered, code=2))


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (None, "no such file"),
        (b"", "empty"),
        (b"no sound at all, but long enough to be some\n" * 50, "not a sound file"),
    ],
)
def test_an_unreadable_recording_is_told(rendered, tmp_path, content, words):
    path = tmp_path / "recording.wav"
    if content is not None:
        path.write_bytes(content)
    text = told(call("score", path, "--sheet", rendered, code=2))
    assert str(path) in text
    assert words in text


def test_a_sheet_without_its_sound_is_told(rendered, tmp_path):
    path = noise(tmp_path / "noise.wav")
    (tmp_path / "out.wav").unlink()
    text = told(call("score", path, "--sheet", rendered, code=2))
    assert "'out.wav' is missing" in text
    assert str(tmp_path) in text


def test_a_sheet_of_another_rate_is_told(rendered, tmp_path):
    path = noise(tmp_path / "noise.wav")
    soundfile.write(tmp_path / "out.wav", soundfile.read(tmp_path / "out.wav")[0], 44_100)
    assert "rate_hz is 48000, but out.wav has 44100 Hz" in told(call("score", path, "--sheet", rendered, code=2))


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (None, "no such cue sheet"),
        ("{'schema': 1}", ":1:2: not valid JSON"),
        ("{}", "audio"),
        ('{"audio": "out.wav", "rate_hz": 48000, "reps": [{"cues": []}]}', "reps[0]"),
        ("\xff", "cannot be read"),
    ],
)
def test_a_bad_sheet_is_told(tmp_path, text, words):
    sheet = tmp_path / "bad.cues.json"
    if text is not None:
        sheet.write_bytes(text.encode("latin-1"))
    message = told(call("score", noise(tmp_path / "noise.wav", 1), "--sheet", sheet, code=2))
    assert str(sheet) in message
    assert words in message


def test_a_contact_beyond_the_sound_is_told(tmp_path):
    noise(tmp_path / "short.wav", 1)
    sheet = tmp_path / "sheet.json"
    rep = {"cues": [{"role": "contact", "at_s": 30.0}]}
    sheet.write_text(json.dumps({"audio": "short.wav", "rate_hz": RATE_HZ, "reps": [rep]}))
    assert "at_s" in told(call("score", tmp_path / "short.wav", "--sheet", sheet, code=2))


# ---------------------------------------------------------------- no sound device, or one that goes away


def test_without_a_sound_device_a_session_is_refused(drill, monkeypatch):
    monkeypatch.setattr("drilltimer.audio.stream.fresh_devices", list)
    answer = call("run", drill, code=3)
    assert "offers no input device" in told(answer)
    assert "--simulate" in answer.stderr


@pytest.mark.parametrize("verb", [("run", "steady-contact"), ("devices",)])
def test_without_portaudio_the_package_is_named(verb, monkeypatch):
    class Missing:
        """An import hook that fails as sounddevice does where the library is not installed."""

        def find_spec(self, name, path=None, target=None):
            if name == "sounddevice":
                raise OSError("PortAudio library not found")

    monkeypatch.delitem(sys.modules, "sounddevice", raising=False)
    monkeypatch.setattr(sys, "meta_path", [Missing(), *sys.meta_path])
    answer = call(*verb, code=3)
    assert "libportaudio2" in told(answer)
    assert "PortAudio library not found" in answer.stderr


class Faulty:
    """A stream that is interrupted, or loses its device, after so many blocks."""

    def __init__(self, stream, blocks, fault):
        self._stream, self._left, self._fault = stream, blocks, fault
        self.closed = False

    def __getattr__(self, name):
        return getattr(self._stream, name)

    def read(self):
        if self._left == 0:
            raise self._fault
        self._left -= 1
        return self._stream.read()

    def close(self):
        self.closed = True
        self._stream.close()


def break_after(monkeypatch, seconds, fault):
    streams = []
    original = openings.open_room

    def opening(*arguments):
        streams.append(Faulty(original(*arguments), round(seconds * RATE_HZ / 1024), fault))
        return streams[-1]

    monkeypatch.setattr(openings, "open_room", opening)
    return streams


def reps_judged_by(drill, until_s):
    """Reps of a whole session whose hearing range ends by then, with time to spare."""
    plan = make_plan(str(drill), 7)
    return sum(rep.contact_s + 0.5 + 0.15 + 1.5 < until_s for rep in plan.reps)


@pytest.mark.parametrize("as_json", [False, True])
def test_an_interrupt_scores_what_was_done(drill, monkeypatch, as_json):
    whole = document(simulated(drill, "--json"))
    streams = break_after(monkeypatch, 9.0, KeyboardInterrupt())
    answer = simulated(drill, *["--json"] * as_json, code=130)
    assert streams[0].closed
    assert "ended early" in answer.stderr
    done = reps_judged_by(drill, 9.0)
    assert 1 <= done <= 4
    if as_json:
        reps = document(answer)["reps"]
        assert reps[:done] == whole["reps"][:done]
        assert all(rep["grade"] == "void" for rep in reps[done:] if rep["touchdown_s"] is None)
    else:
        assert "scored: " in answer.stdout


def test_a_device_lost_on_the_way_leaves_the_scores_so_far(drill, monkeypatch):
    streams = break_after(monkeypatch, 9.0, DeviceError("lost the sound device", fix="Plug it in again."))
    answer = simulated(drill, "--json", code=3)
    assert streams[0].closed
    assert told(answer).endswith("drilltimer: lost the sound device\nPlug it in again.\n")
    timed = [rep for rep in document(answer)["reps"] if rep["touchdown_s"] is not None]
    assert len(timed) >= reps_judged_by(drill, 9.0) >= 1


@pytest.mark.long
def test_what_was_recorded_before_an_interrupt_can_be_scored(drill, monkeypatch, tmp_path):
    break_after(monkeypatch, 9.0, KeyboardInterrupt())
    kept = tmp_path / "kept.wav"
    live = document(simulated(drill, "--json", "--record", kept, code=130))
    timed = [rep for rep in live["reps"] if rep["touchdown_s"] is not None]
    assert len(timed) >= 1
    again = {
        rep["rep"]: rep
        for rep in document(call("score", kept, "--sheet", kept.with_suffix(".cues.json"), "--json"))["reps"]
    }
    for rep in timed:
        assert again[rep["rep"]]["touchdown_s"] == pytest.approx(rep["touchdown_s"], abs=1e-3)


def test_an_interrupt_before_the_first_contact_is_no_fault(drill, monkeypatch):
    break_after(monkeypatch, 0.2, KeyboardInterrupt())
    value = document(simulated(drill, "--json", code=130))
    assert value["scores"]["timed"] == 0
    assert value["scores"]["constant_error_ms"] is None


# ---------------------------------------------------------------- as a process of its own


def program(*arguments, **how):
    command = [sys.executable, "-c", "from drilltimer.cli import main; main()", *map(str, arguments)]
    return subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, **how)


def test_bad_input_ends_a_process_with_two_and_no_traceback(tmp_path):
    process = program("score", tmp_path / "no.wav", "--sheet", tmp_path / "no.json")
    out, err = process.communicate(timeout=60)
    assert process.returncode == 2
    assert out == ""
    assert err.startswith("drilltimer: ")
    assert "Traceback" not in err


@pytest.mark.long
@pytest.mark.skipif(os.name != "posix", reason="Windows ends a process without asking it")
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_request_to_end_scores_what_was_done(drill, number):
    process = program("run", drill, "--simulate", "club", "--seed", 7, "--speed", 4)
    try:
        head = process.stdout.readline()
        first = process.stdout.readline()
        process.send_signal(number)
        rest, err = process.communicate(timeout=60)
    finally:
        process.kill()
    assert head.startswith("rep ")
    assert first.split()[0] == "1"
    assert process.returncode == 130
    assert "scored: " in rest
    assert "ended early" in err
    assert "Traceback" not in err


@pytest.mark.long
@pytest.mark.skipif(not hasattr(signal, "SIGHUP"), reason="Windows knows no SIGHUP")
def test_a_session_that_is_to_outlive_its_terminal_does(drill):
    """Started by `nohup`, a program finds the hang-up ignored, and must leave it so."""
    process = program(
        "run",
        drill,
        "--simulate",
        "club",
        "--seed",
        7,
        "--speed",
        6,
        "--json",
        preexec_fn=lambda: signal.signal(signal.SIGHUP, signal.SIG_IGN),
    )
    try:
        while "player 3 m" not in process.stderr.readline():
            pass
        process.send_signal(signal.SIGHUP)
        out, err = process.communicate(timeout=60)
    finally:
        process.kill()
    assert process.returncode == 0, err
    assert len(json.loads(out)["reps"]) == 5


def test_help_needs_no_sound_library_and_is_quick_to_import():
    """Whoever asks for help waits for nothing that only a session needs."""
    code = (
        "import sys; from drilltimer.cli import main\n"
        "try: main(['run', '--help'])\n"
        "except SystemExit: pass\n"
        "print(*sorted({n.split('.')[0] for n in sys.modules} & {'numpy', 'scipy', 'sounddevice', 'soundfile', 'yaml', "
        "'pydantic', 'rich'}), file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=True)
    assert Path(done.stdout.split()[1]).name
    assert done.stderr.strip() == ""


@pytest.mark.parametrize("name", ["An\nn", "An\tn", "\x1b[31mAnn", "x" * 81])
def test_a_name_that_no_history_takes_is_refused_before_anything_is_done(drill, name):
    for verb in (("run", drill, "--simulate", "club"), ("score", "none.wav"), ("feed", "none.wav")):
        said = told(call(*verb, "--player", name, code=2))
        assert "a player's name h" in said
        assert "none.wav" not in said
