"""Every player's reps of a group session into the history, under their own name."""

from __future__ import annotations

import uuid
from dataclasses import replace

from drilltimer.app.drive import OnTrouble
from drilltimer.errors import notice
from drilltimer.group.conduct import GroupSession
from drilltimer.group.events import ScoredRep
from drilltimer.group.run import GroupOutcome
from drilltimer.history.entries import SessionEntry
from drilltimer.history.journal import Journal, now_utc, versions
from drilltimer.history.protocol import block_entries, protocol_of
from drilltimer.history.run import history_path
from drilltimer.model import AudioStream, Drill, Placement

GROUP = "group "  # before a protocol: turns are shorter and others watch, so nothing compares them with practice alone


class GroupJournal:
    """Keeps a group session: one per scored player, and per placement where stations differ in theirs.

    Each begins with its first rep.
    """

    def __init__(
        self,
        session: GroupSession,
        drills: dict[str, Drill],
        stream: AudioStream,
        simulated: bool,
        seed: int,
        on_trouble: OnTrouble,
    ) -> None:
        self._session, self._drills, self._seed = session, drills, seed
        self._source = "simulated" if simulated else "live"
        self._rate_hz = stream.rate_hz
        self._devices = tuple(str(getattr(getattr(stream, side, None), "full_name", "")) for side in ("source", "sink"))
        self._on_trouble = on_trouble
        self._started_utc = now_utc()
        self._journals: dict[tuple[int, Placement], Journal] = {}

    def rep(self, scored: ScoredRep) -> None:
        """Keep a rep as it was judged."""
        key = self._key(scored)
        if key not in self._journals:
            self._journals[key] = self._open(scored)
        self._journals[key].rep(scored.rep, scored.verdict)

    def end(self, outcome: GroupOutcome) -> None:
        """Keep how the session went for each player; tells in one line where all are found."""
        numbers = list[int]()
        for key, journal in self._journals.items():
            own = [each for each in self._session.results if self._key(each) == key]
            number = journal.end(outcome, [(each.rep, each.verdict) for each in own], tells=False)
            numbers += [number] if number is not None else []
        if numbers:
            span = "-".join(str(number) for number in sorted({min(numbers), max(numbers)}))
            self._on_trouble(notice("kept_group", numbers=span))

    def _key(self, scored: ScoredRep) -> tuple[int, Placement]:
        return scored.player, self._session.plan.stations[scored.station].placement

    def _drill(self, scored: ScoredRep) -> Drill:
        return self._drills[self._session.plan.stations[scored.station].drill or ""]

    def _open(self, scored: ScoredRep) -> Journal:
        plan, drill = self._session.plan, self._drill(scored)
        entry = SessionEntry(
            uid=uuid.uuid4().hex,
            player=plan.players[scored.player].name,
            started_utc=self._started_utc,
            drill=drill.name,
            protocol=GROUP + protocol_of(drill),
            seed=self._seed,
            source=self._source,
            placement=self._key(scored)[1],
            input_device=self._devices[0],
            output_device=self._devices[1],
            rate_hz=self._rate_hz,
            versions=versions(),
            blocks=tuple(replace(block, name=f"{plan.name}: {block.name}"[:80]) for block in block_entries(drill)),
        )
        return Journal(history_path(), entry, self._on_trouble)
