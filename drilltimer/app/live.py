"""A live session: a stream, the session that it feeds, and what is kept of it."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence, Set
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from types import TracebackType
from typing import Protocol, Self

from drilltimer.app.drive import SETTLE_S, WAIT_S, Ending, LastingStream, OnTrouble, Open, drive, kept, soften_first
from drilltimer.app.plan import Plan, load_bank, load_feedback
from drilltimer.hear.listen import Listener
from drilltimer.model import AudioStream, Block, Health, LandingSound, Placement, Rep, Scores, Verdict
from drilltimer.score.progress import move_notice
from drilltimer.session import Ended, Event, Judged, Play, Session, Silence
from drilltimer.units import frames_from_s, s_from_ms


class Screen(Protocol):
    """What shows a session and reads its keys; `tick` raises `KeyboardInterrupt` when a key ends the session."""

    def tick(self, session: Session, health: Callable[[], Health]) -> None:
        """Called often: obey keys, draw when it is time."""

    def __enter__(self) -> Self: ...

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, at: TracebackType | None
    ) -> None: ...


class KeepsSound(Protocol):
    """Keeps a session's sound; what it raises is a `RecordingError`, which is told and ends no session."""

    path: Path
    plays: list[Play]

    def write(self, block: Block) -> None:
        """Keep what was heard and what was played in a block."""

    def recall(self, now: int) -> None:
        """Forget sounds that were taken back before they began."""

    def close(self, plan: Plan, zero: int, placement: Placement, judged: Set[int]) -> None:
        """Finish; `judged` are the reps that came to a verdict."""


RecordOn = Callable[[AudioStream], KeepsSound]


class KeepsReps(Protocol):
    """Keeps a session's reps."""

    @property
    def uid(self) -> str:
        """By which the session is known."""

    def rep(self, rep: Rep, verdict: Verdict) -> None:
        """Keep a rep as it was judged, or judged anew."""

    def end(self, ending: Ending, judged: Iterable[tuple[Rep, Verdict]]) -> object:
        """Keep how the session went, and its reps as they stand at the end."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome(Ending):
    """How a session ended, and what came of it."""

    plan: Plan
    verdicts: tuple[Verdict, ...]
    scores: Scores
    recording: str | None = None
    offset_s: float | None = None  # from playing to hearing

    @property
    def judged(self) -> list[tuple[Rep, Verdict]]:
        """Reps that came to a verdict, each with it."""
        by_index = {rep.index: rep for rep in self.plan.reps}
        return [(by_index[verdict.rep], verdict) for verdict in self.verdicts]


def run_live(
    plan: Plan,
    stream: AudioStream,
    placement: Placement,
    *,
    record: RecordOn | None = None,
    reopen: Open | None = None,
    wait_s: float = WAIT_S,
    on_rep: Callable[[Rep, Verdict], None],
    on_trouble: OnTrouble,
    screen: Screen | None = None,
    landings: Sequence[Sequence[LandingSound]] = (),
) -> Outcome:
    """Run a plan on a stream to its end, to an interrupt (KeyboardInterrupt), or until the device is lost for good.

    Parameters
    ----------
    stream : AudioStream
        Not yet started; closed when this returns.
    record : callable, optional
        Makes of the stream who keeps its sound.
    reopen : callable, optional
        Opens the device again after it was lost; the session pauses until then.
    wait_s : float
        Seconds until a device that stays away is given up, and the session with it.
    on_rep, on_trouble : callable
        Told of each judged rep, and of what else is worth a line: faults that do not end the session, and moves to
        another level.
    screen : Screen, optional
        Shown while the session runs; ticks between two blocks, and while a device is awaited.
    landings : sequence of sequences of LandingSound
        For each channel, how this player's landings sounded in the sound check.
    """
    rate_hz, stream = stream.rate_hz, LastingStream(stream, reopen)
    zero = frames_from_s(SETTLE_S, rate_hz)
    listener = Listener(rate_hz, stream.input_channels, landings=landings)
    soften = soften_first()
    try:
        session = _session(plan, listener, placement, zero)
        recorder = record(stream) if record else None
    except BaseException:
        stream.close()
        raise

    def act(events: Iterable[Event]) -> bool:
        """Do what the session asks for; False when it has ended."""
        for event in events:
            match event:
                case Play():
                    stream.play(event.start, event.sound, soften(event.cue), event.rep)
                    if recorder:
                        recorder.plays.append(event)
                case Silence():
                    stream.silence()
                    if recorder:
                        recorder.recall(session.now)
                case Judged():
                    on_rep(event.rep, event.verdict)
                    if event.move:
                        on_trouble(move_notice(event.move))
                case Ended():
                    return False
        return True

    def tick() -> None:
        if screen:
            screen.tick(session, lambda: session.health(stream.health()))

    def keep(block: Block) -> None:
        if recorder:
            kept(partial(recorder.write, block), on_trouble)

    ending = drive(
        stream,
        session,
        wait_s=wait_s,
        act=act,
        tick=tick,
        on_trouble=on_trouble,
        on_block=keep,
        screen=screen,
    )
    act(event for event in session.finish() if isinstance(event, Judged))
    plan = replace(plan, reps=session.reps_as_judged())
    if recorder:
        judged = {verdict.rep for verdict in session.verdicts}
        kept(partial(recorder.close, plan, zero, placement, judged), on_trouble)
    return _outcome(plan, session, ending, recorder.path if recorder else None)


def _session(plan: Plan, listener: Listener, placement: Placement, zero: int) -> Session:
    rate_hz = listener.rate_hz
    bank = load_bank(plan, rate_hz)
    tellers = load_feedback(plan, bank)
    return Session(plan.reps, bank, listener, placement, rate_hz, tellers, zero, plan.drill.progression)


def _outcome(plan: Plan, session: Session, ending: Ending, record: Path | None) -> Outcome:
    trip_ms = ending.health.round_trip_ms
    return Outcome(
        **ending.of(),
        plan=plan,
        verdicts=tuple(session.verdicts),
        scores=session.scores(),
        recording=str(record) if record else None,
        offset_s=None if trip_ms is None else s_from_ms(trip_ms),
    )
