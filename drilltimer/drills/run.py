"""A drill file, read and laid out once, with all that a coach should know of it before it is played."""

from __future__ import annotations

from dataclasses import dataclass

from drilltimer.app.examine import SEEDS, cautions_of
from drilltimer.app.plan import Plan, with_recognition
from drilltimer.audio.files import find_drill
from drilltimer.drill.language import place_of, read_drill
from drilltimer.drill.load import Load, measure_load
from drilltimer.drill.schedule import schedule
from drilltimer.errors import Problem
from drilltimer.ui.wording import english


@dataclass(frozen=True, slots=True)
class Examined:
    """A drill that can be run, laid out once, and what a coach should know about it."""

    file: str
    plan: Plan
    load: Load
    cautions: tuple[Problem, ...]


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
    reps = schedule(drill, SEEDS[0])
    told = {
        Problem(file, *place_of(tree, caution.block, caution.key), caution.key, english().tell(caution.message))
        for caution in cautions_of(drill)
    }
    cautions = tuple(sorted(told, key=lambda problem: (problem.line, problem.column, problem.message)))
    return Examined(file, Plan(drill, SEEDS[0], reps), measure_load(drill, reps), cautions)
