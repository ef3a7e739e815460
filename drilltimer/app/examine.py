"""Everything that can be said about a drill file without playing it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from drilltimer.app.plan import Plan, with_recognition
from drilltimer.audio.files import find_drill, load_word
from drilltimer.drill.language import place_of, read_drill
from drilltimer.drill.load import DEFERENCE, Caution, Load, cautions, measure_load
from drilltimer.drill.schedule import room_after_s, schedule
from drilltimer.errors import Notice, Problem, notice
from drilltimer.model import Drill, DrillBlock
from drilltimer.score.match import FASTEST_REACTION_MS
from drilltimer.sound.render import RENDERED
from drilltimer.ui.wording import english
from drilltimer.units import s_from_frames

SEEDS = (0, 1, 2)  # waits and rallies are drawn: a caution counts when any of these draws deserves it
SLACK_S = 0.01  # a call may end so much after its room without anybody hearing it


@dataclass(frozen=True, slots=True)
class Examined:
    """A drill that can be run, laid out once, and what a coach should know about it."""

    file: str
    plan: Plan
    load: Load
    warnings: tuple[Problem, ...]
    notes: tuple[Problem, ...]


def examine(name_or_path: str) -> Examined:
    """Read and lay out a drill, and look for what is not wrong but doubtful.

    Raises
    ------
    DrillFileError
        With all errors of the file.
    """
    text, file = find_drill(name_or_path)
    drill, tree = read_drill(text, file)
    drill = with_recognition(drill)
    laid_out = [schedule(drill, seed) for seed in SEEDS]
    loads = [measure_load(drill, reps) for reps in laid_out]
    found = [*_about_load(drill, loads), *_doubts(drill)]

    def told(kind: str) -> tuple[Problem, ...]:
        problems = {
            Problem(file, *place_of(tree, caution.block, caution.key), caution.key, english().tell(caution.message))
            for caution in found
            if caution.kind == kind
        }
        return tuple(sorted(problems, key=lambda problem: (problem.line, problem.column, problem.message)))

    return Examined(file, Plan(drill, SEEDS[0], laid_out[0]), loads[0], told("warning"), told("note"))


def _about_load(drill: Drill, loads: list[Load]) -> list[Caution]:
    """Warnings that any of the draws deserves, one per setting; notes about the one that is shown."""
    told: dict[tuple[str, int | None], Caution] = {}
    for load in loads:
        for caution in cautions(drill, load):
            if caution.kind == "warning":
                told.setdefault((caution.key, caution.block), caution)
    return [*told.values(), *(caution for caution in cautions(drill, loads[0]) if caution.kind == "note")]


def about_load(plan: Plan) -> list[Notice]:
    """What a plan asks for beyond guidance, to be told before it begins; nothing where it stays within."""
    told = cautions(plan.drill, measure_load(plan.drill, plan.reps))
    return [*(notice(caution.kind, text=caution.message) for caution in told), *[DEFERENCE] * bool(told)]


def _doubts(drill: Drill) -> Iterator[Caution]:
    for number, block in enumerate(drill.blocks):
        yield from _missing_words(block, number)
        yield from _long_calls(block, number)
        yield from _strange_window(block, number)


def _missing_words(block: DrillBlock, number: int) -> Iterator[Caution]:
    speech, calls, wait = block.speech, block.calls, block.rhythm.wait
    spoken = {
        "calls": calls.words if calls and not calls.tones else (),
        "speech": (*speech.explain, *speech.reminders, *speech.finish),
        "rhythm": (wait.word,) if wait and wait.word else (),
    }
    for key, words in spoken.items():
        for word in dict.fromkeys(words):
            if word not in RENDERED and load_word(word) is None:
                message = f'there is no recording of "{word}": drilltimer sounds record "{word}"'
                yield Caution("warning", message, key, number)


def _long_calls(block: DrillBlock, number: int) -> Iterator[Caution]:
    """Calls that are still sounding when the next lead-in may begin; the schedule gives each 0.45 s."""
    calls = block.calls
    if calls is None or calls.tones:
        return
    last_s = calls.delay_high_s + (calls.switch_after_s if calls.switch_share else 0.0)
    for word, recognised_s in zip(calls.words, calls.recognised_s, strict=True):
        sound = load_word(word)
        if sound is None:
            continue
        length_s = s_from_frames(len(sound.samples) - sound.anchor, sound.rate_hz)
        if calls.known:
            length_s -= recognised_s
        if last_s + length_s > room_after_s(block) + SLACK_S:
            message = (
                f'"{word}" lasts {length_s:.2f} s: called up to {last_s:g} s after the contact, it overlaps the next '
                "lead-in; say it shorter or call it sooner"
            )
            yield Caution("warning", message, "calls", number)


def _strange_window(block: DrillBlock, number: int) -> Iterator[Caution]:
    if block.mode == "reactive" and block.window.open_ms < FASTEST_REACTION_MS:
        message = (
            f"opens {block.window.open_ms:g} ms after the contact, but nobody can answer an unannounced one within "
            f"{FASTEST_REACTION_MS:g} ms: such landings count as guesses"
        )
        yield Caution("warning", message, "window", number)
    if block.mode == "predictive" and block.window.open_ms < 0.0:
        message = "opens before the contact, but landings before it are never on time"
        yield Caution("warning", message, "window", number)
