"""What the history keeps: player, session, block and rep, as values and as rows of its tables.

The tables' columns name an export's fields, too.
"""

from __future__ import annotations

import json
import unicodedata
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, fields, replace
from typing import Any

from drilltimer.errors import HistoryError, Notice, as_kept, notice
from drilltimer.model import DISTANCES, Cue, Grade, Health, Placement, Rep, Verdict, Window
from drilltimer.ui.wording import english
from drilltimer.units import printable

LONGEST_NAME = 80

Row = Mapping[str, Any]

SESSION_COLUMNS = (
    "uid", "started_utc", "drill", "protocol", "seed", "source", "speaker_to_player_m", "player_to_mic_m",
    "speaker_to_mic_m", "air_c", "input_device", "output_device", "rate_hz", "versions", "ending", "health",
)  # fmt: skip
BLOCK_COLUMNS = ("number", "name", "mode", "level", "situation", "warm_up", "feedback")
REP_COLUMNS = (
    "rep", "block", "mode", "level", "warm_up", "withheld", "start_s", "end_s", "contact_s", "cues", "call", "open_ms",
    "centre_ms", "close_ms", "grade", "touchdown_ms", "error_ms", "uncertainty_ms", "stagger_ms", "first_step_ms",
    "guessed", "void", "contact_heard_s", "touchdown_s", "second_touchdown_s", "first_step_s", "coach",
    "ear_uncertainty_ms", "void_notice",
)  # fmt: skip
NEWER_COLUMNS = frozenset({"coach", "ear_uncertainty_ms", "void_notice"})  # that older files do not have
_PLACEMENT = (*DISTANCES, "air_c")
_VERDICT = (
    "touchdown_ms", "error_ms", "uncertainty_ms", "stagger_ms", "first_step_ms", "contact_heard_s",
    "touchdown_s", "second_touchdown_s", "first_step_s", "ear_uncertainty_ms",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Player:
    """Who practised. A name or a number; level and sport are as free as the name, and may be unknown."""

    name: str
    level: str | None = None
    sport: str | None = None


@dataclass(frozen=True, slots=True)
class BlockEntry:
    """A stretch of a drill with one setting."""

    number: int
    name: str
    mode: str
    level: str
    situation: str
    warm_up: bool
    feedback: str


@dataclass(frozen=True, slots=True)
class SessionEntry:
    """A session without its reps: whose, when, what was asked for, and how it ended.

    Parameters
    ----------
    uid : str
        The same on every computer that holds a copy.
    started_utc : str
        ISO 8601 to the second, with a Z.
    protocol : str
        Digest of everything that the drill's file asks for: two sessions with the same one asked for the same.
    source : str
        "live", "recording" or "simulated".
    versions : dict
        Of the program and what measures with it.
    ending : str | None
        "done", "interrupted" or "device lost"; None: still running, or cut off.
    number : int
        Its number on this computer; 0 before it has one.
    """

    uid: str
    player: str
    started_utc: str
    drill: str
    protocol: str
    seed: int | None
    source: str
    placement: Placement = field(default_factory=Placement)
    input_device: str = ""
    output_device: str = ""
    rate_hz: int = 0
    versions: dict[str, str] = field(default_factory=dict)
    ending: str | None = None
    health: Health = field(default_factory=Health)
    blocks: tuple[BlockEntry, ...] = ()
    number: int = 0


@dataclass(frozen=True, slots=True)
class RepEntry:
    """One rep as it was played and judged; `coach` is what a coach saw of it, where one marked it."""

    rep: Rep
    verdict: Verdict
    coach: str | None = None


@dataclass(frozen=True, slots=True)
class SessionLine:
    """A session in a list, with what its counted reps came to."""

    number: int
    player: str
    started_utc: str
    drill: str
    source: str
    mode: str
    ending: str | None
    scored: int
    on_time: int
    missed: int
    void: int
    constant_error_ms: float | None
    variable_error_ms: float | None


def clean_name(name: str, what: str = "a player's name") -> str:
    """Name without outer blanks, in one Unicode form.

    Raises
    ------
    HistoryError
        Empty, too long, or with characters that steer a terminal.
    """
    cleaned = unicodedata.normalize("NFC", name).strip()
    if not cleaned or len(cleaned) > LONGEST_NAME:
        raise HistoryError(
            f"{what} has {len(cleaned)} characters; 1 to {LONGEST_NAME} are allowed",
            fix="A first name or a number is enough.",
        )
    if printable(cleaned) != cleaned:
        raise HistoryError(
            f"{what} holds a character that cannot be printed: {cleaned!r}", fix="Use letters and numbers."
        )
    return cleaned


def name_key(name: str) -> str:
    """What two spellings of one name have in common."""
    return clean_name(name).casefold()


def session_row(entry: SessionEntry) -> dict[str, Any]:
    """Columns of `sessions`, the player and the number left out."""
    row = {name: getattr(entry.placement if name in _PLACEMENT else entry, name) for name in SESSION_COLUMNS}
    return row | {"versions": text(entry.versions), "health": health_text(entry.health)}


def health_text(health: Health) -> str:
    """How well the sound ran, as a column has it: notes in words, and beside them as facts."""
    values = {field.name: getattr(health, field.name) for field in fields(Health)}
    words, facts = map(english().tell, health.notes), map(_notice_values, health.notes)
    return text(values | {"notes": list(words), "notices": list(facts)})


def session_entry(row: Row, blocks: tuple[BlockEntry, ...] = ()) -> SessionEntry:
    """A session from its row, which also holds `player` (the name) and may hold `number`."""
    values = {name: row[name] for name in SESSION_COLUMNS}
    place = Placement(**{name: values.pop(name) for name in _PLACEMENT})
    health = json.loads(values.pop("health"))
    known = {name: value for name, value in health.items() if name in Health.__dataclass_fields__}
    facts = health.get("notices") or [None] * len(known.get("notes", ()))
    notes = (_fact(words, values) for words, values in zip(known.get("notes", ()), facts, strict=True))
    known["notes"] = tuple(note for note in notes if note)
    return SessionEntry(
        **values | {"versions": json.loads(values["versions"])},
        player=row["player"],
        placement=place,
        health=Health(**known),
        blocks=blocks,
        number=row["number"],
    )


def block_row(entry: BlockEntry) -> dict[str, Any]:
    """A block as columns of the table `blocks`."""
    return asdict(entry) | {"warm_up": int(entry.warm_up)}


def block_entry(row: Row) -> BlockEntry:
    """A block from its row."""
    values = {name: row[name] for name in BLOCK_COLUMNS}
    return BlockEntry(**values | {"warm_up": bool(values["warm_up"])})


def rep_row(entry: RepEntry) -> dict[str, Any]:
    """A rep and its verdict as columns of the table `reps`."""
    rep, verdict = entry.rep, entry.verdict
    return {
        "rep": rep.index,
        "block": rep.block,
        "mode": rep.mode,
        "level": rep.level,
        "warm_up": int(rep.warm_up),
        "withheld": int(rep.withheld),
        "start_s": rep.start_s,
        "end_s": rep.end_s,
        "contact_s": rep.contact_s,
        "cues": text([_cue(cue) for cue in rep.cues]),
        "call": rep.call,
        "open_ms": rep.window.open_ms,
        "centre_ms": rep.window.centre_ms,
        "close_ms": rep.window.close_ms,
        "grade": verdict.grade.value,
        "guessed": int(verdict.guessed),
        "coach": entry.coach,
        "void": english().tell(verdict.void),
        "void_notice": text(_notice_values(verdict.void)) if verdict.void else None,
    } | {name: getattr(verdict, name) for name in _VERDICT}


def rep_entry(row: Row) -> RepEntry:
    """A rep from its row.

    Raises
    ------
    ValueError
        A grade or a cue is none of ours.
    """
    window = Window(row["open_ms"], row["centre_ms"], row["close_ms"])
    rep = Rep(
        index=row["rep"],
        start_s=row["start_s"],
        end_s=row["end_s"],
        contact_s=row["contact_s"],
        cues=tuple(Cue(**cue) for cue in json.loads(row["cues"])),
        call=row["call"],
        window=window,
        mode=row["mode"],
        withheld=bool(row["withheld"]),
        warm_up=bool(row["warm_up"]),
        block=row["block"],
        level=row["level"],
    )
    verdict = Verdict(rep=rep.index, grade=Grade(row["grade"]), call=rep.call, guessed=bool(row["guessed"]))
    judged_by: dict[str, Any] = {
        "level": rep.level,
        "window_open_ms": window.open_ms,
        "window_close_ms": window.close_ms,
    }
    told = {name: row.get(name) if name in NEWER_COLUMNS else row[name] for name in _VERDICT}
    values = json.loads(row.get("void_notice") or "null")
    judged = replace(verdict, void=_fact(row["void"], values), **judged_by | told)
    return RepEntry(rep, judged, row.get("coach"))


def _notice_values(fact: Notice) -> list[Any]:
    """A fact as it is kept: its key, and its values by name."""
    values = {name: _notice_values(each) if isinstance(each, Notice) else each for name, each in fact.values}
    return [fact.key, values]


def _fact(words: str, values: list[Any] | None) -> Notice | None:
    """A fact as it was kept, or by its English words where nothing else was."""
    return as_kept(words) if values is None else _notice(values)


def _notice(values: list[Any]) -> Notice:
    key, named = values
    return notice(key, **{name: _notice(each) if isinstance(each, list) else each for name, each in named.items()})


def _cue(cue: Cue) -> dict[str, Any]:
    """What differs from an ordinary cue."""
    plain = Cue(cue.role, cue.sound, 0.0)
    values = {name: value for name, value in asdict(cue).items() if value != getattr(plain, name)}
    return {"role": cue.role, "sound": cue.sound, "at_s": cue.at_s} | values


def text(value: Any) -> str:
    """A value as the shortest JSON, for a column."""
    return json.dumps(value, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
