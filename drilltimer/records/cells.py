"""What may stand in each column of the history; other files are held against it before they are taken in."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterable, Mapping
from typing import Any, Literal

from drilltimer.model import Health
from drilltimer.records.rows import BLOCK_COLUMNS, REP_COLUMNS, SESSION_COLUMNS
from drilltimer.score.feeding import Mark

Kind = Literal["text", "integer", "number"]

_INTEGERS = frozenset({"seed", "rate_hz", "number", "warm_up", "rep", "block", "withheld", "guessed"})
_TEXTS = frozenset(
    {
        *("uid", "started_utc", "drill", "protocol", "source", "versions", "ending", "health", "input_device"),
        *("output_device", "name", "mode", "level", "situation", "feedback", "cues", "call", "grade", "void", "coach"),
    }
)
_SESSION_MAY_LACK = frozenset({"seed", "ending"})
_REP_MAY_LACK = frozenset(
    {
        *("level", "call", "coach", "touchdown_ms", "error_ms", "uncertainty_ms", "stagger_ms", "first_step_ms"),
        *("contact_heard_s", "touchdown_s", "second_touchdown_s", "first_step_s", "ear_uncertainty_ms"),
    }
)
_GREATEST = 2**63  # SQLite's integers
_MOMENT = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ", re.ASCII)
_MODES = ("predictive", "reactive")


def kind_of(column: str) -> Kind:
    """What a column of sessions, blocks or reps holds."""
    return "integer" if column in _INTEGERS else "text" if column in _TEXTS else "number"


def check_session(session: Mapping[str, Any]) -> None:
    """See that a session, its blocks and its reps hold what the tables can keep and the program can work with.

    Raises
    ------
    KeyError, TypeError, ValueError
        They do not; says where.
    """
    _check_cells("", session, SESSION_COLUMNS, _SESSION_MAY_LACK)
    if not _MOMENT.fullmatch(session["started_utc"]):
        raise ValueError(f"started_utc: {session['started_utc']!r} is no moment such as 2026-03-10T17:20:00Z")
    _check_health(json.loads(session["health"]))
    if not isinstance(json.loads(session["versions"]), dict):
        raise ValueError("versions: is no object")
    for block in session["blocks"]:
        _check_cells(f"block {block['number']}: ", block, BLOCK_COLUMNS, frozenset())
    for rep in session["reps"]:
        where = f"rep {rep['rep']}: "
        _check_cells(where, rep, [name for name in REP_COLUMNS if name in rep], _REP_MAY_LACK)
        if rep["mode"] not in _MODES or rep.get("coach") not in (None, *Mark):
            raise ValueError(f"{where}{rep['mode']!r} is no mode, or {rep.get('coach')!r} no coach's mark")
        for cue in json.loads(rep["cues"]):
            _check_value(f"{where}cue's at_s", cue["at_s"], "number")


def _check_health(health: Mapping[str, Any]) -> None:
    for name in Health.__dataclass_fields__.keys() & health.keys() - {"notes"}:
        if health[name] is not None:
            _check_value(f"health's {name}", health[name], "number")
    if not all(isinstance(each, str) for each in health.get("notes", ())):
        raise ValueError("health's notes: are no texts")


def _check_cells(where: str, row: Mapping[str, Any], columns: Iterable[str], may_lack: frozenset[str]) -> None:
    for name in columns:
        if row[name] is None and name in may_lack:
            continue
        _check_value(f"{where}{name}", row[name], kind_of(name))


def _check_value(where: str, value: Any, kind: Kind) -> None:
    if kind == "text":
        fits = isinstance(value, str)
        if fits:
            value.encode()  # half a surrogate pair is a UnicodeEncodeError, which is a ValueError
    else:
        whole = isinstance(value, int) and not isinstance(value, bool)
        real = kind == "number" and isinstance(value, float) and math.isfinite(value)
        fits = (whole and -_GREATEST <= value < _GREATEST) or real
    if not fits:
        raise ValueError(f"{where}: {value!r} is no {kind}")
