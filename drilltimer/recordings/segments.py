"""Stretches of a recording in which a sheet's sound ran without a break, each with a clock of its own.

The sound may have been paused, wound back or started again, and the recorder too. A coarse fit says where a stretch of
the sheet may lie; its contacts are located finely and a line is put through them; the line is followed outwards until
the contacts stay away. What was explained is taken out, and the rest is looked through again.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from math import comb

import numpy as np

from drilltimer.hear.locate import NEAR_SHARE, ClockLine, locate_cue
from drilltimer.model import Samples
from drilltimer.recordings.correlation import best_places, stretched
from drilltimer.recordings.warp import ClockMap

TRACE_RATE_HZ = 200
STRETCH_S = 40.0  # a stretch of the sheet whose clock may be taken as right
WORST_SKEW_PPM = 1200.0
ROOM_S = 0.030  # how far from the line a contact may lie
LINE_TOLERANCE_S = 0.002
NEAR_S = 0.001  # a faint contact must lie so near to the line
NEAR_EVIDENCE = 6.5  # and noise lets one seem to be there so rarely: 1 % of the time
FAINT_SHARE = 0.2  # or, where most are clear, so much of the usual evidence
MOST_EVIDENCE = 20.0  # one very clear sound must not outvote many contacts
FOLLOW_TOLERANCE_S = 0.010  # while the line is still rough
LINE_PAIRS = 120  # as many arrivals settle a line; more cost time alone
MOST_AWAY = 8  # contacts in a row that noise may mask
MOST_PASSAGES = 40
FEWEST = 3
ENOUGH = 5  # arrivals on one line that are no accident; fewer must be all that the recording can hold
SMALL, SMALL_SHARE, SHARE = 8, 0.7, 0.4  # arrivals on the line, of the contacts that a segment spans
ACCIDENT = 1e-4  # probability that arrivals anywhere within `ROOM_S` lie on a line as these do
TIGHT_S = 0.0004  # how near to their line a few arrivals must lie
SAME_CLOCK_PPM = 150.0  # segments of one recording share their devices' clocks
CHANCE = 0.01  # that contacts at a segment's edge were masked, rather than never played
GUESSED_SKEWS_PPM = (0.0, 150.0, -150.0, 400.0, -400.0, 700.0, -700.0, 1000.0, -1000.0)
SHORTEST_S = 2.0  # what is left of a recording and may still hold a segment
PLACES, APART_CELLS = 8, round(2 * ROOM_S * TRACE_RATE_HZ)  # at which a stretch may lie: an echo's is one of its own
LOUD = 1.2  # a trace value, above its mean, that may be a contact
EDGE_S = 0.5


@dataclass(frozen=True, slots=True)
class Contact:
    """A contact of the sheet: when its first sample was played, and the sound, at the recording's rate."""

    at_s: float
    template: np.ndarray


@dataclass(frozen=True, slots=True)
class AlignedSegment:
    """Contacts `first` to `last` of the sheet (both included), on one clock; `heard` are (contact, recorded second)."""

    clock: ClockMap
    first: int
    last: int
    heard: tuple[tuple[int, float], ...]

    @property
    def share(self) -> float:
        """How many of its contacts were heard where the clock says, from 0 to 1."""
        return len(self.heard) / (self.last - self.first + 1)


@dataclass(frozen=True, slots=True)
class Sighting:
    """Where a contact may be: recorded second, `Arrival.evidence`, and whether it is sure without any other."""

    at_s: float
    evidence: float
    sure: bool


