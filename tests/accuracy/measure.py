"""One case measured: simulate, score as `drilltimer score` does, compare with the truth."""

from __future__ import annotations

import json
import tempfile
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import soundfile

from drilltimer.app.plan import with_recognition
from drilltimer.audio.files import find_drill, load_word
from drilltimer.drill.language import load_drill
from drilltimer.drill.schedule import schedule
from drilltimer.model import Rep, Verdict
from drilltimer.recordings.cuesheet import DISTANCES
from drilltimer.session import Bank, Play, place_cues
from drilltimer.sim.performance import RepTruth
from drilltimer.sim.player import SimulatedPlayer
from drilltimer.sound.bank import build_bank
from tests.accuracy.cases import Case, Overlap
from tests.recorded import SimulatedRecording, score_recording, simulate_recording

RATE_HZ = 48_000
MATCH_S = 0.05
WRONG_MS = 20.0
SECOND_S = 0.005
NEAR_CONTACT_S = 0.06
FAR = 3.0  # a foot taken for the other is no matter of spread: e/u counts to here
START_S = 1.7  # the recorder runs so long before the first sound


@dataclass(frozen=True)
class Figures:
    """What a case came to. Errors in ms over the landings found; `second` is (right, told, true)."""

    landings: int
    found: int
    made_up: int
    void: int
    errors_ms: np.ndarray
    normalised: np.ndarray
    second: tuple[int, int, int]

    @property
    def f1(self) -> float:
        """Harmonic mean of precision and recall."""
        return 2 * self.found / max(self.landings + self.found + self.made_up, 1)

    def row(self) -> list[str]:
        """Cells of the table."""
        size = np.abs(self.errors_ms)
        told = self.found + self.made_up
        right, said, true = self.second
        return [
            str(self.landings),
            f"{self.found / max(told, 1):.2f}",
            f"{self.found / max(self.landings, 1):.2f}",
            f"{self.f1:.3f}",
            f"{np.median(size):.2f}" if len(size) else "-",
            f"{np.quantile(size, 0.95):.1f}" if len(size) else "-",
            f"{(self.made_up + int((size > WRONG_MS).sum())) / max(told, 1):.1%}",
            f"{np.median(self.errors_ms):+.2f}" if len(size) else "-",
            f"{np.quantile(np.abs(self.normalised), 0.68):.2f}" if len(size) else "-",
            f"{np.std(np.clip(self.normalised, -FAR, FAR)):.2f}" if len(size) else "-",
            f"{right} of {said} told, {true} true" if true or said else "-",
            str(self.void),
        ]


HEADS = (
    "landings", "precision", "recall", "F1", "median |e| ms", "95 % |e| ms", "wrong by 20 ms", "bias ms",
    "68 % of |e|/u", "spread of e/u", "second foot right", "void",
)  # fmt: skip


def measure(case: Case) -> Figures:
    """Figures of a case over all its seeds."""
    return add([_measure_once(case, seed) for seed in case.seeds])


def add(parts: list[Figures]) -> Figures:
    """Several recordings taken together."""
    seconds = tuple(sum(part.second[i] for part in parts) for i in range(3))
    return Figures(
        sum(part.landings for part in parts),
        sum(part.found for part in parts),
        sum(part.made_up for part in parts),
        sum(part.void for part in parts),
        np.concatenate([part.errors_ms for part in parts]),
        np.concatenate([part.normalised for part in parts]),
        (seconds[0], seconds[1], seconds[2]),
    )


def session_of(case: Case, seed: int) -> tuple[list[Rep], Bank]:
    """Reps of a case and their sounds."""
    drill = with_recognition(load_drill(*find_drill(case.drill)))
    reps = list(schedule(drill, seed)[: case.reps])
    return reps, build_bank((cue for rep in reps for cue in rep.cues), RATE_HZ, load_word)


def simulate(case: Case, seed: int, reps: list[Rep], bank: Bank, offset_s: float = START_S) -> SimulatedRecording:
    """A case's player and room, recorded from `offset_s` before the first sound is played."""
    return simulate_recording(
        reps,
        bank,
        case.room,
        seed,
        player=SimulatedPlayer(case.skill, seed),
        offset_s=offset_s,
        recorder_rate_hz=case.recorder_rate_hz,
    )


