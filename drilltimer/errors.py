"""What a user is told: facts as notices; and what can go wrong, as what happened and where, why probably, what to do.

Facts travel as values and become words in `ui.wording` alone. What ends a command before anything sounds is English.
Every refusal a user can meet is a `UserError`. The command line prints its text on stderr and leaves with its
`exit_code`; nothing else may reach a user as a traceback.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Notice:
    """A fact: the key of its text, and what fills that in.

    A key without a dot belongs to the texts' section "told". A value is a number, something that is in no language (a
    name, a path, the system's own words), or another notice.
    """

    key: str
    values: tuple[tuple[str, object], ...] = ()


def notice(key: str, **values: object) -> Notice:
    """A fact with its values by name."""
    return Notice(key, tuple(values.items()))


def as_kept(text: str) -> Notice | None:
    """A fact of which nothing but its English words was kept; None for no words."""
    return notice("as_kept", text=text) if text else None


class Quit(KeyboardInterrupt):
    """A key ended the session: a wish, and no interruption."""


class UserError(Exception):
    """Something the user can understand and mend.

    Parameters
    ----------
    what : str or Notice
        What happened, and where (file, line, key, device); a notice where it may happen while a session runs.
    why : str
        The probable reason; may be empty when `what` says it all.
    fix : str or Notice
        What to do next.
    """

    exit_code = 2

    def __init__(self, what: str | Notice, *, why: str | Notice = "", fix: str | Notice = "") -> None:
        super().__init__(what)
        self.what = what
        self.why = why
        self.fix = fix

    def __str__(self) -> str:
        return "\n".join(str(part) for part in (self.what, self.why, self.fix) if part)


@dataclass(frozen=True, slots=True)
class Problem:
    """One fault in a file: where it is, what was found, what was expected."""

    file: str
    line: int  # counted from 1; 0 when the fault belongs to no line
    column: int  # counted from 1
    key: str  # dotted path of the key, "" for the file as a whole
    message: str

    def __str__(self) -> str:
        place = f"{self.file}:{self.line}:{self.column}" if self.line else self.file
        return f"{place}: {self.key + ': ' if self.key else ''}{self.message}"


class DrillFileError(UserError):
    """A drill file is missing, broken or asks for the impossible; carries every problem found."""

    def __init__(self, what: str, problems: Sequence[Problem] = (), *, why: str = "", fix: str = "") -> None:
        super().__init__(what, why=why, fix=fix)
        self.problems = tuple(problems)

    def __str__(self) -> str:
        lines = [self.what, *(f"  {problem}" for problem in self.problems), self.why, self.fix]
        return "\n".join(str(line) for line in lines if line)


class SheetError(UserError):
    """A cue sheet is missing, broken or does not fit its sound."""


class DistanceError(UserError):
    """Distances that cannot all be true."""


class ClusterError(UserError):
    """A cluster cannot be reached, or what is needed for it is not installed."""


class RecordingError(UserError):
    """A recording cannot be read, or holds nothing that can be scored."""


class SoundError(UserError):
    """A sound that a drill asks for is missing or unusable."""


class HistoryError(UserError):
    """The history cannot be opened, read or written, or does not hold what was asked for."""


class DeviceError(UserError):
    """No usable sound device, or it was lost and did not come back."""

    exit_code = 3
