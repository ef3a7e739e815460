"""Options that verbs share, and what may stand in them."""

from __future__ import annotations

import contextlib
import re
from collections.abc import Callable, Iterable
from typing import Any

import click
from click.shell_completion import CompletionItem

from drilltimer.errors import UserError

GREATEST_SEED = 2**63 - 1  # that the history can keep
LEVELS = ("beginner", "club", "advanced")
FEEDBACK = ("each", "band", "summary", "faded", "on_request", "none")
DISTANCE_M = 3.0  # where a player stands who says nothing: in front of a laptop on the floor
SPEAKER_TO_MIC_M = 0.3  # a laptop's own, or a loudspeaker beside it
MILLISECONDS = (-600_000, 600_000)  # ten minutes around a contact

NUMBER = re.compile(r"([+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+))\s*(\D*)")


class Number(click.FloatRange):
    """A number in a range, with a decimal point or comma, and its unit behind it or not.

    click's own range lets "nan" through, which is neither below nor above anything.
    """

    def __init__(self, low: float, high: float, expected: str = "a number, such as 0.5", units: str = "") -> None:
        super().__init__(low, high)
        self._expected, self._units = expected, units.split()

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """The number, or a usage error."""
        if isinstance(value, str):
            found = NUMBER.fullmatch(value.strip())
            if not found or found[2].casefold() not in ("", *self._units):
                self.fail(f"{value!r}: expected {self._expected}", param, ctx)
            value = found[1].replace(",", ".")
        return super().convert(value, param, ctx)


METRES = Number(0, 60, "metres, a number such as 3 or 2.5", "m metre metres meter meters")
AIR_C = Number(-40, 60, "degrees Celsius, a number such as 20", "c °c")

COMMON = ("distance_m", "player", "level", "feedback", "simulate", "plain")
SECTIONS = {  # of options in `--help`, by the names of their parameters
    "Sound": ("input_name", "output_name", "wait_s", "sets_up", "minutes"),
    "Place": (
        *("distance_m", "together_m", "speaker_to_player_m", "player_to_mic_m", "speaker_to_mic_m", "feeder"),
        *("feeder_to_mic_m", "feeder_to_player_m", "air_c"),
    ),
    "What is practised": ("play", "level", "situation", "window_ms", "sheet"),
    "What is told": ("feedback", "spoken", "guess_first", "plain", "language", "ranking", "as_json"),
    "What is kept": ("player", "player_by_folder", "record", "sheets", "no_history", "keep", "annotate", "out"),
    "Trying without hardware": ("simulate", "speed", "seed"),
}


class Sectioned(click.Command):
    """A verb of many options: the common ones first, the others by what they are about."""

    def format_options(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write them in sections."""
        options = [param for param in self.get_params(ctx) if isinstance(param, click.Option)]
        left = {option.name: record for option in options if (record := option.get_help_record(ctx))}
        for title, names in {"Common options": COMMON, **SECTIONS, "Others": tuple(left)}.items():
            if found := [left.pop(name) for name in names if name in left]:
                with formatter.section(title):
                    formatter.write_dl(found)


input_option = click.option("--input", "input_name", help="Microphone, by (part of) its name.")
output_option = click.option("--output", "output_name", help="Loudspeaker, by (part of) its name.")
simulate_option = click.option(
    "--simulate",
    metavar="SKILL",
    help="A simulated player (novice, club, expert, metronome) instead of a sound card.",
)
speed_option = click.option(
    "--speed",
    type=Number(0, 100),
    default=1.0,
    show_default=True,
    help="With --simulate: times real time; 0 is as fast as it can.",
)
wait_option = click.option(
    "--wait-s",
    type=Number(0, 3600),
    default=120.0,
    show_default=True,
    help="How long to wait for a lost sound device to come back.",
)
json_option = click.option("--json", "as_json", is_flag=True, help="Print one JSON document and nothing else.")
air_option = click.option("--air-c", type=AIR_C, help="Air temperature, °C.")
seed_option = click.option(
    "--seed", type=click.IntRange(0, GREATEST_SEED), help="Repeat a session's draws; drawn anew when left out."
)
level_option = click.option("--level", type=click.Choice(LEVELS), help="Windows for this level instead of the drill's.")


def _a_name(ctx: click.Context, param: click.Parameter, value: str | None) -> str | None:
    """Refuse an empty name, which a script gives whose variable is not set: nothing would be kept, unsaid.

    One that no history takes is refused at once, too, and not when a session or an hour of scoring is over.
    """
    if value is None:
        return None
    if not value.strip():
        raise click.BadParameter("a name is empty; leave the option out, and nothing is kept", ctx, param)
    from drilltimer.cli.wings import house

    return house().diary().clean_name(value)


player_option = click.option(
    "--player",
    metavar="NAME",
    callback=_a_name,
    shell_complete=lambda *asked: completed(player_names, files=False)(*asked),
    help="Keep the session in the history, under this name or number.",
)
language_option = click.option(
    "--language",
    default="en",
    envvar="DRILLTIMER_LANGUAGE",
    show_default=True,
    show_envvar=True,
    help="Of texts and words: a file and a sounds folder of that name.",
)


def refuse_speed(simulate: str | None, speed: float) -> None:
    """A sound card plays at its own pace."""
    if speed != 1.0 and not simulate:
        raise click.UsageError("--speed goes with --simulate: a sound card plays in real time.")


def completed(names: Callable[[], Iterable[str]], *, files: bool = True) -> Any:
    """Completes an argument by names on the shell's tab key, and by files where it looks like a path."""

    def complete(ctx: click.Context, param: click.Parameter, typed: str) -> list[CompletionItem]:
        if files and re.search(r"[/\\.~]", typed):
            return [CompletionItem(typed, type="file")]
        with contextlib.suppress(UserError):
            return [CompletionItem(name) for name in names() if name.casefold().startswith(typed.casefold())]
        return []

    return complete


def drill_names() -> Iterable[str]:
    """Of all drills that have one."""
    from drilltimer.audio.files import list_drills

    return (drill.name for drill in list_drills())


def player_names() -> Iterable[str]:
    """Of all players that are kept."""
    from drilltimer.cli.wings import house

    return house().diary().player_names()


def new_seed() -> int:
    """A seed that nobody chose, short enough to note down."""
    import secrets

    return secrets.randbelow(1_000_000)
