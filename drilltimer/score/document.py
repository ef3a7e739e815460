"""Scores as a document for other programs: the contract of `score.schema.json`, schema 1."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import asdict, dataclass, fields
from typing import Any

from drilltimer.errors import Notice
from drilltimer.model import Health, Scores, Verdict

Tell = Callable[[Notice], str]

SCHEMA = 1
S_DECIMALS = 6  # a microsecond: a twentieth of a frame at 48 kHz
MS_DECIMALS = 3  # the same microsecond
SHARE_DECIMALS = 6


@dataclass(frozen=True, slots=True)
class RecordingClock:
    """How a recording's clock runs against the cue sheet's. None where it was not measured, as in a live session.

    Parameters
    ----------
    offset_s : float | None
        Where in the recording the sheet's zero lies.
    skew_ppm : float | None
        Positive where the recording makes more of a second than the sheet does.
    """

    offset_s: float | None = None
    skew_ppm: float | None = None


@dataclass(frozen=True, slots=True)
class Piece:
    """A stretch of the recording in which the sheet's sound ran without a break, by its first and last contact."""

    first_rep: int
    last_rep: int
    from_s: float
    to_s: float
    offset_s: float
    skew_ppm: float


def score_document(
    recording: str | None,
    clock: RecordingClock,
    verdicts: Iterable[Verdict],
    scores: Scores,
    health: Health,
    tell: Tell,
    *,
    sheet: str | None = None,
    pieces: Iterable[Piece] = (),
    distance_uncertainty_ms: float | None = None,
    more: Iterable[dict[str, Any]] = (),
) -> dict[str, Any]:
    """Document of a scored recording or session, ready for `json.dumps(..., allow_nan=False)`.

    Parameters
    ----------
    recording : str | None
        Name of the recording; None when the sound was not kept.
    verdicts : iterable of Verdict
        In the order in which they are to appear.
    tell : callable
        Puts into English words why reps are void, and the notes about the sound.
    sheet : str | None
        Name of the cue sheet; it and what follows are told of recordings alone.
    distance_uncertainty_ms : float | None
        What distances that nobody told add to each touchdown's uncertainty.
    more : iterable of dict
        Documents of further drills, or further playings of the same one, in the same recording.

    Returns
    -------
    dict
        Seconds are rounded to the microsecond and milliseconds to the same; what is unknown, or not finite, is None.
        A session's `..._s` are seconds in the recording as it lies on disk.
    """
    document = {
        "schema": SCHEMA,
        "recording": recording,
        "clock": rounded(asdict(clock)),
        "reps": [rep_values(verdict, tell) for verdict in verdicts],
        "scores": rounded(asdict(scores)),
        "health": health_values(health, tell),
    }
    if sheet is None:
        return document
    return document | {
        "sheet": sheet,
        "pieces": [rounded(asdict(piece)) for piece in pieces],
        **rounded({"distance_uncertainty_ms": distance_uncertainty_ms}),
        "more": list(more),
    }


def rep_values(verdict: Verdict, tell: Tell) -> dict[str, Any]:
    """A verdict as it stands in a document."""
    values = {field.name: getattr(verdict, field.name) for field in fields(Verdict)}
    void = tell(verdict.void) if verdict.void else ""
    return rounded({"number": verdict.rep + 1} | values | {"grade": verdict.grade.value, "void": void})


def health_values(health: Health, tell: Tell) -> dict[str, Any]:
    """A stream's health as it stands in a document."""
    values = {field.name: getattr(health, field.name) for field in fields(Health)}
    return rounded(values | {"notes": [tell(note) for note in health.notes]})


def rounded(values: dict[str, Any]) -> dict[str, Any]:
    """Values as they stand in a document: to the microsecond, and None for what is not finite."""
    return {name: _rounded_value(name, value) for name, value in values.items()}


def _rounded_value(name: str, value: Any) -> Any:
    if isinstance(value, tuple):
        return list(value)
    if not isinstance(value, float):
        return value
    if not math.isfinite(value):
        return None
    decimals = S_DECIMALS if name.endswith("_s") else SHARE_DECIMALS if name.endswith("_share") else MS_DECIMALS
    return round(value, decimals) + 0.0  # + 0.0 turns a rounded -0.0 into 0.0
