"""One session per device: two at once would each hear the other's contacts.

A claim is a locked file in the state folder. The operating system frees it when its owner ends, even by kill -9, so
that no claim can be left behind.

One microphone has several names: "default" and its like stand for whatever the system chooses, and Windows lists each
device once per host API, cut to 31 characters under MME. So a claim goes by the name alone, cut likewise, and a session
on a name that stands for another goes with no other session at all: a needless refusal is better than a wrong score.
"""

from __future__ import annotations

import hashlib
import os
import re
import sys
from collections.abc import Iterable
from pathlib import Path
from types import TracebackType
from typing import IO, Any, Self

from drilltimer.audio.files import expanded
from drilltimer.errors import DeviceError, UserError

# Two sound servers on one machine have devices of the same names.
SERVER_VARIABLES = ("PIPEWIRE_RUNTIME_DIR", "PULSE_SERVER", "JACK_DEFAULT_SERVER")

# As PortAudio lists them for ALSA, MME and DirectSound (from memory; Windows translates its own).
VAGUE_NAME = re.compile(
    r"^(default|sysdefault|pipewire|pulse|dmix|dsnoop)\b|sound mapper|soundmapper|primary sound|primärer sound",
    re.IGNORECASE,
)
NAME_COLUMNS = 31  # MME tells no more of a name
SLOTS = 16  # sessions at once, where the system knows no shared locks


def state_folder() -> Path:
    """Folder for what the program keeps for itself; need not exist. `DRILLTIMER_HOME` moves it."""
    home = os.environ.get("DRILLTIMER_HOME")
    if home:
        return expanded(home) / "state"
    from platformdirs import user_state_path

    return user_state_path("drilltimer", appauthor=False)


class Claim:
    """Devices held by this session; a context manager.

    Parameters
    ----------
    names : iterable of str
        Full names of the devices.

    Raises
    ------
    DeviceError
        Another session holds one of them.
    """

    def __init__(self, names: Iterable[str]) -> None:
        self._files: list[IO[str]] = []
        names = list(dict.fromkeys(names))
        self._take_part(names)
        for name in names:
            if not stands_for_another(name):
                self._take(name)

    def _take_part(self, names: list[str]) -> None:
        """All sessions on devices of their own share one lock; a session on "default" wants it for itself."""
        vague = next((name for name in names if stands_for_another(name)), None)
        file = self._open(_path(""))
        if not _lock(file, shared=vague is None):
            file.close()
            said = "the system's default device" if vague is None else "sound"
            raise DeviceError(
                f"'{vague or names[0]}' may be in use: another session uses {said}",
                why="Two sessions on one device would hear each other's contacts, and a default may be any device.",
                fix="End the other session, or name the devices of both with --input and --output.",
            )
        self._files.append(file)

    def _open(self, path: Path) -> IO[str]:
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            return path.open("a+", encoding="utf-8")
        except OSError as fault:
            self.release()
            raise UserError(
                f"{path}: cannot be written: {fault.strerror or fault}",
                fix="Free some space there, or set DRILLTIMER_HOME to a folder of your own.",
            ) from fault

    def _take(self, name: str) -> None:
        file = self._open(_path(name))
        if not _lock(file):
            file.seek(0)
            owner = file.read(20).strip()
            file.close()
            self.release()
            raise DeviceError(
                f"'{name}' is in use by another session" + (f" (process {owner})" if owner else ""),
                why="Two sessions on one device would hear each other's contacts.",
                fix="End the other session, or choose other devices with --input and --output.",
            )
        file.truncate(0)
        file.write(str(os.getpid()))
        file.flush()
        self._files.append(file)

    def release(self) -> None:
        """Free the devices; may be called twice."""
        while self._files:
            self._files.pop().close()  # closing unlocks

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, fault: BaseException | None, at: TracebackType | None) -> None:
        self.release()


def stands_for_another(full_name: str) -> bool:
    """Whether that is no device but a way to whichever the system chooses."""
    return VAGUE_NAME.search(full_name.partition(": ")[2] or full_name) is not None


def _path(full_name: str) -> Path:
    server = "/".join(os.environ.get(variable, "") for variable in SERVER_VARIABLES)
    name = (full_name.partition(": ")[2] or full_name)[:NAME_COLUMNS].casefold()
    digest = hashlib.sha256(f"{server}/{name}".encode()).hexdigest()
    return state_folder() / "claims" / f"{digest[:16]}.lock"


def _lock(file: IO[str], *, shared: bool = False) -> bool:
    try:
        if sys.platform == "win32":
            import msvcrt

            system: Any = msvcrt
            return _lock_slots(file, system, shared=shared)
        import fcntl

        fcntl.flock(file, (fcntl.LOCK_SH if shared else fcntl.LOCK_EX) | fcntl.LOCK_NB)
    except OSError:
        return False
    return True


def _lock_slots(file: IO[str], system: Any, *, shared: bool) -> bool:
    """Windows has no shared locks: who shares takes one of many bytes, who does not takes them all.

    The bytes lie beyond the text: a locked range cannot be read by others, and the owner's number must be.
    """
    file.seek(1000)
    if not shared:
        system.locking(file.fileno(), system.LK_NBLCK, SLOTS)
        return True
    for slot in range(SLOTS):
        file.seek(1000 + slot)
        try:
            system.locking(file.fileno(), system.LK_NBLCK, 1)
        except OSError:
            continue
        return True
    return False
