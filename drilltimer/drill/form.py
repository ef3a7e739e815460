"""The keys of a drill file: types, ranges, defaults and the checks within one mapping.

Every key of a block may also stand at the top, where it is the default of all blocks. Docstrings and `description`
texts end up in the JSON Schema that editors show.
"""

from __future__ import annotations

import re
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, WithJsonSchema, model_validator
from pydantic_core import PydanticCustomError

from drilltimer.model import FeedbackKind, Figure, LeadInKind, Level, Mode, Situation

MAX_REPS = 1000
MAX_BLOCKS = 50
MAX_WORDS = 30
# names that are rendered sounds and so cannot be spoken words
RENDERED_SOUNDS = ("smack", "tock", "swing", "toss", "bounce", "racket", "tick")
WORD_PATTERN = r"^[a-z][a-z0-9]*([ _-][a-z0-9]+)*$"
_CLOCK = re.compile(r"(?P<m>\d{1,3}):(?P<s>[0-5]\d(?:\.\d+)?)")
_UNITS = re.compile(r"(?:(?P<m>\d{1,4})\s*m)?\s*(?:(?P<s>\d+(?:\.\d+)?)\s*s)?")
_MILLISECONDS = re.compile(r"(\d+(?:\.\d+)?)\s*ms")


def seconds_from_text(value: Any) -> Any:
    """Seconds in a duration written as "90s", "1m30s", "1:30" or "950ms"; anything else comes back as it is.

    Raises
    ------
    PydanticCustomError
        For a text that is none of these.
    """
    if not isinstance(value, str):
        return value
    text = value.strip()
    if match := _MILLISECONDS.fullmatch(text):
        return float(match[1]) / 1000.0
    match = _CLOCK.fullmatch(text) or _UNITS.fullmatch(text)
    if match is None or not (match["m"] or match["s"]):
        raise PydanticCustomError("duration", "expected seconds, such as 0.95, or a text such as 90s, 1m30s or 1:30")
    return 60.0 * int(match["m"] or 0) + float(match["s"] or 0.0)


def check_printable(text: str) -> str:
    """No control characters: a name must not steer the terminal that shows it."""
    if not text.replace("\n", "").isprintable():
        raise PydanticCustomError("text", "expected a text without control characters")
    return text


def check_name(text: str) -> str:
    """In one line, and something to read: names stand in lists, titles and tables."""
    if not text.isprintable():
        raise PydanticCustomError("name", "expected a name in one line, without tabs and control characters")
    if not text.strip():
        raise PydanticCustomError("name", "expected a name, not blanks alone")
    return text


_AsSeconds = BeforeValidator(seconds_from_text)
_DURATION_SCHEMA = WithJsonSchema(
    {"anyOf": [{"type": "number", "minimum": 0}, {"type": "string"}], "description": 'seconds, or "1m30s", "1:30"'}
)
Seconds = Annotated[float, _AsSeconds, Field(ge=0.0, le=3600.0, allow_inf_nan=False), _DURATION_SCHEMA]
Share = Annotated[float, Field(ge=0.0, le=1.0, allow_inf_nan=False)]
Cv = Annotated[float, Field(ge=0.0, le=1.0, allow_inf_nan=False)]
Ms = Annotated[float, Field(ge=-300.0, le=700.0, allow_inf_nan=False)]
Side = Annotated[float, Field(ge=-1.0, le=1.0, allow_inf_nan=False)]
Weight = Annotated[float, Field(gt=0.0, le=1e6, allow_inf_nan=False)]
Word = Annotated[str, Field(pattern=WORD_PATTERN, max_length=40)]
Name = Annotated[str, Field(min_length=1, max_length=60), AfterValidator(check_name)]
Words = Annotated[list[Word], Field(max_length=MAX_WORDS)]


def fault(key: str, message: str) -> PydanticCustomError:
    """Make a fault that belongs to one key of a mapping; the loader points at that key's line."""
    return PydanticCustomError("drill", "{message}", {"message": message, "key": key})


