"""Sessions of live feeding in the history: kept rep by rep, apart from cued drills."""

from __future__ import annotations

import hashlib
import uuid
from dataclasses import replace
from pathlib import Path

from drilltimer.app.drive import OnTrouble
from drilltimer.audio.files import as_text
from drilltimer.errors import HistoryError
from drilltimer.feeding.run import Asked, FedSession
from drilltimer.history.entries import BlockEntry, RepEntry, SessionEntry, clean_name
from drilltimer.history.journal import Journal, device_name, now_utc, number_of, recording_uid, taken_utc, versions
from drilltimer.history.marks import FEEDING
from drilltimer.history.run import history_path
from drilltimer.history.store import History
from drilltimer.model import AudioStream
from drilltimer.ui.wording import english


def open_journal(
    player: str, asked: Asked, stream: AudioStream, on_trouble: OnTrouble, *, simulated: bool = False
) -> Journal:
    """Begin to keep a live session.

    Raises
    ------
    HistoryError
        The name cannot be a player's.
    """
    devices = device_name(stream, "source"), device_name(stream, "sink")
    source = "simulated" if simulated else "live"
    entry = _entry(player, asked, uuid.uuid4().hex, now_utc(), source, devices, stream.rate_hz)
    return Journal(history_path(), entry, on_trouble)


def keep_fed(player: str, outcome: FedSession) -> str:
    """Keep a scored recording; answers where, or why not. Scored again it takes the earlier scoring's place.

    One that was recorded in a session which this player's history has is not kept: that session has the coach's marks.
    """
    path = Path(outcome.recording or "")
    try:
        name = clean_name(player)
        with History(history_path()) as history:
            if outcome.session and (number := number_of(history, outcome.session, name)):
                return f"not kept again: session {number}, player {name}, is this practice, as it was heard live"
        uid = recording_uid(f"{name}/{outcome.asked.name}", path)
        entry = _entry(
            name, outcome.asked, uid, taken_utc(path), "recording", (as_text(path.name), ""), outcome.rate_hz
        )
        entry = replace(entry, ending="done", health=outcome.health)
        with History(history_path()) as history:
            judged = zip(outcome.reps, outcome.verdicts, strict=True)
            entries = [RepEntry(rep, verdict, outcome.marks.get(rep.index)) for rep, verdict in judged]
            number = history.replace_session(entry, entries)
    except HistoryError as fault:
        return f"not kept: {english().tell(fault)}"
    return f"kept as session {number}, player {name}"


def _entry(
    player: str, asked: Asked, uid: str, started_utc: str, source: str, devices: tuple[str, str], rate_hz: int
) -> SessionEntry:
    kind = asked.feedback.kind if asked.feedback else "none"
    return SessionEntry(
        uid=uid,
        player=clean_name(player),
        started_utc=started_utc,
        drill=asked.name,
        protocol=_protocol(asked),
        seed=None,
        source=source,
        placement=asked.placement,
        input_device=devices[0],
        output_device=devices[1],
        rate_hz=rate_hz,
        versions=versions(),
        blocks=(BlockEntry(0, asked.name, "predictive", asked.level or "club", "baseline", False, kind),),
    )


def _protocol(asked: Asked) -> str:
    """What makes two sessions of live feeding comparable, and none with a cued drill."""
    window = asked.window
    told = (FEEDING, asked.play, asked.machine, window.open_ms, window.centre_ms, window.close_ms)
    return hashlib.sha256(repr(told).encode()).hexdigest()[:16]
