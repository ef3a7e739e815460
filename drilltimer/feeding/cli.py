"""`drilltimer feed`: real contacts heard, live or in a recording, and no cue played."""

from __future__ import annotations

import contextlib
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from drilltimer.cli.options import (
    FEEDBACK,
    METRES,
    MILLISECONDS,
    Number,
    air_option,
    input_option,
    json_option,
    language_option,
    level_option,
    output_option,
    player_option,
    wait_option,
)
from drilltimer.cli.terminal import (
    Troubles,
    conclude,
    hearing,
    note,
    print_document,
    print_lines,
    remark,
    result_columns,
    say,
    wording_for,
)

if TYPE_CHECKING:
    from collections.abc import Callable

    from drilltimer.cli.wings import House
    from drilltimer.feeding.fed_session import FeedSession
    from drilltimer.feeding.run import Asked, FedSession
    from drilltimer.history.marks import Mark
    from drilltimer.model import Level, Rep, Situation, Verdict
    from drilltimer.ui.keys import Keys
    from drilltimer.ui.wording import Wording

    Keep = Callable[[FedSession], object]  # into the history, where that is asked for

SITUATIONS: dict[str, Situation] = {"rally": "baseline", "feed": "baseline", "return": "return"}  # whose window


@click.command()
@click.argument("recording", required=False, type=click.Path(path_type=Path))
@click.option("--play", type=click.Choice(["rally", "feed", "return"]), default="rally", show_default=True,
              help="Balls go back and forth; the player hits none back; the player hits one back.")  # fmt: skip
@click.option("--feeder", type=click.Choice(["coach", "machine"]), default="coach", show_default=True)
@click.option("--feeder-to-mic", "feeder_to_mic_m", type=METRES, help="Metres.")
@click.option("--player-to-mic", "player_to_mic_m", type=METRES, help="Metres.")
@click.option(
    "--feeder-to-player", "feeder_to_player_m", type=METRES, help="Metres; helps when --feeder-to-mic is not told."
)
@air_option
@level_option
@click.option(
    "--situation", type=click.Choice(["return", "baseline", "net"]), help="Whose window; else as --play suggests."
)
@click.option(
    "--window",
    "window_ms",
    type=float,
    nargs=3,
    metavar="OPEN CENTRE CLOSE",
    help="Window in ms after the contact, instead.",
)
@player_option
@click.option(
    "--record",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Keep the microphone's sound (.wav, .flac). Off by default; no file is overwritten.",
)
@input_option
@output_option
@click.option(
    "--feedback", type=click.Choice(FEEDBACK), default="each", show_default=True, help="When the player is told."
)
@click.option("--spoken/--tones", default=True, show_default=True)
@click.option(
    "--set-up",
    "sets_up",
    is_flag=True,
    help="First half a minute to learn the sounds: feed five balls, then hop five times.",
)
@click.option("--minutes", type=Number(0.05, 240), help="End by itself; else q or Ctrl-C ends.")
@wait_option
@language_option
@json_option
def feed(recording: Path | None, **options: Any) -> None:
    """Time touchdowns against a feeder's real contacts: nothing is played, both are heard.

    Without RECORDING it listens to the microphone until q or Ctrl-C, tells the player in words or tones where they
    cannot fall on the next contact (in a rally: after it), and prints a line per contact. Keys for the coach, about the
    rep printed last: e early, o on time, l late, v void; the same key takes it back.

    With RECORDING (WAV, FLAC, OGG, MP3) the same is heard later. Distances that are not told widen the uncertainty.
    """
    wording = wording_for(options["language"])
    asked = _asked(recording, options)
    note(wording("run.cautions"))
    note(wording("feed.doubt", ms=asked.doubt_ms))
    if recording is None:
        outcome, keep = _live(asked, wording, options)
    else:
        outcome, keep = _later(recording, asked, wording, options)
    try:
        keep(outcome)
    finally:  # whatever becomes of keeping them, scores that are there are told
        _conclude(outcome, wording, as_json=options["as_json"])


def _asked(recording: Path | None, options: dict[str, Any]) -> Asked:
    """What the options ask for.

    Raises
    ------
    UserError
        A window that is none, or live options beside a recording.
    """
    from drilltimer.drill.windows import window_for
    from drilltimer.errors import UserError
    from drilltimer.feeding.run import Asked
    from drilltimer.feeding.spots import placed
    from drilltimer.model import FeedbackPlan, Window

    level: Level | None = options["level"] or "club"
    window = window_for(level or "club", options["situation"] or SITUATIONS[options["play"]])
    if options["window_ms"]:
        opens, centre, closes = options["window_ms"]
        if not MILLISECONDS[0] <= opens < centre < closes <= MILLISECONDS[1]:
            raise UserError(
                f"--window {opens:g} {centre:g} {closes:g}: each must be greater than the one before, and all must lie "
                "within ten minutes of the contact",
                fix="Write its start, its middle and its end in ms after the contact, as in --window 100 160 220.",
            )
        window, level = Window(opens, centre, closes), None
    if recording is not None and (options["record"] or options["sets_up"] or options["minutes"]):
        raise UserError(
            "--record, --set-up and --minutes are for the microphone, not for a recording", fix="Leave them out."
        )
    metres = {name: options[name] for name in ("feeder_to_mic_m", "player_to_mic_m", "feeder_to_player_m")}
    told = placed(**metres, air_c=options["air_c"])
    plan = FeedbackPlan(options["feedback"], delay_s=1.0, spoken=options["spoken"], reminders=False)
    return Asked(
        options["play"], told, window, level, plan if recording is None else None, options["feeder"] == "machine"
    )


