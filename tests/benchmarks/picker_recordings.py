"""Recordings for `pickers`: sound, truth, cue times, and what is left of the sound without our own cues."""

from __future__ import annotations

import json
import os
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from unittest.mock import patch

import numpy as np
from scipy.signal import resample_poly

from drilltimer.hear.cancel import shift
from drilltimer.hear.ear import Ear
from drilltimer.hear.listen import ANALYSIS_RATE_HZ
from drilltimer.recordings.cuesheet import CueSheet, contact_cue
from drilltimer.recordings.reference import read_sheet
from drilltimer.recordings.run import ScoredRecording
from drilltimer.session import hearing_ranges
from drilltimer.sim.settings import PRESETS
from tests.accuracy.cases import Case, with_stagger
from tests.accuracy.measure import record
from tests.hearing.scene import sheet_of
from tests.recorded import read_audio, score_recording

sys.path.insert(0, str(Path(__file__).parents[1] / "hear"))  # the tests are no package

from test_scenes import FOLDER

# Seeds that no weight of ours was fitted to.
SIMULATED = (
    Case("simulated", "dry, 20 dB", replace(PRESETS["dry"], snr_db=20.0), seeds=(101,)),
    Case("simulated", "hall", PRESETS["hall"], seeds=(102,)),
    Case("simulated", "court", PRESETS["court"], seeds=(103,)),
    Case("simulated", "squash", PRESETS["squash"], seeds=(104,)),
    Case("simulated", "club", PRESETS["club"], seeds=(105,)),
    Case("simulated", "windy", PRESETS["windy"], seeds=(107,)),
    Case("simulated", "hall, 14 dB", replace(PRESETS["hall"], snr_db=14.0), seeds=(108,)),
    Case("simulated", "calls, hall", PRESETS["hall"], drill="direction", skill=with_stagger(30.0), seeds=(106,)),
)


@dataclass(frozen=True, slots=True)
class Search:
    """Where a picker may look for a rep's landing, in seconds of the recording."""

    rep: int
    contact_s: float
    opens_s: float
    closes_s: float


@dataclass(frozen=True, slots=True)
class Recording:
    """A recording of one channel with everything that any picker is told, and our own answers.

    Parameters
    ----------
    group, name : str
    signals : dict
        "raw" and "without our cues": samples, shape (n,), and their rate in Hz.
    searches : list of Search
        One per rep; reps in which the contact was withheld are left out.
    cues_s : float array
        Arrivals of all cues, contacts and calls.
    truth_s : dict
        True touchdown by rep; None when there was none.
    ours_s : dict
        The touchdown that `score` tells, by rep.
    cpu_s : float
        Processor time of `score`, from opening the files to the verdicts.
    duration_s : float
    """

    group: str
    name: str
    signals: dict[str, tuple[np.ndarray, int]]
    searches: list[Search]
    cues_s: np.ndarray
    truth_s: dict[int, float | None]
    ours_s: dict[int, float | None]
    cpu_s: float
    duration_s: float


def all_recordings(most: int | None = None) -> Iterator[Recording]:
    """The scenes, where there are any, then our own simulations; at most so many of each."""
    for path in sorted(FOLDER.glob("d*.json"))[:most]:
        yield _scene(path)
    for case in SIMULATED[:most]:
        yield _simulated(case)


def _scene(path: Path) -> Recording:
    truth = json.loads(path.read_text())
    touchdowns_s = {landing["rep"]: landing["mic_s"] for landing in truth["landings"]}
    with tempfile.TemporaryDirectory() as name:
        os.symlink(FOLDER / truth["played"], Path(name) / truth["played"])
        sheet = Path(name) / "sheet.json"
        sheet.write_text(json.dumps(sheet_of(truth)))
        reps = {rep["rep"]: touchdowns_s.get(rep["rep"]) for rep in truth["reps"]}
        return _heard("scenes", truth["scene"], FOLDER / truth["recorded"], sheet, reps)


def _simulated(case: Case) -> Recording:
    with tempfile.TemporaryDirectory() as name:
        made, heard, sheet = record(case, case.seeds[0], Path(name))
        rate_hz = made.recorder_rate_hz
        reps = {
            truth.rep: None if truth.touchdown_at is None else truth.touchdown_at / rate_hz
            for truth in made.truth
            if not truth.withheld
        }
        return _heard(case.group, case.label, heard, sheet, reps)


def _heard(group: str, name: str, heard: Path, sheet_file: Path, truth_s: dict[int, float | None]) -> Recording:
    began_s = time.process_time()
    scored = score_recording(heard, sheet_file)
    cpu_s = time.process_time() - began_s
    samples, rate_hz = read_audio(heard)
    raw = samples.mean(axis=1).astype(np.float64)
    with _predictions() as predicted:  # heard again: keeping what was predicted must not count as ours
        score_recording(heard, sheet_file)
    sheet = read_sheet(sheet_file)
    ours_s = {verdict.rep: verdict.touchdown_s for verdict in scored.verdicts}
    return Recording(
        group,
        name,
        {"raw": (raw, rate_hz), "without our cues": _without(raw, rate_hz, predicted)},
        [search for search in _searches(sheet, scored, rate_hz) if search.rep in truth_s],
        np.array([scored.clock.recorded_s(cue.at_s) for rep in sheet.reps for cue in rep.cues if cue.role != "precue"]),
        truth_s,
        ours_s,
        cpu_s,
        len(raw) / rate_hz,
    )


def _searches(sheet: CueSheet, scored: ScoredRecording, rate_hz: int) -> list[Search]:
    """The stretches that our own ear searches."""
    marks = []
    for rep in sheet.reps:
        cue = contact_cue(rep)
        at_s = cue.at_s if cue is not None else rep.contact_s
        if at_s is not None:
            marks.append((rep.rep, round(scored.clock.recorded_s(at_s) * rate_hz), 0, rep.withheld))
    marks.sort(key=lambda mark: mark[1])
    return [
        Search(each.rep, each.contact / rate_hz, each.opens / rate_hz, each.closes / rate_hz)
        for each in hearing_ranges(marks, rate_hz)
    ]


@contextmanager
def _predictions() -> Iterator[dict[int, tuple[int, int, np.ndarray]]]:
    """What our canceller predicted of our own sound in each take: (first frame, step, samples) by rep."""
    kept: dict[int, tuple[int, int, np.ndarray]] = {}
    look = Ear._look

    def keeping(ear, take, played, heard, expected, zero):  # type: ignore[no-untyped-def]
        seen = look(ear, take, played, heard, expected, zero)
        kept[expected.rep] = (take.start, take.step, seen.predicted)
        return seen

    with patch.object(Ear, "_look", keeping):
        yield kept


def _without(
    raw: np.ndarray, rate_hz: int, predicted: dict[int, tuple[int, int, np.ndarray]]
) -> tuple[np.ndarray, int]:
    """The whole recording at our analysis rate, less the predicted cues."""
    step = max(1, rate_hz // ANALYSIS_RATE_HZ)
    left = resample_poly(raw, 1, step, window=("kaiser", 8.0))
    done = 0
    for first, _, own in sorted(predicted.values(), key=lambda each: each[0]):
        place = first // step
        moved = shift(np.pad(own, (0, 1)), (first - place * step) / step)
        begin, end = max(place, done, 0), min(place + len(moved), len(left))
        if begin < end:
            left[begin:end] -= moved[begin - place : end - place]
            done = end  # takes overlap: nothing is taken off twice
    return left, rate_hz // step
