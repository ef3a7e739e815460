"""What makes two sessions comparable: the same was asked for."""

from __future__ import annotations

import hashlib
import json
from dataclasses import MISSING, fields, is_dataclass
from typing import Any, get_args

from drilltimer.history.entries import BlockEntry
from drilltimer.model import Drill, DrillBlock, Figure

_PRIMARY: Figure = "constant_error_ms"
_WORDS = frozenset({"name", "speech", "recognised_s"})  # they make no contact harder


def protocol_of(drill: Drill) -> str:
    """Digest of all that makes a drill easier or harder: rhythm, lead-ins, windows and how they move, calls, feedback.

    Its words make no difference. A primary figure other than the constant error stands behind it by its name.

    Notes
    -----
    What a drill leaves at its default is left out, so that a later version that can ask for more still calls today's
    drills the same.
    """
    asked: list[Any] = [_settings(block) for block in drill.blocks]
    if drill.progression is not None:
        asked.append({"progression": _settings(drill.progression)})
    digest = hashlib.sha256(json.dumps(asked, sort_keys=True).encode()).hexdigest()[:16]
    return digest if drill.primary == _PRIMARY else f"{digest}:{drill.primary}"


def primary_of(protocol: str) -> Figure:
    """The figure that comparing two sessions of this protocol is about."""
    named = protocol.rpartition(":")[2]
    return next((figure for figure in get_args(Figure) if figure == named), _PRIMARY)


def block_entries(drill: Drill) -> tuple[BlockEntry, ...]:
    """The blocks of a drill as they are kept."""
    return tuple(_block_entry(number, block) for number, block in enumerate(drill.blocks))


def _block_entry(number: int, block: DrillBlock) -> BlockEntry:
    kind = block.feedback.kind if block.feedback else "level"
    return BlockEntry(number, block.name, block.mode, block.level, block.situation, block.warm_up, kind)


def _settings(value: Any) -> Any:
    if is_dataclass(value) and not isinstance(value, type):
        return {
            field.name: _settings(getattr(value, field.name))
            for field in fields(value)
            if field.name not in _WORDS and not _is_default(field, getattr(value, field.name))
        }
    if isinstance(value, list | tuple):
        return [_settings(each) for each in value]
    return value


def _is_default(field: Any, value: Any) -> bool:
    return field.default is not MISSING and bool(field.default == value)
