"""Levels inside a session: up when the window has become easy, down when it is out of reach.

Notes
-----
Difficulty that follows success keeps practice near where it teaches most (challenge point: Guadagnoli and Lee 2004,
J Mot Behav 36:212-224, from memory). The shares, 80 % and 50 % of ten, are our choice.

A move goes back with the rep that led to it when that is declared void: only the last rep can be, so nothing was judged
by the new window yet, and a passer-by must not cost a level for ten reps.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from drilltimer.errors import Notice, notice
from drilltimer.model import LEVELS, TIMED_GRADES, Grade, Level, Progression, Rep, Verdict


@dataclass(frozen=True, slots=True)
class LevelMove:
    """The player goes to another level, because `hits` of the last `reps` were in the window.

    `back`: returns to `level`, because the rep that had led away from it was declared void.
    """

    level: Level
    up: bool
    hits: int
    reps: int
    back: bool = False


def move_notice(move: LevelMove) -> Notice:
    """A player's move to another level, to be told."""
    key = "lines.level_back" if move.back else "lines.level_up" if move.up else "lines.level_down"
    return notice(key, level=notice(f"level.{move.level}"), hits=move.hits, reps=move.reps)


class Ladder:
    """Where a player stands between the levels.

    A drill's blocks may have levels of their own, so what is kept is the number of steps up or down from them.

    Parameters
    ----------
    rule : Progression | None
        None: nobody moves.
    """

    def __init__(self, rule: Progression | None) -> None:
        self._rule = rule
        self._steps = 0
        self._standing = 0  # the steps that the last rep's own level left room for
        self._recent: tuple[bool, ...] = ()  # in the window
        # Steps and recent reps before the last rep taken, and after it.
        self._before: tuple[int, tuple[bool, ...]] = (0, ())
        self._after: tuple[int, tuple[bool, ...]] = (0, ())
        self._move: LevelMove | None = None  # that this one led to
        self._level: Level | None = None  # and the level it was judged at

    def place(self, rep: Rep) -> Rep:
        """`rep` with the window of the level at which the player stands."""
        if self._rule is None or rep.level is None or not rep.ladder:
            return rep
        rung = LEVELS.index(_moved(rep.level, self._steps))
        self._standing = rung - LEVELS.index(rep.level)
        return replace(rep, level=LEVELS[rung], window=rep.ladder[rung])

    def take(self, rep: Rep, verdict: Verdict) -> LevelMove | None:
        """Note a rep that `place` has placed; answers the move that follows from it, or None."""
        self._before, self._level = (self._steps, self._recent), rep.level
        self._move = self._step(rep, verdict)
        return self._move

    def withdraw(self) -> LevelMove | None:
        """Leave out the rep taken last, which was declared void; answers the move back when it had led to one."""
        self._after = self._steps, self._recent
        self._steps, self._recent = self._before
        move, level = self._move, self._level
        return None if move is None or level is None else replace(move, level=level, up=not move.up, back=True)

    def put_back(self) -> LevelMove | None:
        """Count the rep again that was withdrawn last; answers the move that it leads to."""
        self._steps, self._recent = self._after
        return self._move

    def _step(self, rep: Rep, verdict: Verdict) -> LevelMove | None:
        scored = verdict.grade in TIMED_GRADES or verdict.grade is Grade.MISSED
        if self._rule is None or rep.level is None or not rep.ladder or not scored:
            return None
        self._recent = (*self._recent, verdict.grade is Grade.ON_TIME)[-self._rule.reps :]
        if len(self._recent) < self._rule.reps:
            return None
        hits = sum(self._recent)
        share = hits / self._rule.reps
        step = 1 if share >= self._rule.up_share else -1 if share < self._rule.down_share else 0
        level = _moved(rep.level, step)
        if level == rep.level:
            return None
        self._steps = self._standing + step  # from where the player stands, or a move would change nothing
        self._recent = ()  # the next ten are judged by the new window alone
        return LevelMove(level, step > 0, hits, self._rule.reps)


def _moved(level: Level, steps: int) -> Level:
    return LEVELS[min(max(LEVELS.index(level) + steps, 0), len(LEVELS) - 1)]
