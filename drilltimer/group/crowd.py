"""A whole group on one microphone: every sound that may be a foot, and nobody's name on any."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from drilltimer.hear.listen import Listener, report, worth
from drilltimer.hear.onsets import Rise, find_rises, lateness_ms, scatter_ms
from drilltimer.hear.tape import Take
from drilltimer.model import Expectation, Heard, Onset
from drilltimer.units import s_from_ms

LEAST_STRENGTH = 0.5
LEAST_SALIENCE = 2.5  # times what 85 of 100 of a rep's rises, mostly noise, lie over their middle


class CrowdListener(Listener):
    """A `Listener` whose answer holds every onset, in place of one landing picked among them."""

    def _hear(self, expected: Expectation) -> list[Heard]:
        take = self._cut(expected)
        opinions = [ear.read(take, channel, expected, self._lags) for channel, ear in enumerate(self.ears)]
        best = max(range(len(opinions)), key=lambda channel: worth(opinions[channel]))
        opinion = opinions[best]
        heard = report(expected, opinion, take)
        if opinion.look is None:
            return [heard]
        found = find_rises(opinion.look.residual, opinion.look.leftovers, take.rate_hz, opinion.look.flat)
        middle, high = np.quantile(found.strengths, (0.5, 0.85)) if len(found.strengths) else (0.0, 0.0)
        least = max(LEAST_STRENGTH, middle + LEAST_SALIENCE * (high - middle))
        onsets = tuple(
            _onset(take, rise, self.rate_hz)
            for rise in found.rises
            if rise.at >= opinion.look.opens and rise.strength >= least
        )
        return [replace(heard, landing=None, void="", onsets=onsets)]


def _onset(take: Take, rise: Rise, rate_hz: int) -> Onset:
    """A rise as an onset in the stream's frames."""
    late = s_from_ms(lateness_ms(rise)) * rate_hz
    return Onset(take.frame(rise.at) - late, rise.level_db, scatter_ms(rise), min(1.0, rise.strength / 2.0))
