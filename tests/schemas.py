"""The JSON Schemas (draft 2020-12) that the program's documents promise to meet."""

from __future__ import annotations

import json
from importlib.resources import files
from typing import Any


def score_schema() -> dict[str, Any]:
    """Of every score document."""
    return _schema("score/score.schema.json")


def feed_schema() -> dict[str, Any]:
    """Of every document of live feeding."""
    return _schema("feeding/feed.schema.json")


def sheet_schema() -> dict[str, Any]:
    """Of every cue sheet."""
    return _schema("recordings/cuesheet.schema.json")


def _schema(name: str) -> dict[str, Any]:
    schema: dict[str, Any] = json.loads(files("drilltimer").joinpath(name).read_text(encoding="utf-8"))
    return schema
