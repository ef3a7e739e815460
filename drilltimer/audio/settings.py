"""What a sound check found, kept for later sessions on the same devices."""

from __future__ import annotations

import json
import os
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

from drilltimer.audio.claim import state_folder
from drilltimer.model import Placement


@dataclass(frozen=True, slots=True)
class DeviceSettings:
    """One pair of devices: when it was checked (ISO date), with which result, and how it stands.

    `volume_db` is what the player found comfortable, 0 dB being the loudest.
    """

    input_name: str
    output_name: str
    checked: str
    result: str
    placement: Placement
    volume_db: float = 0.0


def settings_file() -> Path:
    """Where they are kept."""
    return state_folder() / "devices.json"


def load_settings() -> list[DeviceSettings]:
    """Every pair that was checked, the latest first. A broken file counts as none: a check can be made again."""
    try:
        entries = json.loads(settings_file().read_text(encoding="utf-8"))["devices"]
        return [_entry(entry) for entry in entries]
    except (OSError, ValueError, KeyError, TypeError):
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
    document = {"schema": 1, "devices": [asdict(each) for each in (settings, *others)]}
    path = settings_file()
    fresh = path.with_suffix(f".{os.getpid()}")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        fresh.write_text(json.dumps(document, indent=1), encoding="utf-8")
        fresh.replace(path)  # a reader never sees half of it
    except OSError:
        return False
    return True


def _entry(entry: dict[str, Any]) -> DeviceSettings:
    placement = Placement(**{name: float(value) for name, value in entry["placement"].items()})
    settings = DeviceSettings(**{**entry, "placement": placement})
    return replace(settings, volume_db=float(settings.volume_db))
