"""One session per device: two at once would each hear the other's contacts.

A claim is a locked file in the state folder. The operating system frees it when its owner ends, even by kill -9, so
that no claim can be left behind.
"""

from __future__ import annotations

import hashlib
import os
import sys
from collections.abc import Iterable
from pathlib import Path
from types import TracebackType
from typing import IO, Any, Self

from drilltimer.errors import DeviceError, UserError

# Two sound servers on one machine have devices of the same names.
SERVER_VARIABLES = ("PIPEWIRE_RUNTIME_DIR", "PULSE_SERVER", "JACK_DEFAULT_SERVER")


def state_folder() -> Path:
    """Folder for what the program keeps for itself; need not exist. `DRILLTIMER_HOME` moves it."""
    home = os.environ.get("DRILLTIMER_HOME")
    if home:
        return Path(home).expanduser() / "state"
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
        for name in dict.fromkeys(names):
            self._take(name)

    def _take(self, name: str) -> None:
        path = _path(name)
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            file = path.open("a+", encoding="utf-8")
        except OSError as fault:
            self.release()
            raise UserError(
                f"{path}: cannot be written: {fault.strerror or fault}",
                fix="Free some space there, or set DRILLTIMER_HOME to a folder of your own.",
            ) from fault
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


def _path(name: str) -> Path:
    server = "/".join(os.environ.get(variable, "") for variable in SERVER_VARIABLES)
    digest = hashlib.sha256(f"{server}/{name}".encode()).hexdigest()
    return state_folder() / "claims" / f"{digest[:16]}.lock"


def _lock(file: IO[str]) -> bool:
    try:
        if sys.platform == "win32":
            import msvcrt

            system: Any = msvcrt
            file.seek(1000)  # a locked range cannot be read by others, and the owner's number must be
            system.locking(file.fileno(), system.LK_NBLCK, 1)
        else:
            import fcntl

            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True
