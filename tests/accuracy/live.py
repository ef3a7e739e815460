"""The same sound heard twice: block by block as a session hears it, and as a file that is scored afterwards."""

from __future__ import annotations

import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from drilltimer.hear.listen import Listener
from drilltimer.model import Block, Rep
from drilltimer.session import Bank, expectations, place_cues
from tests.accuracy.cases import Case
from tests.accuracy.measure import MATCH_S, RATE_HZ, record, session_of
from tests.recorded import SimulatedRecording, score_recording

BLOCK = 1024
AHEAD_S = 2.0  # a session tells the listener so long ahead what is coming
ROUND_TRIP_S = 0.15


@dataclass(frozen=True)
class Difference:
    """Touchdowns told live beside those told later.

    `apart_ms` is live minus later where both told one, `errors_ms` both against the truth there (live, later).
    """

    landings: int
    live_alone: int
    later_alone: int
    apart_ms: np.ndarray
    errors_ms: np.ndarray

    def row(self) -> list[str]:
        """Cells of the table."""
        size = np.abs(self.apart_ms)
        live_ms, later_ms = np.median(np.abs(self.errors_ms), axis=0)
        return [
            str(self.landings),
            str(len(size)),
            str(self.live_alone),
            str(self.later_alone),
            f"{np.median(size):.3f}",
            f"{np.quantile(size, 0.95):.2f}",
            str(int(np.sum(size > 1.0))),
            f"{live_ms:.2f}",
            f"{later_ms:.2f}",
        ]


LIVE_HEADS = (
    "landings", "told by both", "live alone", "later alone", "median apart ms", "95 % apart ms", "over 1 ms apart",
    "live: median |e| ms", "later: median |e| ms",
)  # fmt: skip


def measure_live(case: Case) -> Difference:
    """Differences over all seeds of a case."""
    parts = [_measure_once(case, seed) for seed in case.seeds]
    return Difference(
        sum(part.landings for part in parts),
        sum(part.live_alone for part in parts),
        sum(part.later_alone for part in parts),
        np.concatenate([part.apart_ms for part in parts]),
        np.concatenate([part.errors_ms for part in parts]),
    )


def _measure_once(case: Case, seed: int) -> Difference:
    reps, bank = session_of(case, seed)
    with tempfile.TemporaryDirectory() as folder:
        made, heard, sheet = record(case, seed, Path(folder), offset_s=ROUND_TRIP_S)
        later_s = {verdict.rep: verdict.touchdown_s for verdict in score_recording(heard, sheet).verdicts}
    live_s = _heard_live(made, reps, bank)
    apart, errors, alone, landings = [], [], [0, 0], 0
    for truth in made.truth:
        live, later = live_s.get(truth.rep), later_s[truth.rep]
        landings += truth.touchdown_at is not None and not truth.withheld
        if live is None or later is None:
            alone[0] += live is not None
            alone[1] += later is not None
            continue
        apart.append(1e3 * (live - later))
        true_s = np.inf if truth.touchdown_at is None else truth.touchdown_at / RATE_HZ
        if max(abs(live - true_s), abs(later - true_s)) <= MATCH_S:
            errors.append((1e3 * (live - true_s), 1e3 * (later - true_s)))
    return Difference(landings, alone[0], alone[1], np.array(apart), np.array(errors).reshape(-1, 2))


def _heard_live(made: SimulatedRecording, reps: list[Rep], bank: Bank) -> dict[int, float]:
    """Touchdowns in seconds of the recording, by rep, as a listener tells them that knows only what came before."""
    waiting = expectations(reps, {rep.index: place_cues(rep, bank, RATE_HZ) for rep in reps}, RATE_HZ)[::-1]
    listener = Listener(RATE_HZ, made.recorded.shape[1])
    # What a FLAC file keeps of it, so that both hear the same.
    sound, out = (np.round(np.clip(wave, -1.0, 1.0) * 32768.0) / 32768.0 for wave in (made.recorded, made.played))
    out = np.pad(out, (0, max(0, len(sound) - len(out))))[:, None].astype(np.float32)
    found = []
    for start in range(0, len(sound), BLOCK):
        while waiting and waiting[-1].contact - AHEAD_S * RATE_HZ < start + BLOCK:
            listener.expect(waiting.pop())
        block = Block(start, sound[start : start + BLOCK].astype(np.float32), out[start : start + BLOCK])
        found += listener.feed(block)
    found += listener.finish()
    return {each.rep: each.landing.touchdown.at / RATE_HZ for each in found if each.landing is not None}
