"""The microphones of a group session: one per lane, and one for the group as a whole."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from drilltimer.group.crowd import CrowdListener
from drilltimer.group.lanes import LaneListener
from drilltimer.group.plan import GroupPlan
from drilltimer.group.timeline import StageKind
from drilltimer.hear.listen import Listener
from drilltimer.model import Block, Expectation, Health, Heard


class Hearing:
    """Feeds whoever has to listen.

    Parameters
    ----------
    stations : sequence of int
        Those that are lanes, by place in the plan's list.
    """

    def __init__(self, plan: GroupPlan, stations: Sequence[int], rate_hz: int) -> None:
        self._rate_hz, self._gap_m = rate_hz, plan.lane_gap_m
        self._speakers_m = [plan.stations[number].placement.speaker_to_mic_m for number in stations]
        self._channels = [(plan.stations[number].microphone or 1) - 1 for number in stations]
        together = [station.microphone for station in plan.stations if station.microphone and not station.turns]
        warming = any(block.drill for block in plan.warm_up)
        self.group_channel = together[0] if together else plan.microphone if warming else None
        self._lanes = self._listen() if self._channels else None
        self._crowd = CrowdListener(rate_hz) if self.group_channel else None

    def hears(self, kind: StageKind) -> bool:
        """Whether a microphone listens to stages of that kind."""
        return self._crowd is not None if self._as_group(kind) else self._lanes is not None

    def expect(self, expected: Expectation, lanes: Sequence[int], kind: StageKind) -> None:
        """Look out for a contact."""
        if self._as_group(kind):
            if self._crowd:
                self._crowd.expect(expected)
        elif self._lanes:
            self._lanes.expect(expected, lanes)

    def feed(self, block: Block) -> list[Heard]:
        """Take in the next block."""
        heard = self._lanes.feed(block) if self._lanes else []
        if self._crowd and self.group_channel:
            channel = min(self.group_channel, block.samples.shape[1]) - 1
            heard += self._crowd.feed(replace(block, samples=block.samples[:, channel : channel + 1]))
        return heard

    def finish(self) -> list[Heard]:
        """No more sound will come."""
        return [heard for listener in self._listeners() for heard in listener.finish()]

    def renew(self, lost: bool) -> None:
        """Go on after a break; with `lost`, the stream's latency is another one."""
        for listener in self._listeners():
            for ear in listener.ears if lost else ():
                ear.line.restart()
        if self._lanes:
            self._lanes = self._listen(self._lanes)
        if self._crowd:
            self._crowd = CrowdListener(self._rate_hz, ears=self._crowd.ears)

    def health(self, stream: Health) -> Health:
        """The stream's health, with what the microphones know of it."""
        known = [listener for listener in self._listeners() if listener.round_trip_ms is not None]
        if not known:
            return stream
        return replace(
            stream,
            round_trip_ms=known[0].round_trip_ms,
            round_trip_sd_ms=known[0].round_trip_sd_ms,
            drift_ppm=known[0].drift_ppm,
            noise_db=known[0].noise_db,
            own_left_db=known[0].own_left_db,
        )

    def _listen(self, before: LaneListener | None = None) -> LaneListener:
        return LaneListener(self._rate_hz, self._channels, self._gap_m, before, speakers_m=self._speakers_m)

    def _listeners(self) -> list[Listener]:
        return [listener for listener in (self._lanes, self._crowd) if listener is not None]

    def _as_group(self, kind: StageKind) -> bool:
        return kind == "together" or self._lanes is None
