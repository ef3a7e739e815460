"""Where in a recording a sheet's sound lies: its playbacks, found and not yet listened to.

Start unknown, another clock, pauses, beginning or end cut off. A matched filter for the contact cue runs over the whole
recording and leaves a coarse trace of where contacts may be. What the sheet's own trace must be is slid along it, a
stretch of the sheet at a time, so that clocks that differ by hundreds of ppm still fit; `segments` then locates each
contact finely and puts lines through them.

A stretch of few contacts needs more than likeness (`segments`): all of them within 0.4 ms of a line, on the same clock
as the greatest, or all that the recording can hold. Otherwise other draws of the same drill fit by chance.
A contact that nobody would believe alone is heard where the line says (`tests/hearing/faint.py` measures how faint).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import gcd
from pathlib import Path

import numpy as np

from drilltimer.hear.locate import evidence
from drilltimer.hear.picture import added_up
from drilltimer.model import Samples
from drilltimer.recordings.audio_file import AudioFile
from drilltimer.recordings.reference import Reference, padded
from drilltimer.recordings.segments import TRACE_RATE_HZ, AlignedSegment, Contact, Recording, find_segments
from drilltimer.recordings.warp import ClockMap
from drilltimer.score.document import Piece

PIECE_S = 10.0
MOST_KINDS = 4  # a drill has one or two contact sounds
SAME_KIND = 0.98  # correlation of two templates that differ in loudness alone

AGAIN_SHARE = 0.5  # of the sheet's contacts, played once more, make another playback

LEAST_RATE_HZ = 14_000  # what a contact has below 7 kHz is enough to find it by
CEILING = 100.0  # of evidence: one very clear sound must not outvote many contacts


@dataclass(frozen=True, slots=True)
class Playback:
    """A playback of a sheet found in a recording, and not yet listened to: that is what takes the time.

    `number` counts the playbacks of one sheet in one recording, 0 is the fullest; `sounded` are the sheet's contacts,
    and `span_s` is when the played file's beginning and end lie in the recording, by the pieces' clocks.
    """

    sheet_file: Path
    number: int
    segments: tuple[AlignedSegment, ...]
    pieces: tuple[Piece, ...]
    sounded: int
    span_s: tuple[float, float]

    @property
    def contacts_heard(self) -> int:
        """How many contacts were found where they are due."""
        return sum(len(segment.heard) for segment in self.segments)


def find_playbacks(played: Reference, heard: AudioFile, traces: Traces) -> list[Playback]:
    """Every playback of a sheet in a recording, the fullest first; none where its contacts are not in it."""
    alignment = _align(played, heard, traces)
    if alignment is None:
        return []
    playbacks = group_playbacks(alignment.segments, len(played.sounded))
    fullest = sorted(playbacks, key=lambda playback: -sum(len(segment.heard) for segment in playback))
    end_s = played.file.frames / played.file.rate_hz
    return [
        Playback(
            played.path,
            number,
            segments,
            tuple(piece_of(played, segment) for segment in segments),
            len(played.sounded),
            (segments[0].clock.recorded_s(0.0), segments[-1].clock.recorded_s(end_s)),
        )
        for number, segments in enumerate(fullest)
    ]


def piece_of(played: Reference, segment: AlignedSegment) -> Piece:
    """A segment by its reps and seconds."""
    contacts = played.sounded
    first, last = contacts[segment.first], contacts[segment.last]
    from_s, to_s = (segment.clock.recorded_s(each.start / played.file.rate_hz) for each in (first, last))
    return Piece(first.rep.rep, last.rep.rep, from_s, to_s, segment.clock.offset_s, segment.clock.skew_ppm)


class Traces:
    """Where contacts may be in a recording, one trace per contact sound, made once however many sheets are tried."""

    def __init__(self, heard: AudioFile) -> None:
        self._heard = heard
        self._known: list[tuple[np.ndarray, np.ndarray]] = []

    def of(self, templates: Sequence[np.ndarray]) -> np.ndarray:
        """The greatest of the templates' traces, everywhere."""
        new = [template for template in templates if self._find(template) is None]
        if new:
            self._known += list(zip(new, _traces(self._heard, new), strict=True))
        found = [trace for template in templates if (trace := self._find(template)) is not None]
        return np.asarray(np.max(found, axis=0))

    def _find(self, template: np.ndarray) -> np.ndarray | None:
        for known, trace in self._known:
            length = min(len(known), len(template))
            power = float(np.dot(known, known) * np.dot(template, template))
            if float(np.dot(known[:length], template[:length])) ** 2 > SAME_KIND**2 * power:
                return trace
        return None


def _traces(file: AudioFile, templates: Sequence[np.ndarray]) -> list[np.ndarray]:
    traces = [Trace(file.rate_hz, [template]) for template in templates]
    longest = max(len(template) for template in templates)
    for block in file.blocks(round(PIECE_S * file.rate_hz)):
        mono = added_up(block) / np.float32(file.channels)
        for trace in traces:
            trace.feed(mono)
    for trace in traces:
        trace.feed(np.zeros(file.rate_hz + longest))
    values = [trace.values() for trace in traces]
    shortest = min(len(each) for each in values)
    return [each[:shortest] for each in values]


def _align(played: Reference, heard: AudioFile, traces: Traces) -> Alignment | None:
    sounded = played.sounded
    sounds = {id(contact.sound): contact.sound for contact in sounded if contact.sound is not None}
    kinds = list(sounds.values())[:MOST_KINDS]
    common = gcd(played.file.rate_hz, heard.rate_hz)
    up, down = heard.rate_hz // common, played.file.rate_hz // common
    ready = {key: _resampled(sound, up, down) for key, sound in sounds.items()}
    contacts = [
        Contact(contact.start / played.file.rate_hz, ready[id(contact.sound)])
        for contact in sounded
        if contact.sound is not None
    ]
    recorded = traces.of([ready[id(kind)] for kind in kinds])
    read = padded(heard)
    return align(
        recorded,
        contacts,
        lambda start, frames: added_up(read(start, frames)) / np.float32(heard.channels),
        heard.rate_hz,
        heard.frames / heard.rate_hz,
    )