class Recording:
    """What segments are looked for in.

    Parameters
    ----------
    trace : float array
        From `sheet_search.Trace`, of the recording.
    contacts : sequence of Contact
        In time order.
    read : callable (start, frames) -> float32 array, shape (frames,)
        The recording, zeros outside of it.
    """

    def __init__(
        self,
        trace: np.ndarray,
        contacts: Sequence[Contact],
        read: Callable[[int, int], Samples],
        rate_hz: int,
        duration_s: float,
    ) -> None:
        self.open = trace - np.float16(trace.mean(dtype=np.float64)) if len(trace) else trace
        self.contacts = contacts
        self.rate_hz = rate_hz
        self.duration_s = duration_s
        self._read = read
        self._explained: list[tuple[float, float]] = []

    def take_out(self, segment: AlignedSegment) -> None:
        """What a segment explains is not looked at again."""
        begin_s = self.recorded_s(segment, segment.first) - EDGE_S
        end_s = self.recorded_s(segment, segment.last) + EDGE_S
        self._explained.append((begin_s, end_s))
        self.open[max(0, int(begin_s * TRACE_RATE_HZ)) : int(end_s * TRACE_RATE_HZ)] = 0.0

    def recorded_s(self, segment: AlignedSegment, contact: int) -> float:
        """When a contact is heard by a segment's clock."""
        return segment.clock.recorded_s(self.contacts[contact].at_s)

    def held(self, segment: AlignedSegment) -> int:
        """How many of the sheet's contacts lie in the recording by a segment's clock."""
        return sum(0.0 <= self.recorded_s(segment, i) < self.duration_s for i in range(len(self.contacts)))

    def rank(self, segment: AlignedSegment) -> tuple[int, int]:
        """For the better one of two: more contacts heard, and of an even drill's equal fits fewer that are lacking."""
        return len(segment.heard), -self.held(segment)

    def locate(self, contact: int, expected_s: float, reach_s: float, within_s: float = np.inf) -> Sighting | None:
        """Where a contact most likely is within `reach_s` of the expected time, if no segment has explained that yet.

        It may be nearer than `within_s` alone; `reach_s` is what it is compared with. In an even drill any of its
        stretches would fit what another one has explained.
        """
        if any(begin_s < expected_s < end_s for begin_s, end_s in self._explained):
            return None
        template = self.contacts[contact].template
        first = int((expected_s - reach_s) * self.rate_hz)
        frames = int(2 * reach_s * self.rate_hz) + len(template)
        expected, within = reach_s * self.rate_hz, within_s * self.rate_hz
        arrival = locate_cue(self._read(first, frames), template, expected, within, whitened=True)
        if arrival is None:
            return None
        return Sighting((first + arrival.lag) / self.rate_hz, arrival.evidence, arrival.heard(NEAR_SHARE))


def find_segments(recording: Recording, played: np.ndarray) -> list[AlignedSegment]:
    """All segments of a recording, in its order; `played` is the trace of the played sound."""
    found: list[AlignedSegment] = []
    for stretch in sorted(_stretches(recording.contacts), key=lambda stretch: -len(stretch)):
        for _ in range(MOST_PASSAGES):
            within = sum(any(each.first <= i <= each.last for each in found) for i in stretch)
            if 2 * within > len(stretch) or not _take_best(recording, found, _stretch_fits(recording, played, stretch)):
                break
    for skew_ppm in (
        () if found else GUESSED_SKEWS_PPM
    ):  # no stretch lies in it whole: all of the sheet at once may tell
        if _take_best(recording, found, _whole_fits(recording, played, skew_ppm)):
            break
    while len(found) < MOST_PASSAGES and found:  # the same contacts once more: the sound was wound back
        if not _take_best(recording, found, _whole_fits(recording, played, found[0].clock.skew_ppm)):
            break
    found = _without_accidents(recording, found)
    joined = _join(recording, sorted(found, key=lambda each: recording.recorded_s(each, each.first)))
    return _stretched(recording, joined)


def _take_best(recording: Recording, found: list[AlignedSegment], fits: Iterator[tuple[range, float]]) -> bool:
    best: AlignedSegment | None = None
    for stretch, offset_s in fits:
        segment = _follow(recording, stretch, offset_s)
        if segment is not None and (best is None or recording.rank(segment) > recording.rank(best)):
            best = segment
        if best is not None and len(best.heard) == len(recording.contacts):
            break
    if best is None:
        return False
    found.append(best)
    recording.take_out(best)
    return True


