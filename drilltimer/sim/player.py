"""A player with known faults: when each foot lands, when the first step falls, and when nothing comes."""

from __future__ import annotations

import random
from dataclasses import dataclass, replace
from statistics import NormalDist

from drilltimer.model import TYPICAL_RECOGNITION_S, Rep
from drilltimer.units import ms_from_s

REACTIVE_RANGE_MS = (330.0, 600.0)  # reaction 85-100 + push-off + flight >= 100 ms; derived, no published table
LEVEL_SD_DB = 3.0  # landing to landing, our choice
STEP_LEVEL_DB = -5.0  # a first step is softer than a landing, our choice
STEP_IN_MS, STEP_IN_DB = (200.0, 450.0), (-12.0, 0.0)  # before the landing and beside it, our choice
BOUNCES, BOUNCE_MS, BOUNCE_DB = (2, 4), (250.0, 400.0), (-18.0, -8.0)  # how many, how far apart, how loud; our choice
RECOVERY_MS = 120.0  # nobody steps off sooner after the second foot, our choice
STEP_MS, SHORTEST_STEP_MS = 180.0, 100.0  # from the beginning of a step to its footfall: our choice


@dataclass(frozen=True, slots=True)
class Skill:
    """What a player does on average, and how much that varies.

    Parameters
    ----------
    constant_error_ms, variable_error_ms : float
        Mean and standard deviation of touchdown minus window centre; negative = early.
    stagger_ms, stagger_sd_ms : float
        Second foot after the first.
    reaction_ms, reaction_sd_ms : float
        Beginning of the first step after its direction is known; the footfall comes `STEP_MS` later.
    miss_share : float
        Reps without a hop.
    guess_share : float
        Reps in which the first step leaves before the call could be used.
    kept_still_share : float
        Withheld reps in which the player rightly stays down.
    step_in_share, bounce_share : float
        Landings before which the player steps forward into the hop, or bounces on the toes.
    """

    name: str
    constant_error_ms: float
    variable_error_ms: float
    stagger_ms: float
    stagger_sd_ms: float
    reaction_ms: float
    reaction_sd_ms: float
    miss_share: float
    guess_share: float
    kept_still_share: float
    step_in_share: float = 0.0
    bounce_share: float = 0.0


# Sources. Variable error: spread of split-step timing over 8,545 strokes, U14 girls 106 ms, professionals 62 ms
# (Filipčič et al. 2017, J Hum Kinet 55:97-105, as transcribed second-hand; players and situations mixed, 25 Hz video);
# 30 ms for a single expert in one drill is our choice. Constant error: our choice, late because an untrained player
# first moves 400-500 ms after contact (common practice, no source). Stagger: one published example of 32 ms (Avilés
# et al. 2014, second-hand), the rest our choice within 0-50 ms. Reaction: two-choice sidestep initiation 279-322 ms
# (Fujii et al. 2013, J Electromyogr Kinesiol 23:1467-73, abstract), less the signal's own time to be understood, which
# `known_s` counts; novice and spreads our choice. Guess share:
# anticipations in 6-13 % of professional situations (Triolet et al. 2013, J Sports Sci 31:820-830, abstract).
# Shares of misses, of withheld reps kept still, and of steps and bounces before the landing: our choice.
SKILLS: dict[str, Skill] = {
    skill.name: skill
    for skill in (
        Skill("novice", 90.0, 106.0, 40.0, 18.0, 400.0, 90.0, 0.10, 0.13, 0.30, 0.15, 0.10),
        Skill("club", 35.0, 62.0, 32.0, 12.0, 322.0, 60.0, 0.04, 0.10, 0.60, 0.20, 0.15),
        Skill("expert", 5.0, 30.0, 20.0, 8.0, 279.0, 40.0, 0.01, 0.06, 0.90, 0.25, 0.20),
        Skill("metronome", 0.0, 0.0, 25.0, 0.0, 300.0, 0.0, 0.0, 0.0, 1.0),  # no spread at all: for checks
    )
}


