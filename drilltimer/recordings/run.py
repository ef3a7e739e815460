"""A recording made by any recorder, scored against the cue sheet of what was played.

The sheet is chosen (`sheet_choice`) and found (`sheet_search`), only the playbacks that count are listened to, and what
was played is resampled to the recording's clock (`warp`), so that blocks look as if they came from a sound card. The
listener hears them twice: what the first hearing learned of room and player sharpens the second.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from itertools import groupby
from pathlib import Path

from drilltimer.errors import Notice, RecordingError, notice
from drilltimer.hear.ear import Ear
from drilltimer.hear.listen import Listener
from drilltimer.model import Block, Cue, Expectation, Health, Heard, Placement, Rep, Scores, Verdict, Window
from drilltimer.recordings.audio_file import AudioFile
from drilltimer.recordings.cuesheet import SheetRep, contact_cue
from drilltimer.recordings.distance import likeliest, way_doubt_ms
from drilltimer.recordings.reference import Reference, ReferenceContact, padded
from drilltimer.recordings.segments import AlignedSegment
from drilltimer.recordings.sheet_search import Playback, owners, piece_of, played_twice
from drilltimer.recordings.warp import ClockMap, warp_played
from drilltimer.score.document import Piece, RecordingClock, score_document
from drilltimer.score.match import judge
from drilltimer.score.stats import summarize
from drilltimer.session import hearing_ranges
from drilltimer.ui.wording import english

OnHeard = Callable[[int, int], None]  # so many parts of the work were listened to, of so many

SHORT_S = 1.0  # no drill fits into less
LAGS_S = (-0.03, 0.03)  # what the fitted clock leaves open
BEFORE_S, AFTER_S = 3.0, 3.0  # of sound around a segment's reps
LEARNING_REPS = 30  # by then the room is known; the rest of a long recording is heard once
DEFAULT_WINDOW = Window(73.0, 133.0, 193.0)  # club level, serve return: for sheets that name none


@dataclass(frozen=True, slots=True)
class ScoredRecording:
    """A recording, scored. `pieces` tell which reps were played when; `placement` is who was taken to stand where."""

    recording: str
    clock: ClockMap
    reps: tuple[Rep, ...]
    verdicts: tuple[Verdict, ...]
    scores: Scores
    health: Health
    sheet_file: Path = Path()
    pieces: tuple[Piece, ...] = ()
    placement: Placement = field(default_factory=Placement)
    contacts_heard: int = 0
    playback: int = 0  # of the same sheet in the same recording; 0 is the fullest
    fault: RecordingError | None = None  # the recording is damaged, and this is what can be read of it


def score_playback(
    played: Reference,
    heard: AudioFile,
    playback: Playback,
    placement: Placement | None = None,
    notes: Sequence[Notice] = (),
    on_heard: OnHeard = lambda done, total: None,
) -> ScoredRecording:
    """Listen to one playback of a sheet; `notes` are kept with what is told of the sound."""
    scored = _score(played, heard, playback.segments, likeliest(placement or played.sheet.placement), on_heard)
    told = (*scored.health.notes, *notes, *([heard.damage] if heard.damage else ()))
    return replace(scored, playback=playback.number, health=replace(scored.health, notes=told), fault=heard.fault())


def unheard(heard: AudioFile, what: str) -> RecordingError:
    """Refusal of a recording in which nothing was found, with the likeliest reason."""
    length_s = heard.frames / heard.rate_hz
    if length_s < SHORT_S:
        return RecordingError(
            f"{heard.path}: {what}: it is {length_s:.2f} s long",
            why=_as_sentence(heard.damage) or "The recorder was stopped at once, or the copy was not finished.",
        )
    if not any(block.any() for block in heard.blocks()):
        return RecordingError(
            f"{heard.path}: {what}: it holds nothing but digital silence",
            why="The recorder was muted, or had no permission to use the microphone.",
            fix="Record a few seconds, and play them, before the next practice.",
        )
    why = "It may be the wrong sheet, or the recorder was too far from the loudspeaker."
    return RecordingError(
        f"{heard.path}: {what}",
        why=_as_sentence(heard.damage) or why,
        fix="Check which sheet was played, and whether the contacts can be heard in the recording.",
    )


def _as_sentence(damage: Notice | None) -> str:
    words = english().tell(damage)
    return f"{words[:1].upper()}{words[1:]}." if words else ""


def _score(
    played: Reference, heard: AudioFile, playback: tuple[AlignedSegment, ...], place: Placement, on_heard: OnHeard
) -> ScoredRecording:
    sheet = played.sheet
    listener, found = _listen(played, playback, heard, on_heard)
    window = sheet.window or DEFAULT_WINDOW
    reps = tuple(_rep(each, window) for each in sheet.reps)
    by_index = {rep.index: rep for rep in reps}
    doubt_ms = way_doubt_ms(place)
    verdicts = tuple(judge(each, by_index[each.rep], place, heard.rate_hz, doubt_ms) for each in found)
    counted = [verdict for verdict in verdicts if not by_index[verdict.rep].warm_up]
    clock = max(playback, key=lambda segment: len(segment.heard)).clock
    health = Health(
        round_trip_sd_ms=listener.round_trip_sd_ms,
        drift_ppm=clock.skew_ppm,
        noise_db=listener.noise_db,
        own_left_db=listener.own_left_db,
        notes=(*_notes(played, playback, place), *_muted(found, listener.is_still)),
    )
    return ScoredRecording(
        str(heard.path),
        clock,
        reps,
        verdicts,
        summarize(counted),
        health,
        played.path,
        tuple(piece_of(played, segment) for segment in playback),
        place,
        sum(len(segment.heard) for segment in playback),
    )


def _notes(played: Reference, playback: Sequence[AlignedSegment], place: Placement) -> tuple[Notice, ...]:
    inside = sum(segment.last - segment.first + 1 for segment in playback)
    found = sum(len(segment.heard) for segment in playback)
    notes = [notice("recorded_contacts", found=found, inside=inside)]
    if played.sheet.simulated:
        notes.append(notice("simulated"))
    if len(playback) > 1:
        notes.append(notice("recorded_pieces", pieces=len(playback)))
    if twice := played_twice(playback):
        notes.append(notice("played_again", contacts=len(twice)))
    if place.unknown:
        notes.append(notice("distance_doubt", ms=round(way_doubt_ms(place))))
    if played.sheet.window is None:
        notes.append(notice("no_window"))
    return tuple(notes)


def _muted(found: Sequence[Heard], is_still: bool) -> tuple[Notice, ...]:
    """Whether there is no microphone's noise, and what that means for landings."""
    if not is_still:
        return ()
    if any(each.landing for each in found):
        return (notice("gated"),)
    return (notice("nothing_heard"),)


