"""A folder of recordings: goes on after bad ones, resumes, equal results however many workers, also on a cluster."""

from __future__ import annotations

import hashlib
import json
import os
import re
import shutil
import signal
import socket
import subprocess
import sys
from concurrent.futures import BrokenExecutor, Future, ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import pytest
import soundfile
from calling import call
from click.testing import CliRunner
from jsonschema import Draft202012Validator
from schemas import score_schema
from test_sheet_choice import DRILL, record

from drilltimer.cli import main
from drilltimer.errors import ClusterError, RecordingError, SheetError
from drilltimer.recordings import folder as folders
from drilltimer.recordings import journal as journals
from drilltimer.recordings.folder import Job, JobResult, is_done, keep, list_jobs, score_here, score_one, work_through
from drilltimer.recordings.sheet_choice import find_sheets, score_with


@pytest.fixture(scope="module")
def evening(tmp_path_factory):
    """Two takes of a drill, four recordings of them in two players' folders, and one that is none."""
    place = tmp_path_factory.mktemp("evening")
    (place / "bare.yaml").write_text(DRILL)
    call("render", place / "bare.yaml", place / "take.flac", "--seed", 1, "--takes", 2, "--no-card", "--distance", 3)
    sounds = [soundfile.read(place / f"take-{n}.flac")[0].mean(axis=1) for n in (1, 2)]
    for number, (player, take) in enumerate([("Kim", 0), ("Kim", 1), ("Lou", 1), ("Lou", 0)]):
        (place / player).mkdir(exist_ok=True)
        record(place / player / f"r{number}.wav", 0.5 + 0.7 * number, sounds[take], 0.5)
    (place / "Kim" / "bad.wav").write_bytes(b"RIFF this is no sound" * 10)
    (place / "notes.txt").write_text("not a recording")
    return place


@pytest.fixture
def mine(evening, tmp_path):
    return shutil.copytree(evening, tmp_path / "evening")


HEARD = {}


@pytest.fixture(autouse=True)
def heard_once(monkeypatch):
    """These tests ask what becomes of an answer: equal files among equal sheets are listened to once."""

    def remembered(recording, sheets, told):
        files = [recording, *sheets]
        root = os.path.commonpath([path.resolve() for path in files])
        names = [(os.path.relpath(path.resolve(), root), hashlib.sha256(path.read_bytes()).digest()) for path in files]
        key = tuple(names), tuple(told.items())
        if key not in HEARD:
            HEARD[key] = [(each, sheets.index(each.sheet_file)) for each in score_with(recording, sheets, told)]
        return [replace(each, recording=str(recording), sheet_file=sheets[index]) for each, index in HEARD[key]]

    monkeypatch.setattr(folders, "score_with", remembered)


def jobs_of(place, out=None):
    return list_jobs(place, find_sheets(place), out or place / "scores", {})


def results(place):
    return {path.name: path.read_text(encoding="utf-8") for path in sorted((place / "scores").rglob("*.json"))}


def test_recordings_are_listed_and_rendered_sounds_are_not(mine):
    (mine / "Kim" / "old.wav").mkdir()  # a folder of that name is none
    assert [job.name for job in jobs_of(mine)] == [
        "Kim/bad.wav",
        "Kim/r0.wav",
        "Kim/r1.wav",
        "Lou/r2.wav",
        "Lou/r3.wav",
    ]
    with pytest.raises(RecordingError, match="no recording in this folder"):
        list_jobs(mine / "Kim", [], mine / "Kim", {})


def test_a_folder_is_scored_a_bad_file_told_and_the_rest_done(mine):
    for name in ("Kim/r1.wav", "Lou/r3.wav"):
        (mine / name).unlink()
    answer = call("score", mine, "--jobs", 1, code=2)
    assert "bad.wav: is not a sound file" in answer.stderr
    assert "3/3" in answer.stderr
    assert "2 scored, 1 not" in answer.stdout
    summary = json.loads((mine / "scores" / "summary.json").read_text())
    assert [row["recording"] for row in summary["recordings"]] == [job.name for job in jobs_of(mine)]
    assert (summary["scored"], summary["failed"]) == (2, 1)
    assert [row["fault"] is None for row in summary["recordings"]] == [False, True, True]
    for row in summary["recordings"][1:]:
        document = json.loads((mine / "scores" / row["result"]).read_text())
        Draft202012Validator(score_schema()).validate(document)
        assert document["recording"] == row["recording"]
        assert row["drills"][0]["scores"] == document["scores"]
    used = [row["drills"][0]["sheet"] for row in summary["recordings"][1:]]
    assert used == ["take-1.cues.json", "take-2.cues.json"]


