"""What may stand in each column of the history.

Other files are held against it before they are taken in, and what is inside whenever it is read: damage that the
database does not see is told and left out, and everything else can be used.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Callable, Iterable, Iterator
from dataclasses import fields
from typing import Any, Literal, get_args

from drilltimer.history.entries import BLOCK_COLUMNS, REP_COLUMNS, SESSION_COLUMNS, Row
from drilltimer.history.marks import Mark
from drilltimer.model import INT64, MOST_COUNTED, RANGES, Cue, Grade, Health, Role
from drilltimer.units import count_of

NO_SENSE = (LookupError, TypeError, ValueError, AttributeError, RecursionError)  # what a row without sense is told by
Kind = Literal["text", "integer", "number"]

_INTEGERS = frozenset({"seed", "rate_hz", "number", "warm_up", "rep", "block", "withheld", "guessed"})
_TEXTS = frozenset(
    {
        *("uid", "started_utc", "drill", "protocol", "source", "versions", "ending", "health", "input_device"),
        *(
            "output_device",
            "name",
            "mode",
            "level",
            "situation",
            "feedback",
            "cues",
            "call",
            "grade",
            "void",
            "coach",
            "void_notice",
        ),
    }
)
_SESSION_MAY_LACK = frozenset({"seed", "ending"})
_REP_MAY_LACK = frozenset(
    {
        *(
            "level",
            "call",
            "coach",
            "void_notice",
            "touchdown_ms",
            "error_ms",
            "uncertainty_ms",
            "stagger_ms",
            "first_step_ms",
        ),
        *("contact_heard_s", "touchdown_s", "second_touchdown_s", "first_step_s", "ear_uncertainty_ms"),
    }
)
_SWITCHES = frozenset({"warm_up", "withheld", "guessed"})
_JSON = frozenset({"versions", "health", "cues", "void_notice"})
_OF_PLAYER = ("player_level", "player_sport")
_LONGEST_TEXT, _LONGEST_JSON = 100_000, 1_000_000  # characters
_GREATEST_HEALTH = 1e12  # of whatever was measured of the sound: a machine may have slept for days
_MOMENT = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ", re.ASCII)
_MODES = ("predictive", "reactive")


def kind_of(column: str) -> Kind:
    """What a column of sessions, blocks or reps holds."""
    return "integer" if column in _INTEGERS else "text" if column in _TEXTS else "number"


def range_of(column: str) -> tuple[float, float]:
    """Least and greatest number that a column, or a cue's field, may hold."""
    if column in _SWITCHES:
        return 0, 1
    if column == "seed":
        return INT64
    if column == "pan":
        return -1.0, 1.0
    return RANGES.get(column.rpartition("_")[2], (0, MOST_COUNTED))


def fits_in_sql(table: str) -> str:
    """Condition under which all numbers of a row of reps are in their range, or missing."""
    numbers = {name: range_of(name) for name in REP_COLUMNS if kind_of(name) != "text"}
    return " AND ".join(
        f"({table}.{name} IS NULL OR {table}.{name} BETWEEN {low} AND {high})" for name, (low, high) in numbers.items()
    )


def check_session(session: Row) -> None:
    """See that a session, its blocks and its reps hold what the tables can keep and the program can work with.

    Raises
    ------
    LookupError, TypeError, ValueError, AttributeError, RecursionError
        They do not (`NO_SENSE`); says where.
    """
    check_about(session)
    for name in _OF_PLAYER:
        if session.get(name) is not None:
            _check_value(name, session[name], "text")
    for block in session["blocks"]:
        _check_cells(f"block {block['number']}: ", block, BLOCK_COLUMNS, frozenset())
    for rep in session["reps"]:
        check_rep(rep)


def check_about(session: Row) -> None:
    """Raise `ValueError` where a session's own columns hold what they cannot."""
    _check_cells("", session, SESSION_COLUMNS, _SESSION_MAY_LACK)
    if not _MOMENT.fullmatch(session["started_utc"]):
        raise ValueError(f"started_utc: {session['started_utc']!r} is no moment such as 2026-03-10T17:20:00Z")
    _check_health(session["health"])
    _check_versions(session["versions"])


def check_rep(rep: Row) -> None:
    """Raise `ValueError` where a rep's columns hold what they cannot."""
    where = f"rep {rep['rep']}: "
    _check_cells(where, rep, [name for name in REP_COLUMNS if name in rep], _REP_MAY_LACK)
    if rep["mode"] not in _MODES or rep.get("coach") not in (None, *Mark):
        raise ValueError(f"{where}{rep['mode']!r} is no mode, or {rep.get('coach')!r} no coach's mark")
    Grade(rep["grade"])
    if rep.get("void_notice") is not None:
        _check_notice(f"{where}void_notice", json.loads(rep["void_notice"]))
    for cue in json.loads(rep["cues"]):
        if cue["role"] not in get_args(Role) or cue.keys() - {field.name for field in fields(Cue)}:
            raise ValueError(f"{where}{cue!r:.100} is no cue")
        _check_value(f"{where}cue's sound", cue["sound"], "text")
        for name in cue.keys() - {"role", "sound"}:
            if (name, cue[name]) != ("length_s", None):
                _check_value(f"{where}cue's {name}", cue[name], "number", range_of(name))


