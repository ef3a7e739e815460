"""`drilltimer score`: a recording, scored."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

import click

from drilltimer.cli.common import air_option, json_option, language_option, note, player_option, print_lines
from drilltimer.errors import HistoryError

if TYPE_CHECKING:
    from drilltimer.app.later import Scored
    from drilltimer.model import Placement


@click.command()
@click.argument("recording", type=click.Path(path_type=Path))
@click.option("--sheet", required=True, type=click.Path(path_type=Path), help="Cue sheet of what was played.")
@click.option(
    "--distance",
    "distance_m",
    type=click.FloatRange(0, 60),
    help="Metres from the player to loudspeaker and recorder, standing together; the sheet's when left out.",
)
@air_option
@player_option
@language_option
@json_option
def score(
    recording: Path,
    sheet: Path,
    distance_m: float | None,
    air_c: float | None,
    player: str | None,
    language: str,
    as_json: bool,
) -> None:
    """Score RECORDING (WAV, FLAC, OGG, MP3), made by any recorder, against the cue sheet of what was played."""
    from drilltimer.app.later import read_sheet, score_recording, with_distance
    from drilltimer.cli.live import wording_for
    from drilltimer.score.document import RecordingClock, score_document
    from drilltimer.score.match import correction_ms
    from drilltimer.ui.lines import header, health_lines, placement_line, rep_line, score_lines

    wording = wording_for(language)
    placement = with_distance(read_sheet(sheet).placement, distance_m, air_c)
    scored = score_recording(recording, sheet, placement)
    if player:
        _keep(player, scored, sheet, placement)
    if as_json:
        clock = RecordingClock(scored.clock.offset_s, scored.clock.skew_ppm)
        document = score_document(scored.recording, clock, scored.verdicts, scored.scores, scored.health)
        click.echo(json.dumps(document, allow_nan=False))
        return
    note(placement_line(placement, correction_ms(placement), wording))
    by_index = {rep.index: rep for rep in scored.reps}
    lines = [rep_line(by_index[verdict.rep], verdict, wording) for verdict in scored.verdicts]
    result = [*score_lines(scored.scores, wording), *health_lines(scored.health, wording)]
    print_lines([header(wording), *lines, "", *result])


def _keep(player: str, scored: Scored, sheet: Path, placement: Placement) -> None:
    """Into the history; its failure is told and the scores are printed all the same."""
    from drilltimer.app.journal import keep_scored

    try:
        number, again = keep_scored(player, scored, sheet, placement)
    except HistoryError as fault:
        note(f"not kept: {fault}")
    else:
        note(f"kept as session {number} of {player}" + (", in place of an earlier scoring" if again else ""))
