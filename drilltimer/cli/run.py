"""`drilltimer run`: play and score a session."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from drilltimer.cli.common import (
    DISTANCE_M,
    INTERRUPTED,
    SPEAKER_TO_MIC_M,
    air_option,
    json_option,
    level_option,
    new_seed,
    note,
    print_lines,
    seed_option,
)

if TYPE_CHECKING:
    from drilltimer.model import Level, Rep, Verdict
    from drilltimer.session import Snapshot


@click.command()
@click.argument("drill")
@seed_option
@click.option("--input", "input_name", help="Microphone, by (part of) its name.")
@click.option("--output", "output_name", help="Loudspeaker, by (part of) its name.")
@level_option
@click.option(
    "--distance",
    "distance_m",
    type=click.FloatRange(0, 60),
    default=DISTANCE_M,
    show_default=True,
    help="Metres from the player to loudspeaker and microphone, standing together.",
)
@air_option
@click.option("--simulate", metavar="SKILL", help="A simulated player (novice, club, expert) instead of a sound card.")
@click.option(
    "--speed",
    type=click.FloatRange(0, 100),
    default=1.0,
    show_default=True,
    help="With --simulate: times real time; 0 is as fast as it can.",
)
@click.option(
    "--record",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Keep the microphone's sound (.wav, .flac), the played sound and the cue sheet. Off by default.",
)
@json_option
def run(
    drill: str,
    seed: int | None,
    input_name: str | None,
    output_name: str | None,
    level: Level | None,
    distance_m: float,
    air_c: float | None,
    simulate: str | None,
    speed: float,
    record: Path | None,
    as_json: bool,
) -> None:
    """Play and score a session of DRILL (a name, or a file).

    Prints a line after each rep and the scores at the end. Ctrl-C ends the session and scores what was done.
    """
    from drilltimer.app.later import with_distance
    from drilltimer.app.live import run_live
    from drilltimer.app.open import open_card, open_room
    from drilltimer.app.plan import make_plan
    from drilltimer.model import Placement
    from drilltimer.score.document import RecordingClock, score_document
    from drilltimer.score.match import correction_ms
    from drilltimer.ui.lines import CAUTIONS, HEADER, health_lines, placement_line, rep_line, score_lines

    seed = new_seed() if seed is None else seed
    plan = make_plan(drill, seed, level)
    placement = with_distance(Placement(speaker_to_mic_m=SPEAKER_TO_MIC_M), distance_m, air_c)
    stream = open_room(simulate, seed, placement, speed) if simulate else open_card(input_name, output_name)
    say = _quiet if as_json else click.echo
    note(CAUTIONS)
    note(f"{plan.drill.name}: {plan.landings} landings in {plan.length_s / 60:.1f} min, seed {seed}")
    note(placement_line(placement, correction_ms(placement)))
    if record:
        note(f"recording the microphone to {record}; tell everybody who can be heard")
    say(HEADER)

    def on_rep(rep: Rep, verdict: Verdict, snapshot: Snapshot) -> None:
        say(rep_line(rep, verdict))

    outcome = run_live(plan, stream, placement, record=record, on_rep=on_rep, on_trouble=note)
    if as_json:
        clock = RecordingClock(outcome.offset_s, outcome.health.drift_ppm)
        document = score_document(outcome.recording, clock, outcome.verdicts, outcome.scores, outcome.health)
        click.echo(json.dumps(document, allow_nan=False))
    else:
        click.echo("")
        print_lines([*score_lines(outcome.scores), *health_lines(outcome.health)])
    if outcome.fault is not None:
        raise outcome.fault
    if outcome.interrupted:
        note("ended early; what was done is scored above")
        sys.exit(INTERRUPTED)


def _quiet(text: str) -> None:
    """Say nothing: stdout is for the document alone."""
