"""Where the history lies; opened for a verb, or for a session that begins."""

from __future__ import annotations

import os
import uuid
from collections import Counter
from collections.abc import Sequence
from pathlib import Path

from drilltimer.app.drive import OnTrouble
from drilltimer.app.open import Rig
from drilltimer.app.plan import Plan
from drilltimer.audio.files import data_folder
from drilltimer.errors import HistoryError, Notice, notice
from drilltimer.history.advice import advise
from drilltimer.history.connect import FILE_NAME
from drilltimer.history.days import beyond, day_load
from drilltimer.history.entries import RepEntry, SessionEntry, clean_name
from drilltimer.history.journal import Journal, device_name, now_utc, versions
from drilltimer.history.protocol import block_entries, protocol_of
from drilltimer.history.queries import find_player, players, session_lines
from drilltimer.history.store import History
from drilltimer.model import Rep, Verdict
from drilltimer.score.stats import summarize

__all__ = [
    "about_days",
    "advice",
    "clean_name",
    "history_path",
    "open_history",
    "open_journal",
    "player_names",
    "target_names",
]


def history_path() -> Path:
    """The history's file; `DRILLTIMER_HOME` moves it."""
    return data_folder() / FILE_NAME


def open_history(*, make: bool = False) -> History:
    """Open the history where `DRILLTIMER_HOME` or the system says that it lies.

    Raises
    ------
    HistoryError
        There is none yet, unless `make`; or it cannot be opened.
    """
    path = history_path()
    if not make and not os.path.exists(path):
        raise HistoryError(
            f"{path}: there is no history yet",
            fix="'drilltimer run DRILL --player NAME' begins one, 'drilltimer import FILE' takes one in.",
        )
    return History(path)


def player_names() -> list[str]:
    """Everybody in the history; nobody where there is none."""
    try:
        with open_history() as history:
            return [line.player.name for line in players(history)]
    except HistoryError:
        return []


def target_names() -> list[str]:
    """Players, and the latest sessions by number."""
    try:
        with open_history() as history:
            return [*(line.player.name for line in players(history)), *(str(s.number) for s in session_lines(history))]
    except HistoryError:
        return []


def about_days(player: str, plan: Plan) -> list[Notice]:
    """Where a plan would take a player beyond guidance for a day or a week, to be told before it begins.

    Nothing of a player who is not known yet, and where the history cannot be read: what is wrong with it is told when
    the session is kept.
    """
    try:
        with open_history() as history:
            level = find_player(history, player).level
            told = beyond(day_load(history, player), level, plan.landings, plan.drill.blocks[0].level)
    except HistoryError:
        return []
    return [notice("caution", text=each) for each in told]


def advice(judged: Sequence[tuple[Rep, Verdict]]) -> Notice:
    """What to practise next, and with which drill, by the rules of the report; of the mode of most reps."""
    entries = [RepEntry(rep, verdict) for rep, verdict in judged if not rep.warm_up]
    mode = Counter(each.rep.mode for each in entries).most_common(1)[0][0] if entries else "predictive"
    own = [each for each in entries if each.rep.mode == mode]
    first = advise(own, summarize(each.verdict for each in own), mode)[0]
    return notice("sentence.next_drill" if first.drill else "sentence.next", advice=first.text, drill=first.drill)


def open_journal(player: str, plan: Plan, rig: Rig, on_trouble: OnTrouble) -> Journal:
    """Begin to keep a live session of a player.

    Raises
    ------
    HistoryError
        The name cannot be a player's.
    """
    entry = SessionEntry(
        uid=uuid.uuid4().hex,
        player=clean_name(player),
        started_utc=now_utc(),
        drill=plan.drill.name,
        protocol=protocol_of(plan.drill),
        seed=plan.seed,
        source="simulated" if rig.simulated else "live",
        placement=rig.placement,
        input_device=device_name(rig.stream, "source"),
        output_device=device_name(rig.stream, "sink"),
        rate_hz=rig.stream.rate_hz,
        versions=versions(),
        blocks=block_entries(plan.drill),
    )
    return Journal(history_path(), entry, on_trouble)