@pytest.mark.long
def test_results_are_equal_whatever_the_number_of_jobs(mine, tmp_path):
    other = shutil.copytree(mine, tmp_path / "other")
    for path in other.rglob("*"):
        source = mine / path.relative_to(other)
        os.utime(path, ns=(source.stat().st_atime_ns, source.stat().st_mtime_ns))
    call("score", mine, "--jobs", 1, code=2)
    call("score", other, "--jobs", 3, code=2)
    one, three = results(mine), results(other)
    assert len(one) == 5
    assert {name: text.replace(str(mine), "") for name, text in one.items()} == {
        name: text.replace(str(other), "") for name, text in three.items()
    }


def test_what_ends_all_of_it_is_told_once_and_before_any_work(mine, monkeypatch):
    monkeypatch.setattr(folders, "score_one", lambda job: pytest.fail("work was begun"))
    for options, words in (
        (("--out", mine / "notes.txt" / "out"), "results cannot be written there"),
        (("--sheet", mine / "lost.cues.json"), "there is no such cue sheet"),
        (("--sheet", mine / "Kim" / "r0.wav"), "the cue sheet cannot be read: it is not even text"),
        (("--player", "Kim", "--player-by-folder"), "choose"),
    ):
        answer = call("score", mine, "--jobs", 1, *options, code=2)
        assert answer.stderr.count(words) == 1
        assert len(answer.stderr.splitlines()) <= 4
        assert answer.stdout == ""


def test_no_place_for_results_is_one_error_where_nothing_could_be_scored_either(tmp_path, mine):
    (tmp_path / "one").mkdir()
    for name in ("take-1.flac", "take-1.cues.json", "Kim/bad.wav"):
        shutil.copy(mine / name, tmp_path / "one")
    place = mine / "notes.txt" / "x"
    answer = call("score", tmp_path / "one", "--jobs", 1, "--out", place, code=2)
    assert answer.stderr.startswith(f"drilltimer: {place}: results cannot be written there")
    assert "Name another folder for them with --out." in answer.stderr


@pytest.mark.long
def test_a_recording_that_is_taken_away_while_it_is_scored_is_told(mine, monkeypatch):
    def scored_and_gone(job):
        outcome = score_one(job)
        job.recording.unlink()
        return outcome

    monkeypatch.setattr(folders, "score_one", scored_and_gone)
    answer = call("score", mine, "--jobs", 1, "--player", "Kim", code=2)
    assert "not kept: " in answer.stderr
    assert "r0.wav: cannot be read any more" in answer.stderr
    for name in ("Kim/r0.wav", "Kim/r1.wav", "Lou/r2.wav", "Lou/r3.wav"):  # one that is gone does not end the rest
        assert f"{name}: is no longer there, but was scored" in answer.stderr
        assert (mine / "scores" / f"{name}.score.json").exists()


@pytest.mark.long
@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda path: path.unlink(), "is no longer there, but its recording was scored"),
        (lambda path: path.write_bytes(b"\xff"), "is no result any more, but its recording was scored"),
        (lambda path: path.write_text('{"more": []}'), "is no result any more, but its recording was scored"),
        (lambda path: (path.unlink(), path.mkdir()), "cannot be read any more, but its recording was scored"),
    ],
)
def test_a_result_that_is_taken_away_while_its_folder_is_scored_is_told(mine, monkeypatch, change, words):
    for name in ("Kim/bad.wav", "Kim/r1.wav", "Lou/r2.wav"):
        (mine / name).unlink()
    first = mine / "scores" / "Kim" / "r0.wav.score.json"
    keep(score_one(jobs_of(mine)[0]), "")  # of an earlier time

    def scored_while_somebody_tidies(job):
        if job.name == "Lou/r3.wav":
            change(first)
        return score_one(job)

    monkeypatch.setattr(folders, "score_one", scored_while_somebody_tidies)
    answer = call("score", mine, "--jobs", 1, code=2)
    assert f"{first}: {words}" in answer.stderr
    assert "1 scored, 1 not" in answer.stdout
    rows = json.loads((mine / "scores" / "summary.json").read_text())["recordings"]
    assert [row["result"] is None for row in rows] == [True, False]
    assert (rows[0]["recording"], rows[0]["drills"]) == ("Kim/r0.wav", [])