def mended(session: Row, tell: Callable[[str], None]) -> dict[str, Any]:
    """A session's own columns, without those in JSON that are damaged: its reps are worth more than they.

    Raises
    ------
    LookupError, TypeError, ValueError, AttributeError, RecursionError
        Another column is damaged (`NO_SENSE`).
    """
    kept = dict(session)
    for name, check in (("health", _check_health), ("versions", _check_versions)):
        try:
            check(kept[name])
        except NO_SENSE as fault:
            tell(f"{name} is damaged and left out: {_told(fault)}")
            kept[name] = "{}"
    for name in _OF_PLAYER:
        if not isinstance(kept.get(name), str | None):
            tell(f"{name} is damaged and left out")
            kept[name] = None
    check_about(kept)
    return kept


def sifted(rows: Iterable[Row], make: Callable[[Row], Any], tell: Callable[[str], None], what: str) -> Iterator[Any]:
    """What `make` makes of each row that makes sense to it; tells in one line how many do not."""
    faults = []
    for row in rows:
        try:
            made = make(row)
        except NO_SENSE as fault:
            faults.append(_told(fault))
        else:
            yield made
    if faults:
        tell(f"{count_of(len(faults), what)} left out, which the file holds damaged: {faults[0]}")


def sift_session(session: Row, tell: Callable[[str], None]) -> dict[str, Any]:
    """A session as an export holds it, without what is damaged in it.

    Raises
    ------
    LookupError, TypeError, ValueError, AttributeError, RecursionError
        Nothing can be used (`NO_SENSE`).
    """

    def checked_block(block: Row) -> Row:
        _check_cells("", block, BLOCK_COLUMNS, frozenset())
        return block

    def checked_rep(rep: Row) -> Row:
        check_rep(rep)
        return rep

    kept = mended(session, tell)
    kept["blocks"] = list(sifted(session["blocks"], checked_block, tell, "block"))
    kept["reps"] = list(sifted(session["reps"], checked_rep, tell, "rep"))
    return kept


def _told(fault: BaseException) -> str:
    return f"{type(fault).__name__}: {fault}" if isinstance(fault, LookupError | AttributeError) else str(fault)


def _check_versions(text: str) -> None:
    if not all(isinstance(each, str) for each in json.loads(text).values()):
        raise ValueError("versions: are no texts")


def _check_health(text: str) -> None:
    health = json.loads(text)
    for name in Health.__dataclass_fields__.keys() & health.keys() - {"notes"}:
        if health[name] is not None:
            _check_value(f"health's {name}", health[name], "number", (-_GREATEST_HEALTH, _GREATEST_HEALTH))
    if not all(isinstance(each, str) for each in health.get("notes", ())):
        raise ValueError("health's notes: are no texts")
    if "notices" in health and len(health["notices"]) != len(health.get("notes", ())):
        raise ValueError("health's notices: are not as many as its notes")
    for each in health.get("notices", ()):
        _check_notice("health's notices", each)


def _check_notice(where: str, kept: Any) -> None:
    key, values = kept
    if not (isinstance(key, str) and isinstance(values, dict)):
        raise ValueError(f"{where}: {kept!r:.100} is no notice")
    for value in values.values():
        if isinstance(value, list):
            _check_notice(where, value)
        elif not isinstance(value, str | int | float):
            raise ValueError(f"{where}: {value!r:.100} is no value")


def _check_cells(where: str, row: Row, columns: Iterable[str], may_lack: frozenset[str]) -> None:
    for name in columns:
        if row[name] is None and name in may_lack:
            continue
        _check_value(f"{where}{name}", row[name], kind_of(name), range_of(name))


def _check_value(where: str, value: Any, kind: Kind, ends: tuple[float, float] = (0, 0)) -> None:
    if kind == "text":
        fits = isinstance(value, str)
        if fits:
            value.encode()  # half a surrogate pair is a UnicodeEncodeError, which is a ValueError
            if len(value) > (_LONGEST_JSON if where.rpartition(" ")[2] in _JSON else _LONGEST_TEXT):
                raise ValueError(f"{where}: is {len(value)} characters long")
    else:
        whole = isinstance(value, int) and not isinstance(value, bool)
        fits = whole or (kind == "number" and isinstance(value, float) and math.isfinite(value))
        if fits and not ends[0] <= value <= ends[1]:
            raise ValueError(f"{where}: {value!r:.30} is out of range ({ends[0]:g} to {ends[1]:g})")
    if not fits:
        raise ValueError(f"{where}: {value!r:.100} is no {kind}")
