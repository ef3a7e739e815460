"""The data types that the rooms hand to each other. All frozen; none of them does more than refuse nonsense.

Signs and zeros: a touchdown is timed after the contact *at the player*; negative means before. An error is
touchdown minus the window's target; negative means early.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from typing import Literal, Protocol

import numpy as np
from numpy.typing import NDArray

from drilltimer.errors import Notice

Samples = NDArray[np.float32]  # full scale is +-1
Role = Literal["precue", "contact", "call", "feedback"]
Mode = Literal["predictive", "reactive"]
LONGEST_CALL_S = 0.45  # of a spoken direction; longer ones are refused when they are recorded
TYPICAL_RECOGNITION_S = 0.14  # median of the shipped called words (`sounds/manifest.json`): where nobody kept it
# A footfall sooner than this after its direction is known answers nothing. First force 80-100 ms after a sound at the
# soonest (Pain & Hibbs 2007, J Sports Sci 25:79-86; IAAF 2009; abstracts), some 50 ms more to choose between two
# (Hick-Hyman for practised pairs, from memory), and 100 ms from unloading a foot to setting it down (from memory).
# Two-choice sidesteps begin after 279-322 ms on average (Fujii et al. 2013, J Electromyogr Kinesiol 23:1467-73,
# abstract).
FASTEST_ANSWER_MS = 250.0
Level = Literal["beginner", "club", "advanced"]
LEVELS: tuple[Level, ...] = ("beginner", "club", "advanced")  # from the widest window to the narrowest


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
    samples : float32 array, shape (n,)
        Full scale is +-1.
    anchor : int
        Frame inside the sound that *is* its moment: 0 for a contact, the last frame for a swing.
    """

    name: str
    samples: Samples
    rate_hz: int
    anchor: int = 0


@dataclass(frozen=True, slots=True)
class Cue:
    """A sound in a rep. `at_s` is when its anchor sounds, from the rep's start.

    `known_s`, of a call: so long after that the direction is known. None where nobody kept it.
    """

    role: Role
    sound: str
    at_s: float
    length_s: float | None = None  # for sounds made to measure, such as a swing
    pan: float = 0.0  # -1 left .. +1 right, on outputs with two channels
    gain_db: float = 0.0
    known_s: float | None = None


# What no value of a unit lies beyond, of whatever people and files tell: a number that is greater means nothing, and
# sums and squares of such numbers leave what a computer can count.
RANGES: dict[str, tuple[float, float]] = {
    "s": (-1e6, 1e6),  # eleven days
    "ms": (-6e5, 6e5),
    "m": (0.0, 1000.0),
    "c": (-60.0, 70.0),
    "hz": (0, 768_000),
    "db": (-1000.0, 1000.0),
}
INT64 = (-(2**63), 2**63 - 1)  # whole numbers that a database can keep
MOST_COUNTED = 1_000_000_000  # of reps, blocks, callbacks


@dataclass(frozen=True, slots=True)
class Window:
    """Touchdown after contact at the player that counts as on time, both ends included.

    `centre_ms` is the target, which errors count from. It need not be the middle.
    """

    open_ms: float
    centre_ms: float
    close_ms: float


@dataclass(frozen=True, slots=True)
class Rep:
    """One contact to recovery, as it will be played.

    `start_s` counts from the session's start and so does `contact_s`; a withheld rep has no contact cue and
    `contact_s` tells when it would have sounded. `block` is the drill's block that the rep belongs to. `level` is the
    one that `window` belongs to and `ladder` the windows of all `LEVELS`; None and empty where the window was written
    in milliseconds or is reactive.
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
    warm_up: bool = False  # judged and told like any other, left out of the scores
    block: int = 0
    level: Level | None = None
    ladder: tuple[Window, ...] = ()


DISTANCES = ("speaker_to_player_m", "player_to_mic_m", "speaker_to_mic_m")


@dataclass(frozen=True, slots=True)
class Placement:
    """Who stands where: metres along the sound's way, air in °C. What is `unknown` nobody told; it is a guess."""

    speaker_to_player_m: float = 0.0
    player_to_mic_m: float = 0.0
    speaker_to_mic_m: float = 0.0
    air_c: float = 20.0
    unknown: frozenset[str] = frozenset()

    def known(self) -> dict[str, float]:
        """What somebody told, by its name."""
        return {name: getattr(self, name) for name in (*DISTANCES, "air_c") if name not in self.unknown}