@pytest.mark.long
@pytest.mark.parametrize("rest", [(), ("--jobs", 1)])
def test_a_sheet_that_is_taken_away_before_the_history_is_written_costs_no_scores(mine, monkeypatch, rest):
    def gone(*_):
        raise SheetError("take-1.cues.json: there is no such cue sheet")

    monkeypatch.setattr(journals, "keep_scored", gone)
    (mine / "Kim" / "bad.wav").unlink()
    answer = call("score", *([mine, *rest] if rest else [mine / "Kim" / "r0.wav", "--sheet", mine]), "--player", "Kim")
    assert "not kept: take-1.cues.json: there is no such cue sheet" in answer.stderr
    assert "scored" in answer.stdout


@pytest.mark.long
def test_a_recording_that_cannot_be_read_for_the_moment_keeps_its_earlier_result(mine, monkeypatch):
    call("score", mine, "--jobs", 1, code=2)
    job = jobs_of(mine)[1]
    earlier = job.result.read_text()
    os.utime(job.recording, (1, 1))
    monkeypatch.setattr(folders, "score_one", lambda job: JobResult(job, fault=f"{job.name}: the network is gone"))
    answer = call("score", mine, "--jobs", 1, code=2)
    assert f"r0.wav: the network is gone\n  An earlier result of it stays: {job.result}" in answer.stderr
    assert "3 scored, 2 not" in answer.stdout
    assert job.result.read_text() == earlier
    row = json.loads((mine / "scores" / "summary.json").read_text())["recordings"][1]
    assert (row["recording"], row["result"], row["drills"]) == ("Kim/r0.wav", None, [])


@pytest.mark.long
@pytest.mark.skipif(os.name != "posix", reason="Windows has no such names")
def test_a_name_with_a_line_break_stays_on_its_line(mine):
    for path in (mine / "Kim").iterdir():
        path.unlink()
    (mine / "Lou" / "r2.wav").rename(mine / "Lou" / "r\n2\x1b[31m.wav")
    answer = call("score", mine, "--jobs", 1)
    assert r"Lou/r\n2\x1b[31m.wav  take-2" in answer.stdout
    assert re.search(r"  Lou/r\\n2\\x1b\[31m\.wav: \d+ reps", answer.stderr)
    assert "\x1b" not in answer.stdout + answer.stderr


@pytest.mark.long
def test_it_resumes_where_it_stopped(mine, monkeypatch):
    jobs = jobs_of(mine)
    for job in jobs[:3]:
        keep(score_one(job), "")
    assert [is_done(job) for job in jobs] == [False, True, True, False, False]
    scored = []
    monkeypatch.setattr(folders, "score_one", lambda job: (scored.append(job.name), score_one(job))[1])
    call("score", mine, "--jobs", 1, code=2)
    assert scored == ["Kim/bad.wav", "Lou/r2.wav", "Lou/r3.wav"]  # what failed is tried again
    (mine / "Kim" / "bad.wav").unlink()
    answer = call("score", mine, "--jobs", 1)
    assert "scored before, and did not change: 4 of 4 recordings" in answer.stderr
    assert len(scored) == 3


@pytest.mark.long
@pytest.mark.parametrize("change", ["recording", "sheet", "distance", "damage"])
def test_what_changed_is_scored_again(mine, change):
    job = jobs_of(mine)[1]
    keep(score_one(job), "")
    assert is_done(job)
    if change == "recording":
        os.utime(job.recording, (1, 1))
    elif change == "sheet":
        sheet = mine / "take-1.cues.json"
        sheet.write_text(sheet.read_text() + "\n")
    elif change == "damage":
        job.result.write_text(job.result.read_text()[:50])
    else:
        job = list_jobs(mine, find_sheets(mine), mine / "scores", {"together_m": 4.0})[1]
    assert not is_done(job)


@pytest.mark.long
def test_sheets_of_one_name_in_several_folders_are_told_apart(mine):
    for player, take in (("Kim", 1), ("Lou", 2)):
        for ending in (".flac", ".cues.json"):
            (mine / f"take-{take}{ending}").rename(mine / player / f"practice{ending}")
        sheet = mine / player / "practice.cues.json"
        sheet.write_text(sheet.read_text().replace(f"take-{take}.flac", "practice.flac"))
    for job in jobs_of(mine):
        keep(score_one(job), "")
        assert is_done(job) is (job.name != "Kim/bad.wav")


@pytest.mark.long
def test_pictures_asked_for_later_are_drawn(mine):
    (mine / "Kim" / "bad.wav").unlink()
    call("score", mine, "--jobs", 1)
    for times in (1, 2):
        told = call("score", mine, "--jobs", 1, "--annotate", mine / "pictures").stderr
        assert len(list((mine / "pictures").rglob("index.html"))) == 4
        assert ("scored before, and did not change: 4 of 4 recordings" in told) is (times == 2)


