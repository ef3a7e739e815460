"""Questions to the history. Every list is bounded, so that time and memory do not grow with the years."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any

from drilltimer.errors import HistoryError
from drilltimer.history.cells import NO_SENSE, check_about, check_rep, fits_in_sql, mended, sifted
from drilltimer.history.entries import (
    BLOCK_COLUMNS,
    BlockEntry,
    Player,
    RepEntry,
    Row,
    SessionEntry,
    SessionLine,
    block_entry,
    name_key,
    rep_entry,
    session_entry,
)
from drilltimer.history.store import History
from drilltimer.units import count_of

LONGEST_LIST = 1000
NAME = "CASE typeof(p.name) WHEN 'text' THEN p.name ELSE p.key END"  # of a player; a damaged one's as it is looked for
# A person's sessions; of a player who was only ever simulated, all.
_OF_PERSON = """(source != 'simulated' OR NOT EXISTS (
    SELECT 1 FROM sessions other WHERE other.player = sessions.player AND other.source != 'simulated'))"""

_LINES = """
    SELECT s.*, {name} AS player_name,
        coalesce(max(CASE WHEN r.mode IN ('predictive', 'reactive') THEN r.mode END), '-') AS mode,
        count(*) FILTER (WHERE r.grade IN ('before contact', 'early', 'on time', 'late', 'missed')) AS scored,
        count(*) FILTER (WHERE r.grade = 'on time') AS on_time,
        count(*) FILTER (WHERE r.grade = 'missed') AS missed,
        count(*) FILTER (WHERE r.grade = 'void') AS void,
        avg(r.error_ms) AS constant_error_ms,
        CASE WHEN count(r.error_ms) > 1 THEN
            sqrt(max(0.0, avg(r.error_ms * r.error_ms) - avg(r.error_ms) * avg(r.error_ms))) END AS variable_error_ms
    FROM ({chosen}) s JOIN players p ON p.id = s.player
    LEFT JOIN reps r ON r.session = s.number AND NOT r.warm_up AND r.coach IS NOT 'void' AND {fits}
    GROUP BY s.number ORDER BY s.started_utc DESC, s.number DESC
