"""`drilltimer devices`: what can be played on and listened to."""

from __future__ import annotations

import click

from drilltimer.cli.common import json_option, note, print_document, print_lines, result_columns


@click.command()
@json_option
def devices(as_json: bool) -> None:
    """List sound inputs and outputs with host API, channels and rate."""
    from dataclasses import asdict

    from drilltimer.audio.devices import list_devices
    from drilltimer.ui.lines import table

    found = list_devices()
    if as_json:
        print_document([asdict(device) for device in found])
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
    if not rows:
        note("No sound device: none is plugged in or switched on, or the sound server is not running.")
        return
    print_lines(table(rows, ("name", "host API", "inputs", "outputs", "rate", "default"), result_columns()))
