"""What the ear weighs when it hears a scene: every question put to it, its evidence, and the right answer."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from contextlib import suppress
from functools import partial
from typing import Any
from unittest.mock import patch

import numpy as np

from drilltimer.app import later
from drilltimer.errors import RecordingError
from drilltimer.hear import decide, feet
from drilltimer.hear.ear import Ear, Look
from drilltimer.hear.evidence import Evidence
from drilltimer.hear.listen import Listener, report
from drilltimer.hear.onsets import Rise
from drilltimer.hear.tape import Take
from drilltimer.model import Expectation, Heard
from tests.hearing.scene import Scene, Truth
from tests.logit import Choice

LANDING_S = 0.012  # a rise that near to a touchdown, and nearest, is it
FOOT_S = 0.006  # and so near it is good enough to look for the other foot from
SECOND_FOOT_S = 0.005


Choices = defaultdict[str, list[Choice]]


def hear(scene: Scene) -> Choices:
    """Score a scene as `drilltimer score` does and answer every choice that was made on the way."""
    choices: Choices = defaultdict(list)
    with patch.object(later, "Listener", partial(Witness, scene.truths, choices)), suppress(RecordingError):
        later.score_recording(scene.recorded, scene.sheet)  # refused where no contact can be heard: nothing to learn
    return choices


class Witness(Listener):
    """A listener that keeps what its first ear weighs, beside the truth."""

    def __init__(self, truths: Mapping[int, Truth], choices: Choices, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self._truths, self._choices = truths, choices

    def _hear(self, expected: Expectation) -> list[Heard]:
        take = self._cut(expected)
        opinion = self.ears[0].read(take, 0, expected, self._lags)
        truth = self._truths.get(expected.rep)
        if opinion.look is not None and truth is not None:
            self._ask(self.ears[0], take, opinion.look, expected.rep, truth)
        return [report(expected, opinion, take)]

    def _ask(self, ear: Ear, take: Take, seen: Look, rep: int, truth: Truth) -> None:
        rate_hz = take.rate_hz
        first, second, step = (self._sample(take, each) for each in (truth.first_s, truth.second_s, truth.step_s))
        heard = decide.strongest_rises(seen.found.rises, seen.opens, seen.arrival, seen.closes, rate_hz)
        if not heard:
            return
        times_s = np.array([(rise.at - seen.arrival) / rate_hz for rise in heard])
        evidence = decide.landing_evidence(seen.found, heard, times_s, rate_hz, ear.profile, rep)
        never = float(not ear.profile.knows_landings(rep))
        nearest = _nearest(heard, first, LANDING_S * rate_hz)
        self._keep("landing", decide.LANDING, evidence, nearest, first, never)
        landing = _chosen(heard, first, FOOT_S * rate_hz)
        self._ask_first_foot(ear, seen, heard, (first, second), rate_hz)
        if landing is None:
            return
        steps = decide.steps_after(times_s, heard.index(landing))
        after = [heard[k] for k in steps]
        if after:
            right = _nearest(after, step, LANDING_S * rate_hz)
            self._keep("step", decide.STEP, decide.step_evidence(after, landing, ear.profile), right, step)
        places, evidence = feet.second_foot_evidence(seen.found, landing, ear.profile.patterns(rep), rate_hz)
        if len(places):
            right = np.zeros(len(places), bool) if second is None else np.abs(places - second) < SECOND_FOOT_S * rate_hz
            self._keep("second foot", feet.SECOND_FOOT, evidence, right, second)

    def _ask_first_foot(
        self, ear: Ear, seen: Look, heard: Sequence[Rise], true: tuple[float | None, float | None], rate_hz: float
    ) -> None:
        """Asked of the first foot, which has none before it, and of the second."""
        for at, before in ((true[0], None), (true[1], true[0])):
            landing = _chosen(heard, at, FOOT_S * rate_hz)
            candidates = [] if landing is None else feet.feet_before(seen.found, landing, rate_hz)
            if landing is not None and candidates:
                evidence = feet.first_foot_evidence(seen.found, candidates, landing, ear.profile.noise(), rate_hz)
                right = _nearest(candidates, before, FOOT_S * rate_hz)
                self._keep("first foot", feet.FIRST_FOOT, evidence, right, before)

    def _sample(self, take: Take, time_s: float | None) -> float | None:
        return None if time_s is None else take.sample(time_s * self.rate_hz)

    def _keep(
        self,
        question: str,
        weights: Mapping[str, float],
        evidence: Evidence,
        right: np.ndarray,
        true: float | None,
        *none: float,
    ) -> None:
        columns = np.column_stack([evidence[name] for name in weights])
        lost = true is not None and not right.any()
        self._choices[question].append(Choice(columns, right, np.array([1.0, *none]), lost))


def _nearest(rises: Sequence[Rise], at: float | None, reach: float) -> np.ndarray:
    """The rise nearest to `at`, when within reach."""
    right = np.zeros(len(rises), bool)
    if at is not None:
        apart = np.abs([rise.at - at for rise in rises])
        right[int(np.argmin(apart))] = float(np.min(apart)) < reach
    return right


def _chosen(rises: Sequence[Rise], at: float | None, reach: float) -> Rise | None:
    right = _nearest(rises, at, reach)
    return rises[int(np.argmax(right))] if right.any() else None
