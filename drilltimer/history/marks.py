"""What a coach saw of reps that were measured, and how far the two agree."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

from drilltimer.model import TIMED_GRADES, Grade, Verdict

if TYPE_CHECKING:
    from drilltimer.ui.wording import Wording

FEEDING = "live feeding"  # how the drill of such a session is called in the history


class Mark(StrEnum):
    """What a coach saw of a rep."""

    EARLY = "early"
    ON_TIME = "on time"
    LATE = "late"
    VOID = "void"


@dataclass(frozen=True, slots=True)
class Agreement:
    """A coach's eye beside the measurement, over the reps that have both.

    Parameters
    ----------
    marked, agreed : int
        Reps marked early, on time or late and measured, and those where both say the same.
    crossed : tuple of (Mark, Grade, int)
        How often each mark met each grade, in that order.
    mean_ms : tuple of (Mark, float)
        Mean touchdown of the reps with each mark.
    """

    marked: int
    agreed: int
    crossed: tuple[tuple[Mark, Grade, int], ...]
    mean_ms: tuple[tuple[Mark, float], ...]


AGREES: Mapping[Mark, frozenset[Grade]] = {
    Mark.EARLY: frozenset({Grade.BEFORE, Grade.EARLY}),
    Mark.ON_TIME: frozenset({Grade.ON_TIME}),
    Mark.LATE: frozenset({Grade.LATE}),
}


def agreement(verdicts: Iterable[Verdict], marks: Mapping[int, Mark]) -> Agreement:
    """Compare marks with verdicts, both by rep; reps declared void are left out."""
    pairs = [(marks[v.rep], v) for v in verdicts if marks.get(v.rep, Mark.VOID) in AGREES and v.grade in TIMED_GRADES]
    counts: dict[tuple[Mark, Grade], int] = {}
    for mark, verdict in pairs:
        counts[mark, verdict.grade] = counts.get((mark, verdict.grade), 0) + 1
    crossed = tuple((m, g, counts[m, g]) for m in Mark for g in Grade if (m, g) in counts)
    means = []
    for mark in AGREES:
        touchdowns_ms = [v.touchdown_ms for m, v in pairs if m is mark and v.touchdown_ms is not None]
        if touchdowns_ms:
            means.append((mark, math.fsum(touchdowns_ms) / len(touchdowns_ms)))
    agreed = sum(verdict.grade in AGREES[mark] for mark, verdict in pairs)
    return Agreement(len(pairs), agreed, crossed, tuple(means))


def agreement_lines(agreement: Agreement, wording: Wording) -> list[str]:
    """A coach's eye beside the measurement; nothing where nothing was marked."""
    if not agreement.marked:
        return []
    crossed = [
        wording.counted("feed.crossed", times, mark=mark.value, grade=wording.grade(grade), times=times)
        for mark, grade, times in agreement.crossed
    ]
    means = [wording("feed.mean", mark=mark.value, ms=mean_ms) for mark, mean_ms in agreement.mean_ms]
    return [
        wording.counted("feed.agreement", agreement.marked, agreed=agreement.agreed, marked=agreement.marked),
        *crossed,
        *means,
    ]