def _later(recording: Path, asked: Asked, wording: Wording, options: dict[str, Any]) -> tuple[FedSession, Keep]:
    from drilltimer.feeding.journal import keep_fed
    from drilltimer.feeding.run import hear_recording
    from drilltimer.ui.lines import header, rep_line

    with hearing(wording("lines.listening")) as (_, on_heard):
        outcome = hear_recording(recording, asked, on_heard)
    if not options["as_json"]:
        columns, heard = result_columns(), zip(outcome.reps, outcome.verdicts, strict=True)
        print_lines([header(wording, columns), *(rep_line(rep, each, wording, columns) for rep, each in heard)])

    def keep(outcome: FedSession) -> None:
        if options["player"] and outcome.fault is None:
            note(keep_fed(options["player"], outcome))

    return outcome, keep


def _live(asked: Asked, wording: Wording, options: dict[str, Any]) -> tuple[FedSession, Keep]:
    from drilltimer.app.open import open_card
    from drilltimer.audio.files import expanded
    from drilltimer.audio.settings import find_settings
    from drilltimer.cli.stage import at_comfortable_level, somebody_there
    from drilltimer.feeding.journal import open_journal
    from drilltimer.feeding.run import run_feed
    from drilltimer.feeding.setup import SetUp
    from drilltimer.recordings.writing import refuse_kept
    from drilltimer.ui.keys import open_keys
    from drilltimer.ui.lines import header, rep_line

    if options["record"]:
        options["record"] = expanded(options["record"])
        refuse_kept(options["record"])
    card = open_card(options["input_name"], options["output_name"])
    asks = asked.tells and not options["as_json"] and somebody_there()
    card = at_comfortable_level(card, find_settings(*card.names), wording, asks=asks)
    stream = card.stream
    set_up = SetUp(stream.rate_hz, stream.input_channels, asked.court) if options["sets_up"] else None
    tell = _quiet if options["as_json"] else say
    if options["record"]:
        note(wording("run.records", file=options["record"]))

    troubles = Troubles(wording)
    journal = open_journal(options["player"], asked, stream, troubles) if options["player"] else None

    def on_rep(rep: Rep, verdict: Verdict, mark: Mark | None) -> None:
        if journal:
            journal.rep(rep, verdict, mark)
        marked = wording("feed.marked", mark=mark.value) if mark else ""
        tell(rep_line(rep, verdict, wording, result_columns(), mark=marked))

    keyed = sys.stdin is not None and sys.stdin.isatty()
    keys = open_keys() if keyed else None
    tell(header(wording, result_columns()))
    with keys or contextlib.nullcontext():
        outcome = run_feed(
            asked,
            stream,
            set_up=set_up,
            record=options["record"],
            uid=journal.uid if journal else "",
            reopen=card.again,
            length_s=60.0 * options["minutes"] if options["minutes"] else None,
            wait_s=options["wait_s"],
            on_rep=on_rep,
            on_trouble=troubles,
            tick=lambda session: _obey(keys, session),
            on_stage=lambda stage: remark(wording(f"feed.set_up_{stage}")),
        )
    return outcome, lambda outcome: journal and journal.end(outcome, outcome.judged, outcome.marks)


def _obey(keys: Keys | None, session: FeedSession) -> None:
    """Do what the coach's keys ask for."""
    from drilltimer.history.marks import Mark

    marks = {"e": Mark.EARLY, "o": Mark.ON_TIME, "l": Mark.LATE, "v": Mark.VOID}
    for key in keys.pressed().casefold() if keys else "":
        if key == "q":
            raise KeyboardInterrupt
        if key in marks:
            session.mark(marks[key])


def _conclude(outcome: FedSession, wording: Wording, *, as_json: bool) -> None:
    """Scores or document, and how it ended."""
    from drilltimer.feeding.document import feed_document
    from drilltimer.history.marks import agreement, agreement_lines
    from drilltimer.ui.lines import health_lines, score_lines
    from drilltimer.ui.wording import english

    if as_json:
        document = feed_document(
            outcome.recording,
            outcome.asked.play,
            outcome.verdicts,
            outcome.marks,
            outcome.scores,
            outcome.health,
            english().tell,
        )
        print_document(document)
    else:
        compared = agreement_lines(agreement(outcome.verdicts, outcome.marks), wording)
        say("\n".join(["", *score_lines(outcome.scores, wording), *compared, *health_lines(outcome.health, wording)]))
    if not outcome.verdicts:
        remark(wording("feed.nothing"))
    conclude(outcome, wording)


def _quiet(text: str) -> None:
    """Say nothing: stdout is for the document alone."""


def register(house: House) -> None:
    """Bring the verb."""
    house.verbs.append(feed)
