"""The loop of a session on a stream: sound to the session, what it asks for back to the stream, over losses."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass, fields, replace
from typing import Any, Protocol

from drilltimer.app.interrupt import end_if_asked, forget_request
from drilltimer.app.lasting import LastingStream
from drilltimer.errors import DeviceError, Notice, Quit, RecordingError, UserError, notice
from drilltimer.model import Block, Cue, Health
from drilltimer.ui.wording import Tellable

OnTrouble = Callable[[Tellable], None]  # told of what ends no session

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
        How long to wait for a lost device.
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