@dataclass(frozen=True, slots=True)
class PlannedLanding:
    """What the player will do in one rep. Times in ms after the contact as it reaches the player.

    `first_step_ms` is None when nothing was called. `before` are footfalls before the landing, each by how much sooner
    it comes and by its level. Levels are relative to the room's nominal landing.
    """

    touchdown_ms: float
    stagger_ms: float
    first_step_ms: float | None
    level_db: float
    second_level_db: float
    step_level_db: float
    before: tuple[tuple[float, float], ...] = ()


class SimulatedPlayer:
    """Answers reps; a pure function of skill, seed and rep, so it neither learns nor tires."""

    def __init__(self, skill: Skill, seed: int = 0) -> None:
        self.skill = skill
        self.seed = seed

    def answer(self, rep: Rep) -> PlannedLanding | None:
        """Landing planned for `rep`; None when the player stays down."""
        draw = _Draws(f"player/{self.seed}/{rep.index}")
        skill = self.skill
        if draw.share() < (skill.kept_still_share if rep.withheld else skill.miss_share):
            return None
        touchdown_ms = rep.window.centre_ms + draw.normal(skill.constant_error_ms, skill.variable_error_ms)
        if rep.mode == "reactive":
            touchdown_ms = _reflected(touchdown_ms, *REACTIVE_RANGE_MS)
        stagger_ms = abs(draw.normal(skill.stagger_ms, skill.stagger_sd_ms))
        plan = PlannedLanding(
            touchdown_ms,
            stagger_ms,
            self._first_step_ms(rep, touchdown_ms + stagger_ms, draw),
            level_db=draw.normal(0.0, LEVEL_SD_DB),
            second_level_db=draw.normal(0.0, LEVEL_SD_DB),
            step_level_db=draw.normal(STEP_LEVEL_DB, LEVEL_SD_DB),
        )
        return replace(plan, before=self._before(rep, max(plan.level_db, plan.second_level_db)))

    def _before(self, rep: Rep, landing_db: float) -> tuple[tuple[float, float], ...]:
        """Footfalls before a landing: none, a step into the hop, or bounces on the toes."""
        draw = _Draws(f"before/{self.seed}/{rep.index}")
        chance = draw.share()
        if chance < self.skill.step_in_share:
            return ((draw.between(*STEP_IN_MS), landing_db + draw.between(*STEP_IN_DB)),)
        if chance > 1.0 - self.skill.bounce_share:
            count, before_ms, bounces = round(draw.between(*BOUNCES)), 0.0, []
            for _ in range(count):
                before_ms += draw.between(*BOUNCE_MS)
                bounces.append((before_ms, landing_db + draw.between(*BOUNCE_DB)))
            return tuple(bounces)
        return ()

    def _first_step_ms(self, rep: Rep, feet_down_ms: float, draw: _Draws) -> float | None:
        call = next((cue for cue in rep.cues if cue.role == "call"), None)
        if call is None or rep.withheld:
            return None
        known_s = TYPICAL_RECOGNITION_S if call.known_s is None else call.known_s
        known_ms = ms_from_s(rep.start_s + call.at_s - rep.contact_s + known_s)
        reaction_ms = draw.normal(self.skill.reaction_ms, self.skill.reaction_sd_ms)
        guessed = draw.share() < self.skill.guess_share
        earliest_ms = feet_down_ms + RECOVERY_MS
        step_draw = _Draws(f"step/{self.seed}/{rep.index}")
        step_ms = max(SHORTEST_STEP_MS, step_draw.normal(STEP_MS, self.skill.reaction_sd_ms / 2.0))
        return earliest_ms if guessed else max(earliest_ms, known_ms + reaction_ms + step_ms)


class _Draws:
    """Seeded draws from `random.random` alone: the same on every Python version."""

    def __init__(self, seed: str) -> None:
        self._random = random.Random(seed)

    def share(self) -> float:
        return self._random.random()

    def between(self, low: float, high: float) -> float:
        return low + (high - low) * self._random.random()

    def normal(self, mean: float, sd: float) -> float:
        share = 1e-9 + (1.0 - 2e-9) * self._random.random()  # the inverse is infinite at 0 and 1
        return mean + sd * NormalDist().inv_cdf(share)


def _reflected(value: float, low: float, high: float) -> float:
    """Fold `value` into the range, so that no draw piles up on a border."""
    span = high - low
    phase = (value - low) % (2.0 * span)
    return low + (phase if phase <= span else 2.0 * span - phase)
