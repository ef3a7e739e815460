"""A folder of recordings, scored one by one by whatever executor there is, and gone on with where it stopped.

A worker reads a recording and answers what it scored; only the one who asked writes: results, summary, history. So it
does not matter how many workers there are, or where, as long as they see the same files: on a Dask cluster, for one.

Processes are spawned, not forked. When one dies, the recordings it may have held are each tried once more alone; the
one that kills again is told as bad. What need not be scored again is known by `made_from` in each result.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections import deque
from collections.abc import Iterable, Iterator, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, BrokenExecutor, Executor, Future, ProcessPoolExecutor, wait
from contextlib import contextmanager
from dataclasses import dataclass, replace
from multiprocessing import get_context
from pathlib import Path
from typing import Any

from drilltimer import __version__
from drilltimer.errors import ClusterError, RecordingError, UserError
from drilltimer.model import DISTANCES
from drilltimer.recordings.distance import Told
from drilltimer.recordings.reference import read_sheet
from drilltimer.recordings.run import ScoredRecording, document_of
from drilltimer.recordings.sheet_choice import score_with
from drilltimer.recordings.writing import write_text

SOUNDS = (".wav", ".flac", ".ogg", ".oga", ".opus", ".mp3", ".aif", ".aiff", ".caf", ".w64", ".rf64")
FILMS = (".m4a", ".aac", ".mp4", ".m4v", ".mov", ".mkv", ".webm", ".avi", ".3gp", ".wma", ".amr", ".mts", ".ts", ".mpg")
ENDINGS = frozenset(SOUNDS + FILMS)
RESULT_ENDING = ".score.json"
SUMMARY = "summary.json"
WAS_WRITTEN = "its recording was scored; somebody took it away or wrote over it meanwhile"
AGAIN = "Its recording is scored again when the same command is given again."
AHEAD = 2  # recordings handed out per worker: enough to keep it busy, few enough to know who was hurt
CLUSTER_AHEAD = 512


@dataclass(frozen=True, slots=True)
class Job:
    """All that a worker needs to score one recording.

    Parameters
    ----------
    name : str
        Its path inside the folder.
    result : Path
        Where its document goes.
    sheets : tuple of Path
        To be tried.
    player : str
        In whose history it is to be kept; empty for nobody's.
    """

    name: str
    recording: Path
    result: Path
    sheets: tuple[Path, ...]
    told: Told
    player: str = ""


@dataclass(frozen=True, slots=True)
class JobResult:
    """What became of a job: what was scored, why nothing was, or why it is not all that there was to score."""

    job: Job
    scored: tuple[ScoredRecording, ...] = ()
    fault: str = ""


def list_jobs(folder: Path, sheets: Sequence[Path], out: Path, told: Told) -> list[Job]:
    """Every recording of a folder and its folders, in order of name; sounds that sheets were rendered with are none.

    Raises
    ------
    RecordingError
        There is none.
    """
    played = set()
    for sheet in sheets:
        try:
            played.add((sheet.parent / read_sheet(sheet).audio).resolve())
        except UserError:  # told for each recording that needs it
            continue
    found = sorted(
        path
        for path in folder.rglob("*")
        if path.suffix.lower() in ENDINGS
        and os.path.isfile(path)
        and not any(part.startswith(".") for part in path.relative_to(folder).parts)
        and path.resolve() not in played
        and not path.is_relative_to(out)
    )
    if not found:
        raise RecordingError(
            f"{folder}: there is no recording in this folder",
            why="Files with the usual endings of sound and films are looked for; rendered drills are left out.",
        )
    names = [path.relative_to(folder).as_posix() for path in found]
    return [
        Job(name, path, out / f"{name}{RESULT_ENDING}", tuple(sheets), told)
        for name, path in zip(names, found, strict=True)
    ]


def score_one(job: Job) -> JobResult:
    """Score one recording; what is wrong with it is an answer, too. Runs in a worker."""
    try:
        scored = score_with(job.recording, job.sheets, job.told)
        return JobResult(job, tuple(scored), str(scored[0].fault or ""))
    except UserError as fault:
        return JobResult(job, fault=str(fault))
    except MemoryError:
        return JobResult(job, fault=f"{job.recording}: there is not enough memory to score it")
    except Exception as fault:  # a fault of ours must not take the others' results along
        return JobResult(job, fault=f"{job.recording}: the program failed on it: {type(fault).__name__}: {fault}")


def work_through(jobs: Iterable[Job], executor: Executor, ahead: int) -> Iterator[JobResult | Job]:
    """Outcomes in the order in which they are ready; a job itself where its worker died with it.

    Parameters
    ----------
    executor : concurrent.futures.Executor
        Processes of this computer, or a cluster's.
    ahead : int
        So many jobs are handed out at a time, so that memory stays flat however many there are.
    """
    waiting, running = deque(jobs), dict[Future[JobResult], Job]()
    broken = False
    while waiting or running:
        while waiting and len(running) < ahead and not broken:
            try:
                running[executor.submit(score_one, waiting[0])] = waiting[0]
                waiting.popleft()
            except BrokenExecutor:
                broken = True
        if broken and not running:
            return
        for future in wait(running, return_when=FIRST_COMPLETED).done:
            job = running.pop(future)
            try:
                yield future.result()
            except BrokenExecutor:
                broken = True
                yield job
            except Exception as fault:  # a cluster's own words: its workers died too often, or cannot be reached
                yield JobResult(job, fault=f"{job.recording}: its worker failed: {type(fault).__name__}: {fault}")


def score_here(jobs: Sequence[Job], workers: int) -> Iterator[JobResult]:
    """Outcomes from processes of this computer. When one dies the others' work is taken up again."""
    left = {job.name: job for job in jobs}
    alone: list[Job] = []
    while left:
        with _processes(workers) as pool:
            for answer in work_through(list(left.values()), pool, AHEAD * workers):
                if isinstance(answer, Job):
                    alone.append(left.pop(answer.name))
                else:
                    del left[answer.job.name]
                    yield answer
    for job in alone:  # one of these killed the process: each gets its own
        with _processes(1) as pool:
            for answer in work_through([job], pool, 1):
                yield answer if isinstance(answer, JobResult) else JobResult(job, fault=f"{job.recording}: {_DIED}")