class Form(BaseModel):
    """Strict: no unknown keys, no text taken for a number."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


def rally_bounds(text: str) -> tuple[int, int]:
    """Lowest and highest length in "3" or "5-8"; (0, 0) for anything else."""
    match = re.fullmatch(r"([0-9]{1,3})(?:-([0-9]{1,3}))?", text)
    return (int(match[1]), int(match[2] or match[1])) if match else (0, 0)


def _check_rallies(rallies: dict[str, float]) -> dict[str, float]:
    for text in rallies:
        low, high = rally_bounds(text)
        if not 1 <= low <= high <= 100:
            message = "{text} is not a rally length: expected 3, or 5-8, up to 100"
            raise PydanticCustomError("rally", message, {"text": repr(text)})
    return rallies


def _check_call_words(words: list[str] | dict[str, float]) -> list[str] | dict[str, float]:
    if isinstance(words, list) and len(set(words)) < len(words):
        raise PydanticCustomError("words", "a word stands here twice: give it a weight, such as {left: 2, right: 1}")
    for word in words:
        if word in RENDERED_SOUNDS:
            message = "{word} is a sound of its own and cannot be a spoken word"
            raise PydanticCustomError("words", message, {"word": repr(word)})
    if "right" in words and "late" in words:
        raise PydanticCustomError("words", '"late" is misheard as "right": use another word')
    return words


Rallies = Annotated[dict[str, Weight], Field(min_length=1, max_length=MAX_WORDS), AfterValidator(_check_rallies)]
CallWords = Annotated[
    Annotated[list[Word], Field(min_length=1, max_length=MAX_WORDS)]
    | Annotated[dict[Word, Weight], Field(min_length=1, max_length=MAX_WORDS)],
    AfterValidator(_check_call_words),
]


class LeadInForm(Form):
    """What announces the contact."""

    kind: LeadInKind = Field(description="none, swing, toss, bounce, rally (own contact first) or count (ticks)")
    length_s: Seconds = Field(default=0.0, description="from its first sound to the contact")
    spread: Annotated[float, Field(ge=0.0, le=0.5)] = Field(default=0.0, description="drawn within +- this share")
    bounce_s: Seconds | None = Field(default=None, description="rally only: from the bounce to the contact")
    ticks: Annotated[int, Field(ge=1, le=8)] = Field(default=3, description="count only")

    @model_validator(mode="after")
    def _check(self) -> LeadInForm:
        if self.kind == "none":
            if self.length_s:
                raise fault("length_s", "a lead-in of kind none has no length")
            return self
        most_s = 3.0 if self.kind == "swing" else 10.0
        if not self.length_s >= 0.1 or self.length_s * (1.0 + self.spread) > most_s:
            raise fault("length_s", f"a {self.kind} lead-in lasts 0.1 to {most_s:g} s, its spread included")
        if self.bounce_s is not None and self.kind != "rally":
            raise fault("bounce_s", "only a rally lead-in has a bounce of its own")
        if self.bounce_s is not None and not 0.05 <= self.bounce_s < self.length_s:
            raise fault("bounce_s", f"the bounce comes between 0.05 s and {self.length_s:g} s before the contact")
        return self


class OpeningForm(LeadInForm):
    """Lead-in of a rally's first contact, when it differs from the others; with its own situation."""

    situation: Situation | None = None


class WaitForm(Form):
    """Wait before a rally: min_s plus an exponential; beyond max_s nothing comes."""

    min_s: Annotated[Seconds, Field(ge=0.2, le=60.0)]
    mean_extra_s: Annotated[Seconds, Field(ge=0.05, le=60.0)] = Field(description="mean of the exponential part")
    max_s: Annotated[Seconds, Field(le=120.0)]
    word: Word | None = Field(default=None, description="spoken where the wait begins, such as ready")

    @model_validator(mode="after")
    def _check(self) -> WaitForm:
        # exp(-(max - min)/mean) is the share of waits in which nothing comes: half of them is too much for practice
        least_s = self.min_s + 0.7 * self.mean_extra_s
        if self.max_s < least_s:
            raise fault("max_s", f"more than half of the waits would come to nothing: at least {least_s:g} s")
        return self


