"""`drilltimer group`: warm-ups and circuits for a whole group."""

from __future__ import annotations

from pathlib import Path, PurePath
from typing import TYPE_CHECKING

import click

from drilltimer.cli.options import (
    Sectioned,
    completed,
    input_option,
    json_option,
    language_option,
    new_seed,
    output_option,
    refuse_speed,
    seed_option,
    speed_option,
    wait_option,
)
from drilltimer.cli.terminal import note, print_document, print_lines, result_columns

if TYPE_CHECKING:
    from collections.abc import Iterable

    from drilltimer.app.drive import Open
    from drilltimer.cli.stage import Wanted
    from drilltimer.cli.wings import House
    from drilltimer.errors import Notice
    from drilltimer.group.board_screen import BoardScreen
    from drilltimer.group.conduct import GroupSession
    from drilltimer.group.events import Begun, CoachNotice, Gathered, Moved, ScoredRep
    from drilltimer.group.run import GroupOutcome, LoadedPlan
    from drilltimer.model import AudioStream
    from drilltimer.ui.wording import Wording

    Happened = Begun | ScoredRep | Gathered | Moved | CoachNotice

MOST_NAME = 20  # cells for the players' names before their reps; a longer one takes what it needs


def _plan_names() -> Iterable[str]:
    from drilltimer.group.run import list_group_plans

    return list_group_plans()


@click.group(invoke_without_command=True)
@json_option
@click.pass_context
def group(context: click.Context, as_json: bool) -> None:
    """Warm-ups and circuits for a group: list the plans there are; `check`, `show`, `new` and `run` do more.

    A plan is a file: players, stations, times, who is heard. Shipped ones lie in drills/groups.
    """
    if context.invoked_subcommand is None:
        from drilltimer.group.run import list_group_plans, load_plan
        from drilltimer.ui.lines import table

        rows = []
        for name, path in list_group_plans().items():
            loaded = load_plan(str(path))
            plan, length = loaded.plan, f"{loaded.course.end_s / 60:.0f} min"
            rows.append((name, length, str(len(plan.players)), plan.description or plan.name))
        if as_json:
            keys = ("name", "length", "players", "what_for")
            print_document([dict(zip(keys, row, strict=True)) for row in rows])
            return
        print_lines(table(rows, ("name", "length", "players", "what for"), result_columns()))


@group.command()
@click.argument("plan", shell_complete=completed(_plan_names))
@language_option
def check(plan: str, language: str) -> None:
    """Tell all errors of PLAN (a name, or a file) at once; ends with 2 on errors.

    Also told: what goes beyond guidance, movements of the warm-up that have no recording, and how two courts share one
    microphone's time.
    """
    from drilltimer.cli.terminal import wording_for
    from drilltimer.group.run import load_plan, unrecorded

    loaded, wording = load_plan(plan), wording_for(language)
    silent = [f"  {problem}" for problem in unrecorded(loaded, language).values()]
    courts = [f"  {line}" for line in _two_courts(loaded, wording)]
    print_lines([f"{loaded.file}: can be run, {_size(loaded, wording)}", *courts, *silent, *_told(loaded)])


@group.command()
@click.argument("name")
@click.option("--players", type=click.IntRange(1, 40), default=12, show_default=True)
@click.option("--minutes", type=click.IntRange(5, 240), default=45, show_default=True, help="Of the booking.")
@click.option("--courts", type=click.IntRange(1, 2), default=1, show_default=True, help="Two need a microphone each.")
def new(name: str, players: int, minutes: int, courts: int) -> None:
    """Begin a plan of your own: a commented circuit NAME (a name for your plans, or a path) that fits the booking."""
    from drilltimer.group.beginning import beginning
    from drilltimer.group.run import begin_group_plan

    title = PurePath(name).stem.replace("-", " ").capitalize()
    print_lines([str(begin_group_plan(name, beginning(title, players, minutes, courts)))])
    note(f"edit it, then: drilltimer group check {name}")


