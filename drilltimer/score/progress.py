"""Levels inside a session: up when the window has become easy, down when it is out of reach.

Notes
-----
Difficulty that follows success keeps practice near where it teaches most (challenge point: Guadagnoli and Lee 2004,
J Mot Behav 36:212-224, from memory). The shares, 80 % and 50 % of ten, are our choice.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from drilltimer.model import LEVELS, TIMED_GRADES, Grade, Level, Progression, Rep, Verdict


@dataclass(frozen=True, slots=True)
class Move:
    """The player goes to another level, because `hits` of the last `reps` were in the window."""

    level: Level
    up: bool
    hits: int
    reps: int


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
        self._recent: list[tuple[int, bool]] = []  # rep, in the window
        self._withdrawn: list[tuple[int, bool]] = []

    def place(self, rep: Rep) -> Rep:
        """`rep` with the window of the level at which the player stands."""
        if self._rule is None or rep.level is None or not rep.ladder:
            return rep
        rung = LEVELS.index(_moved(rep.level, self._steps))
        self._standing = rung - LEVELS.index(rep.level)
        return replace(rep, level=LEVELS[rung], window=rep.ladder[rung])

    def take(self, rep: Rep, verdict: Verdict) -> Move | None:
        """Note a rep that `place` has placed; answers the move that follows from it, or None."""
        scored = verdict.grade in TIMED_GRADES or verdict.grade is Grade.MISSED
        if self._rule is None or rep.level is None or not rep.ladder or not scored:
            return None
        self._recent = [*self._recent, (rep.index, verdict.grade is Grade.ON_TIME)][-self._rule.reps :]
        if len(self._recent) < self._rule.reps:
            return None
        hits = sum(inside for _, inside in self._recent)
        share = hits / self._rule.reps
        step = 1 if share >= self._rule.up_share else -1 if share < self._rule.down_share else 0
        level = _moved(rep.level, step)
        if level == rep.level:
            return None
        self._steps = self._standing + step  # from where the player stands, or a move would change nothing
        self._recent = []  # the next ten are judged by the new window alone
        return Move(level, step > 0, hits, self._rule.reps)

    def withdraw(self, rep: int) -> None:
        """Leave out a rep that was declared void; a move that it has led to stays."""
        self._withdrawn = [each for each in self._recent if each[0] == rep]
        self._recent = [each for each in self._recent if each[0] != rep]

    def put_back(self) -> None:
        """Count the rep again that was withdrawn last; the next one may then lead to a move."""
        self._recent, self._withdrawn = self._recent + self._withdrawn, []


def _moved(level: Level, steps: int) -> Level:
    return LEVELS[min(max(LEVELS.index(level) + steps, 0), len(LEVELS) - 1)]
