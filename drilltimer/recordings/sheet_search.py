"""Where in a recording a sheet's sound lies: its playbacks, found and not yet listened to."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import gcd
from pathlib import Path

import numpy as np

from drilltimer.hear.picture import added_up
from drilltimer.recordings.align import Alignment, Trace, align
from drilltimer.recordings.audio_file import AudioFile
from drilltimer.recordings.playbacks import group_playbacks
from drilltimer.recordings.reference import Reference, padded
from drilltimer.recordings.segments import AlignedSegment, Contact
from drilltimer.score.document import Piece

PIECE_S = 10.0
MOST_KINDS = 4  # a drill has one or two contact sounds
SAME_KIND = 0.98  # correlation of two templates that differ in loudness alone


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