@pytest.mark.long
def test_a_new_sheet_in_the_folder_does_not_undo_what_was_scored(mine):
    job = jobs_of(mine)[1]
    keep(score_one(job), "")
    shutil.copy(mine / "take-2.cues.json", mine / "more.cues.json")
    assert is_done(jobs_of(mine)[1])


@pytest.mark.long
def test_it_writes_to_the_history_when_asked(mine, tmp_path, monkeypatch):
    monkeypatch.setenv("DRILLTIMER_HOME", str(tmp_path / "home"))
    (mine / "Kim" / "bad.wav").unlink()
    call("score", mine, "--jobs", 1, "--player-by-folder")
    listed = call("history").stdout
    assert "Kim" in listed
    assert "Lou" in listed
    assert json.loads((mine / "scores" / "Kim" / "r0.wav.score.json").read_text())["made_from"]["player"] == "Kim"
    answer = call("score", mine, "--jobs", 1, "--player-by-folder")
    assert "scored before, and did not change: 4 of 4 recordings" in answer.stderr


def test_a_recording_that_lies_in_no_folder_with_a_name_is_told_before_any_work(mine, monkeypatch):
    monkeypatch.setattr(folders, "score_one", lambda job: pytest.fail("work was begun"))
    monkeypatch.setattr(
        folders, "list_jobs", lambda *_: [*jobs_of(mine)[:2], replace(jobs_of(mine)[2], recording=root)]
    )
    root = Path(mine.anchor) / "r.wav"
    for asked in (root, mine):
        answer = call("score", asked, "--player-by-folder", code=2)
        assert answer.stderr.startswith(f"drilltimer: {root}: lies in no folder that has a name")
        assert answer.stdout == ""


@pytest.mark.long
@pytest.mark.parametrize(
    ("where", "asked"), [("Kim", "r0.wav"), ("Kim", "../Lou"), ("Lou/in", ".."), ("Lou/in", "../r2.wav")]
)
def test_the_folders_own_name_counts_however_it_is_reached(mine, tmp_path, monkeypatch, where, asked):
    monkeypatch.setenv("DRILLTIMER_HOME", str(tmp_path / "home"))
    (mine / "Lou" / "in").mkdir()
    (mine / "Lou" / "r3.wav").unlink()
    monkeypatch.chdir(mine / where)
    call("score", asked, "--sheet", mine, "--player-by-folder")
    assert f"{'Kim' if asked == 'r0.wav' else 'Lou'} " in call("history").stdout


@pytest.mark.long
def test_an_interrupt_keeps_what_was_scored_and_says_how_to_go_on(mine, monkeypatch):
    def interrupted(job):
        if job.name == "Lou/r2.wav":
            raise KeyboardInterrupt
        return score_one(job)

    monkeypatch.setattr(folders, "score_one", interrupted)
    answer = call("score", mine, "--jobs", 1, code=130)
    assert "The same command goes on from here" in answer.stderr
    assert (mine / "scores" / "Kim" / "r1.wav.score.json").exists()
    assert not (mine / "scores" / "summary.json").exists()


def test_a_fault_of_ours_on_one_recording_is_told_and_the_rest_done(mine, monkeypatch):
    def failing(recording, sheets, told):
        raise ZeroDivisionError("by zero")

    monkeypatch.setattr(folders, "score_with", failing)
    outcome = score_one(jobs_of(mine)[1])
    assert "the program failed on it: ZeroDivisionError" in outcome.fault


def test_results_that_cannot_be_written_are_told(mine):
    (mine / "scores").write_text("a file where a folder should be")
    answer = call("score", mine, "--jobs", 1, code=2)
    assert "cannot be written" in answer.stderr


# ---------------------------------------------------------------- executors


class _Dying(ThreadPoolExecutor):
    """An executor whose pool breaks when it is given a certain job."""

    def submit(self, function, job):
        if getattr(self, "broken", False):
            raise BrokenExecutor("gone")
        if job.name.endswith("r1.wav"):
            self.broken = True
            future = Future()
            future.set_exception(BrokenExecutor("gone"))
            return future
        return super().submit(function, job)


