"""A session of live feeding as a document for other programs: the contract of `feed.schema.json`, schema 1."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import asdict
from typing import Any

from drilltimer.history.marks import Mark, agreement
from drilltimer.model import Health, Scores, Verdict
from drilltimer.score.document import SCHEMA, Tell, health_values, rep_values, rounded

FED_KEYS = (
    "number", "rep", "contact_heard_s", "touchdown_s", "second_touchdown_s", "touchdown_ms", "error_ms",
    "uncertainty_ms", "grade", "stagger_ms", "void", "level", "window_open_ms", "window_close_ms",
)  # fmt: skip


def feed_document(
    recording: str | None,
    play: str,
    verdicts: Iterable[Verdict],
    marks: Mapping[int, Mark],
    scores: Scores,
    health: Health,
    tell: Tell,
) -> dict[str, Any]:
    """Document of a session of live feeding: the contract of `feed.schema.json`, schema 1.

    `verdicts` are as measured; `marks` are the coach's, by rep.
    """
    measured = list(verdicts)
    reps = []
    for verdict in measured:
        values = rep_values(verdict, tell)
        reps.append({name: values[name] for name in FED_KEYS} | {"coach": marks.get(verdict.rep)})
    return {
        "schema": SCHEMA,
        "recording": recording,
        "play": play,
        "reps": reps,
        "scores": rounded(asdict(scores)),
        "health": health_values(health, tell),
        "agreement": asdict(agreement(measured, marks)),
    }
