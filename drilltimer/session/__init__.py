"""One session as a state machine: blocks of sound in, things to play and verdicts out. No I/O, no clock of its own."""

from drilltimer.session.events import Ended, Event, Judged, Play, Shown, Silence, Snapshot
from drilltimer.session.layout import PAUSE_WORD, SESSION_WORDS, Bank, expectations, hearing_ranges, place_cues
from drilltimer.session.session import AHEAD_S, Session

__all__ = [
    "AHEAD_S", "PAUSE_WORD", "SESSION_WORDS", "Bank", "Ended", "Event", "Judged", "Play", "Session", "Shown", "Silence",
    "Snapshot", "expectations", "hearing_ranges", "place_cues",
]  # fmt: skip
