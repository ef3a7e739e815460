"""The data types that the rooms hand to each other. All frozen; none of them does anything.

Signs and zeros: a touchdown is timed after the contact *at the player*; negative means before. An error is
touchdown minus the window's centre; negative means early.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Literal, Protocol

import numpy as np
from numpy.typing import NDArray

Samples = NDArray[np.float32]  # full scale is +-1
Role = Literal["precue", "contact", "call", "feedback"]
Mode = Literal["predictive", "reactive"]


class Grade(StrEnum):
    """What a rep came to. `MISSED`: nothing was heard. `VOID`: the ear could not tell."""

    BEFORE = "before contact"
    EARLY = "early"
    ON_TIME = "on time"
    LATE = "late"
    MISSED = "missed"
    VOID = "void"
    KEPT_STILL = "withheld (kept still)"
    MOVED = "withheld (moved)"


TIMED_GRADES = frozenset({Grade.BEFORE, Grade.EARLY, Grade.ON_TIME, Grade.LATE})


@dataclass(frozen=True, slots=True)
class Sound:
    """One rendered sound.

    Parameters
    ----------
    name : str
    samples : float32 array, shape (n,)
    rate_hz : int
    anchor : int
        Frame inside the sound that *is* its moment: 0 for a contact, the last frame for a swing.
    """

    name: str
    samples: Samples
    rate_hz: int
    anchor: int = 0


@dataclass(frozen=True, slots=True)
class Cue:
    """A sound in a rep. `at_s` is when its anchor sounds, from the rep's start."""

    role: Role
    sound: str
    at_s: float
    length_s: float | None = None  # for sounds made to measure, such as a swing
    pan: float = 0.0  # -1 left .. +1 right, on outputs with two channels
    gain_db: float = 0.0


@dataclass(frozen=True, slots=True)
class Window:
    """Touchdown after contact at the player that counts as on time, both ends included."""

    open_ms: float
    centre_ms: float
    close_ms: float


@dataclass(frozen=True, slots=True)
class Rep:
    """One contact to recovery, as it will be played.

    `start_s` counts from the session's start and so does `contact_s`; a withheld rep has no contact cue and
    `contact_s` tells when it would have sounded.
    """

    index: int
    start_s: float
    end_s: float
    contact_s: float
    cues: tuple[Cue, ...]
    call: str | None
    window: Window
    mode: Mode = "predictive"
    withheld: bool = False


@dataclass(frozen=True, slots=True)
class Placement:
    """Who stands where. Distances in metres along the sound's way, air temperature in °C."""

    speaker_to_player_m: float = 0.0
    player_to_mic_m: float = 0.0
    speaker_to_mic_m: float = 0.0
    air_c: float = 20.0


@dataclass(frozen=True, slots=True)
class Block:
    """What the stream heard, and what it played, in the same frames.

    Parameters
    ----------
    start : int
        Frame number of the first sample on the stream's one clock.
    samples : float32 array, shape (n, input channels)
    played : float32 array, shape (n, output channels)
        What left for the loudspeaker in these frames. It is heard later by the round trip, which nobody knows
        beforehand.
    xrun : bool
        True when sound was lost in or just before this block.
    """

    start: int
    samples: Samples
    played: Samples
    xrun: bool = False


@dataclass(frozen=True, slots=True)
class Onset:
    """First rise of a sound. `at` is a fractional frame of the microphone signal; uncertainty is one sigma."""

    at: float
    level_db: float
    uncertainty_ms: float
    confidence: float = 1.0


@dataclass(frozen=True, slots=True)
class Landing:
    """A touchdown, with the second foot and the first step after it when they were heard."""

    touchdown: Onset
    second_touchdown: Onset | None = None
    first_step: Onset | None = None


@dataclass(frozen=True, slots=True)
class Expectation:
    """What the listener must look out for: one contact, at its frame in the *played* sound.

    Parameters
    ----------
    rep : int
    contact : int
        Frame of the contact cue's first sample in the played sound (where it would be, when withheld).
    contact_frames : int
        Length of the contact cue.
    withheld : bool
        No contact was played: the zero comes from the session's round trip.
    call : int | None
        Frame of the call's first sample in the played sound.
    """

    rep: int
    contact: int
    contact_frames: int
    withheld: bool = False
    call: int | None = None


@dataclass(frozen=True, slots=True)
class Heard:
    """What the listener made of one expectation. Frames are frames of the microphone signal.

    Parameters
    ----------
    rep : int
    contact : Onset | None
        Arrival of the contact cue's first sample; None when the session has no zero for it at all.
    contact_heard : bool
        False when `contact` was inferred from the session's round trip because the cue itself was not heard.
    landing : Landing | None
    void : str
        Why the ear cannot tell; empty when it can.
    """

    rep: int
    contact: Onset | None
    contact_heard: bool
    landing: Landing | None
    void: str = ""


@dataclass(frozen=True, slots=True)
class Verdict:
    """One rep, judged. `heard_s` fields are seconds in the microphone signal, the rest is at the player."""

    rep: int
    grade: Grade
    call: str | None = None
    contact_heard_s: float | None = None
    touchdown_s: float | None = None
    second_touchdown_s: float | None = None
    first_step_s: float | None = None
    touchdown_ms: float | None = None  # after the contact, at the player
    error_ms: float | None = None  # touchdown minus window centre
    uncertainty_ms: float | None = None  # one sigma of touchdown_ms
    stagger_ms: float | None = None
    first_step_ms: float | None = None  # after the contact, at the player
    void: str = ""


@dataclass(frozen=True, slots=True)
class Scores:
    """Summary of verdicts. Errors are over the timed reps alone; None where there is nothing to average."""

    n: int  # scored reps: timed + missed
    timed: int
    in_window_share: float | None  # of n
    constant_error_ms: float | None
    variable_error_ms: float | None  # population form, so that rmse^2 = ce^2 + ve^2
    absolute_error_ms: float | None
    rmse_ms: float | None
    ci95_low_ms: float | None  # of the constant error, Student's t
    ci95_high_ms: float | None
    mdc95_ms: float | None  # smallest change between two such sessions that is more than chance
    mean_stagger_ms: float | None
    mean_first_step_ms: float | None
    missed: int
    void: int
    kept_still: int
    moved: int


@dataclass(frozen=True, slots=True)
class Health:
    """How well the sound ran. None where it was not measured."""

    blocks: int = 0
    xruns: int = 0
    worst_callback_ms: float | None = None
    round_trip_ms: float | None = None
    round_trip_sd_ms: float | None = None
    drift_ppm: float | None = None
    noise_db: float | None = None  # re full scale
    notes: tuple[str, ...] = ()


class AudioStream(Protocol):
    """One running full-duplex stream: the sound card, or the simulated room that stands in for it.

    One clock: frames counted from the stream's first block, the same count for what is heard and what is played.
    """

    rate_hz: int
    input_channels: int
    output_channels: int

    def start(self) -> None:
        """Begin; the first block starts at frame 0."""

    def play(self, start: int, sound: Sound, cue: Cue, rep: Rep | None = None) -> None:
        """Add `sound` (already at the stream's rate) to the output, its first sample at frame `start`.

        `cue` gives pan and gain; `rep` lets a simulated player know what is being asked of it.
        """

    def read(self) -> Block:
        """Next block, in order, waiting for it. Raises `DeviceError` when the device is lost."""

    def health(self) -> Health:
        """Counts so far; callable at any time."""

    def close(self) -> None:
        """End the stream; never hangs, may be called twice."""
