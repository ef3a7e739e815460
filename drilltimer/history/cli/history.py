"""`drilltimer history`: players, their sessions, one session rep by rep, the way it went."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

import click

from drilltimer.cli.options import completed, json_option, language_option
from drilltimer.cli.terminal import note, print_document, print_lines, result_columns
from drilltimer.history.cli.files import opened_history, target_names
from drilltimer.units import count_of

if TYPE_CHECKING:
    from drilltimer.history.entries import SessionLine
    from drilltimer.history.store import History


@click.command()
@click.argument(
    "target", metavar="[PLAYER|SESSION]", required=False, shell_complete=completed(target_names, files=False)
)
@click.option("--limit", type=click.IntRange(1, 1000), default=20, show_default=True, help="At most so many sessions.")
@click.option("--before", type=click.IntRange(1), metavar="SESSION", help="Only sessions that began before this one.")
@click.option("--drill", help="Only sessions of the drill of this name, as the list writes it.")
@click.option("--trend", is_flag=True, help="Draw how the player's habit went.")
@click.option("--set-level", metavar="TEXT", help="Note the player's level: 'adult club', 'child', or any other words.")
@click.option("--set-sport", metavar="TEXT", help="Note the player's sport.")
@language_option
@json_option
def history(
    target: str | None,
    limit: int,
    before: int | None,
    drill: str | None,
    trend: bool,
    set_level: str | None,
    set_sport: str | None,
    language: str,
    as_json: bool,
) -> None:
    """Show the players, or a PLAYER's latest sessions, or a SESSION (its number) rep by rep.

    A number is always a session; for a player whose name is one write `player:12`.
    """
    from drilltimer.history.queries import find_target

    with opened_history() as kept:
        if target is None:
            _show_players(kept, as_json)
            return
        found = find_target(kept, target)
        if isinstance(found, int):
            _show_session(kept, found, language, as_json)
            return
        if set_level or set_sport:
            _set(kept, found.name, set_level, set_sport)
        _show_player(kept, found.name, limit, before, drill, trend, as_json)


def _show_players(kept: History, as_json: bool) -> None:
    from drilltimer.history.days import here
    from drilltimer.history.queries import players
    from drilltimer.ui.lines import table

    everybody = list(players(kept))
    if as_json:
        print_document(
            [
                {
                    "player": each.player.name,
                    "level": each.player.level,
                    "sport": each.player.sport,
                    "sessions": each.sessions,
                    "latest_utc": each.latest_utc,
                }
                for each in everybody
            ]
        )
        return
    rows = [
        (p.player.name, p.player.level or "-", p.player.sport or "-", str(p.sessions), here(p.latest_utc or "-")[:10])
        for p in everybody
    ]
    print_lines(table(rows, ("player", "level", "sport", "sessions", "latest"), result_columns()))


def _show_player(
    kept: History, name: str, limit: int, before: int | None, drill: str | None, trend: bool, as_json: bool
) -> None:
    from drilltimer.errors import notice
    from drilltimer.history.days import beyond, caps_of, day_load
    from drilltimer.history.own_target import own_target
    from drilltimer.history.queries import count_sessions, find_player, session_lines
    from drilltimer.ui.lines import table
    from drilltimer.ui.wording import english

    lines = session_lines(kept, name, limit=limit, before=before, drill=drill)
    offer, load = own_target(kept, name), day_load(kept, name)
    if as_json:
        from dataclasses import asdict

        days = {day.isoformat(): landings for day, landings in load.days}
        landings = {"today": load.on(0), "seven_days": load.seven_days, "days": days}
        print_document(
            {
                "sessions": [asdict(line) for line in lines],
                "soonest_step": asdict(offer.found),
                "landings": landings,
            }
        )
        return
    if trend:
        print_lines([*trend_lines(lines, result_columns()), *_latest_picture(kept, lines)])
    else:
        heads = ("session", "began", "drill", "from", "in window", "habit", "scatter", "missed", "void", "")
        signs = [english()("scores.signs")] * any(line.constant_error_ms is not None for line in lines)
        print_lines([*table([_row(line) for line in lines], heads, result_columns()), *signs])
    total = count_sessions(kept, name, of_person=True)
    if simulated := count_sessions(kept, name) - total:
        note(f"left out: {count_of(simulated, 'session')} of a simulated player under this name")
    if lines and len(lines) < total and not drill:
        note(f"{len(lines)} of {total} sessions; older ones: --before {lines[-1].number}")
    level = find_player(kept, name).level
    if load.days:
        caps = caps_of(level)
        note(
            f"landings: {load.on(0)} today, {load.seven_days} in seven days; for {english().tell(caps.who)} guidance "
            f"ends at {caps.a_day} and {caps.seven_days}"
        )
    for each in beyond(load, level):
        note(english().tell(notice("caution", text=each)))
    if offer.found.answers:
        note(offer.told)


def _row(line: SessionLine) -> tuple[str, ...]:
    from drilltimer.history.days import here

    share = f"{100 * line.on_time / line.scored:.0f} % of {line.scored}" if line.scored else "-"
    errors = (line.constant_error_ms, line.variable_error_ms)
    constant, variable = (
        "-" if value is None else f"{value:{form}} ms" for value, form in zip(errors, ("+z.0f", ".0f"), strict=True)
    )
    began = here(line.started_utc)
    ending = {"done": ""}.get(line.ending or "", line.ending or "cut off, or still running")
    return (
        str(line.number), began, line.drill, line.source, share, constant, variable, str(line.missed), str(line.void),
        ending,
    )  # fmt: skip


def trend_lines(lines: list[SessionLine], columns: int | None = None) -> list[str]:
    """Habit of session after session, oldest first, as marks on a line; each drill for itself.

    The bar reaches one scatter to either side.
    """
    from drilltimer.history.days import here

    half, reach_ms = 30, 300.0
    if columns is not None:
        half = max(10, min(half, (columns - 31) // 2))
    drawn = []
    drills = dict.fromkeys((line.drill, line.mode) for line in reversed(lines) if line.constant_error_ms is not None)
    for drill, mode in drills:
        drawn.append(f"{drill} ({mode}): early {'<':>{half - 6}} 0 > late, {reach_ms:.0f} ms either way")
        for line in reversed(lines):
            if (line.drill, line.mode) != (drill, mode) or line.constant_error_ms is None:
                continue
            spread_ms = line.variable_error_ms or 0.0
            cells = [" "] * (2 * half + 1)
            cells[half] = "|"
            low, at, high = (
                max(0, min(2 * half, half + round(half * value_ms / reach_ms)))
                for value_ms in (
                    line.constant_error_ms - spread_ms,
                    line.constant_error_ms,
                    line.constant_error_ms + spread_ms,
                )
            )
            for cell in range(low, high + 1):
                cells[cell] = "+" if cell == half else "-"
            cells[at] = "o"
            drawn.append(
                f"{line.number:>6}  {here(line.started_utc)[:10]}  {''.join(cells)}  {line.constant_error_ms:+z.0f} ms"
            )
    legend = f"o the habit (constant error), {'-' * 5} its scatter (variable error) to either side, | the target"
    return [*drawn, legend] if drawn else ["nothing was timed yet"]


def _latest_picture(kept: History, lines: list[SessionLine]) -> list[str]:
    """Touchdowns of the latest session that was timed, against its window."""
    from drilltimer.history.queries import reps
    from drilltimer.ui.live import shows_blocks
    from drilltimer.ui.touchdowns import touchdown_lines
    from drilltimer.ui.wording import english

    latest = next((line for line in lines if line.constant_error_ms is not None), None)
    if latest is None:
        return []
    judged = [(each.rep, each.verdict) for each in reps(kept, latest.number) if each.coach != "void"]
    drawn = touchdown_lines(judged, english(), result_columns(), ascii_only=not shows_blocks(sys.stdout))
    return ["", f"session {latest.number}, {latest.drill}", *drawn] if drawn else []


def _show_session(kept: History, number: int, language: str, as_json: bool) -> None:
    from drilltimer.cli.terminal import wording_for
    from drilltimer.history.days import here
    from drilltimer.history.marks import Mark, agreement, agreement_lines
    from drilltimer.history.queries import reps, session
    from drilltimer.score.document import RecordingClock, score_document
    from drilltimer.score.match import correction_ms
    from drilltimer.score.stats import summarize
    from drilltimer.ui.lines import header, health_lines, placement_line, rep_line, score_lines
    from drilltimer.ui.wording import english

    entry, entries = session(kept, number), reps(kept, number)
    scores = summarize(each.verdict for each in entries if not each.rep.warm_up and each.coach != Mark.VOID)
    marks = {each.rep.index: Mark(each.coach) for each in entries if each.coach}
    if as_json:
        document = score_document(
            None, RecordingClock(), (each.verdict for each in entries), scores, entry.health, english().tell
        )
        about = {
            "player": entry.player,
            "drill": entry.drill,
            "started_utc": entry.started_utc,
            "seed": entry.seed,
            "source": entry.source,
            "ending": entry.ending,
            "versions": entry.versions,
        }
        print_document(document | {"session": about})
        return
    ending = entry.ending or "cut off, or still running"
    note(f"session {number}: {entry.player}, {entry.drill}, {here(entry.started_utc)}, {entry.source}, {ending}")
    wording = wording_for(language)
    note(placement_line(entry.placement, correction_ms(entry.placement), wording))
    warm_up, columns = wording("run.warm_up"), result_columns()
    lines = [rep_line(each.rep, each.verdict, wording, columns, mark=warm_up * each.rep.warm_up) for each in entries]
    compared = agreement_lines(agreement((each.verdict for each in entries), marks), wording)
    figures = [*score_lines(scores, wording), *compared, *health_lines(entry.health, wording)]
    print_lines([header(wording, columns), *lines, "", *figures])


def _set(kept: History, name: str, level: str | None, sport: str | None) -> None:
    from drilltimer.history.entries import Player, clean_name

    level = clean_name(level, "the level") if level else None
    sport = clean_name(sport, "the sport") if sport else None
    kept.add_player(Player(name, level, sport))
    note(f"{name}: " + ", ".join(f"{what} {value}" for what, value in (("level", level), ("sport", sport)) if value))
