"""The command line: arguments in, one call per verb, results out.

Results go to stdout, messages to stderr. Exit codes: 0 done, 2 bad input, 3 sound device, 130 interrupted.
"""

from __future__ import annotations

import json
import signal
import sys
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING, Any, NoReturn

import click

from drilltimer import __version__
from drilltimer.errors import UserError

if TYPE_CHECKING:
    from drilltimer.model import Level, Rep, Verdict
    from drilltimer.session import Snapshot

INTERRUPTED = 130
LEVELS = ("beginner", "club", "advanced")
DISTANCE_M = 3.0  # where a player stands who says nothing: in front of a laptop on the floor
SPEAKER_TO_MIC_M = 0.3  # a laptop's own, or a loudspeaker beside it

json_option = click.option("--json", "as_json", is_flag=True, help="Print one JSON document and nothing else.")
air_option = click.option("--air-c", type=click.FloatRange(-40, 60), help="Air temperature, °C.")


class Commands(click.Group):
    """Groups commands; tells every `UserError` in words, with its exit code."""

    def invoke(self, ctx: click.Context) -> Any:
        """Run the chosen command."""
        try:
            return super().invoke(ctx)
        except UserError as fault:
            click.echo(f"drilltimer: {fault}", err=True)
            ctx.exit(fault.exit_code)
        except KeyboardInterrupt:
            click.echo("drilltimer: interrupted", err=True)
            ctx.exit(INTERRUPTED)


@click.group(cls=Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="drilltimer")
def main() -> None:
    r"""Practise the timing of the split step: hear a contact, hop, and learn how far the touchdown was from the window.

    \b
    First try, without any sound hardware:
      drilltimer run steady-contact --simulate club --speed 0
    First session:
      drilltimer devices
      drilltimer run steady-contact --distance 3
    """
    signal.signal(signal.SIGTERM, _interrupt)


@main.command()
@click.argument("drill")
@click.option("--seed", type=click.IntRange(0), help="Repeat a session's draws; drawn anew when left out.")
@click.option("--input", "input_name", help="Microphone, by (part of) its name.")
@click.option("--output", "output_name", help="Loudspeaker, by (part of) its name.")
@click.option("--level", type=click.Choice(LEVELS), help="Windows for this level instead of the drill's.")
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

    seed = _new_seed() if seed is None else seed
    plan = make_plan(drill, seed, level)
    placement = with_distance(Placement(speaker_to_mic_m=SPEAKER_TO_MIC_M), distance_m, air_c)
    stream = open_room(simulate, seed, placement, speed) if simulate else open_card(input_name, output_name)
    say = _quiet if as_json else click.echo
    note = _note
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
        _print([*score_lines(outcome.scores), *health_lines(outcome.health)])
    if outcome.fault is not None:
        raise outcome.fault
    if outcome.interrupted:
        note("ended early; what was done is scored above")
        sys.exit(INTERRUPTED)


@main.command()
@click.argument("drill")
@click.argument("out", type=click.Path(path_type=Path, dir_okay=False))
@click.option("--seed", type=click.IntRange(0), help="Repeat a session's draws; drawn anew when left out.")
@click.option("--level", type=click.Choice(LEVELS), help="Windows for this level instead of the drill's.")
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

    seed = _new_seed() if seed is None else seed
    plan = make_plan(drill, seed, level)
    sheet = render_plan(plan, out, with_distance(Placement(), distance_m, air_c), rate_hz, channels=2)
    click.echo(f"{out}: {plan.landings} landings in {plan.length_s / 60:.1f} min, seed {seed}")
    click.echo(f"{sheet}: its cue sheet; keep the two together")


@main.command()
@click.argument("recording", type=click.Path(path_type=Path))
@click.option("--sheet", required=True, type=click.Path(path_type=Path), help="Cue sheet of what was played.")
@click.option(
    "--distance",
    "distance_m",
    type=click.FloatRange(0, 60),
    help="Metres from the player to loudspeaker and recorder, standing together; the sheet's when left out.",
)
@air_option
@json_option
def score(recording: Path, sheet: Path, distance_m: float | None, air_c: float | None, as_json: bool) -> None:
    """Score RECORDING (WAV, FLAC, OGG, MP3), made by any recorder, against the cue sheet of what was played."""
    from drilltimer.app.later import read_sheet, score_recording, with_distance
    from drilltimer.score.document import RecordingClock, score_document
    from drilltimer.score.match import correction_ms
    from drilltimer.ui.lines import HEADER, health_lines, placement_line, rep_line, score_lines

    placement = with_distance(read_sheet(sheet).placement, distance_m, air_c)
    scored = score_recording(recording, sheet, placement)
    if as_json:
        clock = RecordingClock(scored.clock.offset_s, scored.clock.skew_ppm)
        document = score_document(scored.recording, clock, scored.verdicts, scored.scores, scored.health)
        click.echo(json.dumps(document, allow_nan=False))
        return
    _note(placement_line(placement, correction_ms(placement)))
    by_index = {rep.index: rep for rep in scored.reps}
    lines = [rep_line(by_index[verdict.rep], verdict) for verdict in scored.verdicts]
    _print([HEADER, *lines, "", *score_lines(scored.scores), *health_lines(scored.health)])


@main.command()
@json_option
def drills(as_json: bool) -> None:
    """List the shipped drills and your own."""
    from drilltimer.app.catalogue import catalogue
    from drilltimer.audio.files import user_folder
    from drilltimer.ui.lines import table

    entries = catalogue()
    if as_json:
        click.echo(json.dumps([entry.document() for entry in entries]))
        return
    rows = [(entry.name, entry.length, entry.landings, entry.mode, entry.summary) for entry in entries]
    _print(table(rows, ("name", "length", "landings", "mode", "what")))
    _note(f"Your own drills belong in {user_folder('drills')}")


@main.command()
@json_option
def devices(as_json: bool) -> None:
    """List sound inputs and outputs with host API, channels and rate."""
    from dataclasses import asdict

    from drilltimer.audio.devices import list_devices
    from drilltimer.ui.lines import table

    found = list_devices()
    if as_json:
        click.echo(json.dumps([asdict(device) for device in found]))
        return
    rows = [
        (
            device.name,
            device.host_api,
            str(device.input_channels or "-"),
            str(device.output_channels or "-"),
            f"{device.rate_hz} Hz",
            " ".join(["input"] * device.default_input + ["output"] * device.default_output),
        )
        for device in found
    ]
    _print(table(rows, ("name", "host API", "inputs", "outputs", "rate", "default")))


def _new_seed() -> int:
    import secrets

    return secrets.randbelow(1_000_000)


def _print(lines: list[str]) -> None:
    click.echo("\n".join(lines))


def _note(text: str) -> None:
    click.echo(text, err=True)


def _quiet(text: str) -> None:
    """Say nothing: stdout is for the document alone."""


def _interrupt(number: int, frame: FrameType | None) -> NoReturn:
    """A request to end is an interrupt: finish in order."""
    raise KeyboardInterrupt
