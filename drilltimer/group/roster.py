"""Who is there: as the plan says, and as the coach says while the session runs.

Squads are dealt once and kept, so that a player who leaves or comes moves nobody else.

Who is called by name may be taken out until the call is over: calls are handed out 0.15 s ahead and can be silenced,
everything else two seconds. A turn that nobody is left in falls silent: given to the next player it would be twice the
landings, and the other stations' work goes by the same clock.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from drilltimer.group.plan import GroupPlan, GroupPlayer
from drilltimer.group.rotation import Seats, intervals_per_round, make_squads, seats
from drilltimer.group.timeline import Stage


@dataclass(frozen=True, slots=True)
class RosterMove:
    """A player who was taken out or brought in, at `at_s` from the session's start."""

    at_s: float
    player: str
    inside: bool


class Roster:
    """The players of a running session."""

    def __init__(self, plan: GroupPlan) -> None:
        self.plan = plan
        self.moves: list[RosterMove] = []
        self._squads = list(make_squads(plan)) if plan.stations else []
        self._length = intervals_per_round(plan)
        self._said: dict[int, bool] = {}  # by the coach, which the plan's own times yield to

    def there(self, player: int, start_s: float, end_s: float) -> bool:
        """Whether a player (place in the list, from 0) is there for all of that time."""
        return self._said.get(player, self.plan.players[player].there(start_s, end_s))

    def away(self, now_s: float) -> tuple[int, ...]:
        """Players who are not there now."""
        return tuple(player for player in range(len(self.plan.players)) if not self.there(player, now_s, now_s))

    def move(self, player: int, now_s: float) -> RosterMove:
        """Take a player out who is there, or bring one in who is not; one beyond the list comes new to it."""
        if player == len(self.plan.players):
            self._join()
            inside = True
        else:
            inside = not self.there(player, now_s, now_s)
        self._said[player] = inside
        self.moves.append(RosterMove(now_s, self.plan.players[player].name, inside))
        return self.moves[-1]

    def seated(self, stage: Stage) -> Stage:
        """A stage with whoever is there in it."""
        if stage.kind != "stations":
            everybody = range(len(self.plan.players))
            there = tuple(player for player in everybody if self.there(player, stage.start_s, stage.end_s))
            return replace(stage, seats=Seats((there,)))
        interval = (stage.round - 1) * self._length + stage.place
        here = seats(self.plan, interval, lambda player: self.there(player, stage.start_s, stage.end_s), self._squads)
        return replace(stage, seats=here)

    def _join(self) -> None:
        """Somebody new, by the next free number, in the shortest squad."""
        number = len(self.plan.players) + 1
        taken = {player.name for player in self.plan.players}
        name = next(str(each) for each in range(number, 2 * number) if str(each) not in taken)
        levels = {player.level for player in self.plan.players}
        child = any(player.child for player in self.plan.players)
        new = GroupPlayer(name, number, levels.pop() if len(levels) == 1 else None, child)
        self.plan = replace(self.plan, players=(*self.plan.players, new))
        if self._squads:
            shortest = min(range(len(self._squads)), key=lambda squad: len(self._squads[squad]))
            self._squads[shortest] = (*self._squads[shortest], number - 1)
