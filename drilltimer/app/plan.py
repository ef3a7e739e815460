"""From a drill's name to everything a session needs: reps, sounds, feedback."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial
from typing import Any

from drilltimer.audio.files import find_drill, load_word, recognised_s, user_folder
from drilltimer.drill.language import load_drill
from drilltimer.drill.schedule import schedule
from drilltimer.drill.windows import at_level
from drilltimer.errors import SoundError
from drilltimer.model import Cue, Drill, DrillBlock, FeedbackKind, FeedbackPlan, Level, Rep
from drilltimer.score.feedback import DEFAULT_PLANS, REMINDERS, Feedback, feedback_sounds
from drilltimer.session import SESSION_WORDS
from drilltimer.sound.bank import Bank, build_bank
from drilltimer.sound.render import RENDERED
from drilltimer.units import s_from_frames


@dataclass(frozen=True, slots=True)
class Plan:
    """A drill laid out with one seed."""

    drill: Drill
    seed: int
    reps: tuple[Rep, ...]
    language: str = "en"  # of the words

    @property
    def length_s(self) -> float:
        """From the first frame to the end of the last rep."""
        return self.reps[-1].end_s if self.reps else 0.0

    @property
    def landings(self) -> int:
        """Hops asked of the player; two feet count as one."""
        return sum(not rep.withheld for rep in self.reps)


def make_plan(drill_name: str, seed: int, level: Level | None = None, language: str = "en") -> Plan:
    """Find, read and lay out a drill, its calls timed by the words of a language."""
    drill = with_recognition(load_drill(*find_drill(drill_name)), language)
    if level is not None:
        drill = at_level(drill, level)
    return Plan(drill, seed, schedule(drill, seed), language)


def with_recognition(drill: Drill, language: str = "en") -> Drill:
    """`drill` with how soon each called word can be no other word of its block."""
    return replace(drill, blocks=tuple(_with_recognition(block, language) for block in drill.blocks))


def _with_recognition(block: DrillBlock, language: str) -> DrillBlock:
    if block.calls is None:
        return block
    words = block.calls.words
    return replace(
        block,
        calls=replace(block.calls, recognised_s=tuple(recognised_s(word, words, language) for word in words)),
    )


def load_bank(plan: Plan, rate_hz: int) -> Bank:
    """Every sound that the plan and its feedback may need."""
    wished = (*REMINDERS, *SESSION_WORDS)
    words = partial(load_word, language=plan.language)
    cues = [*_needed(plan), *(Cue("feedback", word, 0.0) for word in wished if words(word) is not None)]
    return build_bank(cues, rate_hz, words)


def check_words(plan: Plan) -> None:
    """See that nothing is missing before a device is opened or a session begun.

    Raises
    ------
    SoundError
        Words of the plan are not recorded in its language; names them all.
    """
    names = {cue.sound for cue in _needed(plan)} - set(RENDERED)
    missing = sorted(name for name in names if load_word(name, plan.language) is None)
    if missing:
        raise SoundError(
            f"there are no recordings in '{plan.language}' of: {', '.join(missing)}",
            why="Words are spoken in one language only; none is mixed in from another.",
            fix=f"Put them under these names as .wav or .flac into {user_folder('sounds') / plan.language}.",
        )


def _needed(plan: Plan) -> list[Cue]:
    cues = [cue for rep in plan.reps for cue in rep.cues]
    for block in plan.drill.blocks:
        cues += [Cue("feedback", name, 0.0) for name in feedback_sounds(feedback_of(block), _words(block)).values()]
    return cues


def load_feedback(plan: Plan, bank: Bank) -> list[Feedback]:
    """One teller per block."""
    tellers = []
    for block in plan.drill.blocks:
        plan_of_block = feedback_of(block)
        sounds = feedback_sounds(plan_of_block, _words(block))
        named = [(name, bank[name, None]) for name in (*sounds.values(), *REMINDERS) if (name, None) in bank]
        lengths_s = {name: s_from_frames(len(sound.samples), sound.rate_hz) for name, sound in named}
        tellers.append(Feedback(plan_of_block, sounds, lengths_s, called=block.calls is not None))
    return tellers


def _words(block: DrillBlock) -> tuple[str, ...]:
    return block.calls.words if block.calls else ()


def feedback_of(block: DrillBlock) -> FeedbackPlan:
    """How the player is told in that block: as the drill says, or else as suits the level."""
    return block.feedback or DEFAULT_PLANS[block.level]


def with_feedback(
    plan: Plan, kind: FeedbackKind | None = None, *, spoken: bool | None = None, guess_first: bool | None = None
) -> Plan:
    """`plan` with other feedback throughout; what is None stays as each block has it."""
    wished = {"kind": kind, "spoken": spoken, "guess_first": guess_first}
    changes: dict[str, Any] = {name: value for name, value in wished.items() if value is not None}
    blocks = tuple(replace(block, feedback=replace(feedback_of(block), **changes)) for block in plan.drill.blocks)
    return replace(plan, drill=replace(plan.drill, blocks=blocks))
