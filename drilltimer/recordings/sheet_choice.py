"""Which cue sheets belong to a recording: told by their signatures, or else found by trying.

Sheets of even drills fit each other's recordings contact by contact, so the one that is named like the recording, or
whose signature is heard, goes before others that fit as well (and up to a tenth better); then the one written nearest
in time. A session's own recording is thus settled by one sheet of a hundred (measured 2026-11-29: 3.8 s for 1.8 min of
`steady-contact`, 5.5 s renamed, 22 s by trying all).
"""

from __future__ import annotations

import os
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from types import MappingProxyType

from drilltimer.errors import Notice, RecordingError, SheetError, notice
from drilltimer.recordings.audio_file import AudioFile
from drilltimer.recordings.cuesheet import CODE_DIGITS, CueSheet
from drilltimer.recordings.distance import Told, told_over
from drilltimer.recordings.reference import open_reference, padded, read_sheet
from drilltimer.recordings.run import OnHeard, ScoredRecording, score_playback, unheard
from drilltimer.recordings.sheet_search import Playback, Traces, find_playbacks
from drilltimer.recordings.signature import bits_of, code_of, find_signatures
from drilltimer.recordings.writing import sheet_path

Tried = Callable[[Path, int, int], None]  # a sheet, how many of its contacts were heard, and of how many

SHEET_ENDING = ".cues.json"
WRONG_BITS = 3  # of 32, that a hall may spoil: by chance 5500 of 4e9 strings lie so near to a sheet's
SURE_SHARE = 0.9  # of a sheet's contacts heard, and it is no other sheet's sound
LEFT_S = 5.0  # of a recording outside of what was played: no drill fits in
BELONGING = 1.1  # a sheet that says it belongs stands before another of which a tenth more contacts fit by chance
MOST_RIVALS = 3  # named
SHARED_SHARE = 0.5  # two results that share more of the recording are two readings of the same sounds


def find_sheets(place: Path) -> list[Path]:
    """The cue sheets of a folder and its folders, in order of name; or the one file that `place` is.

    Raises
    ------
    SheetError
        A folder without any.
    """
    if not os.path.isdir(place):
        return [place]
    sheets = sorted(place.rglob(f"*{SHEET_ENDING}"))
    if not sheets:
        raise SheetError(
            f"{place}: there is no cue sheet ({SHEET_ENDING}) in this folder",
            why="A recording is scored against the sheet of what was played.",
            fix="Put the sheet and its sound there, or name it with --sheet.",
        )
    return sheets


def score_with(
    recording: Path,
    sheets: Sequence[Path],
    told: Told = MappingProxyType({}),
    on_tried: Tried | None = None,
    on_heard: OnHeard = lambda done, total: None,
) -> list[ScoredRecording]:
    """Score a recording against the sheets that belong to it; every drill in it, the fullest first.

    Parameters
    ----------
    sheets : sequence of Path
        One sheet is tried for certain; of several, the one that is named like the recording, and where it does not
        explain all of it those whose signature is heard and those without any, or all of them where that finds nothing.
    on_tried : callable, optional
        Told of each of several sheets when it has been looked for.
    on_heard : callable, optional
        Told how far the listening is, for each drill anew.

    Raises
    ------
    RecordingError
        It cannot be read, or no sheet's contacts are heard; tells when a signature says which other sheet it is.
    SheetError
        The one sheet is broken.
    """
    with AudioFile(recording, salvage=True) as heard:
        traces = Traces(heard)
        if len(sheets) == 1:
            with open_reference(sheets[0]) as played:
                playbacks = find_playbacks(played, heard, traces)
                if not playbacks:
                    raise _wrong_sheet(heard, sheets[0]) or unheard(
                        heard, f"no contact cue of {sheets[0].name} is heard in it"
                    )
                place = told_over(played.sheet.placement, told)
                return [score_playback(played, heard, each, place, (), on_heard) for each in playbacks]
        readable = dict(_readable(sheets))
        if not readable:
            raise SheetError(f"none of the {len(sheets)} cue sheets can be read, {sheets[0].name} among them")
        search = _Search(heard, readable, traces, on_tried)
        found = search.find()
        if not found:
            raise _no_sheet(heard, len(readable), search.codes())
        chosen = _chosen(found, readable, search.belonging)
        return [_score(heard, playback, notes, told, on_heard) for playback, notes in chosen]