class RhythmForm(Form):
    """When contacts come."""

    interval_s: Annotated[Seconds, Field(ge=0.5, le=60.0)] | None = Field(
        default=None, description="mean time from one contact to the next within a rally"
    )
    jitter_cv: Cv = Field(default=0.0, description="standard deviation over mean of that time")
    jitter_end_cv: Cv | None = Field(default=None, description="the same at the end of the block; grows in between")
    rally: Annotated[int, Field(ge=1, le=100)] | Rallies | None = Field(
        default=None, description='contacts in a rally: a number, or weights such as {"1": 40, "2-3": 60}'
    )
    wait: WaitForm | None = None
    rest_s: Seconds = Field(default=0.0, description="rest after each rally")
    rest_per_work: Annotated[float, Field(ge=0.0, le=20.0)] = Field(default=0.0, description="rest >= this x work")

    @model_validator(mode="after")
    def _check(self) -> RhythmForm:
        if self.rally is None and self.interval_s and (self.rest_s or self.rest_per_work):
            raise fault("rest_s" if self.rest_s else "rest_per_work", "rests come between rallies: give rally too")
        return self


Delay = (
    Annotated[Seconds, Field(le=2.0)]
    | Annotated[list[Annotated[Seconds, Field(le=2.0)]], Field(min_length=2, max_length=2)]
)


class CallsForm(Form):
    """Directions after the contact."""

    words: CallWords = Field(description="a list, or words with their weights")
    known_at_s: Delay | None = Field(
        default=None, description="from the contact to where the direction is known: a number, or [shortest, longest]"
    )
    delay_s: Delay | None = Field(default=None, description="instead: from the contact to the beginning of the call")
    # With two words, whoever always bets on the likeliest one is right 58 % of the time at 3, 54 % at 4 (measured over
    # 1500 series of 40 calls, tests/drill/test_shuffle.py): the shorter the runs, the more a change is due.
    longest_run: Annotated[int, Field(ge=1, le=20)] = Field(default=4, description="same word at most so often")
    share: Share = Field(default=1.0, description="share of contacts that are followed by a call")
    switch_share: Share = Field(default=0.0, description="share of calls that another word takes back")
    switch_after_s: Annotated[Seconds, Field(ge=0.2, le=1.0)] = 0.3
    pan: bool = Field(default=False, description="left and right from their sides, on stereo speakers")
    tones: bool = Field(default=False, description="tones from the sides of stereo speakers instead of left and right")

    @model_validator(mode="after")
    def _check(self) -> CallsForm:
        words = list(self.words)
        weights = list(self.words.values()) if isinstance(self.words, dict) else [1.0] * len(words)
        heaviest = max(weights) / sum(weights)
        if len(words) > 1 and heaviest > self.longest_run / (self.longest_run + 1):
            raise fault("longest_run", f"a word with {heaviest:.0%} of the calls needs longer runs than that")
        if self.delay_s is not None and self.known_at_s is not None:
            raise fault("delay_s", "give known_at_s or delay_s, one of the two")
        for key, delay_s in (("delay_s", self.delay_s), ("known_at_s", self.known_at_s)):
            if isinstance(delay_s, list) and delay_s[0] > delay_s[1]:
                raise fault(key, "expected [shortest, longest]")
        if self.tones and not set(words) <= {"left", "right"}:
            raise fault("tones", "only left and right have tones: leave out the other words, or the tones")
        if self.switch_share and len(words) < 2:
            raise fault("switch_share", "a call can only be switched to another word: give two words or more")
        return self


