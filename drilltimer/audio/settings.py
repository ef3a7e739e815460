"""What a sound check found, kept for later sessions on the same devices."""

from __future__ import annotations

import json
import os
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

from drilltimer.audio.claim import state_folder
from drilltimer.model import LandingSound, Placement

SCHEMA = 2  # 1 had no landings
READABLE = (1, SCHEMA)


@dataclass(frozen=True, slots=True)
class DeviceSettings:
    """One pair of devices: when it was checked (ISO date), with which result, and how it stands.

    `volume_db` is what the player found comfortable, 0 dB being the loudest; `landings` are, for each channel of the
    microphone, the hops of the check as they were heard where `placement` says.
    """

    input_name: str
    output_name: str
    checked: str
    result: str
    placement: Placement
    volume_db: float = 0.0
    landings: tuple[tuple[LandingSound, ...], ...] = ()

    def landings_at(self, placement: Placement) -> tuple[tuple[LandingSound, ...], ...]:
        """The landings, as far as they can be expected to sound alike there: none from another distance."""
        return self.landings if placement.player_to_mic_m == self.placement.player_to_mic_m else ()


def settings_file() -> Path:
    """The file that holds the settings of all devices."""
    return state_folder() / "devices.json"


def load_settings() -> list[DeviceSettings]:
    """Every pair that was checked, the latest first. A broken file counts as none: a check can be made again."""
    try:
        document = json.loads(settings_file().read_text(encoding="utf-8"))
        return [_entry(entry) for entry in document["devices"]] if document["schema"] in READABLE else []
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return []


def find_settings(input_name: str, output_name: str) -> DeviceSettings | None:
    """What is known of that pair."""
    pairs = [each for each in load_settings() if (each.input_name, each.output_name) == (input_name, output_name)]
    return pairs[0] if pairs else None


def keep_settings(settings: DeviceSettings) -> bool:
    """Put a pair before all others; False when it cannot be written, which ends no session."""
    others = [
        each
        for each in load_settings()
        if (each.input_name, each.output_name) != (settings.input_name, settings.output_name)
    ]
    document = {"schema": SCHEMA, "devices": [_document(each) for each in (settings, *others)]}
    path = settings_file()
    fresh = path.with_suffix(f".{os.getpid()}")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        fresh.write_text(json.dumps(document, indent=1), encoding="utf-8")
        fresh.replace(path)  # a reader never sees half of it
    except OSError:
        return False
    return True


def _document(settings: DeviceSettings) -> dict[str, Any]:
    return asdict(settings) | {"placement": settings.placement.known()}


def _entry(entry: dict[str, Any]) -> DeviceSettings:
    numbers: dict[str, Any] = {name: float(value) for name, value in entry["placement"].items()}
    placement = replace(Placement(), **numbers)
    landings = tuple(
        tuple(_landing(each) for each in channel if "mark" in each) for channel in entry.get("landings", ())
    )
    settings = DeviceSettings(**{**entry, "placement": placement, "landings": landings})
    return replace(settings, volume_db=float(settings.volume_db))


def _landing(entry: dict[str, Any]) -> LandingSound:
    return LandingSound(tuple(float(number) for number in entry["mark"]))