@dataclass(frozen=True, slots=True)
class Block:
    """What the stream heard, and what it played, in the same frames.

    Parameters
    ----------
    start : int
        Frame number of the first sample on the stream's one clock.
    samples : float32 array, shape (n, input channels)
        A column for each microphone; full scale is +-1.
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
class LandingSound:
    """How one landing of a player sounded: what a sound check leaves for later sessions.

    Parameters
    ----------
    mark : tuple of float
        As the ear's net describes it; another version's, of another length, tells nothing.
    """

    mark: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Expectation:
    """What the listener must look out for: one contact, at its frame in the *played* sound.

    Parameters
    ----------
    contact : int
        Frame of the contact cue's first sample in the played sound (where it would be, when withheld).
    contact_frames : int
        Length of the contact cue.
    opens, closes : int
        First and last frame, in the played sound, between which a sound may belong to this rep.
    withheld : bool
        No contact was played: the zero comes from the session's round trip.
    """

    rep: int
    contact: int
    contact_frames: int
    opens: int
    closes: int
    withheld: bool = False


@dataclass(frozen=True, slots=True)
class Heard:
    """What the listener made of one expectation. Frames are frames of the microphone signal.

    Parameters
    ----------
    contact : Onset | None
        Arrival of the contact cue's first sample; None when the session has no zero for it at all.
    contact_heard : bool
        False when `contact` was inferred from the session's round trip because the cue itself was not heard.
    void : str
        Why the ear cannot tell, by the key of its text; empty when it can.
    lane : int
        Whose microphone this is about, where each of several players has one.
    onsets : tuple of Onset
        Every sound that may be a foot, in time order; only where a whole group is heard by one microphone.
    """

    rep: int
    contact: Onset | None
    contact_heard: bool
    landing: Landing | None
    void: str = ""
    lane: int = 0
    onsets: tuple[Onset, ...] = ()


@dataclass(frozen=True, slots=True)
class Verdict:
    """One rep, judged. `heard_s` fields are seconds in the microphone signal, the rest is at the player.

    `guessed`: the first step came too soon to answer the call that told where to, or without any contact. `level` and
    the window are those that the rep was judged by.
    """

    rep: int
    grade: Grade
    call: str | None = None
    contact_heard_s: float | None = None
    touchdown_s: float | None = None
    second_touchdown_s: float | None = None
    first_step_s: float | None = None
    touchdown_ms: float | None = None  # after the contact, at the player
    error_ms: float | None = None  # touchdown minus target
    uncertainty_ms: float | None = None  # one sigma of touchdown_ms, unknown distances included
    ear_uncertainty_ms: float | None = None  # what of that is the ear's own doubt about this rep
    stagger_ms: float | None = None
    first_step_ms: float | None = None  # after the contact, at the player
    void: Notice | None = None
    guessed: bool = False
    level: Level | None = None
    window_open_ms: float | None = None
    window_close_ms: float | None = None


@dataclass(frozen=True, slots=True)
class Scores:
    """Summary of verdicts. Errors are over the timed reps alone; None where there is nothing to average.

    Where most reps are void, those that are not tell nothing of the others: there is nothing to average.
    """

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
    mean_first_step_ms: float | None  # guesses left out, as in the next four
    missed: int
    void: int
    kept_still: int
    moved: int
    guesses: int = 0  # first steps too soon to answer their call, or without a contact
    landing_to_step_ms: float | None = None  # mean time from the first foot down to the first step
    landing_to_step_low_ms: float | None = None  # its 95 % interval, Student's t
    landing_to_step_high_ms: float | None = None
    steps: int = 0  # heard first steps that it is of
    called: int = 0  # timed reps with a call, that it might have been of


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
    notes: tuple[Notice, ...] = ()
    own_left_db: float | None = None  # what is left of our own sound after its removal, re what was heard of it


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

    def silence(self) -> None:
        """Drop every sound handed over so far that has not sounded, and cut what sounds."""

    def health(self) -> Health:
        """Counts so far; callable at any time."""

    def close(self) -> None:
        """End the stream; never hangs, may be called twice."""


# --- What is practised ------------------------------------------------------------------------------------------

Situation = Literal["return", "baseline", "net"]
LeadInKind = Literal["none", "swing", "toss", "bounce", "rally", "count"]
FeedbackKind = Literal["each", "band", "summary", "faded", "on_request", "none"]


@dataclass(frozen=True, slots=True)
class LeadIn:
    """What announces a contact.

    Parameters
    ----------
    kind : {"none", "swing", "toss", "bounce", "rally", "count"}
        `swing`: a rising sound that ends exactly at the contact. `toss`: a soft sound at the toss's release.
        `bounce`: the ball's bounce. `rally`: the player's own contact, and the bounce in between when `bounce_s` is
        given. `count`: `ticks` evenly spaced ticks, the contact in the place of the next one.
    length_s : float
        From the first of those sounds to the contact.
    spread : float
        The length is drawn evenly from `length_s * (1 +- spread)`.
    bounce_s : float | None
        `rally` only: from the bounce to the contact.
    ticks : int
        `count` only.
    """

    kind: LeadInKind = "none"
    length_s: float = 0.0
    spread: float = 0.0
    bounce_s: float | None = None
    ticks: int = 3

    @property
    def longest_s(self) -> float:
        """Longest length that can be drawn."""
        return self.length_s * (1.0 + self.spread)


@dataclass(frozen=True, slots=True)
class Wait:
    """Wait before a rally, which does not age: `min_s` plus an exponential of mean `mean_extra_s`.

    What exceeds `max_s` is neither redrawn nor cut down; nothing comes, and the contact counts as withheld.
    """

    min_s: float
    mean_extra_s: float
    max_s: float
    word: str | None = None  # spoken where the wait begins


@dataclass(frozen=True, slots=True)
class RallyLength:
    """So many opponent's contacts, `low` to `high` evenly, drawn with this weight."""

    low: int
    high: int
    weight: float = 1.0


