"""What a board may show of a running group: who is where, how long still, who is next, scores so far."""

from __future__ import annotations

from dataclasses import dataclass

from drilltimer.errors import Notice


@dataclass(frozen=True, slots=True)
class Place:
    """One station: what is done there, by whom, and by whom next. `active` are those whose turn it is."""

    title: str
    players: tuple[str, ...]
    active: tuple[str, ...] = ()
    next_players: tuple[str, ...] = ()
    scored: bool = False


@dataclass(frozen=True, slots=True)
class PlayerScore:
    """A player's scores so far."""

    player: str
    reps: int
    in_window_share: float | None
    constant_error_ms: float | None


@dataclass(frozen=True, slots=True)
class Listed:
    """A player of the list, and whether this player is there."""

    player: str
    inside: bool


@dataclass(frozen=True, slots=True)
class Board:
    """What may be shown at one moment of a group session.

    Parameters
    ----------
    stage, next_stage : Notice, str or None
        What is done, and what follows.
    working : bool
        False in a change-over.
    left_s : float
        Of the work, or of the change-over.
    whole_left_s : float
        Until everybody is free.
    scores : tuple of PlayerScore
        In the order of the list.
    together : Notice | None
        What was estimated of the group as a whole.
    paused : Notice | None
        Why the session stands still.
    roster : tuple of Listed
        Everybody, in the order of the list: a coach takes players out and brings them in by their place in it.
    joins : bool
        Whether somebody new finds room in it.
    """

    title: str
    stage: Notice | str | None
    next_stage: Notice | str | None
    working: bool
    left_s: float
    whole_left_s: float
    places: tuple[Place, ...]
    resting: tuple[str, ...]
    scores: tuple[PlayerScore, ...]
    together: Notice | None = None
    paused: Notice | None = None
    roster: tuple[Listed, ...] = ()
    joins: bool = True
