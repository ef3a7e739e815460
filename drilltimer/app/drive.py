"""The loop of a session on a stream: sound to the session, what it asks for back to the stream, over losses.

The stream can be opened again: one clock over every loss of the device. A device is back when it sounds: a sound server
that stands still lets streams be opened and started.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass, fields, replace
from typing import Any, Protocol

from drilltimer.app.interrupt import end_if_asked, forget_request
from drilltimer.errors import DeviceError, Notice, Quit, RecordingError, UserError, notice
from drilltimer.model import AudioStream, Block, Cue, Health, Rep, Sound
from drilltimer.ui.wording import Tellable

OnTrouble = Callable[[Tellable], None]  # told of what ends no session
Open = Callable[[], AudioStream]

WAIT_S = 120.0  # for a lost device to come back
TRY_EVERY_S = 1.0
TICK_S = 0.05  # while waiting: keys must be obeyed all the same
QUIET_FIRST_DB = -12.0
SETTLE_S = 0.5  # the stream runs before the session's zero: drivers drop sound at their start


class Driven(Protocol):
    """A session that sound is fed to, and that can stand still while its device is away."""

    @property
    def paused(self) -> Notice | None:
        """Why it stands still; None while it runs."""

    def feed(self, block: Block) -> Iterable[Any]:
        """Take the next block; what is to be done."""

    def pause(self, why: Notice) -> None:
        """Take back all that was handed out and has not sounded; reps that have begun are void."""

    def resume(self, *, lost: bool = False) -> None:
        """Lay out anew what had not begun; after a loss the stream's latency is another one."""

    def take_events(self) -> Iterable[Any]:
        """What is left to be done."""

    def health(self, stream: Health) -> Health:
        """A stream's health, and what the session knows of it besides."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Ending:
    """How a session ended: `interrupted` when the user ended it, `wished` by a key; `fault` when the device did."""

    health: Health
    interrupted: bool = False
    wished: bool = False
    fault: UserError | None = None

    @property
    def how(self) -> str:
        """The word that the history keeps for it."""
        return "device lost" if self.fault else "interrupted" if self.interrupted else "done"

    def of(self) -> dict[str, Any]:
        """Its fields, for an ending that tells more."""
        return {field.name: getattr(self, field.name) for field in fields(Ending)}


def drive(
    stream: LastingStream,
    session: Driven,
    *,
    wait_s: float,
    act: Callable[[Iterable[Any]], bool],
    tick: Callable[[], None],
    on_trouble: OnTrouble,
    on_block: Callable[[Block], None] = lambda block: None,
    screen: AbstractContextManager[Any] | None = None,
) -> Ending:
    """Run a session to its end, to an interrupt (KeyboardInterrupt), or until the device is lost for good.

    Parameters
    ----------
    stream : LastingStream
        Not yet started; closed when this returns.
    wait_s : float
        Seconds until a lost device is given up.
    act : callable
        Does what the session asks for; False when it has ended.
    tick : callable
        Called between two blocks, and while a device is awaited: obeys keys.
    on_trouble : callable
        Told of the loss and of the return.
    on_block : callable, optional
        Given each block before the session is.
    screen : context manager, optional
        Entered while the session runs.
    """
    interrupted, wished, fault = False, False, None
    try:
        with screen or nullcontext():
            stream.start()
            running = True
            while running:
                end_if_asked()
                try:
                    block = stream.read()
                except DeviceError as lost:
                    _pause_until_back(stream, session, lost, wait_s, act, tick, on_trouble)
                    continue
                on_block(block)
                running = act(session.feed(block))
                tick()
    except KeyboardInterrupt as request:
        forget_request()
        interrupted, wished = True, isinstance(request, Quit)
    except DeviceError as lost:
        fault = lost
    finally:
        health = session.health(stream.health())
        stream.close()
    return Ending(health=health, interrupted=interrupted, wished=wished, fault=fault)


def _pause_until_back(
    stream: LastingStream,
    session: Driven,
    lost: DeviceError,
    wait_s: float,
    act: Callable[[Iterable[Any]], bool],
    tick: Callable[[], None],
    on_trouble: OnTrouble,
) -> None:
    """Pause the session until the device is back; raises `DeviceError` when it stays away."""
    if not stream.can_return:
        raise lost
    by_key = session.paused
    why = lost.what if isinstance(lost.what, Notice) else notice("as_kept", text=lost.what)
    session.pause(why)
    act(session.take_events())
    _await_return(stream, lost, wait_s, tick, on_trouble)
    session.pause(why)  # a key may have ended the pause while there was nothing to go on with
    session.resume(lost=True)
    if by_key:
        session.pause(by_key)


def _await_return(
    stream: LastingStream,
    lost: DeviceError,
    wait_s: float,
    tick: Callable[[], None],
    on_trouble: OnTrouble,
) -> None:
    """Wait until a lost device is back; raises `DeviceError` when it stays away or there is no way back."""
    if not stream.can_return:
        raise lost
    on_trouble(notice("paused", why=lost))
    ends_s = time.monotonic() + wait_s
    while not stream.reopen():
        if time.monotonic() >= ends_s:
            raise DeviceError(
                notice("stayed_away", seconds=round(wait_s), why=lost.what),
                fix=notice("kept_so_far"),
            )
        pause_ends_s = time.monotonic() + TRY_EVERY_S
        while time.monotonic() < min(pause_ends_s, ends_s):
            end_if_asked()
            tick()
            time.sleep(TICK_S)
    on_trouble(notice("back"))


def soften_first() -> Callable[[Cue], Cue]:
    """Make the first sound of a session soft, for ears near the loudspeaker; a contact stays what it is."""
    first = True

    def soften(cue: Cue) -> Cue:
        nonlocal first
        softly, first = first and cue.role != "contact", False
        return replace(cue, gain_db=cue.gain_db + QUIET_FIRST_DB) if softly else cue

    return soften


def kept(step: Callable[[], None], on_trouble: OnTrouble) -> None:
    """Do a step of keeping; a recording that cannot be kept is told, and does not end the session."""
    try:
        step()
    except RecordingError as fault:
        on_trouble(fault)


class LastingStream:
    """An `AudioStream` on whichever stream is open at the moment; its frames count on as if nothing had happened.

    Parameters
    ----------
    first : AudioStream
        Open, not yet started.
    again : callable, optional
        Opens the same device once more, not yet started; raises `DeviceError` while it is away. None: a loss is
        final.
    """

    def __init__(self, first: AudioStream, again: Open | None = None) -> None:
        self.rate_hz = first.rate_hz
        self.input_channels = first.input_channels
        self.output_channels = first.output_channels
        self.losses = 0
        self._stream = first
        self._again = again
        self._base = 0  # our frame at which the open stream's frame 0 lies
        self._end = 0
        self._before = Health()
        self._first: Block | None = None  # of a stream that was opened again, not yet handed out

    @property
    def can_return(self) -> bool:
        """Whether there is a way to open the device again."""
        return self._again is not None

    def start(self) -> None:
        """Let sound run; the first block starts at frame 0."""
        self._stream.start()

    def play(self, start: int, sound: Sound, cue: Cue, rep: Rep | None = None) -> None:
        """Add `sound` to the output, its first sample at our frame `start`."""
        self._stream.play(start - self._base, sound, cue, rep)

    def silence(self) -> None:
        """Drop what has not sounded."""
        self._stream.silence()

    def read(self) -> Block:
        """Next block. Raises `DeviceError` when the device is lost; `reopen` may then bring it back."""
        block, self._first = self._first or self._stream.read(), None
        block = replace(block, start=block.start + self._base)
        self._end = block.start + len(block.samples)
        return block

    def reopen(self) -> bool:
        """Try once to open the device again, to start it and to hear its first block; False while it is away.

        A sound server that stands still lets streams be opened and started: only sound is a sign of life.

        Raises
        ------
        DeviceError
            It came back with another rate or other channels, for which this session's sounds are not made.
        """
        if self._again is None:
            return False
        self._retire()
        try:
            stream = self._again()
        except DeviceError:
            return False
        ours = (self.rate_hz, self.input_channels, self.output_channels)
        if (stream.rate_hz, stream.input_channels, stream.output_channels) != ours:
            stream.close()
            raise DeviceError(
                f"the sound device came back at {stream.rate_hz} Hz instead of {self.rate_hz} Hz",
                fix="Begin a new session on it.",
            )
        try:
            stream.start()
            self._first = stream.read()
        except DeviceError:
            stream.close()
            return False
        self._stream, self._base = stream, self._end
        self._retired = False
        self.losses += 1
        return True

    _retired = False

    def _retire(self) -> None:
        """Close the lost stream, once, and keep its counts."""
        if not self._retired:
            self._before = self.health()
            self._stream.close()
            self._retired = True

    def health(self) -> Health:
        """Counts over all streams so far."""
        if self._retired:
            return self._before
        now, before = self._stream.health(), self._before
        worst = [ms for ms in (before.worst_callback_ms, now.worst_callback_ms) if ms is not None]
        return replace(
            now,
            blocks=before.blocks + now.blocks,
            xruns=before.xruns + now.xruns,
            worst_callback_ms=max(worst, default=None),
            notes=tuple(dict.fromkeys((*before.notes, *now.notes))),
        )

    def close(self) -> None:
        """End; may be called twice."""
        self._retire()
