"""The live screen of a fed session: the same as of any other, about contacts that nobody has planned."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Self

from rich.console import RenderableType

from drilltimer.errors import Quit
from drilltimer.feeding.run import FedRun
from drilltimer.history.marks import Mark
from drilltimer.model import TIMED_GRADES, Health
from drilltimer.score.stats import summarize
from drilltimer.session import Shown, Snapshot
from drilltimer.ui.keys import open_keys
from drilltimer.ui.live import LiveScreen
from drilltimer.ui.screen import Viewport, draw
from drilltimer.ui.wording import Wording

MARKS = {"e": Mark.EARLY, "o": Mark.ON_TIME, "l": Mark.LATE, "v": Mark.VOID}
RECENT = 24


class FeedScreen(LiveScreen):
    """A `LiveScreen` whose keys are the coach's marks; there is a session once the set-up is over."""

    def __init__(self, title: str, wording: Wording, *args: Any, **options: Any) -> None:
        super().__init__(title, wording.instead("feed_screen", "screen"), *args, **options)

    def _obey(self, key: str, session: Any) -> None:
        if told := obey_coach(key, session, self._wording):
            self.tell(told)

    def _pauses(self, session: Any) -> bool:
        return False  # balls wait for nobody

    def _drawn(self, session: Any, health: Callable[[], Health], look: Viewport, news: str) -> RenderableType:
        return draw(self._title, snapshot_of(session), health(), look, self._wording, news)


class PlainKeys:
    """The same keys where lines are printed; what they do is printed with the contact."""

    def __init__(self, wording: Wording) -> None:
        self._keys, self._wording = open_keys(), wording

    def __enter__(self) -> Self:
        self._keys.__enter__()
        return self

    def __exit__(self, *_: object) -> None:
        self._keys.__exit__(None, None, None)

    def tick(self, session: FedRun, health: Callable[[], Health]) -> None:
        """Obey what was pressed."""
        for key in self._keys.pressed():
            obey_coach(key, session, self._wording)


def obey_coach(key: str, run: FedRun, wording: Wording) -> str:
    """Do what a coach's key asks for, and answer in words.

    Raises
    ------
    Quit
        For "q".
    """
    if key.casefold() == "q":
        raise Quit
    mark = MARKS.get(key.casefold())
    if mark is None or not run.begun or (last := run.session.mark(mark)) is None:
        return ""
    kept = run.session.marks.get(last.rep)
    return wording("feed.marked", mark=kept.value) if kept else wording("feed.unmarked")


def snapshot_of(run: FedRun) -> Snapshot:
    """What may be shown: the coach decides on the last rep, and sees what was measured of it."""
    verdicts = run.session.verdicts if run.begun else []
    counted = [run.session.as_counted(verdict) for verdict in verdicts[-RECENT:]]
    measured = verdicts[-1] if verdicts and verdicts[-1].grade in TIMED_GRADES else None
    return Snapshot(
        done=len(verdicts),
        total=0,
        elapsed_s=run.elapsed_s,
        left_s=run.elapsed_s,
        last=counted[-1] if counted else None,
        recent=tuple(counted),
        scores=run.session.scores() if run.begun else summarize([]),
        level_db=run.level_db,
        noise_db=None,
        shown=Shown(measured.grade, measured.error_ms or 0.0) if measured else None,
        window=run.window,
        struck=measured is not None and counted[-1] != measured,
    )