_DIED = "the process that scored it died twice, probably for want of memory"


def _processes(workers: int) -> ProcessPoolExecutor:
    """Fresh interpreters, as Windows and macOS have them: a fork of a process with threads may hang."""
    return ProcessPoolExecutor(workers, mp_context=get_context("spawn"))


def is_done(job: Job) -> bool:
    """Whether a result of this very recording, with these sheets and settings, is there already."""
    try:
        made_from = json.loads(job.result.read_text(encoding="utf-8"))["made_from"]
        known = made_from["sheets"]  # several folders may have sheets of one name
        used = [path for path in job.sheets if path.name in known and _digest(path) == known[path.name]]
        return bool(made_from == _made_from(job, used))
    except (OSError, ValueError, KeyError, TypeError):
        return False


def keep(outcome: JobResult, player: str) -> str:
    """Write an outcome's document, kept in `player`'s history; answers what is wrong with its recording, if anything.

    One that could not be scored leaves its earlier result alone: it may be unreadable for the moment. A damaged one
    leaves that of the whole recording alone. The document of a damaged one does not say what it was made from: it is
    tried again, as what could not be scored is.

    Raises
    ------
    RecordingError
        It cannot be written.
    """
    job, wrong = outcome.job, outcome.fault
    if stays(outcome):
        of_whole = ", when it was whole," if outcome.scored else ""
        otherwise = ". Delete it to have the damaged one's instead" if outcome.scored else ""
        return f"{wrong}\n  An earlier result of it{of_whole} stays: {job.result}{otherwise}"
    if not outcome.scored:
        return wrong
    try:
        job.result.parent.mkdir(parents=True, exist_ok=True)
    except OSError as fault:
        raise RecordingError(f"{job.result}: cannot be written: {fault.strerror or fault}") from fault
    named = [replace(each, recording=job.name) for each in outcome.scored]
    document = document_of(named[0], named[1:])
    used = sorted({each.sheet_file for each in outcome.scored})
    if not wrong:
        try:
            document |= {"made_from": _made_from(replace(job, player=player), used)}
        except OSError as fault:  # it, or its sheet, was taken away while it was scored
            wrong = f"{fault.filename}: is no longer there, but was scored: {fault.strerror or fault}"
    write_text(job.result, json.dumps(document, allow_nan=False, indent=1) + "\n")
    return wrong


