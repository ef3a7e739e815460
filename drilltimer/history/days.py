"""Landings of a player day by day and over seven days, held against guidance by age and level.

Notes
-----
A day's caps are those of a session in `drill.load` (NSCA Essentials, table, from memory). Sessions of jumps lie 48 to
72 h apart (NSCA, from memory), which leaves three a week; children have two, not on days in a row (NSCA position 2009,
J Strength Cond Res 23(5):S60-S79, numbers from memory). All of it is for higher jumps than a split step's, so it is
told and stops nobody; coach, physiotherapist and local rules decide.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from drilltimer.drill.load import CHILD_LANDINGS_MOST, LANDINGS_MOST
from drilltimer.errors import Notice, notice
from drilltimer.history.entries import name_key
from drilltimer.history.store import History
from drilltimer.model import LEVELS, Grade, Level

DAY = re.compile(r"\d{4}-\d{2}-\d{2}")
WEEK_DAYS = 7
LOOKED_BACK_DAYS = 28
SESSIONS_A_WEEK, CHILD_SESSIONS_A_WEEK = 3, 2


@dataclass(frozen=True, slots=True)
class DayLoad:
    """Landings asked of a player and not missed: on each day with any, of the last four weeks, in local time."""

    today: date
    days: tuple[tuple[date, int], ...]

    def on(self, back_days: int) -> int:
        """Landings so many days ago."""
        return dict(self.days).get(self.today - timedelta(days=back_days), 0)

    @property
    def seven_days(self) -> int:
        """Landings of today and the six days before."""
        return sum(self.on(back) for back in range(WEEK_DAYS))


@dataclass(frozen=True, slots=True)
class Caps:
    """Most landings on a day and in seven days."""

    who: Notice
    a_day: int
    seven_days: int


CHILD = Caps(notice("children"), CHILD_LANDINGS_MOST, CHILD_SESSIONS_A_WEEK * CHILD_LANDINGS_MOST)


def day_load(history: History, player: str, today: date | None = None) -> DayLoad:
    """Landings of the last four weeks; simulated ones are nobody's. `today` is the present day when left out."""
    today = today or datetime.now().astimezone().date()
    oldest = (today - timedelta(days=LOOKED_BACK_DAYS)).isoformat()
    query = """
        SELECT s.started_utc, count(*) AS landings FROM sessions s JOIN reps r ON r.session = s.number
        WHERE s.player = (SELECT id FROM players WHERE key = ?) AND s.source != 'simulated'
        AND s.started_utc >= ? AND NOT r.withheld AND r.grade != ? GROUP BY s.number LIMIT 1000
    """
    counts: Counter[date] = Counter()
    for row in history.rows(query, (name_key(player), oldest, Grade.MISSED.value)):
        day = here(row["started_utc"])[:10]  # of a damaged time, no day
        if day <= today.isoformat() and DAY.fullmatch(day):
            counts[date.fromisoformat(day)] += row["landings"]
    return DayLoad(today, tuple(sorted(counts.items())))


def caps_of(level: str | None, drill_level: Level = "club") -> Caps:
    """Guidance for a player by the level noted of them, in free words: a child's, a level's, or else the drill's."""
    words = (level or "").casefold()
    if "child" in words:
        return CHILD
    found = next((each for each in LEVELS if each in words), drill_level)
    return Caps(notice("level_of", level=found), LANDINGS_MOST[found], SESSIONS_A_WEEK * LANDINGS_MOST[found])


def beyond(load: DayLoad, level: str | None, coming: int = 0, drill_level: Level = "club") -> list[Notice]:
    """What today, or seven days, have or would have beyond guidance, a child's first; nothing where all is within.

    Parameters
    ----------
    level : str | None
        As noted of the player. A child's caps are told of anybody who is not noted as an adult.
    coming : int
        Landings of a session that is about to begin.
    drill_level : Level
        Of that session, for a player without a level.
    """
    caps = caps_of(level, drill_level)
    asked = [CHILD] if caps != CHILD and "adult" not in (level or "").casefold() else []
    told = [over for each in (*asked, caps) for over in _over(load, each, coming)]
    if caps == CHILD and load.on(1) and load.on(0) + coming:
        told.append(notice("day_between"))
    return told


def _over(load: DayLoad, caps: Caps, coming: int) -> Iterable[Notice]:
    today, week = load.on(0) + coming, load.seven_days + coming
    to_come = notice("to_come", landings=coming) if coming else ""
    if today > caps.a_day:
        yield notice("day_landings", landings=today, coming=to_come, who=caps.who, most=caps.a_day)
    if week > caps.seven_days:
        yield notice("week_landings", landings=week, coming=to_come, who=caps.who, most=caps.seven_days)


def here(started_utc: str) -> str:
    """Date and minute in this computer's own zone, to be read; what is no time stays as it is."""
    try:
        return f"{datetime.fromisoformat(started_utc.replace('Z', '+00:00')).astimezone():%Y-%m-%d %H:%M}"
    except (ValueError, OverflowError):
        return started_utc
