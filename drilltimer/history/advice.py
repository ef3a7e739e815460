"""What to practise next, by rules that the report prints beside its advice. A coach who sees the player knows better.

All limits are this project's choice; that the feet land together and that early costs more than late is taught (common
practice, no source; for early also Uzu, Shinya & Oda 2009, J Sports Sci 27(12):1233-1240, abstract). Where a direction
is to be answered good returners land on the far foot first in two of three returns (Avilés et al. 2014, ITF Coaching &
Sport Sci Rev 64:8-11, second-hand): stagger is advised on where nothing is called alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median

from drilltimer.errors import Notice, notice
from drilltimer.history.change import FEWEST_REPS
from drilltimer.history.entries import RepEntry
from drilltimer.model import Grade, Scores
from drilltimer.score.stats import FEWEST_INTERVAL

VOID_SHARE = 0.2
MISSED_SHARE = 0.2
GUESS_SHARE = 0.1
GOOD_SHARE = 0.8
STAGGER_MS = 40.0
FEWEST = 10  # reps: how many there are decides whether anything is advised, not how lucky they were
MOST = 3
WISHED = {"by_hand", "paused"}  # why a rep is void that the microphone has nothing to do with


@dataclass(frozen=True, slots=True)
class Advice:
    """What to do, with which drill ("" for none), and the rule that said so."""

    text: Notice
    drill: str
    rule: str


def advise(entries: Sequence[RepEntry], scores: Scores, mode: str) -> list[Advice]:
    """The three rules that matter most and hold, in order of weight. `entries` are the counted reps of one mode."""
    found = [advice for holds, advice in _rules(entries, scores, mode) if holds]
    return found[:MOST] or [Advice(notice("advice_1"), "", "none of the others holds")]


def _rules(entries: Sequence[RepEntry], scores: Scores, mode: str) -> list[tuple[bool, Advice]]:
    voids = [each.verdict.void for each in entries if each.verdict.void is not None]
    measuring = _measuring(scores, sum(void.key in WISHED for void in voids))
    if scores.n < FEWEST:
        return measuring
    timing = _timing(entries, scores) if mode == "predictive" else _reaction(scores)
    return [*measuring, *timing, *_practice(entries, scores)]


def _measuring(scores: Scores, wished: int) -> list[tuple[bool, Advice]]:
    """Whether there is enough to go by; reps that somebody made void say nothing of the microphone."""
    unheard = scores.void - wished
    asked = scores.n + unheard
    return [
        (
            asked > 0 and unheard >= VOID_SHARE * asked,
            Advice(notice("advice_2"), "",
                   f"at least {VOID_SHARE:.0%} of the reps could not be heard"),
        ),
        (
            scores.n < FEWEST,
            Advice(notice("advice_3"), "steady-contact", f"fewer than {FEWEST} reps"),
        ),
        (
            scores.n > 0 and scores.missed >= MISSED_SHARE * scores.n,
            Advice(notice("advice_4"), "steady-contact",
                   f"at least {MISSED_SHARE:.0%} of the landings were missed"),
        ),
    ]  # fmt: skip


def _timing(entries: Sequence[RepEntry], scores: Scores) -> list[tuple[bool, Advice]]:
    """Early or late, where the contact was announced."""
    late, early = _habit(scores)
    before = sum(each.verdict.grade == Grade.BEFORE for each in entries)
    many_before = scores.n > 0 and before >= GUESS_SHARE * scores.n
    return [
        (
            many_before,
            Advice(notice("advice_5"),
                   "serve-return", f"at least {GUESS_SHARE:.0%} of the landings came before the contact"),
        ),
        (
            late,
            Advice(notice("advice_6"), "serve-return", "the 95 % interval of the habit lies above zero"),
        ),
        (
            early and not many_before,
            Advice(notice("advice_7"), "steady-contact", "the 95 % interval of the habit lies below zero"),
        ),
    ]  # fmt: skip


def _reaction(scores: Scores) -> list[tuple[bool, Advice]]:
    """Late, where nothing announced the contact; early there is chance."""
    return [
        (_habit(scores)[0], Advice(notice("advice_12"), "reaction", "the 95 % interval of the habit lies above zero"))
    ]


def _habit(scores: Scores) -> tuple[bool, bool]:
    """Whether the headline tells of a habit, late or early, that is more than chance."""
    if scores.timed < FEWEST_INTERVAL or scores.ci95_low_ms is None or scores.ci95_high_ms is None:
        return False, False
    return scores.ci95_low_ms > 0.0, scores.ci95_high_ms < 0.0


def _practice(entries: Sequence[RepEntry], scores: Scores) -> list[tuple[bool, Advice]]:
    """Scatter, guesses, feet, and when to go on."""
    half_ms = _half_window_ms(entries)
    alone = undirected(entries)
    staggers_ms = [each.verdict.stagger_ms for each in alone if each.verdict.stagger_ms is not None]
    return [
        (
            scores.variable_error_ms is not None and scores.variable_error_ms > half_ms,
            Advice(notice("advice_8"), "steady-contact",
                   "the scatter is more than half of the window"),
        ),
        (
            scores.timed > 0 and scores.guesses >= GUESS_SHARE * scores.timed,
            Advice(notice("advice_9"), "direction",
                   f"guesses come to at least {GUESS_SHARE:.0%} of the landings"),
        ),
        (
            len(staggers_ms) >= FEWEST_REPS and median(staggers_ms) > STAGGER_MS,
            Advice(notice("advice_10"), "first-hop",
                   f"half of the staggers are above {STAGGER_MS:.0f} ms"),
        ),
        (
            scores.n >= FEWEST_REPS and (scores.in_window_share or 0.0) >= GOOD_SHARE,
            Advice(notice("advice_11"), "random-contact",
                   f"at least {GOOD_SHARE:.0%} were in the window"),
        ),
    ]  # fmt: skip


def undirected(entries: Sequence[RepEntry]) -> list[RepEntry]:
    """Reps of blocks in which nothing is called; with real balls every direction is real."""
    called = {each.rep.block for each in entries if each.rep.call}
    return [each for each in entries if each.rep.block not in called and each.rep.cues]


def _half_window_ms(entries: Sequence[RepEntry]) -> float:
    windows = [each.rep.window for each in entries]
    return median([(window.close_ms - window.open_ms) / 2.0 for window in windows]) if windows else 0.0
