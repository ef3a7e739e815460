"""`drilltimer check`: a guided sound check."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

import click

from drilltimer.cli.options import (
    AIR_C,
    DISTANCE_M,
    METRES,
    SPEAKER_TO_MIC_M,
    air_option,
    input_option,
    json_option,
    language_option,
    output_option,
    simulate_option,
)
from drilltimer.cli.terminal import ask, ask_number, note, print_document, print_result

if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import datetime

    from drilltimer.app.check import Checked
    from drilltimer.app.open import Card
    from drilltimer.model import Placement
    from drilltimer.ui.wording import Wording

    Say = Callable[[str], None]

UNUSABLE = 4  # exit code: the check ran, and nothing can be scored so
SOFTEST_DB = -30.0
STEP_DB = 6.0


@click.command()
@input_option
@output_option
@click.option(
    "--distance",
    "distance_m",
    type=METRES,
    help="Metres from the player to loudspeaker and microphone, standing together; asked for when left out.",
)
@air_option
@click.option("--short", is_flag=True, help="Silence and three contacts, no hops.")
@simulate_option
@language_option
@json_option
def check(
    input_name: str | None,
    output_name: str | None,
    distance_m: float | None,
    air_c: float | None,
    short: bool,
    simulate: str | None,
    language: str,
    as_json: bool,
) -> None:
    """Check microphone, loudspeaker, room and landings in about a minute.

    Says what is wrong and what to move or change. What it finds is kept for sessions on the same devices. The exit
    code is 4 when nothing could be scored like this.
    """
    from drilltimer.app.check import run_check
    from drilltimer.app.open import open_card, open_room
    from drilltimer.audio.settings import find_settings
    from drilltimer.cli.terminal import wording_for

    wording = wording_for(language)
    asks = sys.stdin.isatty() and sys.stdout.isatty() and not as_json
    say: Say = (lambda text: None) if as_json else print_result
    say(wording("check.title"))
    if not short:
        say(wording("run.cautions"))
    card = None if simulate else open_card(input_name, output_name, instead="check --simulate club")
    known = find_settings(*card.names) if card else None
    before = stand(known.placement if known else None, None, None)
    if distance_m is None:
        distance_m = before.player_to_mic_m
        distance_m = ask_number(wording("check.distance"), distance_m, METRES) if asks else distance_m
    if air_c is None:
        air_c = ask_number(wording("check.air"), before.air_c, AIR_C) if asks else before.air_c
    placement = stand(before, distance_m, air_c)
    if card is None:
        room = open_room(simulate or "", 1, placement, 0.0)
        steps = _steps(wording, say)
        checked = run_check(room, placement, short=short, real_time=False, language=language, on_step=steps)
    else:
        say(devices_line(card, wording))
        checked, _ = check_card(card, placement, wording, short=short, language=language, asks=asks, say=say)
    if as_json:
        print_document(checked.document() | {"devices": _devices(card) if card else None})
    else:
        tell(checked, wording, say)
    if checked.result == "unusable":
        sys.exit(UNUSABLE)


def check_card(
    card: Card,
    placement: Placement,
    wording: Wording,
    *,
    short: bool,
    asks: bool,
    say: Say,
    language: str = "en",
) -> tuple[Checked, float]:
    """Ask for a comfortable level, check a real card, and keep what was found. Closes the card's stream.

    Returns
    -------
    tuple
        What was found, and the volume in dB that the player found comfortable.
    """
    from drilltimer.app.check import run_check
    from drilltimer.audio.settings import DeviceSettings, find_settings, keep_settings

    known = find_settings(*card.names)
    volume_db = known.volume_db if known else 0.0
    stream = card.stream
    if asks:
        stream.close()
        volume_db = choose_volume(card, volume_db, wording)
        stream = card.again()
    stream.volume_db = volume_db
    checked = run_check(stream, placement, short=short, language=language, on_step=_steps(wording, say))
    landings = checked.landings or (known.landings_at(placement) if known else ())
    if keep_settings(DeviceSettings(*card.names, today(), checked.result, placement, volume_db, landings)):
        say(wording("check.stored"))
    return checked, volume_db


def today(now: datetime | None = None) -> str:
    """Day of a check, ISO 8601, as it is called where the computer stands: a day ends at midnight there.

    `now` is any moment with a time zone; the present one when left out.
    """
    from datetime import UTC, datetime

    return (now or datetime.now(UTC)).astimezone().date().isoformat()


def stand(known: Placement | None, distance_m: float | None, air_c: float | None) -> Placement:
    """Where the player stands: as told now, or to the last sound check, or in front of a laptop on the floor."""
    from drilltimer.model import Placement

    usual = with_distance(Placement(speaker_to_mic_m=SPEAKER_TO_MIC_M), DISTANCE_M, None)
    return with_distance(known or usual, distance_m, air_c)


def with_distance(placement: Placement, distance_m: float | None, air_c: float | None) -> Placement:
    """A player at `distance_m` from loudspeaker and microphone that stand together."""
    from dataclasses import replace

    if distance_m is not None:
        apart_m = min(placement.speaker_to_mic_m, 2 * distance_m)  # further apart they cannot both be so near
        placement = replace(
            placement, speaker_to_player_m=distance_m, player_to_mic_m=distance_m, speaker_to_mic_m=apart_m
        )
    return placement if air_c is None else replace(placement, air_c=air_c)


def tell(checked: Checked, wording: Wording, say: Say) -> None:
    """The result in words."""
    measured = checked.measured
    figures = []
    if measured.round_trip_ms is not None:
        figures.append(wording("screen.trip", ms=measured.round_trip_ms))
    if measured.spread_ms is not None:
        figures.append(wording("check.spread", ms=measured.spread_ms))
    if measured.drift_ppm is not None:
        figures.append(wording("screen.drift", ppm=measured.drift_ppm))
    if measured.noise_db is not None:
        figures.append(wording("screen.noise", db=measured.noise_db))
    if checked.hops is not None and checked.hops.over_noise_db is not None:
        figures.append(
            wording.counted(
                "check.landings", checked.hops.heard, heard=checked.hops.heard, db=checked.hops.over_noise_db
            )
        )
    if checked.hops is not None and checked.hops.audible_share is not None:
        figures.append(wording("check.audible", of_100=round(100.0 * checked.hops.audible_share)))
    say("  ".join(figures))
    say(wording("check.correction", ms=checked.correction_ms))
    for finding in checked.findings:
        mark = "!!" if finding.stops else " !"
        say(f"{mark} {wording('check.found.' + finding.key, **dict(finding.values))}")
    say(wording(f"check.{checked.result}"))


def choose_volume(card: Card, volume_db: float, wording: Wording) -> float:
    """Play a soft contact and then one as loud as the session, and ask, until the player is content."""
    from drilltimer.app.check import play_twice

    note(wording("check.quiet_first"))
    while True:
        play_twice(card.again(), volume_db)
        while (answer := ask(wording("check.comfortable"))) not in ("", "+", "-"):  # "no" must not pass for a yes
            if answer.casefold() == "q":
                raise KeyboardInterrupt
        if not answer:
            return volume_db
        volume_db = max(SOFTEST_DB, min(0.0, volume_db + (STEP_DB if answer == "+" else -STEP_DB)))


def _devices(card: Card) -> dict[str, object]:
    """Which devices were checked, for `--json`."""
    stream = card.stream
    return {
        "rate_hz": stream.rate_hz,
        "input": {"name": stream.source.name, "host_api": stream.source.host_api, "channels": stream.input_channels},
        "output": {"name": stream.sink.name, "host_api": stream.sink.host_api, "channels": stream.output_channels},
        "volume_db": stream.volume_db,
    }


def devices_line(card: Card, wording: Wording) -> str:
    """Which devices a session runs on, in words."""
    stream = card.stream
    return wording(
        "check.devices",
        input=card.names[0],
        output=card.names[1],
        in_channels=stream.input_channels,
        out_channels=stream.output_channels,
        rate=stream.rate_hz,
    )


def _steps(wording: Wording, say: Say) -> Callable[[str], None]:
    return lambda step: say(wording(f"check.{step}"))