class _Search:
    """The playbacks of many sheets in one recording; each sheet is looked for, none is listened to yet."""

    def __init__(
        self, heard: AudioFile, sheets: Mapping[Path, CueSheet], traces: Traces, on_tried: Tried | None
    ) -> None:
        self._heard, self._sheets, self._traces = heard, sheets, traces
        self._on_tried = on_tried
        self._codes: list[tuple[bool, ...]] | None = None
        own = sheet_path(heard.path)
        # Sheets that say themselves that they belong to it: by name, or by their signature in its sound.
        self.belonging = {
            path for path in sheets if path.name == own.name and os.path.samefile(path.parent, own.parent)
        }

    def codes(self) -> list[tuple[bool, ...]]:
        """Bits of every signature in the recording; it is read once for them, when somebody first asks."""
        if self._codes is None:
            self._codes = heard_codes(self._heard)
        return self._codes

    def find(self) -> list[Playback]:
        found = self._try(self.belonging)
        if any(_explains_all(playback, self._heard) for playback in found):
            return found
        left = [path for path in self._sheets if path not in self.belonging]
        if any(self._sheets[path].signature for path in left):
            self.belonging |= {path for path in self._sheets if _is_heard(self._sheets[path], self.codes())}
        first = [path for path in left if path in self.belonging or self._sheets[path].signature is None]
        found += self._try(first)
        return found or self._try(path for path in left if path not in first)

    def _try(self, sheets: Iterable[Path]) -> list[Playback]:
        found: list[Playback] = []
        for path in sorted(sheets, key=self._how_far):
            playbacks, contacts = [], 0
            with suppress(SheetError), open_reference(path) as played:  # its sound may be missing
                contacts = len(played.sounded)
                playbacks = find_playbacks(played, self._heard, self._traces)
            found += playbacks
            if self._on_tried:
                self._on_tried(path, sum(each.contacts_heard for each in playbacks), contacts)
        return found

    def _how_far(self, sheet: Path) -> tuple[bool, bool, float, Path]:
        """For the order of trying, and of what fits equally well: name or signature, folder, time of writing.

        A session's sheet is written when its recording ends, a phone's recording some time after its sheet.
        """
        own = self._heard.path
        apart_s = abs(sheet.stat().st_mtime - own.stat().st_mtime)
        return sheet not in self.belonging, sheet.parent != own.parent, apart_s, sheet


def _explains_all(playback: Playback, heard: AudioFile) -> bool:
    """Whether a playback is all there and leaves no room in the recording for another drill."""
    begin_s, end_s = playback.span_s
    left_s = max(begin_s, heard.frames / heard.rate_hz - end_s)
    return len(playback.pieces) == 1 and playback.contacts_heard >= SURE_SHARE * playback.sounded and left_s < LEFT_S


def _chosen(
    found: Iterable[Playback], sheets: Mapping[Path, CueSheet], belonging: Collection[Path]
) -> Iterator[tuple[Playback, list[Notice]]]:
    """Playings that share little of the recording with a fuller one, each with a note of what fits as well."""
    chosen: dict[Playback, list[str]] = {}
    for each in sorted(found, key=lambda playback: -_weight(playback, belonging)):  # stable: equals stay in their order
        over = next((other for other in chosen if _shared_share(each, other) >= SHARED_SHARE), None)
        if over is None:
            chosen[each] = []
        elif (
            _weight(each, belonging) == _weight(over, belonging) and sheets[each.sheet_file] != sheets[over.sheet_file]
        ):
            chosen[over].append(each.sheet_file.name)
    for playback, rivals in chosen.items():
        others = ", ".join(rivals[:MOST_RIVALS]) + (", ..." if len(rivals) > MOST_RIVALS else "")
        rival = notice("rival_sheets", others=others, sheet=playback.sheet_file.name)
        yield playback, [rival] * bool(rivals)