def document_of(scored: ScoredRecording, more: Sequence[ScoredRecording] = ()) -> dict[str, object]:
    """Document of a scored recording; `more` are further drills or playbacks in the same one."""
    return score_document(
        scored.recording,
        RecordingClock(scored.clock.offset_s, scored.clock.skew_ppm),
        scored.verdicts,
        scored.scores,
        scored.health,
        english().tell,
        sheet=scored.sheet_file.name,
        pieces=scored.pieces,
        distance_uncertainty_ms=way_doubt_ms(scored.placement),
        more=[document_of(each) for each in more],
    )


@dataclass(frozen=True, slots=True)
class _Mark:
    """A contact in the recording, and by which segment's clock."""

    at: int
    contact: ReferenceContact
    frames: int
    segment: AlignedSegment


def _listen(
    played: Reference, playback: Sequence[AlignedSegment], heard: AudioFile, on_heard: OnHeard
) -> tuple[Listener, list[Heard]]:
    """Hear the beginning twice: what the first hearing learned of room and player sharpens the second."""
    marks = _marks(played, playback, heard)
    spans = [(mark.contact.rep.rep, mark.at, mark.frames, mark.contact.rep.withheld) for mark in marks]
    ahead = list(zip(hearing_ranges(spans, heard.rate_hz), (mark.segment for mark in marks), strict=True))
    ears: list[Ear] | None = None
    done, total = 0, len(ahead[:LEARNING_REPS]) + len(ahead)
    on_heard(done, total)
    for reps in (LEARNING_REPS, len(ahead)):
        found: list[Heard] = []
        for segment, group in groupby(ahead[:reps], key=lambda each: each[1]):
            listener = Listener(heard.rate_hz, heard.channels, LAGS_S, ears, known_lag_s=0.0)
            for answers in _hear(listener, [expected for expected, _ in group], played, heard, segment.clock):
                found += answers
                done += len(answers)
                on_heard(done, total)
            ears = listener.ears
    answered = {each.rep for each in found}
    for rep in played.sheet.reps:
        if rep.rep not in answered:
            found.append(Heard(rep.rep, None, False, None, "not_held"))
    order = {rep.rep: index for index, rep in enumerate(played.sheet.reps)}
    return listener, sorted(found, key=lambda each: order[each.rep])


