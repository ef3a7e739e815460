"""How often a footfall that came too soon to answer its call is told as a guess, and one that did answer it."""

from __future__ import annotations

import tempfile
from dataclasses import dataclass, replace
from pathlib import Path

from drilltimer.model import FASTEST_ANSWER_MS
from drilltimer.score.match import directions_known_ms
from drilltimer.sim.player import SKILLS
from drilltimer.sim.settings import PRESETS
from drilltimer.units import ms_from_s
from tests.accuracy.cases import Case
from tests.accuracy.measure import record, session_of
from tests.recorded import score_recording

GUESS_HEADS = ("steps after a call", "steps heard", "guesses", "heard", "of these told as guesses", "answers told so")
GUESSING = replace(SKILLS["club"], guess_share=0.35)  # enough guesses to count, our choice


@dataclass(frozen=True)
class GuessFigures:
    """Counts over reps in which the player landed and stepped after a call."""

    steps: int
    guesses: int
    guesses_heard: int
    hits: int
    false_alarms: int
    heard: int

    @property
    def hit_rate(self) -> float:
        """Of the guesses whose footfall was heard."""
        return self.hits / max(self.guesses_heard, 1)

    @property
    def false_rate(self) -> float:
        """Of the answers that were heard."""
        return self.false_alarms / max(self.heard - self.guesses_heard, 1)

    def row(self) -> list[str]:
        """Cells of the table."""
        return [
            str(self.steps), f"{self.heard / max(self.steps, 1):.0%}", str(self.guesses),
            f"{self.guesses_heard / max(self.guesses, 1):.0%}", f"{self.hit_rate:.1%}", f"{self.false_rate:.1%}",
        ]  # fmt: skip


def guess_cases(seeds: tuple[int, ...] = tuple(range(1, 13))) -> list[Case]:
    """Rows of the table: drills with calls where landings stand 20 dB over the noise."""
    return [
        Case("guesses", f"{name}, 20 dB", replace(PRESETS[name], snr_db=20.0), "direction", GUESSING, seeds, reps=24)
        for name in ("dry", "quiet")
    ]


def measure_guesses(case: Case) -> GuessFigures:
    """Figures of a case over all its seeds. What is too soon is told by the truth's own times."""
    steps = guesses = guesses_heard = hits = false_alarms = heard = 0
    for seed in case.seeds:
        with tempfile.TemporaryDirectory() as folder:
            made, recorded, sheet = record(case, seed, Path(folder))
            verdicts = {verdict.rep: verdict for verdict in score_recording(recorded, sheet).verdicts}
        known_ms = {rep.index: directions_known_ms(rep) for rep in session_of(case, seed)[0]}
        for truth in made.truth:
            if truth.first_step_at is None or truth.contact_at is None or not known_ms[truth.rep]:
                continue
            verdict = verdicts[truth.rep]
            step_ms = ms_from_s((truth.first_step_at - truth.contact_at) / made.recorder_rate_hz)
            guess = step_ms < known_ms[truth.rep][0] + FASTEST_ANSWER_MS  # both at the microphone, as the sheet says
            steps += 1
            guesses += guess
            guesses_heard += guess and verdict.first_step_ms is not None
            hits += guess and verdict.guessed
            false_alarms += not guess and verdict.guessed
            heard += verdict.first_step_ms is not None
    return GuessFigures(steps, guesses, guesses_heard, hits, false_alarms, heard)
