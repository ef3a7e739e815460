"""What the verbs of the command line share: options, exit codes, where words go."""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from drilltimer.score.distance import Standing

INTERRUPTED = 130
LEVELS = ("beginner", "club", "advanced")
FEEDBACK = ("each", "band", "summary", "faded", "on_request", "none")
DISTANCE_M = 3.0  # where a player stands who says nothing: in front of a laptop on the floor
SPEAKER_TO_MIC_M = 0.3  # a laptop's own, or a loudspeaker beside it

json_option = click.option("--json", "as_json", is_flag=True, help="Print one JSON document and nothing else.")
air_option = click.option("--air-c", type=click.FloatRange(-40, 60), help="Air temperature, °C.")
seed_option = click.option("--seed", type=click.IntRange(0), help="Repeat a session's draws; drawn anew when left out.")
level_option = click.option("--level", type=click.Choice(LEVELS), help="Windows for this level instead of the drill's.")
player_option = click.option(
    "--player", metavar="NAME", help="Keep the session in the history, under this name or number."
)
language_option = click.option(
    "--language",
    default="en",
    envvar="DRILLTIMER_LANGUAGE",
    show_default=True,
    show_envvar=True,
    help="Of texts and words: a file and a sounds folder of that name.",
)


@dataclass(frozen=True, slots=True)
class Distances:
    """What the command line says of who stands where; None is nothing."""

    distance_m: float | None
    speaker_to_player_m: float | None
    player_to_mic_m: float | None
    speaker_to_mic_m: float | None
    air_c: float | None

    def on(self, before: Standing) -> Standing:
        """`before`, with what is said here."""
        from drilltimer.score.distance import impossible, told

        both_m, apart_m = self.distance_m, self.speaker_to_mic_m
        if both_m is not None and apart_m is None and "speaker_to_mic_m" in before.unknown:
            apart_m = before.placement.speaker_to_mic_m
        standing = told(
            before,
            speaker_to_player_m=both_m if self.speaker_to_player_m is None else self.speaker_to_player_m,
            player_to_mic_m=both_m if self.player_to_mic_m is None else self.player_to_mic_m,
            speaker_to_mic_m=apart_m,
            air_c=self.air_c,
        )
        if not standing.unknown and impossible(standing.placement):
            place = standing.placement
            raise click.UsageError(
                f"loudspeaker to player {place.speaker_to_player_m:g} m, player to recorder "
                f"{place.player_to_mic_m:g} m and loudspeaker to recorder {place.speaker_to_mic_m:g} m cannot all be "
                "true: no three places lie so. Measure again, or leave out the one that you are not sure of."
            )
        return standing


def distance_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Options of who stands where; the command gets them as `distances`."""

    @functools.wraps(command)
    def gathered(*arguments: Any, **named: Any) -> Any:
        values = {name: named.pop(name) for name in Distances.__dataclass_fields__}
        return command(*arguments, distances=Distances(**values), **named)

    metres = click.FloatRange(0, 60)
    options = (
        click.option(
            "--distance",
            "distance_m",
            type=metres,
            help="Metres from the player to loudspeaker and recorder, standing together.",
        ),
        click.option("--speaker-to-player", "speaker_to_player_m", type=metres, help="Metres, when they stand apart."),
        click.option("--player-to-recorder", "player_to_mic_m", type=metres, help="Metres, likewise."),
        click.option("--speaker-to-recorder", "speaker_to_mic_m", type=metres, help="Metres, likewise."),
        air_option,
    )
    for option in reversed(options):
        gathered = option(gathered)
    return gathered


def new_seed() -> int:
    """A seed that nobody chose, short enough to note down."""
    import secrets

    return secrets.randbelow(1_000_000)


def print_lines(lines: list[str]) -> None:
    """Results: to stdout."""
    click.echo("\n".join(lines))


def note(text: str) -> None:
    """Messages: to stderr."""
    click.echo(text, err=True)
