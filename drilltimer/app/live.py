"""A live session: a stream, the session that it feeds, and what is kept of it."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Sequence
from contextlib import nullcontext
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from types import TracebackType
from typing import Any, Protocol, Self

from drilltimer.app.keep import Keeper
from drilltimer.app.lasting import LastingStream, Open
from drilltimer.app.plan import Plan, load_bank, load_feedback
from drilltimer.errors import DeviceError, RecordingError
from drilltimer.hear.listen import Listener
from drilltimer.model import AudioStream, Cue, Health, LandingSound, Placement, Rep, Scores, Verdict
from drilltimer.session import Ended, Event, Judged, Play, Session, Silence, Snapshot
from drilltimer.ui.lines import move_line
from drilltimer.ui.wording import Wording, load_wording
from drilltimer.units import frames_from_s, s_from_ms

WAIT_S = 120.0  # for a lost device to come back
TRY_EVERY_S = 1.0
QUIET_FIRST_DB = -12.0
TICK_S = 0.05  # while waiting: keys must be obeyed all the same
SETTLE_S = 0.5  # the stream runs before the session's zero: drivers drop sound at their start


class Screen(Protocol):
    """What shows a session and reads its keys; `tick` raises `KeyboardInterrupt` when a key ends the session."""

    def tick(self, session: Session, health: Callable[[], Health]) -> None:
        """Called often: obey keys, draw when it is time."""

    def __enter__(self) -> Self: ...

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, at: TracebackType | None
    ) -> None: ...


class Pausable(Protocol):
    """A session that can stand still while its device is away."""

    @property
    def paused(self) -> str:
        """Why it stands still; empty while it runs."""

    def pause(self, why: str) -> None:
        """Stop at once."""

    def resume(self, *, lost: bool = False) -> None:
        """Go on."""

    def take_events(self) -> Iterable[Any]:
        """What is left to be done."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """How a session went. `interrupted` when the user ended it, `fault` when the device did."""

    plan: Plan
    verdicts: tuple[Verdict, ...]
    scores: Scores
    health: Health
    recording: str | None
    offset_s: float | None  # from playing to hearing
    interrupted: bool
    fault: DeviceError | None


def run_live(
    plan: Plan,
    stream: AudioStream,
    placement: Placement,
    *,
    record: Path | None = None,
    reopen: Open | None = None,
    wait_s: float = WAIT_S,
    on_rep: Callable[[Rep, Verdict, Snapshot], None],
    on_trouble: Callable[[str], None],
    screen: Screen | None = None,
    landings: Sequence[Sequence[LandingSound]] = (),
    wording: Wording | None = None,
) -> Outcome:
    """Run a plan on a stream to its end, to an interrupt (KeyboardInterrupt), or until the device is lost for good.

    Parameters
    ----------
    plan : Plan
    stream : AudioStream
        Not yet started; closed when this returns.
    placement : Placement
    record : Path, optional
        Where to keep the microphone's sound; the played sound and the cue sheet are put beside it.
    reopen : callable, optional
        Opens the device again after it was lost; the session pauses until then.
    wait_s : float
        How long to wait for it.
    on_rep, on_trouble : callable
        Told of each judged rep, and of what else is worth a line: faults that do not end the session, and moves to
        another level.
    screen : Screen, optional
        Shown while the session runs; ticks between two blocks, and while a device is awaited.
    landings : sequence of sequences of LandingSound
        For each channel, how this player's landings sounded in the sound check.
    wording : Wording, optional
        In which `on_trouble` is told; English when left out.
    """
    rate_hz, stream = stream.rate_hz, LastingStream(stream, reopen)
    wording = wording or load_wording()
    zero = frames_from_s(SETTLE_S, rate_hz)
    listener = Listener(rate_hz, stream.input_channels, landings=landings)
    session = _session(plan, listener, placement, zero)
    soften = _soften_first()
    keeper = Keeper(record, rate_hz, stream.input_channels, stream.output_channels) if record else None
    interrupted, fault = False, None

    def act(events: Iterable[Event]) -> bool:
        """Do what the session asks for; False when it has ended."""
        for event in events:
            match event:
                case Play():
                    stream.play(event.start, event.sound, soften(event.cue), event.rep)
                    if keeper:
                        keeper.plays.append(event)
                case Silence():
                    stream.silence()
                    if keeper:
                        keeper.recall(session.now)
                case Judged():
                    on_rep(event.rep, event.verdict, session.snapshot())
                    if event.move:
                        on_trouble(move_line(event.move, wording))
                case Ended():
                    return False
        return True

    def tick() -> None:
        if screen:
            screen.tick(session, lambda: session.health(stream.health()))

    try:
        with screen or nullcontext():
            stream.start()
            running = True
            while running:
                try:
                    block = stream.read()
                except DeviceError as lost:
                    await_device(stream, session, lost, wait_s, act, tick, on_trouble)
                    continue
                if keeper:
                    _kept(partial(keeper.write, block), on_trouble)
                running = act(session.feed(block))
                tick()
    except KeyboardInterrupt:
        interrupted = True
    except DeviceError as lost:
        fault = lost
    finally:
        health = session.health(stream.health())
        stream.close()
    act(event for event in session.finish() if isinstance(event, Judged))
    plan = replace(plan, reps=session.reps_as_judged())
    if keeper:
        _kept(partial(keeper.close, plan, zero, placement), on_trouble)
    return _outcome(plan, session, health, record, interrupted, fault)


def _session(plan: Plan, listener: Listener, placement: Placement, zero: int) -> Session:
    rate_hz = listener.rate_hz
    bank = load_bank(plan, rate_hz)
    tellers = load_feedback(plan, bank)
    return Session(plan.reps, bank, listener, placement, rate_hz, tellers, zero, plan.drill.progression)


def _soften_first() -> Callable[[Cue], Cue]:
    """Make the first sound of a session soft, for ears near the loudspeaker; a contact stays what it is."""
    first = True

    def soften(cue: Cue) -> Cue:
        nonlocal first
        softly, first = first and cue.role == "precue", False
        return replace(cue, gain_db=cue.gain_db + QUIET_FIRST_DB) if softly else cue

    return soften


def _outcome(
    plan: Plan, session: Session, health: Health, record: Path | None, interrupted: bool, fault: DeviceError | None
) -> Outcome:
    trip_ms = health.round_trip_ms
    return Outcome(
        plan,
        tuple(session.verdicts),
        session.scores(),
        health,
        str(record) if record else None,
        None if trip_ms is None else s_from_ms(trip_ms),
        interrupted,
        fault,
    )


def await_device(
    stream: LastingStream,
    session: Pausable,
    lost: DeviceError,
    wait_s: float,
    act: Callable[[Iterable[Any]], bool],
    tick: Callable[[], None],
    on_trouble: Callable[[str], None],
) -> None:
    """Pause the session until the device is back; raises `DeviceError` when it stays away."""
    if not stream.can_return:
        raise lost
    by_key = session.paused
    session.pause(lost.what)
    act(session.take_events())
    on_trouble(f"paused: {lost}")
    ends_s = time.monotonic() + wait_s
    while not stream.reopen():
        if time.monotonic() >= ends_s:
            raise DeviceError(
                f"the sound device did not come back within {wait_s:.0f} s; it was lost: {lost.what}",
                fix="What was done until then is scored and kept. Look at 'drilltimer devices'.",
            )
        pause_ends_s = time.monotonic() + TRY_EVERY_S
        while time.monotonic() < min(pause_ends_s, ends_s):
            tick()
            time.sleep(TICK_S)
    session.pause(lost.what)  # a key may have ended the pause while there was nothing to go on with
    session.resume(lost=True)
    if by_key:
        session.pause(by_key)
    on_trouble("the sound device is back; the session goes on")


def _kept(step: Callable[[], None], on_trouble: Callable[[str], None]) -> None:
    """A recording that cannot be kept is told, and does not end the session."""
    try:
        step()
    except RecordingError as fault:
        on_trouble(str(fault))
