"""One session per device, whatever name it goes by."""

from __future__ import annotations

import pytest

from drilltimer.audio.claim import SLOTS, Claim, _lock_slots, stands_for_another
from drilltimer.errors import DeviceError


@pytest.fixture(autouse=True)
def own_home(tmp_path, monkeypatch):
    monkeypatch.setenv("DRILLTIMER_HOME", str(tmp_path))


def refused(*names):
    with pytest.raises(DeviceError) as caught:
        Claim(names)
    return str(caught.value)


def test_the_same_device_is_refused_and_free_again_afterwards():
    with Claim(["ALSA: a", "ALSA: b"]):
        assert "'ALSA: b' is in use by another session" in refused("ALSA: c", "ALSA: b")
    Claim(["ALSA: c", "ALSA: b"]).release()


def test_two_sessions_on_different_devices_go_together():
    with Claim(["ALSA: a"]), Claim(["ALSA: b"]), Claim(["ALSA: c"]):
        pass


@pytest.mark.parametrize(
    "vague",
    ["ALSA: default", "ALSA: sysdefault", "ALSA: pipewire", "ALSA: pulse", "MME: Microsoft Sound Mapper - Input",
     "Windows DirectSound: Primary Sound Capture Driver"],
)  # fmt: skip
def test_a_default_goes_with_no_other_session(vague):
    """It may be the very device that the other one names."""
    assert stands_for_another(vague)
    with Claim(["ALSA: USB Audio (hw:1,0)"]):
        assert "another session uses sound" in refused(vague, vague)
    with Claim([vague]):
        said = refused("ALSA: USB Audio (hw:1,0)")
        assert "'ALSA: USB Audio (hw:1,0)' may be in use: another session uses the system's default device" in said
        assert "--input" in said
        refused(vague)
    with Claim([vague]):
        pass


@pytest.mark.parametrize("name", ["ALSA: dt_room", "ALSA: Defaulter 3000", "Core Audio: MacBook Pro Microphone"])
def test_a_device_of_its_own_is_no_default(name):
    assert not stands_for_another(name)


def test_a_device_is_one_under_all_host_apis_of_windows():
    with Claim(["Windows WASAPI: Microphone (Realtek(R) High Definition Audio)"]):
        assert "is in use" in refused("MME: Microphone (Realtek(R) High Def")


def test_a_refusal_holds_nothing():
    with Claim(["ALSA: b"]):
        refused("ALSA: a", "ALSA: b")
        Claim(["ALSA: a"]).release()


class Bytes:
    """In the place of Windows' byte locks: one program's view of a file that others lock, too."""

    LK_NBLCK = 2
    held: dict[int, object]

    def __init__(self, held, owner):
        self.held, self.owner, self.at = held, owner, 0

    def seek(self, at):
        self.at = at

    def fileno(self):
        return 0

    def locking(self, _descriptor, _mode, count):
        wanted = range(self.at, self.at + count)
        if any(self.held.get(at, self.owner) is not self.owner for at in wanted):
            raise OSError
        self.held.update(dict.fromkeys(wanted, self.owner))


def test_without_shared_locks_bytes_are_shared_out():
    held = {}
    programs = [Bytes(held, object()) for _ in range(SLOTS + 2)]
    assert all(_lock_slots(each, each, shared=True) for each in programs[:SLOTS])
    assert not _lock_slots(programs[SLOTS], programs[SLOTS], shared=True)
    with pytest.raises(OSError):
        _lock_slots(programs[-1], programs[-1], shared=False)
    held.clear()
    assert _lock_slots(programs[-1], programs[-1], shared=False)
    assert not _lock_slots(programs[0], programs[0], shared=True)
