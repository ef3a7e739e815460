"""`drilltimer score FOLDER`: many recordings, with a progress bar."""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from drilltimer.cli.terminal import (
    INTERRUPTED,
    note,
    print_document,
    print_lines,
    print_result,
    progress,
    result_columns,
)
from drilltimer.errors import UserError
from drilltimer.recordings.cli.common import name_of_folder
from drilltimer.units import count_of

if TYPE_CHECKING:
    from drilltimer.recordings.distance import Told
    from drilltimer.recordings.folder import Job, JobResult


@dataclass(frozen=True, slots=True)
class Wish:
    """What the command line asks of a folder."""

    sheet: Path | None
    out: Path | None
    annotate: Path | None
    jobs: int | None
    scheduler: str | None
    told: Told
    player: str | None
    player_by_folder: bool
    as_json: bool


def score_many(folder: Path, wish: Wish) -> None:
    """Score every recording of a folder; leaves with 2 when any could not be."""
    from drilltimer.app.interrupt import end_if_asked, forget_request
    from drilltimer.recordings.annotate import annotate as write_annotations
    from drilltimer.recordings.folder import SUMMARY, is_done, keep, list_jobs, stays, summary_of
    from drilltimer.recordings.reference import read_sheet
    from drilltimer.recordings.sheet_choice import find_sheets
    from drilltimer.recordings.writing import make_writable, write_text

    sheets = find_sheets(wish.sheet or folder)
    if wish.sheet and not os.path.isdir(wish.sheet):
        read_sheet(wish.sheet)  # or each recording would be refused for it
    out = wish.out or folder / "scores"
    jobs = [replace(job, player=_player_of(job, wish)) for job in list_jobs(folder, sheets, out, wish.told)]
    due = [job for job in jobs if not is_done(job) or (wish.annotate and not _is_drawn(job, wish.annotate))]
    if len(due) < len(jobs):
        note(f"scored before, and did not change: {len(jobs) - len(due)} of {count_of(len(jobs), 'recording')}")
    failed, damaged = dict[str, str](), dict[str, str]()
    ended = False
    make_writable(out, "--out")  # before minutes of work that could not be kept
    with progress(len(due)) as tell:
        try:
            for outcome in _outcomes(due, wish):
                end_if_asked()
                if wrong := keep(outcome, _keep_player(outcome)):
                    (damaged if outcome.scored else failed)[outcome.job.name] = wrong
                if outcome.scored and wish.annotate and not stays(outcome):
                    write_annotations(outcome.job.recording, outcome.scored, wish.annotate / outcome.job.name)
                tell(outcome.job.name, _words(outcome))
        except KeyboardInterrupt:
            forget_request()
            ended = True
    if ended:
        note(f"stopped; what was scored lies in {out}. The same command goes on from here.")
        sys.exit(INTERRUPTED)
    summary = summary_of(folder, jobs, failed, damaged)
    write_text(out / SUMMARY, json.dumps(summary, allow_nan=False, indent=1) + "\n")
    if wish.as_json:
        print_document(summary)
    else:
        _print(summary, out)
    if summary["failed"] or summary["damaged"]:
        sys.exit(UserError.exit_code)


def _is_drawn(job: Job, pictures: Path) -> bool:
    from drilltimer.recordings.annotate import PAGE

    return os.path.exists(pictures / job.name / PAGE)


def _outcomes(due: list[Job], wish: Wish) -> Iterator[JobResult]:
    import os

    from drilltimer.recordings.folder import CLUSTER_AHEAD, JobResult, score_here, score_one, work_through

    workers = wish.jobs or os.cpu_count() or 1
    if not due:
        return
    if wish.scheduler:
        from drilltimer.recordings.folder import cluster_executor

        with cluster_executor(wish.scheduler) as executor:
            for answer in work_through(due, executor, CLUSTER_AHEAD):
                if isinstance(answer, JobResult):
                    yield answer
                else:
                    yield JobResult(answer, fault=f"{answer.recording}: the cluster went away")
    elif workers == 1 or len(due) == 1:
        yield from map(score_one, due)
    else:
        yield from score_here(due, min(workers, len(due)))


def _player_of(job: Job, wish: Wish) -> str:
    return name_of_folder(job.recording) if wish.player_by_folder else wish.player or ""


def _keep_player(outcome: JobResult) -> str:
    """Into the history; answers whose. A failure is told, and tried again when the command is given again."""
    from drilltimer.recordings.journal import keep_scored
    from drilltimer.ui.wording import english

    player = outcome.job.player
    try:
        for each in outcome.scored if player and not outcome.fault else ():
            kept = keep_scored(player, each)
            if kept.live:
                is_there = f"session {kept.number} is this practice, as it was heard live"
                note(f"{outcome.job.name}: not kept again: {is_there}")
    except UserError as fault:  # its sheet may be gone meanwhile
        note(f"{outcome.job.name}: not kept: {english().tell(fault)}")
        return ""
    return player


def _words(outcome: JobResult) -> str:
    if outcome.fault:
        return outcome.fault.splitlines()[0]
    shares = [each.scores.in_window_share for each in outcome.scored]
    reps = sum(each.scores.n for each in outcome.scored)
    return f"{count_of(reps, 'rep')}, in the window " + ", ".join(
        "-" if x is None else f"{100 * x:.0f} %" for x in shares
    )


def _print(summary: dict[str, object], out: Path) -> None:
    from drilltimer.recordings.folder import SUMMARY
    from drilltimer.ui.lines import table
    from drilltimer.ui.wording import english

    rows, faults = [], []
    recordings = summary["recordings"]
    assert isinstance(recordings, list)
    for row in recordings:
        if row["fault"]:
            faults.append(row["fault"])
        for drill in row["drills"]:
            scores = drill["scores"]
            share, error = scores["in_window_share"], scores["constant_error_ms"]
            rows.append(
                (
                    row["recording"],
                    drill["sheet"],
                    str(scores["n"]),
                    "-" if share is None else f"{100 * share:.0f} %",
                    "-" if error is None else f"{error:+z.0f} ms",
                    str(scores["void"]),
                )
            )
    heads = ("recording", "sheet", "reps", "in window", "habit", "void")
    print_lines([*table(rows, heads, result_columns()), *[english()("scores.signs")] * bool(rows)])
    damaged = f" ({summary['damaged']} damaged)" if summary["damaged"] else ""
    print_result(f"{summary['scored']} scored{damaged}, {summary['failed']} not; results and {SUMMARY} in {out}")
    for fault in faults:
        note("")
        note(fault)
