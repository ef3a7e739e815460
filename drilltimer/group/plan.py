"""What a group plan holds, once it was read: players, stations, warm-up, times."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from drilltimer.model import Level, Placement

Side = Literal["left", "right"]

MAX_PLAYERS = 40
# Circuits: 6-12 stations of 30 s with 30 s to change, 1-2 min between rounds, 2-3 rounds (clinic guidance, quoted).
WORK_S = 30.0
CHANGE_S = 30.0
ROUND_REST_S = 60.0
ROUNDS = 2
TIME_LIMIT_S = 3600.0  # a usual booking, our choice
FINISH_S = 3.0  # for the last words


@dataclass(frozen=True, slots=True)
class GroupPlayer:
    """Who takes part, and when.

    Parameters
    ----------
    name : str
        A name or a number.
    number : int
        Place in the list, from 1: what is spoken where no recording of the name exists.
    level : Level | None
        Whose windows judge this player; None: the drill's.
    arrives_s, leaves_s : float | None
        From the plan's start; None: there from the beginning, to the end.
    """

    name: str
    number: int
    level: Level | None = None
    child: bool = False
    arrives_s: float | None = None
    leaves_s: float | None = None

    def there(self, start_s: float, end_s: float) -> bool:
        """Whether this player is there for all of that time."""
        late = self.arrives_s is not None and start_s < self.arrives_s
        gone = self.leaves_s is not None and end_s > self.leaves_s
        return not late and not gone

    @property
    def always_there(self) -> bool:
        """Neither a latecomer nor a leaver."""
        return self.arrives_s is None and self.leaves_s is None


@dataclass(frozen=True, slots=True)
class Station:
    """A place to work at.

    Parameters
    ----------
    drill : str | None
        Name of the drill whose contacts are answered here; None: a plain exercise.
    microphone : int | None
        Input channel, from 1, that hears the feet here; None: nobody is scored.
    turns : bool
        One player at a time answers and is scored; otherwise all at once, heard as a group.
    side : Side | None
        The loudspeaker whose contacts are answered here, where there are two.
    """

    name: str
    drill: str | None = None
    microphone: int | None = None
    turns: bool = True
    side: Side | None = None
    placement: Placement = field(default_factory=Placement)
    exercise: str = ""  # what is done there, in words

    @property
    def scored(self) -> bool:
        """Whether each landing here is one player's."""
        return self.microphone is not None and self.turns


@dataclass(frozen=True, slots=True)
class WarmUp:
    """A block that all do together: a movement, or the contacts of a drill.

    `landings_per_min` is what the movement asks of legs; a drill's own contacts are counted.
    """

    name: str
    work_s: float
    rest_s: float
    drill: str | None = None
    landings_per_min: float = 0.0


@dataclass(frozen=True, slots=True)
class GroupPlan:
    """A whole plan. `rotation` empty: in order; otherwise rows of station numbers (from 1; 0 rests), one per squad."""

    name: str
    description: str
    players: tuple[GroupPlayer, ...]
    stations: tuple[Station, ...] = ()
    warm_up: tuple[WarmUp, ...] = ()
    pairs: bool = False
    places: int | None = None  # players at a station at once
    work_s: float = WORK_S
    change_s: float = CHANGE_S
    round_rest_s: float = ROUND_REST_S
    rounds: int = ROUNDS
    rotation: tuple[tuple[int, ...], ...] = ()
    time_limit_s: float = TIME_LIMIT_S
    microphone: int | None = 1  # that hears the whole group in warm-up blocks
    lane_gap_m: float = 3.0
    placement: Placement = field(default_factory=Placement)

    @property
    def drills(self) -> tuple[str, ...]:
        """Names of all drills, each once."""
        named = [*(block.drill for block in self.warm_up), *(station.drill for station in self.stations)]
        return tuple(dict.fromkeys(name for name in named if name))

    @property
    def channels(self) -> int:
        """Input channels that must be opened."""
        return max([1, *(station.microphone or 1 for station in self.stations), self.microphone or 1])

    @property
    def two_sides(self) -> bool:
        """Whether left and right play contacts of their own."""
        return any(station.side for station in self.stations)