@dataclass(frozen=True, slots=True)
class Rhythm:
    """How far apart contacts and rallies are, and how unevenly.

    Parameters
    ----------
    interval_s : float | None
        Mean time between two contacts of a rally; None when every rally is one contact.
    jitter_cv, jitter_end_cv : float
        Standard deviation over mean of that time, at the block's first and last contact.
    rally : tuple of RallyLength
        Empty: one rally as long as the block.
    wait : Wait | None
        Before each rally, after its rest.
    rest_s : float
        Least rest after a rally.
    rest_per_work : float
        Rest after a rally as a multiple of the rally's own time, when that is more.
    """

    interval_s: float | None = None
    jitter_cv: float = 0.0
    jitter_end_cv: float = 0.0
    rally: tuple[RallyLength, ...] = ()
    wait: Wait | None = None
    rest_s: float = 0.0
    rest_per_work: float = 0.0


@dataclass(frozen=True, slots=True)
class Calls:
    """Directions after the contact.

    Parameters
    ----------
    words, weights : tuple
        As many weights as words.
    delay_low_s, delay_high_s : float
        So long after the contact, drawn evenly, the call begins; or the direction is known, where `known` says so.
    longest_run : int
        The same word comes at most so many times in a row.
    share : float
        Share of contacts that are followed by a call.
    switch_share, switch_after_s : float
        Share of calls that are taken back by another word, and how much later that begins.
    pan : bool
        "left" and "right" come from their sides on outputs with two channels.
    tones : bool
        Two tones instead of the words "left" and "right", each from its side: for players of any language.
    known : bool
        What the delays tell.
    recognised_s : tuple of float
        For each word, how long after its onset it can be no other of these; empty while nobody has looked that up.
    """

    words: tuple[str, ...]
    weights: tuple[float, ...]
    delay_low_s: float
    delay_high_s: float
    longest_run: int = 4
    share: float = 1.0
    switch_share: float = 0.0
    switch_after_s: float = 0.3
    pan: bool = False
    tones: bool = False
    known: bool = False
    recognised_s: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class Hitter:
    """Whose contact it is: its sound, and its side on outputs with two channels (-1 left .. +1 right)."""

    sound: str = "smack"
    pan: float = 0.0