def _weight(playback: Playback, belonging: Collection[Path]) -> float:
    return playback.contacts_heard * (BELONGING if playback.sheet_file in belonging else 1.0)


def _score(
    heard: AudioFile, playback: Playback, notes: Sequence[Notice], told: Told, on_heard: OnHeard
) -> ScoredRecording:
    with open_reference(playback.sheet_file) as played:
        return score_playback(played, heard, playback, told_over(played.sheet.placement, told), notes, on_heard)


def heard_codes(heard: AudioFile) -> list[tuple[bool, ...]]:
    """Bits of every signature in a recording, as heard."""
    read = padded(heard)
    signatures = find_signatures(lambda start, frames: read(start, frames).mean(axis=1), heard.frames, heard.rate_hz)
    return [signature.bits for signature in signatures]


def _is_heard(sheet: CueSheet, codes: Iterable[tuple[bool, ...]]) -> bool:
    if sheet.signature is None:
        return False
    own = bits_of(int(sheet.signature.code, 16))
    return any(sum(a != b for a, b in zip(own, bits, strict=True)) <= WRONG_BITS for bits in codes)


def _readable(sheets: Iterable[Path]) -> Iterator[tuple[Path, CueSheet]]:
    for path in sheets:
        try:
            yield path, read_sheet(path)
        except SheetError:  # a broken sheet among others is not this recording's fault
            continue


def _shared_share(one: Playback, other: Playback) -> float:
    """Share of the shorter one's time in the recording in which the other one's pieces lie too."""
    shared_s = sum(max(0.0, min(a.to_s, b.to_s) - max(a.from_s, b.from_s)) for a in one.pieces for b in other.pieces)
    shorter_s = min(sum(piece.to_s - piece.from_s for piece in each.pieces) for each in (one, other))
    return shared_s / max(shorter_s, 1e-9)


def _wrong_sheet(heard: AudioFile, sheet_file: Path) -> RecordingError | None:
    """Why one sheet does not fit, where the recording says itself what it is."""
    signature = read_sheet(sheet_file).signature
    codes = [code for bits in heard_codes(heard) if (code := code_of(bits)) is not None]
    others = [f"{code:0{CODE_DIGITS}x}" for code in codes]
    if signature is None or not others or signature.code in others:
        return None
    known = {
        sheet.signature.code: path.name
        for path, sheet in _readable(sorted(sheet_file.parent.glob(f"*{SHEET_ENDING}")))
        if sheet.signature is not None
    }
    right = known.get(others[0])
    return RecordingError(
        f"{heard.path}: {sheet_file.name} is the wrong sheet: no contact cue of it is heard in the recording",
        why=f"The recording begins with the code {others[0]}, the sheet has {signature.code}.",
        fix=f"That code is {right}'s: use it." if right else f"Look for the sheet whose signature is {others[0]}.",
    )


def _no_sheet(heard: AudioFile, sheets: int, codes: Sequence[tuple[bool, ...]]) -> RecordingError:
    told_codes = [f"{code:0{CODE_DIGITS}x}" for bits in codes if (code := code_of(bits)) is not None]
    what = f"no contact cue of any of the {sheets} cue sheets is heard in it"
    if told_codes:
        return RecordingError(
            f"{heard.path}: {what}",
            why=f"It holds a drill with the code {told_codes[0]}, whose sheet is not among them.",
            fix="Fetch that sheet and its sound from where it was rendered.",
        )
    return unheard(heard, what)