@pytest.mark.long
def test_the_jobs_that_a_dying_pool_held_are_given_back(mine):
    jobs = jobs_of(mine)
    with _Dying(1) as executor:
        answers = list(work_through(jobs, executor, 2))
    back = [answer.name for answer in answers if isinstance(answer, Job)]
    assert back == ["Kim/r1.wav"]
    assert {answer.job.name for answer in answers if isinstance(answer, JobResult)} <= {"Kim/bad.wav", "Kim/r0.wav"}


def _deadly(job):
    """In a worker: one recording kills the process, as running out of memory would."""
    if job.name.endswith("r1.wav"):
        os.kill(os.getpid(), signal.SIGKILL)
    return JobResult(job, fault=f"{job.name}: seen")


@pytest.mark.long
@pytest.mark.skipif(sys.platform == "win32", reason="SIGKILL is POSIX's")
def test_a_recording_that_kills_its_process_does_not_stop_the_others(mine, monkeypatch):
    monkeypatch.setattr(folders, "score_one", _deadly)
    faults = {outcome.job.name: outcome.fault for outcome in score_here(jobs_of(mine), 2)}
    assert len(faults) == 5
    assert "died twice" in faults.pop("Kim/r1.wav")
    assert set(faults.values()) == {f"{name}: seen" for name in faults}


def test_many_jobs_are_not_handed_out_at_once(mine):
    handed, most = [], 0

    class Watching(ThreadPoolExecutor):
        def submit(self, function, job):
            nonlocal most
            future = super().submit(lambda: JobResult(job, fault="x"))
            handed.append(future)
            most = max(most, len(handed) - sum(each.done() for each in handed))
            return future

    job = jobs_of(mine)[0]
    with Watching(1) as executor:
        assert len(list(work_through([job] * 500, executor, 8))) == 500
    assert most <= 8


# ---------------------------------------------------------------- a cluster


def test_without_the_extra_it_is_named(mine, monkeypatch):
    monkeypatch.setitem(sys.modules, "distributed", None)
    answer = call("score", mine, "--scheduler", "tcp://127.0.0.1:1", code=2)
    assert "drilltimer[cluster]" in answer.stderr


def _program(module, *options):
    return subprocess.Popen(
        [sys.executable, "-W", "ignore", "-m", f"distributed.cli.{module}", *map(str, options)],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        env={**os.environ, "OMP_NUM_THREADS": "1"},
    )


@pytest.fixture
def cluster():
    """A scheduler and two workers on loopback; answers the address and the workers."""
    pytest.importorskip("distributed", reason="the extra 'cluster' is not installed: pip install '.[cluster]'")
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    address = f"tcp://127.0.0.1:{port}"
    running = [_program("dask_scheduler", "--host", "127.0.0.1", "--port", port, "--no-dashboard")]
    options = ("--host", "127.0.0.1", "--nthreads", 1, "--no-nanny", "--no-dashboard", "--death-timeout", 60)
    workers = [_program("dask_worker", address, *options) for _ in range(2)]
    running += workers
    yield address, workers
    for each in running:
        each.kill()
        each.wait(timeout=20)


@pytest.mark.long
@pytest.mark.filterwarnings("ignore")  # the library's own; they are not ours to mend
def test_a_cluster_gives_the_same_results_and_survives_the_death_of_a_worker(mine, cluster, monkeypatch):
    address, workers = cluster
    call("score", mine, "--jobs", 1, code=2)
    alone = results(mine)
    shutil.rmtree(mine / "scores")

    from distributed import Client

    with Client(address, timeout=60) as client:
        client.wait_for_workers(2, timeout=60)

    killed = []
    original = folders.keep

    def keep_and_kill(outcome, player):
        if not killed:  # the first answer is there, so both workers are in the middle of something
            workers[0].kill()
            killed.append(outcome.job.name)
        return original(outcome, player)

    monkeypatch.setattr(folders, "keep", keep_and_kill)
    answer = CliRunner().invoke(main, ["score", str(mine), "--scheduler", address])
    assert answer.exit_code == 2, answer.output
    assert killed
    assert workers[0].wait(timeout=20) != 0
    assert workers[1].poll() is None
    assert results(mine) == alone


@pytest.mark.long
def test_a_scheduler_that_is_not_there_is_told(monkeypatch):
    pytest.importorskip("distributed", reason="the extra 'cluster' is not installed: pip install '.[cluster]'")
    from drilltimer.recordings import folder as cluster

    monkeypatch.setattr(cluster, "CONNECT_S", 1)
    nowhere = "tcp://127.0.0.1:1"
    with pytest.raises(ClusterError, match="no Dask scheduler answers"), cluster.cluster_executor(nowhere):
        pass