@group.command()
@click.argument("plan", shell_complete=completed(_plan_names))
@click.option(
    "--print",
    "chart",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="Write a wall chart to print (.html): the plan on one page, then a card for each station.",
)
@json_option
@language_option
def show(plan: str, chart: Path | None, as_json: bool, language: str) -> None:
    """Lay PLAN out: who is where when, who is heard, how many landings each player is asked for."""
    from drilltimer.cli.terminal import wording_for
    from drilltimer.group.announce import NEXT_EXERCISE
    from drilltimer.group.board_drawing import clock
    from drilltimer.group.lint import landings_asked
    from drilltimer.group.run import laid_out, load_plan, unrecorded, write_chart
    from drilltimer.group.scoreboard import stage_title

    loaded, wording = load_plan(plan), wording_for(language)
    if chart:
        write_chart(loaded, chart, wording)
        note(f"wall chart written: {chart}; print it in landscape")
    if as_json:
        print_document(laid_out(loaded, wording))
        return
    silent = unrecorded(loaded, language)
    lines = [loaded.plan.name, loaded.plan.description, _size(loaded, wording), "", *_heard(loaded, wording), ""]
    if loaded.plan.stations and not loaded.plan.rotation:
        lines[-1:] = ["Neighbours in the list go together; latecomers and leavers fill the smallest squads.", ""]
    names = [player.name for player in loaded.plan.players]
    for number, stage in enumerate(loaded.course.stages):
        mark = f', called "{NEXT_EXERCISE}"' if number in silent else ""  # a warm-up's blocks are the first stages
        lines.append(
            f"{clock(stage.start_s):>6s}  {wording.tell(stage_title(stage))}, {clock(stage.work_s)} of work{mark}"
        )
        if stage.kind == "stations":
            for station, squad in zip(loaded.plan.stations, stage.seats.stations, strict=True):
                lines.append(f"{'':8s}{station.name}: {', '.join(names[player] for player in squad) or '-'}")
            if stage.seats.resting:
                lines.append(f"{'':8s}resting: {', '.join(names[player] for player in stage.seats.resting)}")
    asked = landings_asked(loaded.plan, loaded.course, loaded.drills)
    lines += [f"{clock(loaded.course.end_s):>6s}  free", ""]
    span = f"{min(asked)} to {max(asked)}" if min(asked) < max(asked) else str(min(asked))
    lines.append(f"Landings asked of a player: {span}.")
    lines += [f"  {problem}" for problem in silent.values()]
    print_lines([*lines, *_told(loaded), wording("run.cautions")])


