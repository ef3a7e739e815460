"""What a session asks for, what it tells, and what a screen may show of it."""

from __future__ import annotations

from dataclasses import dataclass

from drilltimer.errors import Notice
from drilltimer.model import (
    Cue,
    Grade,
    Level,
    Rep,
    Scores,
    Sound,
    Verdict,
    Window,
)
from drilltimer.score.progress import LevelMove


@dataclass(frozen=True, slots=True)
class Play:
    """A sound to be played, its first sample at frame `start` of the stream."""

    start: int
    sound: Sound
    cue: Cue
    rep: Rep


@dataclass(frozen=True, slots=True)
class Judged:
    """A rep was heard and judged; `move` tells that the next ones are judged at another level."""

    rep: Rep
    verdict: Verdict
    move: LevelMove | None = None


@dataclass(frozen=True, slots=True)
class Silence:
    """Everything handed out and not yet sounded must be taken back."""


@dataclass(frozen=True, slots=True)
class Ended:
    """All reps are judged and the last sound has faded."""


Event = Play | Judged | Silence | Ended


@dataclass(frozen=True, slots=True)
class Shown:
    """What the player may see by now: one landing, or the mean of `reps`. Never sooner than the ear is told."""

    grade: Grade
    error_ms: float
    reps: int = 1


@dataclass(frozen=True, slots=True)
class Snapshot:
    """What a screen may show of a running session.

    `shown` is for the player, who must not be told before feedback is due; `last`, `recent` and `scores` are the
    coach's. `said` is the word that sounds or has just sounded, `asking` that the player's guess is awaited, `struck`
    that the figure shown is of the last rep, which was declared void.
    """

    done: int
    total: int
    elapsed_s: float
    left_s: float
    last: Verdict | None
    recent: tuple[Verdict, ...]
    scores: Scores
    level_db: float  # peak of the latest block, re full scale
    noise_db: float | None
    level: Level | None = None  # that the last rep was judged at
    shown: Shown | None = None
    window: Window | None = None  # of the last rep judged, or of the first to come
    said: str = ""
    paused: Notice | None = None  # why; None while running
    asking: bool = False
    struck: bool = False
    rest_s: float | None = None  # until it goes on, in a rest that is long enough to be seen
    guesses: int = 0
    right_guesses: int = 0
