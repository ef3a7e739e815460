"""A running session, written into the history rep by rep; whatever fails there is told and the session goes on."""

from __future__ import annotations

import tempfile
from collections.abc import Iterable, Mapping
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

from drilltimer import __version__
from drilltimer.app.drive import Ending, OnTrouble
from drilltimer.errors import HistoryError, notice
from drilltimer.history.connect import WAIT_S, DamagedHistoryError, set_aside
from drilltimer.history.entries import RepEntry, SessionEntry, name_key
from drilltimer.history.export import save_session
from drilltimer.history.queries import is_player, reps, session
from drilltimer.history.store import History
from drilltimer.model import AudioStream, Rep, Verdict
from drilltimer.ui.wording import Tellable, english

CHECKED_BYTES = 50_000_000  # a history up to this size is checked whole after a session: a fifth of a second
PATIENCE_S = 0.5  # with another program's write while sound is running; the stream's ring holds ten seconds


class Journal:
    """Keeps one session, from its first judged rep on: one in which nothing was heard is no session.

    Parameters
    ----------
    path : Path
        Of the history; made when missing.
    on_trouble : callable
        Told of each kind of trouble once.

    Notes
    -----
    All reps stay in memory until the end. What could not be written is tried again with every rep, and at the end with
    more patience; failing that, the session is saved as a file that `drilltimer import` takes. A player who is
    forgotten meanwhile stays forgotten: nothing of the session is kept then.
    """

    def __init__(self, path: Path, entry: SessionEntry, on_trouble: OnTrouble) -> None:
        self._path = path
        self._entry = entry
        self._on_trouble = on_trouble
        self._told: set[str] = set()
        self._history: History | None = None
        self._number: int | None = None
        self._reps: dict[int, RepEntry] = {}
        self._waiting: dict[int, RepEntry] = {}
        self._knows_player = self._forgotten = False
        if self._write(PATIENCE_S) and self._history:
            self._knows_player = is_player(self._history, entry.player)

    @property
    def uid(self) -> str:
        """By which the session is known in the history."""
        return self._entry.uid

    def rep(self, rep: Rep, verdict: Verdict, mark: str | None = None) -> None:
        """Keep a rep as it was judged and, where a coach marked it, as it was seen."""
        self._take((RepEntry(rep, verdict, mark),))
        self._write(PATIENCE_S)

    def end(
        self, ending: Ending, judged: Iterable[tuple[Rep, Verdict]], marks: Mapping[int, str] | None = None,
        *, tells: bool = True,
    ) -> int | None:  # fmt: skip
        """Keep all reps as they stand at the end, and how it ended; tells where it is found, or answers its number.

        None where it is in no history: what was done instead is told in any case.
        """
        entries = [RepEntry(rep, verdict, (marks or {}).get(rep.index)) for rep, verdict in judged]
        found = None
        self._take(entries)
        self._entry = replace(self._entry, ending=ending.how, health=ending.health)
        if self._forgotten:
            pass  # told already
        elif not self._reps:
            self._tell(notice("none_kept"))
        elif self._write(WAIT_S) and not self._forgotten and self._is_there():
            found = self._number
            if tells:
                session = f"session:{self._number}"
                self._tell(notice("kept", number=self._number, player=self._entry.player, session=session))
        elif not self._forgotten:
            self._save_apart()
        if self._history:
            self._history.close()
        return found

    def _take(self, entries: Iterable[RepEntry]) -> None:
        if self._forgotten:
            return
        changed = {entry.rep.index: entry for entry in entries if self._reps.get(entry.rep.index) != entry}
        self._reps |= changed
        self._waiting |= changed

    def _write(self, patience_s: float) -> bool:
        """Write what waits; False when it still does."""
        try:
            self._try_write(patience_s)
        except DamagedHistoryError as fault:
            if not self._begin_anew(fault):
                return False
        except HistoryError as fault:
            self._tell((fault, notice("kept_in_memory")))
            return False
        return True

    def _try_write(self, patience_s: float) -> None:
        if self._history is None:
            self._history = History(self._path, wait_s=patience_s)
        self._history.wait(patience_s)
        if not self._reps:
            return
        if self._forgets(self._history):
            return
        if self._number is None:
            self._number = self._history.begin(self._entry)
        if self._waiting:
            self._history.add_reps(self._number, self._waiting.values())
            self._waiting = {}
        if self._entry.ending is not None:
            self._history.end(self._number, self._entry.ending, self._entry.health)

    def _forgets(self, history: History) -> bool:
        """Whether the player was forgotten since the session began; if so, it forgets them, too."""
        if self._number is not None:
            gone = number_of(history, self._entry.uid, self._entry.player) is None
        else:
            gone = self._knows_player and not is_player(history, self._entry.player)
        if gone:
            self._forgotten, self._reps, self._waiting = True, {}, {}
            self._tell(notice("forgotten", player=self._entry.player))
        return gone

    def _begin_anew(self, damage: DamagedHistoryError) -> bool:
        """Set a damaged file aside and write all of this session into a new one."""
        if self._history:
            self._history.close()
        self._history, self._number, self._waiting, self._knows_player = None, None, dict(self._reps), False
        try:
            aside = set_aside(self._path)
            self._tell((damage.what, notice("set_aside", file=aside.name), notice("fetch", file=str(aside))))
            self._try_write(WAIT_S)
        except HistoryError as fault:
            self._tell(fault)
            return False
        return True

    def _is_there(self) -> bool:
        """Read the session back from the disk: a file that was damaged while open looks whole from inside."""
        if self._history:
            self._history.close()
            self._history = None
        try:
            with History(self._path) as fresh:
                if self._path.stat().st_size <= CHECKED_BYTES:
                    fresh.check()
                session(fresh, self._number or 0)
                found = reps(fresh, self._number or 0)
        except DamagedHistoryError as fault:
            return self._begin_anew(fault)
        except HistoryError as fault:
            self._tell(fault)
            return False
        return {entry.rep.index: entry.verdict for entry in found} == {
            index: entry.verdict for index, entry in self._reps.items()
        }

    def _save_apart(self) -> None:
        """Save the session as a file to import, beside the history or wherever else there is room."""
        for folder in (self._path.parent, Path.cwd(), Path(tempfile.gettempdir())):
            target = folder / f"unsaved-{self._entry.uid}.json"
            try:
                save_session(target, self._entry, self._reps.values())
            except HistoryError as fault:
                self._tell(notice("not_saved", why=fault))
            else:
                self._tell(notice("saved_apart", file=str(target), same_file=str(target)))
                return

    def _tell(self, what: Tellable) -> None:
        words = english().tell(what)
        if words not in self._told:
            self._told.add(words)
            self._on_trouble(what)