@group.command(cls=Sectioned)
@click.argument("plan", shell_complete=completed(_plan_names))
@seed_option
@input_option
@output_option
@click.option(
    "--simulate", metavar="SKILL", help="Simulated players (mixed, novice, club, expert, metronome): no sound card."
)
@speed_option
@click.option(
    "--sheet",
    "sheets",
    type=click.Path(path_type=Path, dir_okay=False),
    multiple=True,
    help="Write the group's sheet at the end: .html (one page to print) or .csv; may be given twice.",
)
@click.option("--ranking", is_flag=True, help="Order players by their share in the window; never done unasked.")
@click.option("--no-history", is_flag=True, help="Do not keep the scored reps under the players' names.")
@click.option("--keep", is_flag=True, help="With --simulate: keep them all the same, marked as simulated.")
@click.option("--plain", is_flag=True, help="Lines of text instead of the board.")
@language_option
@wait_option
def run(
    plan: str,
    seed: int | None,
    input_name: str | None,
    output_name: str | None,
    simulate: str | None,
    speed: float,
    sheets: tuple[Path, ...],
    ranking: bool,
    no_history: bool,
    keep: bool,
    plain: bool,
    language: str,
    wait_s: float,
) -> None:
    """Run PLAN (a name, or a file) with a group.

    In a terminal a board shows who is where, the time left, what comes next, and scores so far. Keys: space pauses and
    goes on, n skips, r repeats the stretch of work, + adds 15 s to it, i takes a player out or brings one in (a number
    and Enter), q ends. Whoever is taken out is scored no more; whoever is brought in works from the next change on.

    Scored reps are kept in the history under each player's name, as in the plan (those of simulated players only with
    --keep); a sheet is written with --sheet.
    """
    from drilltimer.cli.stage import Wanted
    from drilltimer.cli.terminal import Troubles, say, wording_for
    from drilltimer.group.journal import GroupJournal
    from drilltimer.group.run import load_plan, run_group
    from drilltimer.group.scoreboard import board_of
    from drilltimer.group.sheet import refuse_path

    refuse_speed(simulate, speed)
    loaded = load_plan(plan)
    for path in sheets:
        refuse_path(path)  # before the session, not after it
    wording = wording_for(language)
    seed = new_seed() if seed is None else seed
    stream, session, reopen = _open(
        loaded, Wanted(input_name, output_name, None, None, simulate, speed), seed, language, wording
    )
    note(
        "\n".join(
            [
                wording("run.cautions"),
                *_told(loaded),
                wording("group.begins", plan=loaded.plan.name, size=_size(loaded, wording), seed=seed),
                *_heard(loaded, wording),
            ]
        )
    )
    screen = None if plain else _screen(session, stream.rate_hz, wording)
    troubles = Troubles(wording, screen)
    journal = None
    if not no_history and (keep or not simulate):
        journal = GroupJournal(session, loaded.drills, stream, bool(simulate), seed, troubles)

    def on_event(event: Happened) -> None:
        from drilltimer.group.events import CoachNotice, Moved, ScoredRep

        if journal and isinstance(event, ScoredRep):
            journal.rep(event)
        if screen and isinstance(event, Moved | CoachNotice):
            screen.tell(_event_lines(event, session, stream.rate_hz, wording)[0])
        if screen is None:
            say("\n".join(_event_lines(event, session, stream.rate_hz, wording)))

    outcome = run_group(
        session, stream, reopen=reopen, wait_s=wait_s, on_event=on_event, on_trouble=troubles, board=screen
    )
    try:
        if journal:
            journal.end(outcome)
    finally:  # whatever becomes of keeping them, scores that are there are told
        troubles.end()
        board = board_of(session, stream.rate_hz)
        _conclude(outcome, board.together, sheets, ranking, bool(simulate), wording)


def _open(
    loaded: LoadedPlan, wanted: Wanted, seed: int, language: str, wording: Wording
) -> tuple[AudioStream, GroupSession, Open | None]:
    from drilltimer.group.run import conduct, open_hall, refuse_one_loudspeaker

    if wanted.simulate:
        session = conduct(loaded, 48_000, seed, language)
        return open_hall(session, seed, wanted.simulate, wanted.speed), session, None
    from drilltimer.app.open import open_card
    from drilltimer.audio.settings import find_settings
    from drilltimer.cli.check import devices_line
    from drilltimer.cli.stage import at_comfortable_level, somebody_there

    instead = "group run PLAN --simulate mixed"
    card = open_card(wanted.input_name, wanted.output_name, loaded.plan.channels, instead)
    refuse_one_loudspeaker(loaded, card.stream)
    note(devices_line(card, wording))
    card = at_comfortable_level(card, find_settings(*card.names), wording, asks=somebody_there())
    return card.stream, conduct(loaded, card.stream.rate_hz, seed, language), card.again


def _screen(session: GroupSession, rate_hz: int, wording: Wording) -> BoardScreen | None:
    from drilltimer.group.board_screen import BoardScreen
    from drilltimer.group.scoreboard import board_of
    from drilltimer.ui.live import has_screen, this_palette

    if not has_screen():
        return None
    return BoardScreen(lambda: board_of(session, rate_hz), session.plan.name, wording, this_palette())


