"""Live feeding: real contacts heard in a recording, or live with feedback."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from functools import partial
from math import ceil
from pathlib import Path
from types import TracebackType
from typing import Protocol, Self

import numpy as np

from drilltimer.app.drive import WAIT_S, Ending, LastingStream, OnTrouble, Open, drive, kept, soften_first
from drilltimer.audio.files import load_word
from drilltimer.errors import Notice, RecordingError, notice
from drilltimer.feeding.fed_session import FeedSession
from drilltimer.feeding.listener import Court, FeedListener, Learned
from drilltimer.feeding.rhythm import PlayKind
from drilltimer.feeding.setup import SetUp
from drilltimer.feeding.spots import doubt_ms, reckoned
from drilltimer.history.marks import FEEDING, Mark
from drilltimer.model import (
    AudioStream,
    Block,
    Cue,
    FeedbackPlan,
    Health,
    Level,
    Placement,
    Rep,
    Scores,
    Verdict,
    Window,
)
from drilltimer.recordings.audio_file import AudioFile
from drilltimer.recordings.writing import AudioWriter
from drilltimer.score.feedback import Feedback, feedback_sounds
from drilltimer.session import Ended, Event, Judged, Play
from drilltimer.sound.bank import Bank, build_bank
from drilltimer.units import db_from_ratio, frames_from_s, s_from_frames

PIECE_S = 2.0


@dataclass(frozen=True, slots=True)
class Asked:
    """What is practised and where: kind of play, who feeds, places, window, feedback."""

    play: PlayKind
    told: Placement
    window: Window
    level: Level | None = None
    feedback: FeedbackPlan | None = None  # None: nothing is told
    machine: bool = False

    @property
    def name(self) -> str:
        """Under which a session is kept; never the name of a cued drill."""
        return f"{FEEDING}: {self.play}"

    @property
    def tells(self) -> bool:
        """Whether the player is told anything by sound."""
        return self.feedback is not None and self.feedback.kind != "none"

    @property
    def court(self) -> Court:
        """What the listener needs to know."""
        return Court(self.play, self.told, self.machine)

    @property
    def placement(self) -> Placement:
        """Who is taken to stand where."""
        return reckoned(self.told)

    @property
    def doubt_ms(self) -> float:
        """One sigma of what the way through the air is off by."""
        return doubt_ms(self.told, machine=self.machine)


@dataclass(frozen=True, slots=True, kw_only=True)
class FedSession(Ending):
    """How a session of live feeding went. `verdicts` are as measured; `marks` are the coach's, by rep.

    `fault`: a device that was lost, or a recording that is not whole. `session`: uid of the session that the recording
    was made in, where it says so.
    """

    asked: Asked
    reps: tuple[Rep, ...]
    verdicts: tuple[Verdict, ...]
    marks: dict[int, Mark]
    scores: Scores
    recording: str | None
    rate_hz: int
    session: str = ""

    @property
    def judged(self) -> list[tuple[Rep, Verdict]]:
        """Reps, each with its verdict."""
        return list(zip(self.reps, self.verdicts, strict=True))


def hear_recording(
    path: Path, asked: Asked, on_heard: Callable[[int, int], None] = lambda done, total: None
) -> FedSession:
    """Score a recording, heard twice: what the first hearing learned of the court's sounds sharpens the second.

    `on_heard` is told how many pieces have been listened to, of how many.

    Raises
    ------
    RecordingError
        It cannot be read, or no contact is heard in it.
    """
    with AudioFile(path, salvage=True) as file:
        first = FeedListener(file.rate_hz, file.channels, asked.court)
        total = 2 * ceil(file.frames / frames_from_s(PIECE_S, file.rate_hz))
        for done, block in enumerate(_blocks(file)):
            on_heard(done, total)
            first.feed(block)
        first.finish()
        listener = FeedListener(file.rate_hz, file.channels, asked.court, first.learned)
        session = _session(asked, listener, file.rate_hz)
        for done, block in enumerate(_blocks(file), total // 2):
            on_heard(done, total)
            session.feed(block)
        session.finish()
        rate_hz, fault, live = file.rate_hz, file.fault(), file.session
        health = Health(notes=(notice("feed.in_doubt", ms=asked.doubt_ms), *([file.damage] if file.damage else ())))
    if not session.verdicts:
        raise RecordingError(
            f"{path}: no feeder's contact is heard in it",
            why="The feeder may be too far from the microphone, or --play says something else than what was played.",
            fix="Listen to it; stand the microphone nearer to the feeder, and check --play and --feeder.",
        )
    return _outcome(asked, session, Ending(health=health, fault=fault), str(path), rate_hz, live)


def _blocks(file: AudioFile) -> Iterator[Block]:
    frames = frames_from_s(PIECE_S, file.rate_hz)
    for start in range(0, file.frames, frames):
        samples = file.read(start, min(frames, file.frames - start))
        if len(samples):
            yield Block(start, samples, np.zeros((len(samples), 1), np.float32))


def _outcome(
    asked: Asked, session: FeedSession, ending: Ending, recording: str | None, rate_hz: int, recorded_in: str = ""
) -> FedSession:
    return FedSession(
        **ending.of(),
        asked=asked,
        reps=tuple(session.reps),
        verdicts=tuple(session.verdicts),
        marks=dict(session.marks),
        scores=session.scores(),
        recording=recording,
        rate_hz=rate_hz,
        session=recorded_in,
    )


# --- live ---


def run_feed(
    asked: Asked,
    stream: AudioStream,
    *,
    set_up: SetUp | None = None,
    record: Path | None = None,
    uid: str = "",
    reopen: Open | None = None,
    length_s: float | None = None,
    wait_s: float = WAIT_S,
    on_rep: Callable[[Rep, Verdict, Mark | None], None],
    on_trouble: OnTrouble,
    screen: FedBoard | None = None,
    on_stage: Callable[[str], None] = lambda stage: None,
) -> FedSession:
    """Listen, judge and tell until an interrupt (KeyboardInterrupt), `length_s`, or the loss of the device for good.

    Parameters
    ----------
    stream : AudioStream
        Not yet started; closed when this returns.
    set_up : SetUp, optional
        Heard first: "feed five balls", "hop five times".
    record : Path, optional
        Where to keep the microphone's sound.
    uid : str
        By which the session is known in the history, where it is kept there too; the recording says so.
    reopen : callable, optional
        Opens the device again after it was lost.
    wait_s : float
        Seconds until a device that stays away is given up, and the session with it.
    on_rep : callable
        Told of each judged rep, and again when the coach has marked it.
    screen : FedBoard, optional
        Entered while it runs; ticked between two blocks.
    on_stage : callable
        Told of each stage of the set-up as it begins.
    """
    rate_hz, lasting = stream.rate_hz, LastingStream(stream, reopen)
    try:
        bank, teller = _teller(asked, rate_hz)
        channels = stream.input_channels
        writer = AudioWriter(record, rate_hz, channels, overwrite=False, session=uid) if record else None
    except BaseException:
        lasting.close()
        raise

    def begin(learned: Learned | None) -> FeedSession:
        listener = FeedListener(rate_hz, channels, asked.court, learned)
        return _session(asked, listener, rate_hz, teller, bank)

    fed = FedRun(begin, asked.window, rate_hz, set_up, length_s, on_stage)
    soften = soften_first()

    def act(events: Iterable[Event]) -> bool:
        for event in events:
            match event:
                case Play():
                    lasting.play(event.start, event.sound, soften(event.cue), event.rep)
                case Judged():
                    on_rep(event.rep, event.verdict, fed.session.marks.get(event.rep.index))
                case Ended():
                    return False
        return True

    def tick() -> None:
        if screen:
            screen.tick(fed, lambda: fed.health(lasting.health()))

    def keep(block: Block) -> None:
        if writer:
            kept(partial(writer.write, block.samples), on_trouble)

    ending = drive(lasting, fed, wait_s=wait_s, act=act, tick=tick, on_trouble=on_trouble, on_block=keep, screen=screen)
    act(fed.session.finish())
    if writer:
        kept(writer.close, on_trouble)
    return _outcome(asked, fed.session, ending, str(record) if record else None, rate_hz)


class FedBoard(Protocol):
    """What shows a run and obeys keys; `tick` raises `KeyboardInterrupt` when a key ends it."""

    def tick(self, session: FedRun, health: Callable[[], Health]) -> None:
        """Draw if it is time to, and obey the keys pressed since."""

    def __enter__(self) -> Self: ...

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, at: TracebackType | None
    ) -> None: ...


class FedRun:
    """What `drive` feeds: the set-up, where there is one, and then the session that begins with what it has learned.

    It stands still for nobody: while a device is away there is nothing to hear.
    """

    paused = None

    def __init__(
        self,
        begin: Callable[[Learned | None], FeedSession],
        window: Window,
        rate_hz: int,
        set_up: SetUp | None,
        length_s: float | None,
        on_stage: Callable[[str], None],
    ) -> None:
        self.window, self.elapsed_s, self.level_db = window, 0.0, db_from_ratio(0.0)
        self._begin, self._rate_hz, self._set_up, self._length_s = begin, rate_hz, set_up, length_s
        self._on_stage, self._stage = on_stage, ""
        self._session: FeedSession | None = None

    @property
    def begun(self) -> bool:
        """Whether the set-up is over."""
        return self._session is not None

    @property
    def session(self) -> FeedSession:
        """The session, begun now at the latest."""
        if self._session is None:
            self._session = self._begin(self._set_up.learned if self._set_up else None)
        return self._session

    def feed(self, block: Block) -> list[Event]:
        """Take the next block, to the set-up or to the session."""
        self.elapsed_s = s_from_frames(block.start, self._rate_hz)
        self.level_db = db_from_ratio(float(np.abs(block.samples).max(initial=0.0)))
        if self._set_up and not self._set_up.done:
            self._tell_stage(self._set_up.stage)
            self._set_up.feed(block)
            self._tell_stage(self._set_up.stage)
            return []
        events = self.session.feed(block)
        over = self._length_s is not None and self.elapsed_s >= self._length_s
        return [*events, Ended()] if over else events

    def _tell_stage(self, stage: str) -> None:
        if stage != self._stage:
            self._stage = stage
            self._on_stage(stage)

    def pause(self, why: Notice) -> None:
        """Nothing that could be taken back has been handed out."""

    def resume(self, *, lost: bool = False) -> None:
        """Go on hearing."""

    def take_events(self) -> list[Event]:
        """Nothing is left to be done."""
        return []

    def health(self, stream: Health) -> Health:
        """The stream's alone."""
        return stream


def _session(
    asked: Asked, listener: FeedListener, rate_hz: int, teller: Feedback | None = None, bank: Bank | None = None
) -> FeedSession:
    play, level, doubt_ms = asked.play, asked.level, asked.doubt_ms
    return FeedSession(listener, asked.placement, asked.window, rate_hz, play, level, teller, bank, doubt_ms=doubt_ms)


def _teller(asked: Asked, rate_hz: int) -> tuple[Bank, Feedback | None]:
    """The feedback's sounds, and who decides on them."""
    if asked.feedback is None or not asked.tells:
        return {}, None
    sounds = feedback_sounds(asked.feedback)
    bank = build_bank((Cue("feedback", name, 0.0) for name in sounds.values()), rate_hz, load_word)
    lengths_s = {name: s_from_frames(len(bank[name, None].samples), rate_hz) for name in sounds.values()}
    return bank, Feedback(asked.feedback, sounds, lengths_s)
