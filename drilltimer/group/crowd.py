"""What one microphone can tell of a whole group: every sound that may be a foot, and nobody's name on any.

Estimates of the first and last touchdown, the spread, the share. Second feet and first steps of some sound like
touchdowns of others, and soft landings go unheard. So these figures tell how well a group lands together, and nothing
about anybody in it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from statistics import median

import numpy as np

from drilltimer.hear.ear import Segment
from drilltimer.hear.listen import Listener, report, worth
from drilltimer.hear.onsets import OnsetCandidate, find_candidates, lateness_ms, scatter_ms
from drilltimer.model import Expectation, Heard, Onset, Placement, Rep
from drilltimer.score.match import correction_ms
from drilltimer.units import ms_from_s, s_from_frames, s_from_ms

LEAST_STRENGTH = 0.5
LEAST_SALIENCE = 2.5  # times what 85 of 100 of a rep's rises, mostly noise, lie over their middle


class CrowdListener(Listener):
    """A `Listener` whose answer holds every onset, in place of one landing picked among them."""

    def _hear(self, expected: Expectation) -> list[Heard]:
        segment = self._cut(expected)
        opinions = [ear.read(segment, channel, expected, self._lags) for channel, ear in enumerate(self.ears)]
        best = max(range(len(opinions)), key=lambda channel: worth(opinions[channel]))
        opinion = opinions[best]
        heard = report(expected, opinion, segment)
        if opinion.look is None:
            return [heard]
        found = find_candidates(opinion.look.residual, opinion.look.leftovers, segment.rate_hz, opinion.look.flat)
        middle, high = np.quantile(found.strengths, (0.5, 0.85)) if len(found.strengths) else (0.0, 0.0)
        least = max(LEAST_STRENGTH, middle + LEAST_SALIENCE * (high - middle))
        onsets = tuple(
            _onset(segment, candidate, self.rate_hz)
            for candidate in found.candidates
            if candidate.at >= opinion.look.opens and candidate.strength >= least
        )
        return [replace(heard, landing=None, void="", onsets=onsets)]


def _onset(segment: Segment, candidate: OnsetCandidate, rate_hz: int) -> Onset:
    """A rise as an onset in the stream's frames."""
    late = s_from_ms(lateness_ms(candidate)) * rate_hz
    return Onset(
        segment.frame(candidate.at) - late,
        candidate.level_db,
        scatter_ms(candidate),
        min(1.0, candidate.strength / 2.0),
    )


RANGE_MS = (-150.0, 450.0)  # touchdowns of a group are looked for from and to, after the contact; later come steps


@dataclass(frozen=True, slots=True)
class Gathering:
    """One contact answered by all. Milliseconds after the contact at the players; None where nothing was heard."""

    rep: int
    onsets: int
    first_ms: float | None = None
    last_ms: float | None = None
    share: float | None = None  # of the onsets, in the window

    @property
    def spread_ms(self) -> float | None:
        """From the first to the last touchdown."""
        return None if self.first_ms is None or self.last_ms is None else self.last_ms - self.first_ms


def estimate(heard: Heard, rep: Rep, placement: Placement, rate_hz: int) -> Gathering:
    """What was heard of a group in a rep."""
    if heard.contact is None or rep.withheld:
        return Gathering(rep.index, 0)
    contact, late_ms = heard.contact.at, correction_ms(placement)
    times_ms = [ms_from_s(s_from_frames(onset.at - contact, rate_hz)) - late_ms for onset in heard.onsets]
    times_ms = [time_ms for time_ms in times_ms if RANGE_MS[0] <= time_ms <= RANGE_MS[1]]
    if not times_ms:
        return Gathering(rep.index, 0)
    inside = sum(rep.window.open_ms <= time_ms <= rep.window.close_ms for time_ms in times_ms)
    return Gathering(rep.index, len(times_ms), min(times_ms), max(times_ms), inside / len(times_ms))


@dataclass(frozen=True, slots=True)
class Together:
    """Medians over several contacts; `contacts` is how many were heard."""

    contacts: int
    first_ms: float | None
    last_ms: float | None
    spread_ms: float | None
    share: float | None


def summarize_together(gatherings: list[Gathering]) -> Together:
    """Summary of what was heard of a group."""
    heard = [each for each in gatherings if each.first_ms is not None]
    if not heard:
        return Together(0, None, None, None, None)
    return Together(
        len(heard),
        median(each.first_ms or 0.0 for each in heard),
        median(each.last_ms or 0.0 for each in heard),
        median(each.spread_ms or 0.0 for each in heard),
        median(each.share or 0.0 for each in heard),
    )
