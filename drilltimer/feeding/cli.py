"""`drilltimer feed`: real contacts heard, live or in a recording, and no cue played."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from drilltimer.cli.options import (
    FEEDBACK,
    METRES,
    MILLISECONDS,
    Number,
    Sectioned,
    air_option,
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
from drilltimer.cli.terminal import (
    Troubles,
    conclude,
    hearing,
    note,
    opening_lines,
    print_document,
    print_lines,
    remark,
    result_columns,
    say,
    wording_for,
)

if TYPE_CHECKING:
    from collections.abc import Callable

    from drilltimer.app.drive import Open
    from drilltimer.cli.wings import House
    from drilltimer.feeding.run import Asked, FedBoard, FedSession
    from drilltimer.history.journal import Journal
    from drilltimer.history.marks import Mark
    from drilltimer.model import AudioStream, Level, Rep, Situation, Verdict
    from drilltimer.ui.wording import Wording

    Keep = Callable[[FedSession], object]  # into the history, where that is asked for

SITUATIONS: dict[str, Situation] = {"rally": "baseline", "feed": "baseline", "return": "return"}  # whose window


@click.command(cls=Sectioned)
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
@simulate_option
@speed_option
@seed_option
@click.option("--plain", is_flag=True, help="Lines of text instead of the live screen.")
@click.option("--minutes", type=Number(0.05, 240), help="End by itself; else q or Ctrl-C ends.")
@wait_option
@language_option
@json_option
def feed(recording: Path | None, **options: Any) -> None:
    """Time touchdowns against a feeder's real contacts: nothing is played, both are heard.

    Without RECORDING it listens to the microphone until q or Ctrl-C, tells the player in words or tones where they
    cannot fall on the next contact (in a rally: after it). In a terminal a live screen shows the last touchdown; else,
    and with --plain, a line is printed per contact. Keys for the coach, about the rep told last: e early, o on time, l
    late, v void; the same key takes it back.

    With RECORDING (WAV, FLAC, OGG, MP3) the same is heard later. Distances that are not told widen the uncertainty.
    """
    refuse_speed(options["simulate"], options["speed"])
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

    with hearing(wording("lines.listening")) as (_, on_heard):
        outcome = hear_recording(recording, asked, on_heard)
    if not options["as_json"]:
        heard = zip(outcome.reps, outcome.verdicts, strict=True)
        print_lines([_heads(wording), *(_line(rep, each, wording) for rep, each in heard)])

    def keep(outcome: FedSession) -> None:
        if options["player"] and outcome.fault is None:
            note(keep_fed(options["player"], outcome))

    return outcome, keep


def _live(asked: Asked, wording: Wording, options: dict[str, Any]) -> tuple[FedSession, Keep]:
    from drilltimer.audio.files import expanded
    from drilltimer.feeding.board import FeedScreen
    from drilltimer.feeding.journal import open_journal
    from drilltimer.feeding.run import run_feed
    from drilltimer.feeding.setup import SetUp
    from drilltimer.recordings.writing import refuse_kept

    if options["record"]:
        options["record"] = expanded(options["record"])
        refuse_kept(options["record"])
    stream, reopen = _open(asked, wording, options)
    set_up = SetUp(stream.rate_hz, stream.input_channels, asked.court) if options["sets_up"] else None
    if options["record"]:
        note(wording("run.records", file=options["record"]))
    screen = _screen(asked, wording, options)
    board = screen if isinstance(screen, FeedScreen) else None
    troubles = Troubles(wording, board)
    listed = _ContactList(wording, late=board is not None, quiet=options["as_json"])
    if options["player"]:
        simulated = bool(options["simulate"])
        listed.journal = open_journal(options["player"], asked, stream, troubles, simulated=simulated)
    outcome = run_feed(
        asked,
        stream,
        set_up=set_up,
        record=options["record"],
        uid=listed.journal.uid if listed.journal else "",
        reopen=reopen,
        length_s=60.0 * options["minutes"] if options["minutes"] else None,
        wait_s=options["wait_s"],
        on_rep=listed.on_rep,
        on_trouble=troubles,
        screen=screen,
        on_stage=lambda stage: (board.tell if board else remark)(wording(f"feed.set_up_{stage}")),
    )
    listed.end()

    def keep(outcome: FedSession) -> None:
        if listed.journal:
            listed.journal.end(outcome, outcome.judged, outcome.marks)
        troubles.end()

    return outcome, keep


def _open(asked: Asked, wording: Wording, options: dict[str, Any]) -> tuple[AudioStream, Open | None]:
    from drilltimer.app.open import open_card
    from drilltimer.audio.settings import find_settings
    from drilltimer.cli.stage import at_comfortable_level, somebody_there
    from drilltimer.feeding.rehearsal import Rehearsal

    if options["simulate"]:
        seed = new_seed() if options["seed"] is None else options["seed"]
        return Rehearsal(options["simulate"], seed, asked.placement, options["speed"]), None
    card = open_card(options["input_name"], options["output_name"], instead="feed --simulate club")
    asks = asked.tells and not options["as_json"] and somebody_there()
    card = at_comfortable_level(card, find_settings(*card.names), wording, asks=asks)
    return card.stream, card.again


def _screen(asked: Asked, wording: Wording, options: dict[str, Any]) -> FedBoard | None:
    """The board in a terminal, or else the keys alone, where there are any."""
    from drilltimer.feeding.board import FeedScreen, PlainKeys
    from drilltimer.ui.live import has_screen, this_palette

    if has_screen() and not (options["plain"] or options["as_json"]):
        return FeedScreen(asked.name, wording, this_palette())
    return PlainKeys(wording) if sys.stdin is not None and sys.stdin.isatty() else None


class _ContactList:
    """Told of contacts as they are judged and marked; prints each at its time, or all at the end, and has them kept."""

    def __init__(self, wording: Wording, *, late: bool, quiet: bool) -> None:
        self.journal: Journal | None = None
        self._wording, self._late, self._quiet = wording, late, quiet
        self._lines = dict[int, str]()
        self._list([_heads(wording)])

    def on_rep(self, rep: Rep, verdict: Verdict, mark: Mark | None) -> None:
        """A contact was judged, or the coach has marked it."""
        if self.journal:
            self.journal.rep(rep, verdict, mark)
        marked = self._wording("feed.marked", mark=mark.value) if mark else ""
        self._lines[rep.index] = _line(rep, verdict, self._wording, marked)
        self._list([self._lines[rep.index]])

    def end(self) -> None:
        """What was held back."""
        if self._late:
            self._late = False
            self._list([_heads(self._wording), *self._lines.values()])

    def _list(self, lines: list[str]) -> None:
        if not (self._late or self._quiet):
            say("\n".join(lines))


def _heads(wording: Wording) -> str:
    from drilltimer.ui.lines import header

    return header(wording, result_columns(), calls=False)


def _line(rep: Rep, verdict: Verdict, wording: Wording, mark: str = "") -> str:
    from drilltimer.ui.lines import rep_line

    return rep_line(rep, verdict, wording, result_columns(), mark=mark, calls=False)


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
        figures = [*score_lines(outcome.scores, wording), *compared, *health_lines(outcome.health, wording)]
        say("\n".join(["", *opening_lines(outcome.judged, outcome.scores, wording), *figures]))
    if not outcome.verdicts:
        remark(wording("feed.nothing"))
    conclude(outcome, wording)


def register(house: House) -> None:
    """Bring the verb."""
    house.verbs.append(feed)
