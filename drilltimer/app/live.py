"""A live session: a stream, the session that it feeds, and what is kept of it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

from drilltimer.app.keep import Keeper
from drilltimer.app.plan import Plan, load_bank, load_feedback
from drilltimer.errors import DeviceError, RecordingError
from drilltimer.hear.listen import Listener
from drilltimer.model import AudioStream, Health, Placement, Rep, Scores, Verdict
from drilltimer.session import Ended, Judged, Play, Session, Snapshot
from drilltimer.units import frames_from_s, s_from_ms

SETTLE_S = 0.5  # the stream runs before the session's zero: drivers drop sound at their start


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
    on_rep: Callable[[Rep, Verdict, Snapshot], None],
    on_trouble: Callable[[str], None],
) -> Outcome:
    """Run a plan on a stream to its end, to an interrupt (KeyboardInterrupt), or until the device is lost.

    Parameters
    ----------
    plan : Plan
    stream : AudioStream
        Not yet started; closed when this returns.
    placement : Placement
    record : Path, optional
        Where to keep the microphone's sound; the played sound and the cue sheet are put beside it.
    on_rep, on_trouble : callable
        Told of each judged rep, and of what goes wrong without ending the session.
    """
    rate_hz = stream.rate_hz
    bank = load_bank(plan, rate_hz)
    listener = Listener(rate_hz, stream.input_channels)
    zero = frames_from_s(SETTLE_S, rate_hz)
    session = Session(plan.reps, bank, listener, placement, rate_hz, load_feedback(plan, bank), zero)
    keeper = Keeper(record, rate_hz, stream.input_channels, stream.output_channels) if record else None
    interrupted, fault = False, None

    def tell(judged: Judged) -> None:
        on_rep(judged.rep, judged.verdict, session.snapshot())

    try:
        stream.start()
        running = True
        while running:
            block = stream.read()
            if keeper:
                _kept(partial(keeper.write, block), on_trouble)
            for event in session.feed(block):
                match event:
                    case Play():
                        stream.play(event.start, event.sound, event.cue, event.rep)
                        if keeper:
                            keeper.plays.append(event)
                    case Judged():
                        tell(event)
                    case Ended():
                        running = False
    except KeyboardInterrupt:
        interrupted = True
    except DeviceError as lost:
        fault = lost
    finally:
        health = stream.health()
        stream.close()
    for event in session.finish():
        if isinstance(event, Judged):
            tell(event)
    if keeper:
        _kept(partial(keeper.close, plan, zero, placement), on_trouble)
    health = replace(
        health,
        round_trip_ms=listener.round_trip_ms,
        round_trip_sd_ms=listener.round_trip_sd_ms,
        drift_ppm=listener.drift_ppm,
        noise_db=listener.noise_db,
    )
    trip_ms = listener.round_trip_ms
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


def _kept(step: Callable[[], None], on_trouble: Callable[[str], None]) -> None:
    """A recording that cannot be kept is told, and does not end the session."""
    try:
        step()
    except RecordingError as fault:
        on_trouble(str(fault))