def _hear(
    listener: Listener, ahead: list[Expectation], played: Reference, heard: AudioFile, clock: ClockMap
) -> Iterator[list[Heard]]:
    """What is heard of the reps of one segment, little by little."""
    for expected in ahead:
        listener.expect(expected)
    first = max(0, ahead[0].opens - round(BEFORE_S * heard.rate_hz))
    last = min(heard.frames, ahead[-1].closes + round(AFTER_S * heard.rate_hz))
    left = len(ahead)
    for block in _blocks(played, heard, clock, first, last):
        if answers := listener.feed(block):
            yield answers
            left -= len(answers)
        if not left:
            break
    yield listener.finish()


def _marks(played: Reference, playback: Sequence[AlignedSegment], heard: AudioFile) -> list[_Mark]:
    """Contacts that the recording holds, in its order; a withheld one goes with the contacts around it."""
    owner, sounded = owners(playback), played.sounded
    place = {contact.rep.rep: i for i, contact in enumerate(sounded)}
    marks = []
    for contact in played.contacts:
        if contact.sound is not None:
            segment = owner.get(place[contact.rep.rep])
        else:
            after = next((i for i, each in enumerate(sounded) if each.start > contact.start), len(sounded))
            around = {owner.get(i) for i in (after - 1, after) if 0 <= i < len(sounded)}
            segment = around.pop() if len(around) == 1 else None
        if segment is None:
            continue
        at = round(segment.clock.recorded_s(contact.start / played.file.rate_hz) * heard.rate_hz)
        frames = 0 if contact.sound is None else round(len(contact.sound) * heard.rate_hz / played.file.rate_hz)
        if 0 <= at < heard.frames:
            marks.append(_Mark(at, contact, frames, segment))
    return sorted(marks, key=lambda mark: mark.at)


def _blocks(played: Reference, heard: AudioFile, clock: ClockMap, first: int, last: int) -> Iterator[Block]:
    """A stretch of the recording block by block, beside what was played at that time, on the recording's clock."""
    read, step = padded(played.file), heard.rate_hz
    for start in range(first, last, step):
        samples = heard.read(start, min(step, last - start))
        yield Block(start, samples, warp_played(read, played.file.rate_hz, start, len(samples), heard.rate_hz, clock))


def _rep(sheet: SheetRep, window: Window) -> Rep:
    contact = contact_cue(sheet)
    contact_s = contact.at_s if contact else sheet.contact_s or sheet.start_s
    return Rep(
        sheet.rep,
        sheet.start_s,
        sheet.start_s,
        contact_s,
        tuple(
            Cue(cue.role, cue.sound, cue.at_s - sheet.start_s, known_s=cue.known_s)
            for cue in sheet.cues
            if cue.role == "call"
        ),
        sheet.call,
        sheet.window or window,
        sheet.mode,
        sheet.withheld,
        sheet.warm_up,
    )
