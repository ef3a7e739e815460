"""`drilltimer render`: a drill as a sound file."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from drilltimer.cli.options import Number, completed, drill_names, level_option, new_seed, seed_option
from drilltimer.cli.terminal import print_result
from drilltimer.recordings.cli.common import distance_options
from drilltimer.units import count_of

if TYPE_CHECKING:
    from drilltimer.app.plan import Plan
    from drilltimer.model import Level, Placement
    from drilltimer.recordings.distance import Told
    from drilltimer.recordings.rendering import Rendered

MOST_TAKES = 100


@click.command()
@click.argument("drill", shell_complete=completed(drill_names))
@click.argument("out", type=click.Path(path_type=Path, dir_okay=False))
@seed_option
@level_option
@click.option(
    "--takes",
    type=click.IntRange(1, MOST_TAKES),
    default=1,
    show_default=True,
    help="Write so many, each with the next seed, named OUT-1, OUT-2 ...",
)
@distance_options
@click.option("--rate-hz", type=click.IntRange(8000, 192_000), default=48_000, show_default=True)
@click.option(
    "--loudness-lufs",
    type=Number(-40, -14),
    default=-23.0,  # EBU R 128: as loud as broadcasts are, whatever the drill
    show_default=True,
    help="Loudness by ITU-R BS.1770, as far as peaks of -1 dBFS allow.",
)
@click.option(
    "--signature/--no-signature",
    default=True,
    show_default=True,
    help="Begin with a soft warble that tells which cue sheet this is.",
)
@click.option("--card/--no-card", default=True, show_default=True, help="Write a one-page card, as text and HTML.")
def render(
    drill: str,
    out: Path,
    seed: int | None,
    level: Level | None,
    takes: int,
    told: Told,
    rate_hz: int,
    loudness_lufs: float,
    signature: bool,
    card: bool,
) -> None:
    """Write the sound of DRILL to OUT (.flac, .wav), and beside it its cue sheet and a card to print.

    A sound or a sheet that is there already is never overwritten.

    Play it from any loudspeaker, record the practice with any recorder, and score the recording later.
    Distances are written into the sheet; they may also be told when the recording is scored.
    """
    from drilltimer.app.plan import make_plan
    from drilltimer.audio.files import expanded
    from drilltimer.recordings.distance import NOBODY_TOLD, told_over
    from drilltimer.recordings.rendering import render_plan
    from drilltimer.recordings.writing import refuse_kept

    out, first = expanded(out), new_seed() if seed is None else seed
    placement = told_over(NOBODY_TOLD, told)
    paths = [out] if takes == 1 else [out.with_name(f"{out.stem}-{take + 1}{out.suffix}") for take in range(takes)]
    for path in paths:
        refuse_kept(path)
    for take, path in enumerate(paths):
        plan = make_plan(drill, first + take, level)
        made = render_plan(
            plan,
            path,
            placement,
            rate_hz,
            channels=2,
            signature=signature,
            loudness_lufs=loudness_lufs,
        )
        print_result(f"{path}: {count_of(plan.landings, 'landing')} in {plan.length_s / 60:.1f} min, seed {plan.seed}")
        short = "; its peaks allow no more" if made.loudness_lufs < loudness_lufs - 0.05 else ""
        print_result(f"{path}: {made.loudness_lufs:.1f} LUFS, peaks at {made.peak_db:.1f} dBFS{short}")
        code = f", code {made.code}" if made.code else ""
        print_result(f"{made.sheet}: its cue sheet{code}; keep the two together")
        if card:
            for written in _write_card(plan, path, made, placement):
                print_result(f"{written}: card to print")


def _write_card(plan: Plan, path: Path, made: Rendered, place: Placement) -> list[Path]:
    from drilltimer.recordings.card import CourtCard, card_page, card_text
    from drilltimer.recordings.writing import write_text

    distances = [
        f"{words} {metres:g} m"
        for name, words, metres in (
            ("speaker_to_player_m", "loudspeaker to player", place.speaker_to_player_m),
            ("player_to_mic_m", "player to recorder", place.player_to_mic_m),
            ("speaker_to_mic_m", "loudspeaker to recorder", place.speaker_to_mic_m),
        )
        if name not in place.unknown
    ]
    card = CourtCard(
        plan.drill,
        path.name,
        made.sheet.name,
        plan.seed,
        made.code or "none",
        plan.length_s,
        plan.landings,
        made.loudness_lufs,
        ", ".join(distances) or "measure them, and write them below",
    )
    pages = {path.with_name(f"{path.stem}.card.txt"): card_text(card)}
    pages[path.with_name(f"{path.stem}.card.html")] = card_page(card)
    for file, text in pages.items():
        write_text(file, text)
    return list(pages)