def _resampled(sound: np.ndarray, up: int, down: int) -> np.ndarray:
    from scipy.signal import resample_poly

    return sound if up == down else np.asarray(resample_poly(sound, up, down))


def group_playbacks(segments: Sequence[AlignedSegment], contacts: int) -> list[tuple[AlignedSegment, ...]]:
    """Segments, in the recording's order, put together to playbacks of the sheet.

    What was wound back a little, or begun once more after a false start, is one playback. Where more than half of the
    sheet is played again, that is another one, perhaps another player's.
    """
    playbacks: list[list[AlignedSegment]] = []
    for segment in segments:
        if playbacks:
            before = {i for each in playbacks[-1] for i in range(each.first, each.last + 1)}
            again = sum(i in before for i in range(segment.first, segment.last + 1))
            if again <= AGAIN_SHARE * contacts:
                playbacks[-1].append(segment)
                continue
        playbacks.append([segment])
    return [tuple(playback) for playback in playbacks]


def owners(playback: Sequence[AlignedSegment]) -> dict[int, AlignedSegment]:
    """The segment that counts for each contact: the last in which it was heard, or else the last that spans it."""
    owner = {i: segment for segment in playback for i in range(segment.first, segment.last + 1)}
    return owner | {i: segment for segment in playback for i, _ in segment.heard}


def played_twice(playback: Sequence[AlignedSegment]) -> list[int]:
    """Contacts that were heard in more than one segment."""
    heard = [i for segment in playback for i, _ in segment.heard]
    return sorted({i for i in heard if heard.count(i) > 1})


@dataclass(frozen=True, slots=True)
class Alignment:
    """Segments in the recording's order, how many contacts lie in them, and how many of these were found in place."""

    segments: tuple[AlignedSegment, ...]
    inside: int
    found: int

    @property
    def clock(self) -> ClockMap:
        """The clock of the segment with the most contacts, which stands for the whole recording."""
        return max(self.segments, key=lambda segment: len(segment.heard)).clock


def _coarser(sound: np.ndarray, step: int) -> np.ndarray:
    from scipy.signal import resample_poly

    return sound if step == 1 else np.asarray(resample_poly(sound, 1, step))


class Trace:
    """Coarse trace of where contacts may be: root of the greatest evidence in every 5 ms, however loud."""

    def __init__(self, rate_hz: int, templates: Sequence[np.ndarray]) -> None:
        self._step = max(1, rate_hz // LEAST_RATE_HZ)
        self._cell = rate_hz / self._step / TRACE_RATE_HZ
        self._templates = [_coarser(template, self._step) for template in templates]
        self._longest = max(len(template) for template in self._templates)
        self._tail = np.zeros(0, np.float32)
        self._pieces: list[np.ndarray] = []

    def feed(self, samples: np.ndarray) -> None:
        """Take in the next piece of the recording, shape (n,); pieces of a second or more are best."""
        signal = np.concatenate([self._tail, samples.astype(np.float32)])
        cells = int((len(signal) / self._step - self._longest) // self._cell)
        if cells < TRACE_RATE_HZ // 4:
            self._tail = signal
            return
        coarse = _coarser(signal, self._step)
        edges = np.round(np.arange(cells) * self._cell).astype(int)
        found = [evidence(coarse, template)[: round(cells * self._cell)] for template in self._templates]
        loudest = np.max([np.maximum.reduceat(each, edges) for each in found], axis=0)
        self._pieces.append(np.sqrt(np.minimum(loudest, CEILING)).astype(np.float16))
        self._tail = signal[round(cells * self._cell * self._step) :]

    def values(self) -> np.ndarray:
        """The trace so far, `TRACE_RATE_HZ` values a second; float16, for a recording may last hours."""
        return np.concatenate(self._pieces) if self._pieces else np.zeros(0, np.float16)


def align(
    trace: np.ndarray,
    contacts: Sequence[Contact],
    read: Callable[[int, int], Samples],
    rate_hz: int,
    duration_s: float,
) -> Alignment | None:
    """Clock of a recording against its sheet, or None when the sheet's contacts are not in it.

    Parameters
    ----------
    trace : float array
        From `Trace`, of the recording.
    contacts : sequence of Contact
        In time order.
    read : callable (start, frames) -> float32 array, shape (frames,)
        The recording, zeros outside of it.
    duration_s : float
        Length of the recording.
    """
    segments = find_segments(Recording(trace, contacts, read, rate_hz, duration_s), _sheet_trace(contacts))
    if not segments:
        return None
    inside = sum(segment.last - segment.first + 1 for segment in segments)
    return Alignment(tuple(segments), inside, sum(len(segment.heard) for segment in segments))


def _sheet_trace(contacts: Sequence[Contact]) -> np.ndarray:
    """Trace of a sheet's sound in which the contacts alone speak; wider than they are, for clocks may differ."""
    cells = [round(contact.at_s * TRACE_RATE_HZ) + 1 for contact in contacts]
    trace = np.zeros(max(cells) + TRACE_RATE_HZ)
    for shift, weight in ((-1, 0.5), (1, 0.5), (0, 1.0)):
        at = np.array(cells) + shift
        trace[at] = np.maximum(trace[at], weight)
    return trace[1:]