def number_of(history: History, uid: str, player: str) -> int | None:
    """Number of a player's session, by its uid; None where the history does not have it."""
    query = "SELECT s.number FROM sessions s JOIN players p ON p.id = s.player WHERE s.uid = ? AND p.key = ?"
    found = next(history.rows(query, (uid, name_key(player))), None)
    return None if found is None else int(found["number"])


def now_utc() -> str:
    """The present moment, ISO 8601 to the second."""
    return datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def versions() -> dict[str, str]:
    """Versions of the program and of what computes its figures."""
    import platform
    from importlib.metadata import version

    found = {"drilltimer": __version__, "python": platform.python_version()}
    return found | {name: version(name) for name in ("numpy", "scipy")} | {"system": platform.system()}


def device_name(stream: AudioStream, side: str) -> str:
    """Name of a sound card's device; the simulated room has none."""
    return str(getattr(getattr(stream, side, None), "full_name", ""))


def recording_uid(player: str, *files: Path) -> str:
    """A uid that is the same for the same files and player, so that scoring twice does not count twice.

    Raises
    ------
    HistoryError
        One of them cannot be read any more.
    """
    try:
        return digest(player.casefold().encode() + b"".join(_digest_of(path) for path in files))[:32]
    except OSError as fault:
        raise HistoryError(f"{fault.filename}: cannot be read any more: {fault.strerror or fault}") from fault


def _digest_of(path: Path) -> bytes:
    import hashlib

    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").digest()


def digest(content: bytes) -> str:
    """SHA-256, in hexadecimal."""
    import hashlib

    return hashlib.sha256(content).hexdigest()


def taken_utc(recording: Path) -> str:
    """When the recording was last written, which is when it was made unless it was edited.

    Raises
    ------
    HistoryError
        It is gone, or its date is in no year that a calendar has.
    """
    try:
        moment = datetime.fromtimestamp(recording.stat().st_mtime, UTC)
    except (OSError, OverflowError, ValueError) as fault:
        raise HistoryError(f"{recording}: when it was made cannot be told: {fault}") from fault
    return moment.isoformat(timespec="seconds").replace("+00:00", "Z")
