"""`drilltimer sounds`: list what can be heard, play it, record a word of one's own; `devices`: on what."""

from __future__ import annotations

import click

from drilltimer.cli.options import input_option, json_option, output_option
from drilltimer.cli.terminal import note, print_document, print_lines, print_result, result_columns


@click.group(invoke_without_command=True)
@json_option
@click.pass_context
def sounds(context: click.Context, as_json: bool) -> None:
    """List the sounds that drills can use; `play` and `record` do more."""
    if context.invoked_subcommand is None:
        _list(as_json)


@sounds.command()
@click.argument("name")
@input_option
@output_option
def play(name: str, input_name: str | None, output_name: str | None) -> None:
    """Play the sound NAME on the loudspeaker."""
    from drilltimer.app.sounds import find_sound, play_sound
    from drilltimer.audio.stream import SoundCard

    find_sound(name, 48_000)  # a misspelt name is told before a device is opened
    play_sound(name, SoundCard(input_name, output_name))


@sounds.command()
@click.argument("word")
@click.option(
    "--call/--line",
    "call",
    default=None,
    help="Called while a landing is listened for, so short; or a line for rests. A single word is a call by default.",
)
@input_option
@output_option
def record(word: str, call: bool | None, input_name: str | None, output_name: str | None) -> None:
    """Record WORD by microphone: trimmed, out of the landing's band, evenly loud; it replaces any sound of that name.

    Be quiet until you are asked, then say it once, short and clear. Refused with the figures when it is too long,
    clipped or noisy.
    """
    from drilltimer.app.sounds import record_word
    from drilltimer.audio.stream import SoundCard

    note("quiet, please ...")
    path, kept = record_word(word, SoundCard(input_name, output_name), call=call, ask=note)
    snr = f", {kept.snr_db:.0f} dB above the room" if kept.snr_db is not None else ""
    print_result(
        f"{path}: {kept.length_ms:.0f} ms, onset after {kept.onset_ms:.0f} ms, {kept.loudness_lufs:.1f} LUFS, "
        f"peak {kept.peak_db:.1f} dBFS, {kept.low_share:.1%} below 400 Hz{snr}"
    )
    for remark in kept.remarks:
        note(f"note: {remark}")
    note(f"hear it: drilltimer sounds play '{word}'. To go back, delete the file.")


def _list(as_json: bool) -> None:
    from dataclasses import asdict

    from drilltimer.app.sounds import sound_catalogue
    from drilltimer.audio.files import user_folder
    from drilltimer.ui.lines import table

    entries = sound_catalogue()
    if as_json:
        print_document([asdict(entry) for entry in entries])
        return
    rows = [
        (each.name, each.kind, f"{each.length_ms:.0f} ms", f"{each.anchor_ms:.1f} ms", f"{each.peak_db:.1f} dBFS")
        for each in entries
    ]
    print_lines(table(rows, ("name", "kind", "length", "moment at", "peak"), result_columns()))
    note(f"Your own recordings belong in {user_folder('sounds') / 'en'} and replace any sound of the same name")


@click.command()
@json_option
def devices(as_json: bool) -> None:
    """List sound inputs and outputs with host API, channels and rate."""
    from dataclasses import asdict

    from drilltimer.audio.devices import list_devices
    from drilltimer.errors import DeviceError
    from drilltimer.ui.lines import table

    found = list_devices()
    if as_json:
        print_document([asdict(device) for device in found])
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
    if not found:
        raise DeviceError("no sound device: none is plugged in or switched on, or the sound server is not running")
    if not as_json:
        print_lines(table(rows, ("name", "host API", "inputs", "outputs", "rate", "default"), result_columns()))