def record(case: Case, seed: int, folder: Path, offset_s: float = START_S) -> tuple[SimulatedRecording, Path, Path]:
    """Simulate a case; write what was heard, what was played and its sheet.

    Parameters
    ----------
    case : Case
    seed : int
    folder : Path
    offset_s : float
        The recording begins so long before the played sound does.

    Returns
    -------
    made : SimulatedRecording
        With the truth.
    heard, sheet : Path
    """
    reps, bank = session_of(case, seed)
    made = simulate(case, seed, reps, bank, offset_s)
    sheet_reps = []
    for rep in reps:
        cues = [
            {
                "role": play.cue.role,
                "sound": play.cue.sound,
                "at_s": max(play.start, 0) / RATE_HZ,
                "known_s": play.cue.known_s and play.cue.known_s + play.sound.anchor / RATE_HZ,
            }
            for play in place_cues(rep, bank, RATE_HZ)
        ]
        sheet_reps.append(
            {
                "rep": rep.index,
                "start_s": rep.start_s,
                "withheld": rep.withheld,
                "call": rep.call,
                "contact_s": rep.contact_s,
                "cues": cues,
            }
        )
    heard, played, sheet = (folder / name for name in ("heard.flac", "played.flac", "played.cues.json"))
    soundfile.write(heard, np.clip(made.recorded, -1.0, 1.0), made.recorder_rate_hz)
    soundfile.write(played, np.clip(made.played, -1.0, 1.0), RATE_HZ)
    known = dict.fromkeys(DISTANCES, 0.0)  # truth and answer are both times at the microphone
    document = {"schema": 1, "audio": played.name, "rate_hz": RATE_HZ, "placement": known, "reps": sheet_reps}
    sheet.write_text(json.dumps(document))
    return made, heard, sheet


def overlap_of(truth: RepTruth, plays: list[Play], rate_hz: int) -> Overlap | None:
    """What sounds at the microphone when the first foot arrives; None without a landing or a contact.

    "contact" is within 60 ms of its arrival, whatever else sounds.
    """
    if truth.touchdown_at is None or truth.contact_at is None:
        return None
    if abs(truth.touchdown_at - truth.contact_at) <= NEAR_CONTACT_S * rate_hz:
        return "contact"
    contact = next(play for play in plays if play.cue.role == "contact")
    for play in plays:
        begins = (play.start - contact.start - contact.sound.anchor) / RATE_HZ
        after_s = (truth.touchdown_at - truth.contact_at) / rate_hz - begins
        if play.cue.role == "call" and 0.0 <= after_s <= len(play.sound.samples) / RATE_HZ:
            return "call"
    return "free"


def _measure_once(case: Case, seed: int) -> Figures:
    if case.trip is not None:
        return _measure_trip(case, seed)
    with tempfile.TemporaryDirectory() as folder:
        made, heard, sheet = record(case, seed, Path(folder))
        verdicts = {verdict.rep: verdict for verdict in score_recording(heard, sheet).verdicts}
    truths = made.truth
    if case.only is not None:
        reps, bank = session_of(case, seed)
        plays = {rep.index: place_cues(rep, bank, RATE_HZ) for rep in reps}
        truths = [each for each in truths if overlap_of(each, plays[each.rep], made.recorder_rate_hz) == case.only]
    return _compare(truths, verdicts, made.recorder_rate_hz)


def _measure_trip(case: Case, seed: int) -> Figures:
    from tests.accuracy.trip import travel

    with tempfile.TemporaryDirectory() as folder:
        heard, sheet, truths, rate_hz = travel(case, seed, Path(folder))
        verdicts = {verdict.rep: verdict for verdict in score_recording(heard, sheet).verdicts}
    # A codec puts silence before the sound, some of which its decoder leaves there: the contacts tell how much.
    late_s = [
        contact_s - truth.contact_at / rate_hz
        for truth in truths
        if truth.contact_at is not None and (contact_s := verdicts[truth.rep].contact_heard_s) is not None
    ]
    delay_s = float(np.median(late_s)) if case.trip and case.trip.coded and late_s else 0.0
    moved = {rep: _earlier(verdict, delay_s) for rep, verdict in verdicts.items()}
    return _compare(truths, moved, rate_hz)


def _earlier(verdict: Verdict, by_s: float) -> Verdict:
    names = ("touchdown_s", "second_touchdown_s")
    return replace(verdict, **{name: at_s - by_s for name in names if (at_s := getattr(verdict, name)) is not None})


def _compare(truths: list[RepTruth], verdicts: dict[int, Verdict], rate_hz: int) -> Figures:
    errors, normalised, made_up, void, landings = [], [], 0, 0, 0
    right = told = true = 0
    for truth in truths:
        verdict = verdicts[truth.rep]
        void += bool(verdict.void)
        if truth.withheld:
            continue
        landings += truth.touchdown_at is not None
        if verdict.touchdown_s is None:
            continue
        if truth.touchdown_at is None:
            made_up += 1
            continue
        error_s = verdict.touchdown_s - truth.touchdown_at / rate_hz
        if abs(error_s) > MATCH_S:
            made_up += 1
            continue
        errors.append(1e3 * error_s)
        normalised.append(1e3 * error_s / (verdict.uncertainty_ms or 1.0))
        apart = truth.second_touchdown_at is not None and (truth.stagger_ms or 0.0) > 1e3 * SECOND_S
        true += apart
        if verdict.second_touchdown_s is not None:
            told += 1
            second_at = truth.second_touchdown_at
            if apart and second_at is not None:
                right += abs(verdict.second_touchdown_s - second_at / rate_hz) < SECOND_S
    return Figures(landings, len(errors), made_up, void, np.array(errors), np.array(normalised), (right, told, true))