def _event_lines(event: Happened, session: GroupSession, rate_hz: int, wording: Wording) -> list[str]:
    """One event as lines."""
    from rich.cells import cell_len

    from drilltimer.group.board_drawing import clock
    from drilltimer.group.events import Begun, Gathered, Moved, ScoredRep
    from drilltimer.group.scoreboard import places_of, stage_title
    from drilltimer.ui.lines import header, padded, rep_line

    at = f"{clock((session.now - session.zero) / rate_hz):>5s}"
    names = [wording("group.player"), *(player.name for player in session.plan.players)]
    wide = min(max(map(cell_len, names)), MOST_NAME)
    if isinstance(event, Begun):
        places = places_of(session.plan, event.stage)
        title = wording.tell(stage_title(event.stage))
        lines = [f"{at}  {wording('group.stage', stage=title, time=clock(event.stage.work_s))}"]
        lines += [f"{'':7s}{place.title}: {', '.join(place.players) or '-'}" for place in places]
        heads = (f"{'':5s}", padded(wording("group.player"), wide))
        scored = event.stage.kind == "stations" and session.lanes
        return [*lines, header(wording, result_columns(), heads)] if scored else lines
    if isinstance(event, ScoredRep):
        before = (at, padded(session.plan.players[event.player].name, wide))
        return [rep_line(event.rep, event.verdict, wording, result_columns(), before)]
    if isinstance(event, Moved):
        out = "board.moved_last_out" if event.silences else "board.moved_out"
        key = "board.moved_in" if event.move.inside else out
        return [f"{at}  {wording(key, player=event.move.player)}"]
    if isinstance(event, Gathered):
        found = event.gathering
        if found.first_ms is None or found.last_ms is None:
            return [f"{at}  {wording('group.nothing_heard')}"]
        percent = 100 * (found.share or 0.0)
        span = {"first_ms": found.first_ms, "last_ms": found.last_ms}
        told = wording.counted("group.heard", found.onsets, **span, percent=percent, onsets=found.onsets)
        return [f"{at}  {told}"]
    return [f"{at}  {wording.tell(event.what)}"]


def _conclude(
    outcome: GroupOutcome,
    together: Notice | None,
    sheets: tuple[Path, ...],
    ranking: bool,
    simulated: bool,
    wording: Wording,
) -> None:
    """Scores, sheets, and how it ended."""
    from drilltimer.cli.terminal import conclude
    from drilltimer.group.board_drawing import ranked, score_table
    from drilltimer.group.scoreboard import player_scores
    from drilltimer.group.sheet import sheet_of, write_sheet
    from drilltimer.ui.lines import health_lines

    scores = player_scores(outcome.session)
    lines = [""]
    if scores:
        lines += score_table(ranked(scores) if ranking else scores, wording, result_columns())
    lines += [wording.tell(together)] * bool(together)
    print_lines([*lines, *health_lines(outcome.health, wording)])
    for path in sheets:
        write_sheet(sheet_of(outcome.session, wording, ranking=ranking, simulated=simulated), path)
        note(wording("group.sheet_written", file=path))
    conclude(outcome, wording)


def _size(loaded: LoadedPlan, wording: Wording) -> str:
    plan, course = loaded.plan, loaded.course
    parts = [wording.counted("group.players", len(plan.players), count=len(plan.players))]
    if plan.stations:
        parts.append(wording.counted("group.stations", len(plan.stations), count=len(plan.stations)))
    return ", ".join(
        [*parts, wording("group.minutes", minutes=course.end_s / 60, limit_minutes=plan.time_limit_s / 60)]
    )


def _heard(loaded: LoadedPlan, wording: Wording) -> list[str]:
    """Who is heard, and how far that goes."""
    plan = loaded.plan
    lines = []
    for station in plan.stations:
        if station.microphone:
            key = "group.scored" if station.scored else "group.heard_together"
            lines.append(wording(key, station=station.name, channel=station.microphone))
    if any(block.drill for block in plan.warm_up) and plan.microphone:
        lines.append(wording("group.warm_up", channel=plan.microphone))
    lines += _two_courts(loaded, wording)
    return lines or [wording("group.nobody_heard")]


def _two_courts(loaded: LoadedPlan, wording: Wording) -> list[str]:
    """How two courts share the time, where there are two."""
    return [wording("group.two_courts")] if loaded.plan.two_sides else []


def _told(loaded: LoadedPlan) -> list[str]:
    from drilltimer.drill.load import DEFERENCE
    from drilltimer.group.lint import doubts
    from drilltimer.ui.wording import english

    found = doubts(loaded.plan, loaded.course, loaded.drills)
    lines = []
    for doubt in found:
        line, column = loaded.tree.place((doubt.key,), at_key=True)
        lines.append(f"  {loaded.file}:{line}:{column}: {doubt.key}: {doubt.message}")
    return [*lines, *[english().tell(DEFERENCE)] * bool(found)]


def register(house: House) -> None:
    """Bring the verb."""
    house.verbs.append(group)
