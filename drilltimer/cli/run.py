"""`drilltimer run`: play and score a session."""

from __future__ import annotations

from contextlib import nullcontext
from pathlib import Path
from typing import TYPE_CHECKING

import click

from drilltimer.cli.options import (
    FEEDBACK,
    METRES,
    Sectioned,
    air_option,
    completed,
    drill_names,
    input_option,
    json_option,
    language_option,
    level_option,
    new_seed,
    output_option,
    player_option,
    refuse_speed,
    seed_option,
    simulate_option,
    speed_option,
    wait_option,
)
from drilltimer.cli.terminal import note, print_document

if TYPE_CHECKING:
    from drilltimer.app.live import Outcome
    from drilltimer.app.plan import Plan
    from drilltimer.model import FeedbackKind, Level, Placement
    from drilltimer.ui.wording import Wording


@click.command(cls=Sectioned)
@click.argument("drill", shell_complete=completed(drill_names))
@seed_option
@input_option
@output_option
@level_option
@click.option(
    "--distance",
    "distance_m",
    type=METRES,
    help="Metres from the player to loudspeaker and microphone, standing together; when left out, as told to the last "
    "sound check of these devices, or 3.",
)
@air_option
@simulate_option
@speed_option
@click.option(
    "--record",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Keep the microphone's sound (.wav, .flac), the played sound and the cue sheet. Off by default; no file is "
    "overwritten.",
)
@player_option
@click.option("--feedback", type=click.Choice(FEEDBACK), help="When you are told, instead of the drill's own way.")
@click.option("--spoken/--tones", default=None, help="Feedback in words or in tones, instead of the drill's own way.")
@click.option("--guess-first/--no-guess", default=None, help="Say by key early, on time or late before you are told.")
@click.option("--plain", is_flag=True, help="Lines of text instead of the live screen.")
@language_option
@wait_option
@json_option
def run(
    drill: str,
    seed: int | None,
    input_name: str | None,
    output_name: str | None,
    level: Level | None,
    distance_m: float | None,
    air_c: float | None,
    simulate: str | None,
    speed: float,
    record: Path | None,
    player: str | None,
    feedback: FeedbackKind | None,
    spoken: bool | None,
    guess_first: bool | None,
    plain: bool,
    language: str,
    wait_s: float,
    as_json: bool,
) -> None:
    """Play and score a session of DRILL (a name, or a file).

    In a terminal a live screen shows the last error in big figures. Keys: space pauses and goes on, r repeats the call,
    f asks for feedback, v declares the last rep void (again: takes that back), q ends, ? tells what keys and marks
    mean. With guess_first in the drill: e, o, l for early, on time, late.

    Elsewhere, and with --plain, a line is printed after each rep. The scores come at the end. Ctrl-C ends the session
    and scores what was done.
    """
    from drilltimer.app.examine import told_before
    from drilltimer.app.live import run_live
    from drilltimer.app.plan import check_words, make_plan, with_feedback
    from drilltimer.audio.files import expanded
    from drilltimer.cli.stage import Wanted, open_stage, somebody_there
    from drilltimer.cli.terminal import RepList, Troubles, hearing, open_screen, wording_for
    from drilltimer.cli.wings import house

    refuse_speed(simulate, speed)
    if record:
        record = expanded(record)
        house().recording().refuse_kept(record)
    seed = new_seed() if seed is None else seed
    plan = make_plan(drill, seed, level, language)
    wording = wording_for(language)
    screen = None if plain or as_json else open_screen(plan.drill.name, wording)
    guess_first = guess_first if screen else False  # without a screen there are no keys to guess with
    plan = with_feedback(plan, feedback, spoken=spoken, guess_first=guess_first)
    check_words(plan)
    days = house().diary().about_days(player, plan) if player and not simulate else []
    note("\n".join([wording("run.cautions"), *map(wording.tell, [*days, *told_before(plan.drill)])]))
    wanted = Wanted(input_name, output_name, distance_m, air_c, simulate, speed)
    stage = open_stage(wanted, seed, wording, asks=not as_json and somebody_there())
    _announce(plan, stage.placement, record, wording)
    listed, troubles = (
        RepList(wording, late=bool(screen) or _tells_nothing(plan), quiet=as_json),
        Troubles(wording, screen),
    )
    if player:
        diary = house().diary()
        listed.journal = diary.open_journal(player, plan, stage, troubles)
    record_on = None
    if record:
        session = listed.journal.uid if listed.journal else ""
        record_on = house().recording().recorder(record, simulated=bool(simulate), session=session)
    listed.begin()
    with nullcontext() if screen or speed or not listed.silent else hearing(wording("run.simulating")) as bar:
        if bar:  # at no pace at all nothing else shows that it works
            bar[1](0, len(plan.reps))
            listed.on_judged = lambda judged: bar[1](judged, len(plan.reps))
        outcome = run_live(
            plan,
            stage.stream,
            stage.placement,
            record=record_on,
            reopen=stage.reopen,
            wait_s=wait_s,
            on_rep=listed.on_rep,
            on_trouble=troubles,
            screen=screen,
            landings=stage.landings,
        )
    try:
        listed.end(outcome)
        troubles.end()
    finally:  # whatever becomes of keeping them, scores that are there are told
        _conclude(outcome, wording, as_json)


def _tells_nothing(plan: Plan) -> bool:
    """Whether the player must not know before the end, as in a test: a line per rep would tell."""
    return any(block.feedback and block.feedback.kind == "none" for block in plan.drill.blocks)


def _announce(plan: Plan, placement: Placement, record: Path | None, wording: Wording) -> None:
    """What is about to begin."""
    from drilltimer.score.match import correction_ms
    from drilltimer.ui.lines import placement_line

    minutes = plan.length_s / 60
    about = {"drill": plan.drill.name, "landings": plan.landings, "minutes": minutes, "seed": plan.seed}
    note(wording.counted("run.begins", plan.landings, **about))
    note(placement_line(placement, correction_ms(placement), wording))
    if any(rep.withheld for rep in plan.reps):
        note(wording("run.withheld"))
    if _tells_nothing(plan):
        note(wording("run.tells_nothing"))
    if record:
        note(wording("run.records", file=record))


def _conclude(outcome: Outcome, wording: Wording, as_json: bool) -> None:
    """Scores or document, and how it ended."""
    from drilltimer.cli.terminal import conclude, opening_lines, say
    from drilltimer.score.document import RecordingClock, score_document
    from drilltimer.ui.lines import health_lines, score_lines
    from drilltimer.ui.wording import english

    if as_json:
        clock = RecordingClock(outcome.offset_s, outcome.health.drift_ppm)
        document = score_document(
            outcome.recording, clock, outcome.verdicts, outcome.scores, outcome.health, english().tell
        )
        print_document(document)
    else:
        opening = opening_lines(outcome.judged, outcome.scores, wording)
        say("\n".join(["", *opening, *score_lines(outcome.scores, wording), *health_lines(outcome.health, wording)]))
    conclude(outcome, wording)
