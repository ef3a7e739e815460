"""What the simulated player does in the room, rep by rep, and the truth about it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from drilltimer.model import Cue, Placement, Rep, Sound
from drilltimer.sim.acoustics import LEAD
from drilltimer.sim.player import PlannedLanding, SimulatedPlayer
from drilltimer.sim.settings import RoomSettings
from drilltimer.units import air_delay_ms, ms_from_s, s_from_frames, s_from_ms


@dataclass(frozen=True, slots=True)
class RepTruth:
    """What really happened in one rep.

    Parameters
    ----------
    contact_at : float, optional
        Arrival of the contact cue's first sample at the first microphone, in fractional frames of its signal; None
        when no contact was played.
    touchdown_at, second_touchdown_at, first_step_at : float, optional
        Arrival of the feet there, in the same frames; None where there was none.
    before_at : tuple of float
        Arrivals of footfalls before the landing, the nearest first.
    touchdown_ms : float, optional
        First touchdown after the contact, at the player, in true time.
    stagger_ms, first_step_ms : float, optional
        Second foot after the first; first step after the contact, at the player.
    snr_db, second_snr_db : float, optional
        Peak of the foot over the RMS of the noise, both in 40-4000 Hz at the first microphone.
    """

    rep: int
    withheld: bool
    call: str | None
    contact_at: float | None
    touchdown_at: float | None = None
    second_touchdown_at: float | None = None
    first_step_at: float | None = None
    touchdown_ms: float | None = None
    stagger_ms: float | None = None
    first_step_ms: float | None = None
    snr_db: float | None = None
    second_snr_db: float | None = None
    before_at: tuple[float, ...] = ()


@dataclass(slots=True)
class _Act:
    """A rep under way; frames of the air. `contact` is where the contact leaves the loudspeaker."""

    rep: Rep
    contact: float
    contact_played: bool = False
    plan: PlannedLanding | None = None
    touchdown: float = 0.0  # arrival at the first microphone, like the next two
    second: float = 0.0
    step: float | None = None
    snr_db: float = 0.0
    second_snr_db: float = 0.0
    before: tuple[float, ...] = ()


class LandingPlace(Protocol):
    """Where a player's feet come down; `sim.air.Air` is one."""

    rate_hz: int
    contact_cue: NDArray[np.float64] | None

    @property
    def position(self) -> int:
        """First frame of the air that is not computed yet."""

    @property
    def settings(self) -> RoomSettings:
        """What the room is like."""

    def add_foot(self, at: float, level_db: float, seed: tuple[int, ...]) -> float:
        """Let a foot's sound arrive; answers its level over the noise in dB."""


class Performance:
    """Has the player answer each rep at its first cue and puts the feet into the air."""

    def __init__(self, player: SimulatedPlayer, air: LandingPlace, seed: int) -> None:
        self._player = player
        self._air = air
        self._seed = seed % 2**32
        self._acts: dict[int, _Act] = {}

    def hear(self, emitted: float, sound: Sound, cue: Cue, rep: Rep) -> None:
        """Take note of a cue whose first sample leaves the loudspeaker at air frame `emitted`."""
        if cue.role == "feedback":
            return
        anchor = emitted + sound.anchor
        if rep.index not in self._acts:
            contact = anchor + (rep.contact_s - rep.start_s - cue.at_s) * self._air.rate_hz
            self._acts[rep.index] = act = _Act(rep, contact)
            self._perform(act)
        if cue.role == "contact":
            act = self._acts[rep.index]
            act.contact, act.contact_played = anchor, True
            self._air.contact_cue = sound.samples.astype(np.float64)

    def forget(self, after: float) -> None:
        """Forget reps whose contact would leave the loudspeaker after that air frame: it was taken back."""
        self._acts = {index: act for index, act in self._acts.items() if act.contact <= after}

    def truth(self, frame_of: Callable[[float], float]) -> list[RepTruth]:
        """All reps so far, in order; `frame_of` turns air frames into frames of the recorder."""
        return [self._truth_of(act, frame_of) for _, act in sorted(self._acts.items())]

    def _perform(self, act: _Act) -> None:
        act.plan = plan = self._player.answer(act.rep)
        if plan is None:
            return
        # A player cannot land before being asked: a session that plans late delays the landing, and truth says so.
        earliest = float(self._air.position + 2 * LEAD)
        act.touchdown = max(earliest, act.contact + self._frames(self._way_ms + plan.touchdown_ms))
        act.second = act.touchdown + self._frames(plan.stagger_ms)
        seeds = (self._seed, 6, act.rep.index)
        act.snr_db = self._air.add_foot(act.touchdown, plan.level_db, (*seeds, 0))
        act.second_snr_db = self._air.add_foot(act.second, plan.second_level_db, (*seeds, 1))
        for number, (before_ms, level_db) in enumerate(plan.before):
            at = act.touchdown - self._frames(before_ms)
            if at >= earliest:
                act.before += (at,)
                self._air.add_foot(at, level_db, (*seeds, 3 + number))
        if plan.first_step_ms is not None:
            act.step = act.touchdown + self._frames(plan.first_step_ms - plan.touchdown_ms)
            self._air.add_foot(act.step, plan.step_level_db, (*seeds, 2))

    @property
    def _way_ms(self) -> float:
        """From loudspeaker to player and back to the microphone."""
        place: Placement = self._air.settings.placement
        return air_delay_ms(place.speaker_to_player_m + place.player_to_mic_m, place.air_c)

    def _frames(self, time_ms: float) -> float:
        return s_from_ms(time_ms) * self._air.rate_hz

    def _after_contact_ms(self, act: _Act, arrival: float) -> float:
        return ms_from_s(s_from_frames(arrival - act.contact, self._air.rate_hz)) - self._way_ms

    def _truth_of(self, act: _Act, frame_of: Callable[[float], float]) -> RepTruth:
        place = self._air.settings.placement
        direct = self._frames(air_delay_ms(place.speaker_to_mic_m, place.air_c))
        contact_at = frame_of(act.contact + direct) if act.contact_played else None
        if act.plan is None:
            return RepTruth(act.rep.index, act.rep.withheld, act.rep.call, contact_at)
        return RepTruth(
            act.rep.index,
            act.rep.withheld,
            act.rep.call,
            contact_at,
            touchdown_at=frame_of(act.touchdown),
            second_touchdown_at=frame_of(act.second),
            first_step_at=None if act.step is None else frame_of(act.step),
            touchdown_ms=self._after_contact_ms(act, act.touchdown),
            stagger_ms=act.plan.stagger_ms,
            first_step_ms=None if act.step is None else self._after_contact_ms(act, act.step),
            snr_db=act.snr_db,
            second_snr_db=act.second_snr_db,
            before_at=tuple(frame_of(at) for at in act.before),
        )
