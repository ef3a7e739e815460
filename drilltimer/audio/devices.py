"""Sound devices: which there are, which one is meant by a name, which rate it runs at."""

from __future__ import annotations

import difflib
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

from drilltimer.audio.stderr import hushed_stderr
from drilltimer.errors import DeviceError

Side = Literal["input", "output"]

# What operating systems call the telephone profile of a Bluetooth headset (names seen in their device lists, from
# memory). The profile's codecs run at 8 kHz (CVSD) or 16 kHz (mSBC): Bluetooth SIG, Hands-Free Profile 1.6 and later.
HANDS_FREE_NAME = re.compile(r"hands[- ]?free|\bhfp\b|\bhsp\b|headset head unit|ag audio|bluez[_ ]input", re.IGNORECASE)
TELEPHONE_RATES_HZ = frozenset({8000, 16000})
PLUG_IN = "Plug one in and look at 'drilltimer devices'."
# PortAudio's ALSA back end reports 44.1 kHz for every device that can resample, whatever runs behind it; sound servers
# and USB interfaces run at 48 kHz unless told otherwise (common practice), so that is asked for first.
ALSA_RATE_HZ = 48000
FALLBACK_RATES_HZ = (48000, 44100, 96000)


@dataclass(frozen=True, slots=True)
class Device:
    """One entry of PortAudio's list. Its `index` is good until the list is read again; remember `full_name` instead."""

    index: int
    name: str
    host_api: str
    input_channels: int
    output_channels: int
    rate_hz: int  # the device's own, as reported
    default_input: bool
    default_output: bool

    @property
    def full_name(self) -> str:
        """Host API and name: what `find_device` takes and what tells two entries of one device apart."""
        return f"{self.host_api}: {self.name}"

    def channels(self, side: Side) -> int:
        """Channels on that side; 0 when it has none."""
        return self.input_channels if side == "input" else self.output_channels


def load_portaudio() -> Any:
    """Import sounddevice, which loads PortAudio and reads its list of devices.

    Raises
    ------
    DeviceError
        PortAudio is missing, or sounddevice is.
    """
    try:
        with hushed_stderr():
            import sounddevice
    except OSError as fault:  # "PortAudio library not found" is an OSError
        raise DeviceError(
            f"no sound: {fault}",
            why="The PortAudio library, through which speaker and microphone are reached, is not installed.",
            fix="Install it: 'sudo apt install libportaudio2' (Debian, Ubuntu), 'sudo dnf install portaudio' (Fedora); "
            "on macOS and Windows it comes with 'pip install --force-reinstall sounddevice'. "
            "Until then sessions with '--simulate', recordings and reports work without it.",
        ) from fault
    except ImportError as fault:
        raise DeviceError(f"no sound: {fault}", fix="Install it: 'pip install sounddevice'.") from fault
    return sounddevice


def rescan() -> None:
    """Read the list of devices anew: PortAudio reads it once and never again by itself. Close all streams first."""
    sounddevice = load_portaudio()
    with hushed_stderr():
        sounddevice._terminate()  # no public way; measured to bring a returned device back every time
        sounddevice._initialize()


def list_devices() -> list[Device]:
    """Every device PortAudio knows, in its order.

    Raises
    ------
    DeviceError
        PortAudio is missing.
    """
    sounddevice = load_portaudio()
    with hushed_stderr():
        entries, apis = sounddevice.query_devices(), sounddevice.query_hostapis()
        defaults = [_default_index(sounddevice, side) for side in ("input", "output")]
    return [
        Device(
            index=int(entry["index"]),
            name=str(entry["name"]),
            host_api=str(apis[entry["hostapi"]]["name"]),
            input_channels=int(entry["max_input_channels"]),
            output_channels=int(entry["max_output_channels"]),
            rate_hz=round(entry["default_samplerate"]),
            default_input=entry["index"] == defaults[0],
            default_output=entry["index"] == defaults[1],
        )
        for entry in entries
    ]


def _default_index(sounddevice: Any, side: str) -> int:
    try:
        return int(sounddevice.query_devices(kind=side)["index"])
    except (sounddevice.PortAudioError, ValueError):
        return -1


