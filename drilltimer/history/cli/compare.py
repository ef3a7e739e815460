"""`drilltimer compare`: an honest before and after."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from drilltimer.cli.options import completed, json_option, player_names
from drilltimer.cli.terminal import note, print_document, print_lines, result_columns
from drilltimer.history.cli.files import opened_history
from drilltimer.units import count_of

if TYPE_CHECKING:
    from drilltimer.history.change import Change
    from drilltimer.history.compare import Comparison


@click.command()
@click.argument("player", shell_complete=completed(player_names, files=False))
@click.option("--from", "first", metavar="SESSION|DATE", help="The earlier test; the first one when left out.")
@click.option("--to", "last", metavar="SESSION|DATE", help="The later test; the latest one when left out.")
@click.option("--drill", default="Test block", show_default=True, help="Name of the drill that was the test.")
@json_option
def compare(player: str, first: str | None, last: str | None, drill: str, as_json: bool) -> None:
    """Compare tests of PLAYER: what changed from one to another, along all between them, by default all test blocks.

    It takes three tests: two are a baseline. One line, marked *, is what the drill is about and is tested first, the
    others are corrected for being several: of unchanged players at most 1 in 20 is told any change at all, while their
    days differ by 15 ms or less.
    """
    from drilltimer.history.compare import compare as compare_tests

    with opened_history() as kept:
        found = compare_tests(kept, player, drill=drill, first=first, last=last)
    if as_json:
        print_document([_document(each) for each in found])
        return
    for each in found:
        print_lines(comparison_lines(each, result_columns()))
        for text in each.notes:
            note(text)


def comparison_lines(found: Comparison, columns: int | None = None) -> list[str]:
    """A comparison as text, in a terminal of so many columns."""
    from drilltimer.history.compare import FIGURES
    from drilltimer.history.days import here
    from drilltimer.ui.lines import table
    from drilltimer.ui.wording import load_wording

    lines = [sentence(found), "", f"{found.player}, {found.before.entry.drill} ({found.mode})"]
    for what, side in (("before", found.before), ("after", found.after)):
        entry = side.entry
        scored = count_of(side.scored, "rep")
        lines.append(
            f"{what:6}  session {entry.number}, {here(entry.started_utc)[:10]}: {scored} scored, {side.void} void, "
            f"{side.warm_up} to warm up (neither counts); a touchdown is heard to about {side.ear_ms:.1f} ms"
        )
    heads = ("", "before", "after", "change", "95 % interval", "typical error", "least change", "")
    rows = [
        (
            label + " *" * found.changes[name].primary,
            *_cells(found.changes[name], unit, signed=name == "constant_error_ms"),
        )
        for name, label, unit in FIGURES
    ]
    below = [
        f"{load_wording()('scores.signs')}.",
        "* What the drill is about. The others must differ more before they count as changed, for they are several.",
        f"Before and after are as 'history' tells. The change follows a line through {count_of(found.tests, 'test')}: "
        "the earliest and the latest fifth of a test's landings count in it for their place, not for their size.",
    ]
    return [*lines, "", *table(rows, heads, columns), "", *below]


def sentence(found: Comparison) -> str:
    """What came of it, for a parent who knows none of the figures."""
    from drilltimer.history.compare import FIGURES

    name, label, unit = next(each for each in FIGURES if found.changes[each[0]].primary)
    change, who = found.changes[name], found.player
    if change.finding.startswith("too few"):
        return f"It is too early to say whether {who} has changed: {change.finding.removesuffix(' to say')}."
    if change.finding != "changed" or change.before is None or change.after is None:
        return f"Nothing shows that {who} has changed: the tests differ by no more than chance makes them differ."
    if name == "constant_error_ms":
        nearer = "nearer to" if abs(change.after) < abs(change.before) else "further from"
        now, then = (f"{abs(ms):.0f} ms {'late' if ms > 0 else 'early'}" for ms in (change.after, change.before))
        return f"{who} lands {nearer} the right moment than before: on average {now} now, {then} then."
    factor = 100.0 if unit == "%" else 1.0
    now, then = (f"{factor * value:.0f} {unit}" for value in (change.after, change.before))
    return f"{who} has changed ({label}): {now} now, {then} then."


def _cells(change: Change, unit: str, *, signed: bool) -> tuple[str, ...]:
    factor = 100.0 if unit == "%" else 1.0

    def cell(value: float | None, form: str = "+z.0f") -> str:
        return "-" if value is None else f"{factor * value:{form}} {unit}"

    form = "+z.0f" if signed else ".0f"  # early is minus; a spread, a share, a time after the contact have no sign
    interval = "-"
    if change.low is not None and change.high is not None:
        interval = f"{factor * change.low:+z.0f} to {factor * change.high:+z.0f} {unit}"
    return (
        cell(change.before, form), cell(change.after, form), cell(change.change), interval,
        cell(change.typical_error, ".0f"), cell(change.minimal_change, ".0f"), change.finding,
    )  # fmt: skip


def _document(found: Comparison) -> dict[str, object]:
    from dataclasses import asdict

    sides = {
        what: {
            "session": side.entry.number,
            "uid": side.entry.uid,
            "started_utc": side.entry.started_utc,
            "scored": side.scored,
            "void": side.void,
            "warm_up": side.warm_up,
            "ear_ms": side.ear_ms,
        }
        for what, side in (("before", found.before), ("after", found.after))
    }
    changes = {name: asdict(change) for name, change in found.changes.items()}
    return {"player": found.player, "drill": found.before.entry.drill, "mode": found.mode, **sides} | {
        "changes": changes,
        "tests": found.tests,
        "notes": list(found.notes),
    }
