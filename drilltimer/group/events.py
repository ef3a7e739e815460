"""What a running group asks for and tells."""

from __future__ import annotations

from dataclasses import dataclass

from drilltimer.errors import Notice
from drilltimer.group.crowd import Gathering
from drilltimer.group.roster import RosterMove
from drilltimer.group.timeline import Stage
from drilltimer.model import Cue, Rep, Sound, Verdict
from drilltimer.session.events import Ended, Play, Silence


@dataclass(frozen=True, slots=True)
class Say:
    """A word to be played, its first sample at frame `start` of the stream; `player` is the one whom it calls."""

    start: int
    sound: Sound
    cue: Cue
    player: int | None = None

    @property
    def end(self) -> int:
        """Frame after its last sample."""
        return self.start + len(self.sound.samples)


@dataclass(frozen=True, slots=True)
class ScoredRep:
    """A rep of one player, judged. `player` and `station` are places in the plan's lists."""

    player: int
    station: int
    rep: Rep
    verdict: Verdict


@dataclass(frozen=True, slots=True)
class Gathered:
    """A contact that the whole group answered, estimated."""

    rep: Rep
    gathering: Gathering


@dataclass(frozen=True, slots=True)
class Begun:
    """A stage's change-over begins: who has to go where."""

    stage: Stage


@dataclass(frozen=True, slots=True)
class CoachNotice:
    """Something for the coach to read."""

    what: Notice


@dataclass(frozen=True, slots=True)
class Moved:
    """A player was taken out, or is brought in with the next change-over; `silences` a turn that nobody is left in."""

    move: RosterMove
    silences: bool = False


GroupEvent = Play | Say | Silence | ScoredRep | Gathered | Begun | Moved | CoachNotice | Ended
