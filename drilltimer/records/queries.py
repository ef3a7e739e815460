"""Questions to the history. Every list is bounded, so that time and memory do not grow with the years."""

from __future__ import annotations

import difflib
from collections.abc import Iterator
from dataclasses import dataclass

from drilltimer.errors import HistoryError
from drilltimer.records.entries import Player, RepEntry, SessionEntry, SessionLine, name_key
from drilltimer.records.history import History
from drilltimer.records.rows import BLOCK_COLUMNS, block_entry, rep_entry, session_entry

LONGEST_LIST = 1000

_LINES = """
    SELECT s.number, p.name AS player, s.started_utc, s.drill, s.source, s.ending,
        coalesce(max(r.mode), '-') AS mode,
        count(*) FILTER (WHERE r.grade IN ('before contact', 'early', 'on time', 'late', 'missed')) AS scored,
        count(*) FILTER (WHERE r.grade = 'on time') AS on_time,
        count(*) FILTER (WHERE r.grade = 'missed') AS missed,
        count(*) FILTER (WHERE r.grade = 'void') AS void,
        avg(r.error_ms) AS constant_error_ms,
        sqrt(max(0.0, avg(r.error_ms * r.error_ms) - avg(r.error_ms) * avg(r.error_ms))) AS variable_error_ms
    FROM ({chosen}) s JOIN players p ON p.id = s.player
    LEFT JOIN reps r ON r.session = s.number AND NOT r.warm_up AND r.coach IS NOT 'void'
    GROUP BY s.number ORDER BY s.started_utc DESC, s.number DESC
"""


@dataclass(frozen=True, slots=True)
class PlayerLine:
    """A player in a list."""

    player: Player
    sessions: int
    latest_utc: str | None


def players(history: History) -> Iterator[PlayerLine]:
    """Every player, by name."""
    query = (
        "SELECT p.name, p.level, p.sport, count(s.number) AS sessions, max(s.started_utc) AS latest "
        "FROM players p LEFT JOIN sessions s ON s.player = p.id GROUP BY p.id ORDER BY p.key"
    )
    for row in history.rows(query):
        yield PlayerLine(Player(row["name"], row["level"], row["sport"]), row["sessions"], row["latest"])


def find_player(history: History, name: str) -> Player:
    """The player of that name, however it is capitalised.

    Raises
    ------
    HistoryError
        Nobody is called that; tells the nearest names.
    """
    row = next(history.rows("SELECT name, level, sport FROM players WHERE key = ?", (name_key(name),)), None)
    if row is None:
        raise HistoryError(
            f"no player is called {name!r}" + nearest(history, name), fix="'drilltimer history' lists them."
        )
    return Player(row["name"], row["level"], row["sport"])


def find_target(history: History, text: str) -> Player | int:
    """A player, or the number of a session: `12` is the player of that name if there is one, `session:12` never."""
    session_text = text.removeprefix("session:")
    if session_text == text and next(history.rows("SELECT 1 FROM players WHERE key = ?", (name_key(text),)), None):
        return find_player(history, text)
    if session_text.isascii() and session_text.isdigit() and len(session_text) < 16:
        return session(history, int(session_text)).number
    return find_player(history, text)


def nearest(history: History, name: str) -> str:
    """The names that look like this one, as the end of a sentence; empty when none does."""
    names = {row["key"]: row["name"] for row in history.rows("SELECT key, name FROM players LIMIT 10000")}
    near = difflib.get_close_matches(name.casefold(), names, n=3, cutoff=0.6)  # capitals are no difference
    return f"; did you mean {' or '.join(repr(names[key]) for key in near)}?" if near else ""


def session_lines(
    history: History, player: str | None = None, *, limit: int = 20, before: int | None = None, drill: str | None = None
) -> list[SessionLine]:
    """The latest sessions, newest first, at most `limit` of them (and never more than a thousand).

    Parameters
    ----------
    history : History
    player : str, optional
        Of this one alone.
    limit : int
    before : int, optional
        Only those that began before this session.
    drill : str, optional
        Only those of the drill of this name.
    """
    where, values = ["1"], []
    if player is not None:
        where.append("player = (SELECT id FROM players WHERE key = ?)")
        values.append(name_key(player))
    if before is not None:
        where.append("(started_utc, number) < (SELECT started_utc, number FROM sessions WHERE number = ?)")
        values.append(str(before))
    if drill is not None:
        where.append("drill = ?")
        values.append(drill)
    chosen = f"SELECT * FROM sessions WHERE {' AND '.join(where)} ORDER BY started_utc DESC, number DESC LIMIT ?"
    rows = history.rows(_LINES.format(chosen=chosen), (*values, min(limit, LONGEST_LIST)))
    return [SessionLine(**dict(row)) for row in rows]


def session(history: History, number: int) -> SessionEntry:
    """One session, by its number.

    Raises
    ------
    HistoryError
        There is none of that number.
    """
    query = "SELECT s.*, p.name AS player_name FROM sessions s JOIN players p ON p.id = s.player WHERE s.number = ?"
    row = next(history.rows(query, (number,)), None)
    if row is None:
        raise HistoryError(f"there is no session {number}", fix="'drilltimer history PLAYER' lists sessions by number.")
    blocks = history.rows(f"SELECT {', '.join(BLOCK_COLUMNS)} FROM blocks WHERE session = ? ORDER BY number", (number,))
    values = dict(row) | {"player": row["player_name"]}
    return session_entry(values, tuple(block_entry(dict(block)) for block in blocks))


def reps(history: History, number: int) -> list[RepEntry]:
    """Reps of a session, in order."""
    return [
        rep_entry(dict(row)) for row in history.rows("SELECT * FROM reps WHERE session = ? ORDER BY rep", (number,))
    ]


def count_sessions(history: History, player: str) -> int:
    """How many sessions a player has."""
    query = "SELECT count(*) AS n FROM sessions WHERE player = (SELECT id FROM players WHERE key = ?)"
    return int(next(history.rows(query, (name_key(player),)))["n"])


def sessions_of_drill(history: History, player: str, drill: str, limit: int = LONGEST_LIST) -> list[SessionEntry]:
    """Sessions of one drill, oldest first, without their blocks; the latest thousand at most."""
    query = (
        "SELECT s.*, p.name AS player_name FROM sessions s JOIN players p ON p.id = s.player "
        "WHERE p.key = ? AND s.drill = ? ORDER BY s.started_utc DESC, s.number DESC LIMIT ?"
    )
    rows = history.rows(query, (name_key(player), drill, limit))
    return [session_entry(dict(row) | {"player": row["player_name"]}) for row in rows][::-1]