class WindowForm(Form):
    """Target window in milliseconds after the contact, when level and situation should not decide."""

    open_ms: Ms
    centre_ms: Ms | None = None
    close_ms: Ms

    @model_validator(mode="after")
    def _check(self) -> WindowForm:
        if not self.open_ms < self.close_ms:
            raise fault("close_ms", "the window closes before it opens")
        if self.centre_ms is not None and not self.open_ms <= self.centre_ms <= self.close_ms:
            raise fault("centre_ms", f"expected {self.open_ms:g} to {self.close_ms:g}")
        return self


class HitterForm(Form):
    """One hitter's contact sound and side."""

    sound: Literal["smack", "tock"] = "smack"
    pan: Side = Field(default=0.0, description="-1 left .. +1 right")


class SpeechForm(Form):
    """Words spoken around the work."""

    explain: Words = Field(default_factory=list, description="before the block")
    reminders: Words = Field(default_factory=list, description="one in each rest, in turn")
    finish: Words = Field(default_factory=list, description="after the block")


class FeedbackForm(Form):
    """When the player is told."""

    kind: FeedbackKind
    delay_s: Annotated[Seconds, Field(ge=0.5, le=10.0)] = Field(default=3.0, description="after the touchdown")
    band_ms: Annotated[float, Field(ge=0.0, le=500.0)] | None = Field(default=None, description="silent within +- this")
    summary_reps: Annotated[int, Field(ge=1, le=50)] = Field(default=5, description="summary only")
    spoken: bool = Field(default=False, description="words instead of tones")
    guess_first: bool = Field(default=False, description="the player says by key early or late before being told")
    reminders: bool = Field(default=True, description="now and then a word about the feet")


class ProgressionForm(Form):
    """When a player moves between levels inside a session."""

    reps: Annotated[int, Field(ge=5, le=50)] = Field(default=10, description="scored reps that are looked back on")
    up_share: Share = Field(default=0.8, description="at least this share in the window: one level up, narrower")
    down_share: Share = Field(default=0.5, description="less than this share in the window: one level down, wider")

    @model_validator(mode="after")
    def _check(self) -> ProgressionForm:
        if not self.down_share < self.up_share:
            raise fault("down_share", f"expected less than up_share, {self.up_share:g}: a player would go to and fro")
        return self


class BlockForm(Form):
    """Settings of a block."""

    mode: Mode | None = Field(default=None, description="predictive with a lead-in, reactive without")
    level: Level = "club"
    situation: Situation = "baseline"
    window: WindowForm | None = None
    lead_in: LeadInForm | None = None
    opening: OpeningForm | None = None
    rhythm: RhythmForm | None = None
    calls: CallsForm | None = None
    hitters: Annotated[list[HitterForm], Field(min_length=1, max_length=8)] | None = None
    hitters_in_turn: bool = Field(default=False, description="hitters take turns; otherwise each contact is anybody's")
    reps: Annotated[int, Field(ge=1, le=MAX_REPS)] | None = Field(default=None, description="contacts that sound")
    work_s: Annotated[Seconds, Field(ge=1.0)] | None = Field(default=None, description="instead of reps")
    rest_s: Seconds = Field(default=0.0, description="after the block")
    warm_up: bool = Field(default=False, description="its reps are left out of the scores")
    withheld_share: Annotated[float, Field(ge=0.0, le=0.5)] = Field(default=0.0, description="lead-in, no contact")
    feedback: FeedbackForm | None = Field(default=None, description="what suits the level, when left out")
    speech: SpeechForm | None = None


class NamedBlockForm(BlockForm):
    """One block; what it does not say, the top of the file does."""

    name: Name | None = None


class DrillForm(BlockForm):
    """A drill file."""

    name: Name
    description: Annotated[str, Field(max_length=2000), AfterValidator(check_printable)] = ""
    progression: ProgressionForm | None = Field(default=None, description="levels change inside the session, by rule")
    primary: Figure = Field(default="constant_error_ms", description="figure that comparing sessions is about")
    blocks: Annotated[list[NamedBlockForm], Field(min_length=1, max_length=MAX_BLOCKS)] | None = None
