"""Which cue sheets belong to a recording: told by their signatures, or else found by trying."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path

from drilltimer.app.later import Scored, Traces, score_playings, signature_form, standing_of, unheard
from drilltimer.app.played import open_played, padded, read_sheet
from drilltimer.audio.recording import AudioFile
from drilltimer.drill.cuesheet import CODE_DIGITS, CueSheet
from drilltimer.errors import RecordingError, SheetError, UserError
from drilltimer.hear.signature import find_signatures
from drilltimer.score.distance import Told
from drilltimer.sound.signature import bits_of, code_of

SHEET_ENDING = ".cues.json"
WRONG_BITS = 3  # of 32, that a hall may spoil: by chance 5500 of 4e9 strings lie so near to a sheet's
SHARED_SHARE = 0.5  # two results that share more of the recording are two readings of the same sounds


def find_sheets(place: Path) -> list[Path]:
    """The cue sheets of a folder and its folders, in order of name; or the one file that `place` is.

    Raises
    ------
    SheetError
        A folder without any.
    """
    if not place.is_dir():
        return [place]
    sheets = sorted(place.rglob(f"*{SHEET_ENDING}"))
    if not sheets:
        raise SheetError(
            f"{place}: there is no cue sheet ({SHEET_ENDING}) in this folder",
            why="A recording is scored against the sheet of what was played.",
            fix="Put the sheet and its sound there, or name it with --sheet.",
        )
    return sheets


def score_with(recording: Path, sheets: Sequence[Path], told: Told | None = None) -> list[Scored]:
    """Score a recording against the sheets that belong to it; every drill in it, the fullest first.

    Parameters
    ----------
    recording : Path
    sheets : sequence of Path
        One sheet is tried for certain; of several, those whose signature is heard and those without any, or all
        of them where that finds nothing.
    told : Told, optional

    Raises
    ------
    RecordingError
        No sheet's contacts are heard; tells when a signature says which other sheet it is.
    SheetError
        The one sheet is broken.
    """
    told = told or Told()
    with AudioFile(recording) as heard:
        traces = Traces(heard)
        if len(sheets) == 1:
            try:
                return _try(sheets[0], heard, traces, told)
            except RecordingError as fault:
                raise (_wrong_sheet(heard, sheets[0]) or fault) from None
        readable = dict(_readable(sheets))
        if not readable:
            raise SheetError(f"none of the {len(sheets)} cue sheets can be read, {sheets[0].name} among them")
        codes = heard_codes(heard)
        first = [path for path, sheet in readable.items() if _is_heard(sheet, codes) or sheet.signature is None]
        scored = _try_all(first, heard, traces, told)
        if not scored:
            scored = _try_all([path for path in readable if path not in first], heard, traces, told)
        if not scored:
            raise _no_sheet(heard, len(readable), codes)
        return scored


def heard_codes(heard: AudioFile) -> list[tuple[bool, ...]]:
    """Bits of every signature in a recording, as heard."""
    read = padded(heard)
    signatures = find_signatures(
        lambda start, frames: read(start, frames).mean(axis=1),
        heard.frames,
        heard.rate_hz,
        signature_form(heard.rate_hz),
    )
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


def _try(sheet: Path, heard: AudioFile, traces: Traces, told: Told) -> list[Scored]:
    with open_played(sheet) as played:
        return score_playings(played, heard, traces, told.on(standing_of(played.sheet)))


def _try_all(sheets: Iterable[Path], heard: AudioFile, traces: Traces, told: Told) -> list[Scored]:
    found: list[Scored] = []
    for sheet in sheets:
        try:
            found += _try(sheet, heard, traces, told)
        except UserError:  # this sheet's contacts are not in it, or its sound is missing
            continue
    chosen: list[Scored] = []
    for each in sorted(found, key=lambda scored: -scored.contacts_heard):
        if all(_shared_share(each, other) < SHARED_SHARE for other in chosen):
            chosen.append(each)
    return chosen


def _shared_share(one: Scored, other: Scored) -> float:
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
