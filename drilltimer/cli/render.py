"""`drilltimer render`: a drill as a sound file."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from drilltimer.cli.common import air_option, level_option, new_seed, seed_option

if TYPE_CHECKING:
    from drilltimer.model import Level


@click.command()
@click.argument("drill")
@click.argument("out", type=click.Path(path_type=Path, dir_okay=False))
@seed_option
@level_option
@click.option(
    "--distance",
    "distance_m",
    type=click.FloatRange(0, 60),
    default=0.0,
    show_default=True,
    help="Metres from the player to loudspeaker and recorder, written into the sheet.",
)
@air_option
@click.option("--rate-hz", type=click.IntRange(8000, 192_000), default=48_000, show_default=True)
def render(
    drill: str, out: Path, seed: int | None, level: Level | None, distance_m: float, air_c: float | None, rate_hz: int
) -> None:
    """Write the sound of DRILL to OUT (.flac, .wav) and its cue sheet beside it.

    Play it from any loudspeaker, record the practice with any recorder, and score the recording later.
    """
    from drilltimer.app.later import with_distance
    from drilltimer.app.plan import make_plan
    from drilltimer.app.render import render_plan
    from drilltimer.model import Placement

    seed = new_seed() if seed is None else seed
    plan = make_plan(drill, seed, level)
    sheet = render_plan(plan, out, with_distance(Placement(), distance_m, air_c), rate_hz, channels=2)
    click.echo(f"{out}: {plan.landings} landings in {plan.length_s / 60:.1f} min, seed {seed}")
    click.echo(f"{sheet}: its cue sheet; keep the two together")
