"""What a session runs on: a sound card, made ready with its player, or a simulated room."""

from __future__ import annotations

import sys
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from drilltimer.cli.check import check_card, choose_volume, devices_line, stand, tell, today
from drilltimer.cli.terminal import ask, note

if TYPE_CHECKING:
    from drilltimer.app.open import Card, Rig
    from drilltimer.audio.settings import DeviceSettings
    from drilltimer.model import Placement
    from drilltimer.ui.wording import Wording


@dataclass(frozen=True, slots=True)
class Wanted:
    """What the command line says of devices and places; None is nothing."""

    input_name: str | None
    output_name: str | None
    distance_m: float | None
    air_c: float | None
    simulate: str | None
    speed: float


def open_stage(wanted: Wanted, seed: int, wording: Wording, *, asks: bool) -> Rig:
    """The simulated room, or the sound card as the last sound check left it.

    Parameters
    ----------
    seed : int
        Of the simulated player; what is simulated is the same for the same one.
    asks : bool
        There is somebody to ask: whether the level is comfortable, and once a day a short sound check.
    """
    from drilltimer.app.open import Rig, open_room

    if wanted.simulate:
        placement = stand(None, wanted.distance_m, wanted.air_c)
        return Rig(open_room(wanted.simulate, seed, placement, wanted.speed), placement, simulated=True)
    return _ready_card(wanted, wording, asks=asks)


def somebody_there() -> bool:
    """Whether questions can be asked and answered; results may go elsewhere."""
    return sys.stdin is not None and sys.stdin.isatty() and sys.stderr.isatty()


def at_comfortable_level(card: Card, known: DeviceSettings | None, wording: Wording, *, asks: bool) -> Card:
    """The card at the level that was found comfortable on its devices, after asking whether it still is."""
    from drilltimer.audio.settings import keep_settings

    volume_db = known.volume_db if known else 0.0
    if asks:
        card.stream.close()
        volume_db = choose_volume(card, volume_db, wording)
        if known:
            keep_settings(replace(known, volume_db=volume_db))
        card = replace(card, stream=card.again())
    card.stream.volume_db = volume_db
    return card


def _ready_card(wanted: Wanted, wording: Wording, *, asks: bool) -> Rig:
    from drilltimer.app.open import Rig, open_card
    from drilltimer.audio.settings import find_settings

    card = open_card(wanted.input_name, wanted.output_name, instead="run DRILL --simulate club")
    known = find_settings(*card.names)
    placement = stand(known.placement if known else None, wanted.distance_m, wanted.air_c)
    note(devices_line(card, wording))
    if asks and (known is None or known.checked != today()):
        card, card.stream.volume_db = _checked(card, placement, wording)
    else:
        card = at_comfortable_level(card, known, wording, asks=asks)
    return Rig(card.stream, placement, card.again, known.landings_at(placement) if known else ())


def _checked(card: Card, placement: Placement, wording: Wording) -> tuple[Card, float]:
    """The card after a short sound check, and the volume that was found comfortable."""
    note(wording("check.short"))
    checked, volume_db = check_card(card, placement, wording, short=True, asks=True, say=note)
    tell(checked, wording, note)
    card = replace(card, stream=card.again())
    if checked.findings:
        ask(wording("check.go_on"))
    return card, volume_db
