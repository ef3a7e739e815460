"""`drilltimer drills`: what can be practised; show, check and begin a drill; the language's schema."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import asdict
from typing import TYPE_CHECKING

import click

from drilltimer.cli.options import LEVELS, completed, drill_names, json_option
from drilltimer.cli.terminal import note, print_document, print_lines, print_result, result_columns
from drilltimer.units import count_of

if TYPE_CHECKING:
    from drilltimer.cli.wings import House
    from drilltimer.drills.run import Examined

PURPOSES = ("hop", "timing", "waiting", "direction", "return", "rally", "net", "reaction", "legs", "warm-up", "test")
SPORT_NAMES = ("tennis", "badminton", "squash", "padel", "table-tennis", "pickleball")


@click.group(invoke_without_command=True)
@click.option("--sport", type=click.Choice(SPORT_NAMES), help="Only drills for it, and those for all sports.")
@click.option("--level", type=click.Choice(LEVELS), help="Only drills for it.")
@click.option("--for", "purpose", type=click.Choice(PURPOSES), help="Only drills that train it.")
@json_option
@click.pass_context
def drills(context: click.Context, sport: str | None, level: str | None, purpose: str | None, as_json: bool) -> None:
    """List the shipped drills and your own; `show`, `check`, `new` and `schema` do more.

    The list says what each trains and which comes next; first-hop is the first of all.
    """
    if context.invoked_subcommand is None:
        _list(sport, level, purpose, as_json)


@drills.command()
@click.argument("name", shell_complete=completed(drill_names))
@json_option
def show(name: str, as_json: bool) -> None:
    """Tell what drill NAME asks for: in words, drawn in time, its length, landings and cautions."""
    from drilltimer.drill.load import DEFERENCE
    from drilltimer.drill.summary import describe
    from drilltimer.drills.drawing import block_lines, load_lines
    from drilltimer.drills.run import examine
    from drilltimer.ui.wording import english

    examined = examine(name)
    if as_json:
        print_document(_document(examined, describe(examined.plan.drill)))
        return
    drill = examined.plan.drill
    print_lines(
        [
            drill.name,
            drill.description,
            "",
            *describe(drill),
            "",
            *block_lines(examined.plan.drill, examined.plan.reps, result_columns()),
            "",
            *load_lines(examined.load, examined.plan.length_s),
            *(f"Caution: {problem.message}." for problem in examined.cautions),
            *[english().tell(DEFERENCE)] * bool(examined.cautions),
            english()("run.cautions"),
        ]
    )


@drills.command()
@click.argument("files", nargs=-1, required=True, metavar="FILE...", shell_complete=completed(drill_names))
@json_option
def check(files: tuple[str, ...], as_json: bool) -> None:
    """Tell all errors and cautions of drill files (or names) at once, each with line and column.

    Ends with 2 when a file cannot be run; cautions alone end with 0.
    """
    from drilltimer.drills.run import examine
    from drilltimer.errors import UserError

    broken, documents = 0, list[dict[str, object]]()
    for file in files:
        try:
            examined = examine(file)
        except UserError as fault:
            broken += 1
            if as_json:
                found = [asdict(each) for each in getattr(fault, "problems", ())]
                documents.append({"file": file, "runs": False, "what": str(fault.what), "problems": found})
            else:
                note(str(fault))
        else:
            documents.append(_document(examined))
            if not as_json:
                print_lines(_checked(examined))
    if as_json:
        print_document(documents)
    if broken:
        sys.exit(UserError.exit_code)


@drills.command()
@click.argument("name")
@click.option("--sport", type=click.Choice(SPORT_NAMES), default="tennis", show_default=True, help="Its rhythm.")
def new(name: str, sport: str) -> None:
    """Begin a drill of your own: a commented file NAME (a name for your drills folder, or a path)."""
    from drilltimer.drills.catalogue import begin_drill

    path = begin_drill(name, sport)
    print_result(str(path))
    note(f"edit it, then: drilltimer drills check {name}")


@drills.command()
def schema() -> None:
    """Print the JSON Schema of drill files, by which editors complete and check them."""
    from drilltimer.drill.language import drill_schema

    print_document(drill_schema(), indent=2)


def _list(sport: str | None, level: str | None, purpose: str | None, as_json: bool) -> None:
    from drilltimer.audio.files import user_folder
    from drilltimer.drills.catalogue import catalogue, fitting
    from drilltimer.ui.lines import table

    entries = fitting(catalogue(), sport, level, purpose)
    if as_json:
        print_document([entry.document() for entry in entries])
        return
    rows = [
        (each.name, each.length, each.landings, each.level, each.next or "-", each.trains or each.summary)
        for each in entries
    ]
    print_lines(table(rows, ("name", "length", "landings", "level", "next", "trains"), result_columns()))
    note(f"Your own drills belong in {user_folder('drills')}")


def _document(examined: Examined, sentences: Sequence[str] = ()) -> dict[str, object]:
    plan = examined.plan
    told: dict[str, object] = {"sentences": list(sentences)} if sentences else {}
    return {
        "file": examined.file, "runs": True, "name": plan.drill.name, "description": plan.drill.description,
        "landings": plan.landings, "length_s": plan.length_s,
        "cautions": [asdict(each) for each in examined.cautions],
    } | told  # fmt: skip


def _checked(examined: Examined) -> list[str]:
    """Cautions, or that there are none."""
    from drilltimer.drill.load import DEFERENCE
    from drilltimer.ui.wording import english

    plan, cautions = examined.plan, examined.cautions
    size = f"{count_of(plan.landings, 'landing')} in {plan.length_s / 60:.1f} min"
    if not cautions:
        return [f"{examined.file}: fine, {size}"]
    count = count_of(len(cautions), "caution")
    return [
        f"{examined.file}: can be run, {size}; {count}",
        *(f"  {each}" for each in cautions),
        f"  {english().tell(DEFERENCE)}",
    ]


def register(house: House) -> None:
    """Bring the verb."""
    house.verbs.append(drills)