"""


@dataclass(frozen=True, slots=True)
class PlayerLine:
    """A player, how many sessions are kept, and when the latest began."""

    player: Player
    sessions: int
    latest_utc: str | None


def players(history: History) -> Iterator[PlayerLine]:
    """Every player, by name; 2 comes before 10."""
    query = (
        f"SELECT {NAME} AS name, p.level, p.sport, count(s.number) AS sessions, max(s.started_utc) AS latest "
        "FROM players p LEFT JOIN sessions s ON s.player = p.id GROUP BY p.id ORDER BY p.key"
    )
    for row in sorted(history.rows(query), key=lambda row: _natural(row["name"])):
        yield PlayerLine(_player(history, dict(row)), row["sessions"], row["latest"])


def _natural(name: str) -> list[tuple[int, str]]:
    parts = re.split(r"([0-9]{1,18})", name.casefold())
    return [(int(part), "") if place % 2 else (0, part) for place, part in enumerate(parts)]


def find_player(history: History, name: str) -> Player:
    """The player of that name, however it is capitalised.

    Raises
    ------
    HistoryError
        Nobody is called that; tells the nearest names.
    """
    query = f"SELECT {NAME} AS name, p.level, p.sport FROM players p WHERE p.key = ?"
    row = next(history.rows(query, (name_key(name),)), None)
    if row is None:
        raise HistoryError(
            f"no player is called {name!r}" + nearest(history, name), fix="'drilltimer history' lists them."
        )
    return _player(history, dict(row))


def _player(history: History, row: Row) -> Player:
    about = {name: row[name] for name in ("level", "sport")}
    for name, value in about.items():
        if not isinstance(value, str | None):
            history.leave_out(f"player {row['name']}: {name} is damaged and left out")
            about[name] = None
    return Player(row["name"], **about)


def is_player(history: History, name: str) -> bool:
    """Whether there is a player of that name."""
    return next(history.rows("SELECT 1 FROM players WHERE key = ?", (name_key(name),)), None) is not None


def find_target(history: History, text: str) -> Player | int:
    """A player, or the number of a session: `12` is always a session, `player:12` the player of that name."""
    number = text.removeprefix("session:")
    if not (number.isascii() and number.isdigit() and len(number) < 16):
        return find_player(history, text.removeprefix("player:"))
    try:
        return session(history, int(number)).number
    except HistoryError as fault:
        if not is_player(history, text):
            raise
        raise HistoryError(
            fault.what, why=f"A player is called {text!r}.", fix=f"For the player: player:{text}."
        ) from fault


def nearest(history: History, name: str) -> str:
    """The names that look like this one, as the end of a sentence; empty when none does."""
    names = {row["key"]: row["name"] for row in history.rows("SELECT key, name FROM players LIMIT 10000")}
    near = difflib.get_close_matches(name.casefold(), names, n=3, cutoff=0.6)  # capitals are no difference
    return f"; did you mean {' or '.join(repr(names[key]) for key in near)}?" if near else ""


def session_lines(
    history: History, player: str | None = None, *, limit: int = 20, before: int | None = None, drill: str | None = None
) -> list[SessionLine]:
    """The latest sessions, newest first, at most `limit` of them (and never more than a thousand).

    A person's do not hold those of a simulated player that were kept under the same name.

    Parameters
    ----------
    player : str, optional
        Of this one alone.
    before : int, optional
        Only those that began before this session.
    drill : str, optional
        Only those of the drill of this name.
    """
    where, values = ["1"], []
    if player is not None:
        where.append(f"player = (SELECT id FROM players WHERE key = ?) AND {_OF_PERSON}")
        values.append(name_key(player))
    if before is not None:
        where.append("(started_utc, number) < (SELECT started_utc, number FROM sessions WHERE number = ?)")
        values.append(str(before))
    if drill is not None:
        where.append("drill = ?")
        values.append(drill)
    chosen = f"SELECT * FROM sessions WHERE {' AND '.join(where)} ORDER BY started_utc DESC, number DESC LIMIT ?"
    values.append(str(min(limit, LONGEST_LIST)))
    _tell_unfit(history, chosen, values)
    rows = history.rows(_LINES.format(name=NAME, chosen=chosen, fits=fits_in_sql("r")), values)
    return list(sifted(map(dict, rows), _line, history.leave_out, "session"))


def _tell_unfit(history: History, chosen: str, values: Iterable[str]) -> None:
    query = (
        f"SELECT session, count(*) AS n FROM reps r WHERE session IN (SELECT number FROM ({chosen})) "
        f"AND NOT ({fits_in_sql('r')}) GROUP BY session"
    )
    for row in history.rows(query, values):
        history.leave_out(f"session {row['session']}: {count_of(row['n'], 'rep')} left out, out of range")


def _line(row: Row) -> SessionLine:
    check_about({**row, "health": "{}", "versions": "{}"})  # a list shows neither
    values = {name: row[name] for name in SessionLine.__dataclass_fields__ if name != "player"}
    return SessionLine(**values, player=row["player_name"])


def session(history: History, number: int) -> SessionEntry:
    """One session, by its number.

    Raises
    ------
    HistoryError
        There is none of that number, or it is damaged beyond use.
    """
    query = f"SELECT s.*, {NAME} AS player_name FROM sessions s JOIN players p ON p.id = s.player WHERE s.number = ?"
    row = next(history.rows(query, (number,)), None)
    if row is None:
        raise HistoryError(f"there is no session {number}", fix="'drilltimer history PLAYER' lists sessions by number.")
    blocks = history.rows(f"SELECT {', '.join(BLOCK_COLUMNS)} FROM blocks WHERE session = ? ORDER BY number", (number,))
    own = list(sifted(map(dict, blocks), block_entry, history.leave_out, "block"))
    try:
        return _entry(history, dict(row), tuple(own))
    except NO_SENSE as fault:
        raise HistoryError(
            f"{history.path}: session {number} is damaged: {fault}",
            why="Another program wrote into the file, or the disk failed.",
            fix="The other sessions can be used. A backup may hold this one whole: 'drilltimer import' it.",
        ) from fault


def _entry(history: History, row: Row, blocks: tuple[BlockEntry, ...] = ()) -> SessionEntry:
    """A session from its row; what it holds damaged and can do without is left out and told."""
    number = row["number"]
    whole = mended(row, lambda what: history.leave_out(f"session {number}: {what}"))
    return session_entry(whole | {"player": row["player_name"]}, blocks)


def reps(history: History, number: int) -> list[RepEntry]:
    """Reps of a session, in order."""
    rows = history.rows("SELECT * FROM reps WHERE session = ? ORDER BY rep", (number,))
    return sound_reps(history, f"session {number}", rows)


def sound_reps(history: History, where: str, rows: Iterable[Any]) -> list[RepEntry]:
    """Reps from their rows; those that the file holds damaged or out of range are left out and told."""

    def made(row: Row) -> RepEntry:
        check_rep(row)
        return rep_entry(row)

    return list(sifted(map(dict, rows), made, lambda what: history.leave_out(f"{where}: {what}"), "rep"))


def count_sessions(history: History, player: str, *, of_person: bool = False) -> int:
    """How many sessions a player has; of a person without those that were simulated, where that is asked."""
    kind = f"AND {_OF_PERSON}" if of_person else ""
    query = f"SELECT count(*) AS n FROM sessions WHERE player = (SELECT id FROM players WHERE key = ?) {kind}"
    return int(next(history.rows(query, (name_key(player),)))["n"])


def sessions_of_drill(history: History, player: str, drill: str, limit: int = LONGEST_LIST) -> list[SessionEntry]:
    """Sessions of one drill, oldest first, without their blocks; the latest thousand at most."""
    query = (
        f"SELECT s.*, {NAME} AS player_name FROM sessions s JOIN players p ON p.id = s.player "
        "WHERE p.key = ? AND s.drill = ? ORDER BY s.started_utc DESC, s.number DESC LIMIT ?"
    )
    rows = history.rows(query, (name_key(player), drill, limit))
    return list(sifted(map(dict, rows), lambda row: _entry(history, row), history.leave_out, "session"))[::-1]