def stays(outcome: JobResult) -> bool:
    """Whether a recording's earlier result is better: any where nothing was scored, a whole one where it is damaged."""
    if not outcome.scored:
        return os.path.exists(outcome.job.result)
    try:
        return bool(outcome.fault) and "made_from" in json.loads(outcome.job.result.read_text(encoding="utf-8"))
    except (OSError, ValueError, TypeError):
        return False


def summary_of(
    folder: Path, jobs: Sequence[Job], failed: Mapping[str, str], damaged: Mapping[str, str]
) -> dict[str, Any]:
    """Summary of all results on the disk: the same whoever scored them, and when.

    `failed` and `damaged` tell by name what is wrong with recordings that were not scored, or not whole.
    """
    rows = [_row_of(job, failed.get(job.name), damaged.get(job.name)) for job in jobs]
    return {
        "schema": 1,
        "folder": str(folder),
        "recordings": rows,
        "scored": sum(row["result"] is not None for row in rows),
        "failed": sum(row["result"] is None for row in rows),
        "damaged": sum(row["result"] is not None and row["fault"] is not None for row in rows),
    }


def _row_of(job: Job, failed: str | None, damaged: str | None) -> dict[str, Any]:
    """A recording's row in the summary."""
    bare: dict[str, Any] = {"recording": job.name, "result": None, "fault": failed, "drills": []}
    if failed:
        return bare
    try:
        document = json.loads(job.result.read_text(encoding="utf-8"))
        drills = [{"sheet": each["sheet"], "scores": each["scores"]} for each in (document, *document["more"])]
    except OSError as fault:
        why = "is no longer there" if isinstance(fault, FileNotFoundError) else "cannot be read any more"
        return bare | {"fault": f"{job.result}: {why}, but {WAS_WRITTEN}: {fault.strerror or fault}\n  {AGAIN}"}
    except (ValueError, KeyError, TypeError):
        return bare | {"fault": f"{job.result}: is no result any more, but {WAS_WRITTEN}\n  {AGAIN}"}
    return bare | {"result": f"{job.name}{RESULT_ENDING}", "fault": damaged, "drills": drills}


def _made_from(job: Job, sheets: Iterable[Path]) -> dict[str, Any]:
    """What a result depends on."""
    stat = job.recording.stat()
    return {
        "bytes": stat.st_size,
        "modified_ns": stat.st_mtime_ns,
        "sheets": {path.name: _digest(path) for path in sheets},
        "told": {name: job.told.get(name) for name in (*DISTANCES, "air_c", "together_m")},
        "player": job.player,
        "version": __version__,
    }


def _digest(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()[:16]


CONNECT_S = 10


@contextmanager
def cluster_executor(address: str) -> Iterator[Executor]:
    """The cluster behind a scheduler's address, such as `tcp://10.0.0.7:8786`.

    Its workers need this program, in the same version, and must see the recordings and sheets under the same names.

    Raises
    ------
    ClusterError
        The extra is not installed, or nobody answers there.
    """
    try:
        from distributed import Client
    except ImportError as fault:
        raise ClusterError(
            "--scheduler needs the extra 'cluster', and that is not installed",
            fix="python -m pip install 'drilltimer[cluster]'",
        ) from fault
    try:
        client = Client(address, timeout=CONNECT_S)
    except (OSError, ValueError, TypeError) as fault:  # TimeoutError is an OSError
        raise ClusterError(
            f"no Dask scheduler answers at {address!r}: {fault}",
            why="The address may be mistyped, the scheduler down, or a firewall between.",
            fix="It looks like tcp://host:8786; `dask scheduler` prints it when it starts.",
        ) from fault
    with client:
        yield client.get_executor(retries=2)
