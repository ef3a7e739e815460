"""What the verbs of recordings share."""

from __future__ import annotations

import functools
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

from drilltimer.cli.options import METRES, air_option


def distance_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Options of who stands where; the command gets them as `told`, a `recordings.distance.Told`."""
    names = ("together_m", "speaker_to_player_m", "player_to_mic_m", "speaker_to_mic_m", "air_c")

    @functools.wraps(command)
    def gathered(*arguments: Any, **named: Any) -> Any:
        values = {name: named.pop(name) for name in names}
        return command(*arguments, told=values, **named)

    options = (
        click.option(
            "--distance",
            "together_m",
            type=METRES,
            help="Metres from the player to loudspeaker and recorder, standing together.",
        ),
        click.option("--speaker-to-player", "speaker_to_player_m", type=METRES, help="Metres, when they stand apart."),
        click.option("--player-to-recorder", "player_to_mic_m", type=METRES, help="Metres, likewise."),
        click.option("--speaker-to-recorder", "speaker_to_mic_m", type=METRES, help="Metres, likewise."),
        air_option,
    )
    for option in reversed(options):
        gathered = option(gathered)
    return gathered


def name_of_folder(recording: Path) -> str:
    """Under whose name `--player-by-folder` keeps a recording: that of its folder, as the file system is laid out.

    Raises
    ------
    UserError
        It lies where no folder has a name.
    """
    from drilltimer.errors import UserError

    if name := Path(os.path.abspath(recording)).parent.name:  # "..", which is no name, is gone from it
        return name
    raise UserError(
        f"{recording}: lies in no folder that has a name, under which --player-by-folder could keep it",
        why="It is at the root of its disk.",
        fix="Put it into a folder with the player's name, or tell the name with --player.",
    )
