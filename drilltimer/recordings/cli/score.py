"""`drilltimer score`: a recording, scored."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from drilltimer.cli.options import Sectioned, json_option, language_option, player_option
from drilltimer.cli.terminal import hearing, note, print_document, print_lines, result_columns
from drilltimer.errors import SheetError, UserError
from drilltimer.recordings.cli.common import distance_options, name_of_folder
from drilltimer.units import count_of

if TYPE_CHECKING:
    from drilltimer.recordings.distance import Told
    from drilltimer.recordings.run import ScoredRecording
    from drilltimer.ui.wording import Wording


class NamedPath(click.Path):
    """A path with a name: an empty one, as of a variable that is not set, would be the folder that one is in."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """The path, or a usage error."""
        if value == "":
            self.fail("a name is empty", param, ctx)
        return super().convert(value, param, ctx)


@click.command(cls=Sectioned)
@click.argument("recording", type=NamedPath(path_type=Path))
@click.option(
    "--sheet",
    type=NamedPath(path_type=Path),
    help="Cue sheet of what was played, or a folder of sheets to try; the recording's own folder when left out.",
)
@distance_options
@player_option
@click.option("--player-by-folder", is_flag=True, help="The same, under the name of each recording's folder.")
@click.option("--jobs", type=click.IntRange(1, 256), help="Processes for a folder; as many as processors by default.")
@click.option("--out", type=click.Path(path_type=Path, file_okay=False), help="For a folder's results; FOLDER/scores.")
@click.option(
    "--annotate",
    type=click.Path(path_type=Path, file_okay=False),
    metavar="OUT",
    help="Write a label track and a picture of each rep into the folder OUT.",
)
@click.option("--scheduler", metavar="ADDRESS", help="Let a Dask cluster score a folder (extra 'cluster').")
@language_option
@json_option
def score(
    recording: Path,
    sheet: Path | None,
    told: Told,
    player: str | None,
    player_by_folder: bool,
    jobs: int | None,
    out: Path | None,
    annotate: Path | None,
    scheduler: str | None,
    language: str,
    as_json: bool,
) -> None:
    """Score RECORDING, made by any recorder, against the cue sheet of what was played.

    WAV, FLAC, OGG, MP3, M4A, AAC and AMR are read, and the sound of films (MP4, MOV, 3GP, WebM, AVI). It may begin
    long before the drill, lack its beginning or end, and hold several drills. Of a damaged one, what can be read is
    scored and printed; the exit code is then 2.

    RECORDING may be a folder: each recording in it gets a JSON file of its own, what is there already is not
    scored again, and a summary comes last.
    """
    if player and player_by_folder:
        raise click.UsageError("--player names one player for all, --player-by-folder one for each folder: choose.")
    if os.path.isdir(recording):
        from drilltimer.recordings.cli.many import Wish, score_many

        score_many(recording, Wish(sheet, out, annotate, jobs, scheduler, told, player, player_by_folder, as_json))
        return
    if out or jobs or scheduler:
        raise click.UsageError("--out, --jobs and --scheduler are for a folder; --json prints one recording's result.")
    if player_by_folder:
        player = name_of_folder(recording)
    from drilltimer.cli.terminal import wording_for
    from drilltimer.recordings.audio_file import refuse_no_file
    from drilltimer.recordings.run import document_of
    from drilltimer.recordings.sheet_choice import SHEET_ENDING, find_sheets

    wording = wording_for(language)
    refuse_no_file(recording)  # or else its folder would be blamed for having no sheet
    if recording.name.endswith(SHEET_ENDING):
        raise SheetError(f"{recording}: is a cue sheet, not a recording", fix="Name the recording, then --sheet SHEET.")
    sheets = find_sheets(sheet or recording.parent)
    scored = _score(recording, sheets, told, wording("lines.listening"))
    fault = scored[0].fault
    if as_json:
        print_document(document_of(scored[0], scored[1:]))
    else:
        for index, each in enumerate(scored):
            _print(each, index, len(scored), wording)
    if player and fault is None:  # after the scores, which are told whatever becomes of keeping them
        for each in scored:
            _keep(player, each)
    if annotate:
        from drilltimer.recordings.annotate import annotate as write_annotations

        written = write_annotations(recording, scored, annotate)
        note(f"{annotate}: a label track, {count_of(len(written) - 2, 'picture')}, and index.html with all of them")
    if fault is not None:
        raise fault


def _score(recording: Path, sheets: list[Path], told: Told, words: str) -> list[ScoredRecording]:
    """Score with whichever sheets belong to it, and show how far that is: each takes a second, an hour a minute."""
    from drilltimer.recordings.sheet_choice import score_with

    with hearing(words, len(sheets)) as (tell, on_heard):

        def on_tried(sheet: Path, heard: int, contacts: int) -> None:
            tell(sheet.name, f"{heard} of {count_of(contacts, 'contact')} heard" if contacts else "cannot be used")

        return score_with(recording, sheets, told, on_tried, on_heard)


def _print(scored: ScoredRecording, place: int, count: int, wording: Wording) -> None:
    from drilltimer.cli.terminal import opening_lines
    from drilltimer.recordings.distance import OF_PLAYER, way_doubt_ms
    from drilltimer.score.match import correction_ms
    from drilltimer.ui.lines import header, health_lines, placement_line, rep_line, score_lines

    placement, columns = scored.placement, result_columns()
    if placement.unknown >= OF_PLAYER:
        note(wording("lines.not_told", ms=way_doubt_ms(placement)))
    else:
        note(placement_line(placement, correction_ms(placement), wording))
    by_index = {rep.index: rep for rep in scored.reps}
    lines = [rep_line(by_index[verdict.rep], verdict, wording, columns) for verdict in scored.verdicts]
    title = []
    if count > 1:
        title = [wording("lines.one_of_drills", sheet=scored.sheet_file.name, place=place + 1, count=count)]
    gap = [""] * (place > 0)
    judged = [(by_index[verdict.rep], verdict) for verdict in scored.verdicts]
    result = [
        *opening_lines(judged, scored.scores, wording),
        *score_lines(scored.scores, wording),
        *health_lines(scored.health, wording),
    ]
    print_lines([*gap, *title, header(wording, columns), *lines, "", *result])


def _keep(player: str, scored: ScoredRecording) -> None:
    """Into the history; its failure is told and the scores are printed all the same."""
    from drilltimer.recordings.journal import keep_scored
    from drilltimer.ui.wording import english

    try:
        kept = keep_scored(player, scored)
    except UserError as fault:  # its sheet may be gone meanwhile
        note(f"not kept: {english().tell(fault)}")
    else:
        if kept.live:
            note(f"not kept again: session {kept.number}, player {player}, is this practice, as it was heard live")
        else:
            place = ", in place of an earlier scoring" if kept.again else ""
            note(f"kept as session {kept.number}, player {player}{place}")
