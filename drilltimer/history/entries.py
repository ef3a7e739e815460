"""What the history keeps, as values: player, session, block, rep."""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass, field

from drilltimer.errors import HistoryError
from drilltimer.model import Health, Placement, Rep, Verdict
from drilltimer.units import printable

LONGEST_NAME = 80


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