def _stretches(contacts: Sequence[Contact]) -> Iterator[range]:
    begin = 0
    while begin < len(contacts):
        end = begin
        while end < len(contacts) and contacts[end].at_s - contacts[begin].at_s <= STRETCH_S:
            end += 1
        yield range(begin, end)
        begin = end


def _stretch_fits(recording: Recording, played: np.ndarray, stretch: range) -> Iterator[tuple[range, float]]:
    """Offsets at which a stretch's own trace fits the recording's best, best first."""
    contacts = recording.contacts
    first = max(0, round((contacts[stretch[0]].at_s - EDGE_S) * TRACE_RATE_HZ))
    piece = played[first : round((contacts[stretch[-1]].at_s + EDGE_S) * TRACE_RATE_HZ)].astype(np.float32)
    for place in best_places(recording.open, piece - piece.mean(), PLACES, APART_CELLS):
        yield stretch, (place - len(piece) - first) / TRACE_RATE_HZ


def _whole_fits(recording: Recording, played: np.ndarray, skew_ppm: float) -> Iterator[tuple[range, float]]:
    """The same for the whole sheet at once, which needs its skew known; each with the stretch that fits best."""
    contacts = recording.contacts
    left = np.flatnonzero(recording.open > LOUD)
    if len(left) < FEWEST or left[-1] - left[0] < SHORTEST_S * TRACE_RATE_HZ:
        return  # an hour's traces are not convolved to find nothing
    sheet = stretched(played, 1.0 + skew_ppm * 1e-6)
    for place in best_places(recording.open, sheet - sheet.mean(), PLACES, APART_CELLS):
        offset_s = (place - len(sheet)) / TRACE_RATE_HZ
        cells = np.array([round((each.at_s * (1.0 + skew_ppm * 1e-6) + offset_s) * TRACE_RATE_HZ) for each in contacts])
        padded = np.pad(recording.open, 3)
        inside = (cells >= 0) & (cells < len(recording.open))
        near = np.clip(cells, 0, max(len(recording.open) - 1, 0))
        loud = inside & (np.max([padded[near + shift] for shift in range(1, 6)], axis=0) > LOUD)
        stretch = max(_windows(contacts), key=lambda window: int(loud[window.start : window.stop].sum()))
        held, there = (int(each[stretch.start : stretch.stop].sum()) for each in (inside, loud))
        if there >= max(FEWEST, SHARE * held):
            middle_s = contacts[stretch[len(stretch) // 2]].at_s
            yield stretch, offset_s + middle_s * skew_ppm * 1e-6


def _windows(contacts: Sequence[Contact]) -> Iterator[range]:
    """For each contact the stretch that begins with it."""
    times_s = np.array([contact.at_s for contact in contacts])
    ends = np.searchsorted(times_s, times_s + STRETCH_S, side="right")
    return (range(begin, int(end)) for begin, end in enumerate(ends))


def _follow(recording: Recording, stretch: range, offset_s: float) -> AlignedSegment | None:
    """Locate the stretch's contacts finely, fit a line, and follow it both ways until the contacts stay away."""
    contacts = recording.contacts
    middle_s = contacts[stretch[len(stretch) // 2]].at_s
    sightings: dict[int, Sighting] = {}
    for i in stretch:
        reach_s = ROOM_S + WORST_SKEW_PPM * 1e-6 * abs(contacts[i].at_s - middle_s)
        sighting = recording.locate(i, contacts[i].at_s + offset_s, reach_s)
        if sighting is not None:
            sightings[i] = sighting
    pairs = _agreeing(recording, sightings)
    if len(pairs) < min(FEWEST, len(contacts)):
        return None
    least = max(NEAR_EVIDENCE, FAINT_SHARE * float(np.median([sightings[i].evidence for i in pairs])))
    seeds = sorted(pairs)
    start = seeds[len(seeds) // 2]
    for way in (range(start, len(contacts)), range(start - 1, -1, -1)):
        _walk(recording, way, pairs, least)
    line = _line(recording, pairs)
    heard = {i: at_s for i, at_s in pairs.items() if abs(at_s - line.recorded_s(contacts[i].at_s)) < LINE_TOLERANCE_S}
    return _accepted(recording, heard)


def _walk(recording: Recording, way: Sequence[int], pairs: dict[int, float], least_evidence: float) -> None:
    line, away = _line(recording, pairs), 0
    for step, i in enumerate(way, start=1):
        expected_s = line.recorded_s(recording.contacts[i].at_s)
        if not -EDGE_S < expected_s < recording.duration_s + EDGE_S or away > MOST_AWAY:
            return
        pairs.pop(i, None)
        away += 1
        at_s = _near(recording, i, expected_s, least_evidence)
        if at_s is not None:
            pairs[i] = at_s
            away = 0
        if step % 8 == 0 and len(pairs) >= FEWEST:
            line = _line(recording, pairs, near=i)


def _near(recording: Recording, contact: int, expected_s: float, least_evidence: float) -> float | None:
    """When a contact is heard near where it must be: the nearer, the less must speak for it."""
    sighting = recording.locate(contact, expected_s, ROOM_S)
    if sighting is None:
        return None
    if sighting.sure and abs(sighting.at_s - expected_s) < FOLLOW_TOLERANCE_S:
        return sighting.at_s
    sighting = recording.locate(contact, expected_s, ROOM_S, NEAR_S)
    return sighting.at_s if sighting is not None and sighting.evidence >= least_evidence else None


def _agreeing(recording: Recording, sightings: dict[int, Sighting]) -> dict[int, float]:
    """Those on the line for which most speaks, of all lines through two sightings, of a slope that clocks can have."""
    if len(sightings) < 2:
        return {i: each.at_s for i, each in sightings.items() if each.sure}
    played_s = np.array([recording.contacts[i].at_s for i in sightings])
    lag_s = np.array([each.at_s for each in sightings.values()]) - played_s
    evidence = np.minimum([each.evidence for each in sightings.values()], MOST_EVIDENCE)
    one, other = np.triu_indices(len(sightings), 1)
    apart_s, steepest = np.maximum(played_s[other] - played_s[one], 1e-3), WORST_SKEW_PPM * 1e-6
    slope = (lag_s[other] - lag_s[one]) / apart_s
    usable = np.abs(slope) < steepest + LINE_TOLERANCE_S / apart_s
    one, slope = one[usable], np.clip(slope[usable], -steepest, steepest)
    if not len(one):
        return {}
    off_s = np.abs(lag_s - lag_s[one, None] - slope[:, None] * (played_s - played_s[one, None]))
    best = int(np.argmax(np.maximum(1.0 - off_s / LINE_TOLERANCE_S, 0.0) @ evidence))
    return {
        i: each.at_s
        for (i, each), off in zip(sightings.items(), off_s[best], strict=True)
        if off < LINE_TOLERANCE_S and each.evidence >= NEAR_EVIDENCE
    }


def _line(recording: Recording, pairs: dict[int, float], near: int | None = None) -> ClockMap:
    """Robust line recorded = offset + (1 + skew) * played through arrivals, through those `near` a contact first."""
    order = sorted(pairs) if near is None else sorted(pairs, key=lambda i: abs(i - near))[:LINE_PAIRS]
    if len(order) > LINE_PAIRS:
        order = [order[round(place)] for place in np.linspace(0, len(order) - 1, LINE_PAIRS)]
    line = ClockLine(keep=len(order))
    line.put((recording.contacts[i].at_s, pairs[i] - recording.contacts[i].at_s) for i in order)
    return ClockMap(line.offset / (1.0 + line.slope), line.slope * 1e6)


def _accepted(recording: Recording, heard: dict[int, float]) -> AlignedSegment | None:
    """The densest run of arrivals as a segment, if it is no accident."""
    run = _densest(heard)
    if run is None:
        return None
    kept = {i: at_s for i, at_s in heard.items() if run[0] <= i <= run[1]}
    share = len(kept) / (run[1] - run[0] + 1)
    clock = _line(recording, kept)
    if len(kept) < min(FEWEST, len(recording.contacts)) or share < (SMALL_SHARE if len(kept) < SMALL else SHARE):
        return None
    if abs(clock.skew_ppm) > WORST_SKEW_PPM:
        return None
    off_s = max(abs(at_s - clock.recorded_s(recording.contacts[i].at_s)) for i, at_s in kept.items())
    if len(kept) < ENOUGH:
        if share < 1.0 or off_s > TIGHT_S:
            return None
    elif comb(run[1] - run[0] + 1, len(kept)) * (off_s / ROOM_S) ** (len(kept) - 2) > ACCIDENT:
        return None  # two arrivals lay the line, the others lie so near to it by chance
    return AlignedSegment(clock, *run, tuple(sorted(kept.items())))


def _without_accidents(recording: Recording, segments: list[AlignedSegment]) -> list[AlignedSegment]:
    """Segments that stand by themselves, and small ones whose clocks agree with the greatest's.

    A few arrivals on a line may be chance. They stand by themselves when they are all that the recording can hold of
    the sheet; otherwise segments that run on one clock must add up to `ENOUGH`.
    """
    if not segments:
        return []
    greatest = max(segments, key=lambda each: len(each.heard))
    agreeing = [each for each in segments if abs(each.clock.skew_ppm - greatest.clock.skew_ppm) < SAME_CLOCK_PPM]
    kept = [each for each in segments if each in agreeing or len(each.heard) >= ENOUGH]
    if sum(len(each.heard) for each in kept) >= ENOUGH or len(greatest.heard) >= recording.held(greatest):
        return kept
    return []


def _densest(heard: dict[int, float]) -> tuple[int, int] | None:
    """First and last contact of the run with the most arrivals over absences (Kadane's maximal sum)."""
    if not heard:
        return None
    best, best_run, sum_, begin = 0, None, 0, min(heard)
    for i in range(min(heard), max(heard) + 1):
        if sum_ <= 0:
            sum_, begin = 0, i
        sum_ += 1 if i in heard else -1
        if sum_ > best:
            best, best_run = sum_, (begin, i)
    return best_run


def _join(recording: Recording, segments: list[AlignedSegment]) -> list[AlignedSegment]:
    """Segments that run on by the same clock are one: noise had masked what lies between."""
    joined: list[AlignedSegment] = []
    for each in segments:
        last = joined[-1] if joined else None
        if last is not None and each.first > last.last:
            gap_s = recording.recorded_s(last, each.first) - recording.recorded_s(each, each.first)
            if abs(gap_s) < 2 * FOLLOW_TOLERANCE_S:
                heard = dict(last.heard + each.heard)
                clock = _line(recording, heard)
                joined[-1] = AlignedSegment(clock, last.first, each.last, last.heard + each.heard)
                continue
        joined.append(each)
    return joined


def _stretched(recording: Recording, segments: list[AlignedSegment]) -> list[AlignedSegment]:
    """Take in contacts at the edges that the recording may hold, masked, up to the neighbours."""
    result = []
    known = {i for each in segments for i, _ in each.heard}
    for index, each in enumerate(segments):
        missing = 1.0 - (len(each.heard) + 1) / (each.last - each.first + 3)
        spare = int(np.log(CHANCE) / np.log(missing)) if missing > 0 else 0
        low_s = recording.recorded_s(segments[index - 1], segments[index - 1].last) if index else 0.0
        high_s = recording.duration_s
        if index + 1 < len(segments):
            high_s = recording.recorded_s(segments[index + 1], segments[index + 1].first)
        first, last = each.first, each.last
        least = max(0, each.first - spare)
        while first > least and first - 1 not in known and recording.recorded_s(each, first - 1) > low_s:
            first -= 1
        most = min(len(recording.contacts) - 1, each.last + spare)
        while last < most and last + 1 not in known and recording.recorded_s(each, last + 1) < high_s:
            last += 1
        result.append(replace(each, first=first, last=last))
    return result
