"""Scored recordings in the history: each once, however often it is scored.

A practice that was kept live counts once: its sheet names the session, and a recording scored with it goes into no
history that has it. The live one stays, for a sheet knows neither the levels at which reps were judged nor guesses. A
recording of live feeding has no sheet, so its own comment names the session ("drilltimer session UID"; in WAV an `INFO`
list); what is converted may lose it, and then counts twice.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

from drilltimer.app.plan import Plan, make_plan
from drilltimer.audio.files import as_text
from drilltimer.errors import UserError
from drilltimer.history.entries import RepEntry, SessionEntry, clean_name
from drilltimer.history.journal import digest, number_of, recording_uid, taken_utc, versions
from drilltimer.history.protocol import block_entries, protocol_of
from drilltimer.history.run import history_path
from drilltimer.history.store import History
from drilltimer.model import Rep
from drilltimer.recordings.reference import read_sheet
from drilltimer.recordings.run import ScoredRecording


@dataclass(frozen=True, slots=True)
class Kept:
    """A scored recording in the history, as session `number`.

    `again`: in place of an earlier scoring. `live`: it was heard while it was played, and that session stays.
    """

    number: int
    again: bool = False
    live: bool = False


def keep_scored(player: str, scored: ScoredRecording) -> Kept:
    """Keep a scored recording, unless its sheet says that it is of a session that this player's history has.

    The same recording, sheet, playback and player give the same session, so that scoring twice does not count twice.
    """
    sheet = read_sheet(scored.sheet_file)
    with History(history_path()) as history:
        if sheet.session and (number := number_of(history, sheet.session, player)):
            return Kept(number, live=True)
    plan = _plan_behind(sheet.drill, sheet.seed, scored.reps)
    if plan:
        blocks = {rep.index: rep.block for rep in plan.reps}
        reps = {rep.index: replace(rep, block=blocks[rep.index]) for rep in scored.reps}
    else:
        reps = {rep.index: rep for rep in scored.reps}
    windows = sorted({(rep.mode, rep.window.open_ms, rep.window.centre_ms, rep.window.close_ms) for rep in scored.reps})
    entry = SessionEntry(
        uid=recording_uid(clean_name(player) + scored.playback * "*", Path(scored.recording), scored.sheet_file),
        player=clean_name(player),
        started_utc=taken_utc(Path(scored.recording)),
        drill=sheet.drill or "unnamed drill",
        protocol=protocol_of(plan.drill) if plan else digest(repr((sheet.drill, windows)).encode())[:16],
        seed=sheet.seed,
        source="simulated" if sheet.simulated else "recording",  # compared with its like alone
        placement=scored.placement,
        input_device=as_text(Path(scored.recording).name),
        output_device=sheet.audio,
        rate_hz=sheet.rate_hz,
        versions=versions(),
        ending="done",
        health=scored.health,
        blocks=block_entries(plan.drill) if plan else (),
    )
    entries = [RepEntry(reps[verdict.rep], verdict) for verdict in scored.verdicts]
    with History(history_path()) as history:
        again = number_of(history, entry.uid, player) is not None
        return Kept(history.replace_session(entry, entries), again=again)


def _plan_behind(drill: str, seed: int | None, reps: tuple[Rep, ...]) -> Plan | None:
    """The plan that a sheet was rendered from, where its drill is still the same and has its name."""
    try:
        plan = make_plan("-".join(drill.casefold().split()), seed or 0)
    except UserError:
        return None
    asked = {rep.index: (rep.mode, rep.withheld, rep.warm_up, rep.window) for rep in plan.reps}
    matches = all(asked.get(rep.index) == (rep.mode, rep.withheld, rep.warm_up, rep.window) for rep in reps)
    return plan if plan.drill.name == drill and matches else None
