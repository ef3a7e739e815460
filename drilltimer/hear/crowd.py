"""A whole group on one microphone: every sound that may be a foot, and nobody's name on any."""

from __future__ import annotations

from dataclasses import replace

from drilltimer.hear.listen import Listener, report, worth
from drilltimer.model import Expectation, Heard

LEAST_STRENGTH = 0.5
LEAST_SALIENCE = 3.0  # times the noise's own scale


class CrowdListener(Listener):
    """A `Listener` whose answer holds every onset, in place of one landing picked among them."""

    def _hear(self, expected: Expectation) -> list[Heard]:
        take = self._cut(expected)
        opinions = [ear.read(take, channel, expected, self._lags) for channel, ear in enumerate(self.ears)]
        best = max(range(len(opinions)), key=lambda channel: worth(opinions[channel]))
        opinion, ear = opinions[best], self.ears[best]
        heard = report(expected, opinion, take)
        if opinion.look is None:
            return [heard]
        middle, scale = ear.profile.noise()
        least = max(LEAST_STRENGTH, middle + LEAST_SALIENCE * scale)
        onsets = tuple(ear.onset(take, rise) for rise in opinion.look.heard if rise.strength >= least)
        return [replace(heard, landing=None, void="", onsets=onsets)]