def find_device(name: str | None, side: Side, devices: Sequence[Device]) -> Device:
    """The one device that `name` means.

    Parameters
    ----------
    name : str | None
        Any part of the name, upper or lower case alike; "host API: name" where one name stands under two host APIs.
        None means the system's default.

    Raises
    ------
    DeviceError
        None fits, several fit, or it is a Bluetooth headset's telephone microphone; lists the candidates.
    """
    able = [device for device in devices if device.channels(side)]
    if not able:
        raise DeviceError(
            f"no sound {side}: the system offers no {side} device",
            why="None is plugged in or switched on, the sound server is not running, or another user holds it.",
            fix=PLUG_IN,
        )
    if name is None:
        chosen = [d for d in able if (d.default_input if side == "input" else d.default_output)] or able[:1]
    else:
        chosen = _matching(name, able)
    if len(chosen) != 1:
        raise _not_one(name or "", side, chosen, able)
    if side == "input":
        refuse_hands_free(chosen[0])
    return chosen[0]


def _matching(name: str, devices: Sequence[Device]) -> list[Device]:
    wanted = name.strip().casefold()
    for exact in (
        [d for d in devices if d.full_name.casefold() == wanted],
        [d for d in devices if d.name.casefold() == wanted],
    ):
        if exact:
            return exact
    api, colon, rest = wanted.partition(":")
    return [
        d
        for d in devices
        if wanted in d.name.casefold()
        or (colon and d.host_api.casefold() == api.strip() and rest.strip() in d.name.casefold())
    ]


def _not_one(name: str, side: Side, chosen: Sequence[Device], able: Sequence[Device]) -> DeviceError:
    if chosen:
        what = f"'{name}' means {len(chosen)} {side} devices: {_listed(chosen)}"
        return DeviceError(what, fix="Give more of the name, or the host API before it, as written here.")
    near = difflib.get_close_matches(name.casefold(), [d.name.casefold() for d in able], n=1)
    return DeviceError(
        f"no {side} device is called '{name}'" + (f"; did you mean '{near[0]}'?" if near else ""),
        why=f"There are: {_listed(able)}",
        fix="Any part of the name will do. If it was just plugged in or switched on, try again.",
    )


def _listed(devices: Sequence[Device]) -> str:
    return ", ".join(f"'{device.full_name}'" for device in devices)


def refuse_hands_free(device: Device) -> None:
    """Refuse the microphone of a Bluetooth headset's telephone profile.

    Raises
    ------
    DeviceError
        With the sign it was recognised by, for the sign may deceive.
    """
    if HANDS_FREE_NAME.search(device.name):
        sign = "its name says hands-free"
    elif device.rate_hz in TELEPHONE_RATES_HZ:
        sign = f"its own rate is {device.rate_hz} Hz, a telephone's"
    else:
        return
    raise DeviceError(
        f"'{device.full_name}' looks like a Bluetooth headset's telephone microphone ({sign})",
        why="Such a microphone cuts sound above the voice, gates quiet sounds and drops packets: landings get lost "
        "or shift in time. Using it also drops the speaker to telephone quality.",
        fix="Choose the computer's own or a wired microphone with --input; a Bluetooth speaker is fine as output.",
    )


def choose_rate(source: Device, sink: Device, channels: tuple[int, int], asked_hz: int | None) -> int:
    """Rate in Hz at which both devices open: the asked one, or else the devices' own.

    Parameters
    ----------
    channels : tuple of int
        Input and output channels wanted.

    Raises
    ------
    DeviceError
        They do not open so; tells which side refuses and what PortAudio says.
    """
    own = [ALSA_RATE_HZ] if source.host_api == "ALSA" else []
    candidates = [asked_hz] if asked_hz else [*own, source.rate_hz, sink.rate_hz, *FALLBACK_RATES_HZ]
    refusals = []
    for rate_hz in dict.fromkeys(candidates):
        refusal = _refusal(source, "input", channels[0], rate_hz) or _refusal(sink, "output", channels[1], rate_hz)
        if not refusal:
            return rate_hz
        refusals.append(refusal)
    raise DeviceError(
        refusals[0],
        why="The device runs at another rate or has fewer channels, or another program holds it.",
        fix="Leave rate and channels to the device, close other programs that use it, or choose another device.",
    )


def _refusal(device: Device, side: Side, channels: int, rate_hz: int) -> str:
    if channels > device.channels(side):
        return f"'{device.full_name}' has {device.channels(side)} {side} channels, {channels} were asked for"
    sounddevice = load_portaudio()
    check = sounddevice.check_input_settings if side == "input" else sounddevice.check_output_settings
    try:
        with hushed_stderr():
            check(device=device.index, channels=channels, dtype="float32", samplerate=rate_hz)
    except (sounddevice.PortAudioError, ValueError) as fault:
        return f"'{device.full_name}' does not open for {side} at {rate_hz} Hz with {channels} channels: {fault}"
    return ""