@dataclass(frozen=True, slots=True)
class Speech:
    """Words spoken before a block, in its rests (one each, in turn) and after it."""

    explain: tuple[str, ...] = ()
    reminders: tuple[str, ...] = ()
    finish: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class FeedbackPlan:
    """When and about what the player is told.

    Parameters
    ----------
    kind : {"each", "band", "summary", "faded", "on_request", "none"}
        `each` timed rep; only those outside a `band`; a `summary` of several; `faded`, each rep at first and fewer
        later; `on_request` of the player alone; `none` at all, as in a test block.
    delay_s : float
        From touchdown to feedback, at least half a second. Shortened, down to that, where the next lead-in comes
        sooner.
    band_ms : float | None
        Error either side that is passed over in silence; None: the drill's window.
    summary_reps : int
        Timed reps that one summary tells about.
    spoken : bool
        Words instead of tones.
    guess_first : bool
        The player says by key whether it was early, on time or late before being told.
    reminders : bool
        Now and then a word about the feet, where nothing else is told.

    Raises
    ------
    ValueError
        When a number makes no sense.
    """

    kind: FeedbackKind = "each"
    delay_s: float = 3.0
    band_ms: float | None = None
    summary_reps: int = 5
    spoken: bool = False
    guess_first: bool = False
    reminders: bool = True

    def __post_init__(self) -> None:
        if not 0.5 <= self.delay_s < math.inf:
            raise ValueError(f"feedback delay is {self.delay_s} s, but must be at least 0.5 s")
        if self.band_ms is not None and not 0 <= self.band_ms < math.inf:
            raise ValueError(f"feedback band is {self.band_ms} ms, but must not be negative")
        if self.summary_reps < 1:
            raise ValueError(f"a feedback summary of {self.summary_reps} reps tells nothing")


@dataclass(frozen=True, slots=True)
class DrillBlock:
    """A stretch of a drill with one setting.

    `reps` counts the contacts that sound; withheld ones come on top. Instead of `reps`, `work_s` ends the block
    with the contact by whose end that time is up, in the middle of a rally or not. `opening` announces the first
    contact of each rally when that differs from the others (a serve), and `opening_window` is its window.
    `window_fixed` tells that the window was written in milliseconds, so that another level does not change it.
    """

    name: str
    mode: Mode
    level: Level
    situation: Situation
    window: Window
    window_fixed: bool
    lead_in: LeadIn
    rhythm: Rhythm
    calls: Calls | None = None
    opening: LeadIn | None = None
    opening_situation: Situation | None = None
    opening_window: Window | None = None
    hitters: tuple[Hitter, ...] = (Hitter(),)
    hitters_in_turn: bool = False  # one after the other; otherwise each contact is anybody's
    reps: int | None = None
    work_s: float | None = None
    rest_s: float = 0.0  # after the block
    warm_up: bool = False  # its reps are left out of the scores
    withheld_share: float = 0.0  # lead-in without contact, on top of the wait's own
    feedback: FeedbackPlan | None = None  # None: what suits the level
    speech: Speech = Speech()


@dataclass(frozen=True, slots=True)
class Progression:
    """When a player moves between levels inside a session.

    Of the last `reps` scored reps since the last move, at least `up_share` in the window moves one level up (narrower),
    less than `down_share` one level down (wider).
    """

    reps: int = 10
    up_share: float = 0.8
    down_share: float = 0.5


Figure = Literal[
    "constant_error_ms",
    "variable_error_ms",
    "absolute_error_ms",
    "in_window_share",
    "missed_share",
    "stagger_ms",
    "first_step_ms",
    "landing_to_step_ms",
]  # what can be compared between two sessions of a drill


@dataclass(frozen=True, slots=True)
class Drill:
    """What is practised, in order.

    `progression` None: levels stay as they are. `primary`: the one figure that the drill is about, tested before all
    others when sessions are compared.
    """

    name: str
    description: str
    blocks: tuple[DrillBlock, ...]
    progression: Progression | None = None
    primary: Figure = "constant_error_ms"
