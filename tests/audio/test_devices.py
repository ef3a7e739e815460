"""Which device a name means, and what a user is told when it means none."""

import builtins
import subprocess
import sys
from dataclasses import replace

import pytest

from drilltimer.audio import devices
from drilltimer.audio.devices import Device, choose_rate, find_device, list_devices, load_portaudio
from drilltimer.errors import DeviceError


def device(index, name, host_api="ALSA", inputs=2, outputs=2, rate_hz=48_000, default=False):
    return Device(index, name, host_api, inputs, outputs, rate_hz, default and inputs > 0, default and outputs > 0)


DESK = [
    device(0, "Built-in Microphone", inputs=1, outputs=0, default=True),
    device(1, "Built-in Output", inputs=0, default=True),
    device(2, "USB Interface"),
    device(3, "USB Interface", host_api="JACK Audio Connection Kit"),
    device(4, "USB Interface 2"),
    device(5, "Room Speaker", inputs=0),
]


@pytest.mark.parametrize(
    ("name", "side", "index"),
    [
        (None, "input", 0),
        (None, "output", 1),
        ("room", "output", 5),
        ("  built-in ", "input", 0),
        ("ALSA: USB Interface", "input", 2),
        ("alsa:interface 2", "output", 4),
        ("JACK Audio Connection Kit: usb", "input", 3),
        ("usb interface 2", "input", 4),
    ],
)
def test_a_name_or_any_part_of_it_finds_its_device(name, side, index):
    assert find_device(name, side, DESK).index == index


def test_a_name_under_two_host_apis_lists_both():
    with pytest.raises(DeviceError, match="means 2 input devices: 'ALSA: USB Interface', 'JACK Audio Connection Kit"):
        find_device("usb interface", "input", DESK)


def test_an_unknown_name_lists_what_there_is_and_the_nearest():
    with pytest.raises(DeviceError, match="did you mean 'room speaker'") as refusal:
        find_device("rom speaker", "output", DESK)
    assert "'ALSA: Built-in Output'" in str(refusal.value)
    assert "Built-in Microphone" not in str(refusal.value)


def test_a_speaker_is_no_microphone():
    with pytest.raises(DeviceError, match="no input device is called 'room speaker'"):
        find_device("room speaker", "input", DESK)


@pytest.mark.parametrize("side", ["input", "output"])
def test_a_machine_without_devices_says_so(side):
    with pytest.raises(DeviceError, match=f"no sound {side}"):
        find_device(None, side, [])


@pytest.mark.parametrize(
    ("headset", "sign"),
    [
        (device(0, "Headset (Sport Hands-Free AG Audio)"), "its name says hands-free"),
        (device(0, "bluez_input.00_11"), "its name says hands-free"),
        (device(0, "Sport Buds", rate_hz=16_000), "its own rate is 16000 Hz"),
    ],
)
def test_a_bluetooth_telephone_microphone_is_refused_with_the_sign(headset, sign):
    with pytest.raises(DeviceError, match=sign):
        find_device(None, "input", [headset])
    assert find_device(None, "output", [headset]) is headset  # as a speaker it is fine


def test_a_headset_on_a_cable_is_welcome():
    wired = device(0, "Headset Microphone", rate_hz=44_100)
    assert find_device("headset", "input", [wired]) is wired


class Refusing:
    """A stand-in for sounddevice that opens at certain rates alone."""

    class PortAudioError(Exception):
        pass

    def __init__(self, *rates_hz):
        self.rates_hz = rates_hz

    def check_input_settings(self, *, device, channels, dtype, samplerate):
        if samplerate not in self.rates_hz:
            raise self.PortAudioError("Invalid sample rate")

    check_output_settings = check_input_settings


@pytest.mark.parametrize(
    ("opens_hz", "source", "sink", "asked_hz", "rate_hz"),
    [
        ((44_100, 48_000), device(0, "a", "Core", rate_hz=44_100), device(1, "b", "Core"), None, 44_100),
        ((48_000,), device(0, "a", "Core", rate_hz=44_100), device(1, "b", "Core"), None, 48_000),
        ((44_100, 48_000), device(0, "a", "ALSA", rate_hz=44_100), device(1, "b", "ALSA"), None, 48_000),
        ((96_000,), device(0, "a", "Core"), device(1, "b", "Core"), None, 96_000),
        ((44_100, 48_000, 96_000), device(0, "a", "Core"), device(1, "b", "Core"), 96_000, 96_000),
    ],
)
def test_the_devices_own_rate_is_taken_unless_another_is_asked(monkeypatch, opens_hz, source, sink, asked_hz, rate_hz):
    monkeypatch.setitem(sys.modules, "sounddevice", Refusing(*opens_hz))
    assert choose_rate(source, sink, (1, 2), asked_hz) == rate_hz


def test_a_rate_that_was_asked_for_is_not_replaced(monkeypatch):
    monkeypatch.setitem(sys.modules, "sounddevice", Refusing(48_000))
    with pytest.raises(DeviceError, match=r"'Core: a' does not open for input at 22050 Hz.*Invalid sample rate"):
        choose_rate(device(0, "a", "Core"), device(1, "b", "Core"), (1, 2), 22_050)


def test_more_channels_than_there_are_is_said_in_numbers():
    with pytest.raises(DeviceError, match="'Core: a' has 2 input channels, 3 were asked for"):
        choose_rate(device(0, "a", "Core"), device(1, "b", "Core"), (3, 2), None)


def test_a_missing_portaudio_names_the_package(monkeypatch):
    real = builtins.__import__

    def without(name, *rest, **more):
        if name == "sounddevice":
            raise OSError("PortAudio library not found")
        return real(name, *rest, **more)

    monkeypatch.setattr(builtins, "__import__", without)
    with pytest.raises(DeviceError, match="PortAudio library not found") as refusal:
        load_portaudio()
    assert "libportaudio2" in refusal.value.fix
    assert refusal.value.exit_code == 3


def test_importing_the_room_loads_no_portaudio():
    program = "import sys, drilltimer.audio.devices, drilltimer.audio.files; print('sounddevice' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert done.stdout == "False\n"


@pytest.mark.audio
def test_the_virtual_card_is_listed_and_opens_at_48_khz(sound_card):
    devices.rescan()
    listed = {entry.name: entry for entry in list_devices()}
    room = listed["dt_room"]
    assert (room.host_api, room.input_channels > 0, room.output_channels > 0) == ("ALSA", True, True)
    assert listed["default"].default_input
    assert listed["default"].default_output
    assert choose_rate(room, room, (1, 1), None) == 48_000


@pytest.mark.audio
def test_a_refusal_of_the_real_card_writes_nothing_to_the_terminal(sound_card, capfd):
    devices.rescan()
    room = find_device("dt_room", "input", list_devices())
    boasting = replace(room, input_channels=1000)  # it has 64; ALSA comments on being asked for more
    with pytest.raises(DeviceError, match=r"dt_room' does not open for input at 48000 Hz with 1000 channels"):
        choose_rate(boasting, room, (1000, 1), 48_000)
    assert capfd.readouterr().err == ""
