"""The cue sheet: what was played when, in the sound file that was played. A stable contract, schema 1.

Other programs and people write sheets too, so reading asks for little (`audio`, `rate_hz`, and reps with their
contact) and ignores keys it does not know, but a key that it does know must be right.

The sheet alone says that a simulated player answered, not the recording's name, which anybody may change: rather a real
session left out of a comparison than a made-up one in it.
"""

from __future__ import annotations

import hashlib
import json
from collections import Counter
from collections.abc import Iterable
from dataclasses import asdict, dataclass, field
from itertools import pairwise
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator
from pydantic_core import PydanticCustomError

from drilltimer.errors import SheetError
from drilltimer.model import DISTANCES, INT64, MOST_COUNTED, RANGES, Mode, Placement, Rep, Role, Window
from drilltimer.units import ms_from_s

SCHEMA = 1
MAX_FAULTS = 10
MAX_REPS = 10_000
LEAST_APART_S = 0.2  # contacts; a drill has more than twice that between them
MAX_NAME = 1000  # characters of a drill's name, a call, a file's name
NAMES_A_FILE = r"^[^\x00]*$"
CODE_DIGITS = 6  # hexadecimal: 24 bits, as many as a signature carries


@dataclass(frozen=True, slots=True)
class SheetCue:
    """A sound in the audio file. `at_s` is its *first sample*, in seconds from the file's start.

    `known_s`, of a call: so long after that sample the direction is known.
    """

    role: Role
    sound: str
    at_s: float
    length_s: float | None = None
    pan: float = 0.0
    gain_db: float = 0.0
    known_s: float | None = None


@dataclass(frozen=True, slots=True)
class SheetRep:
    """A rep. `contact_s` is where a withheld contact would have begun; None where the writer did not say."""

    rep: int
    start_s: float
    withheld: bool
    call: str | None
    cues: tuple[SheetCue, ...]
    contact_s: float | None = None
    mode: Mode = "predictive"
    window: Window | None = None  # None: the sheet's
    warm_up: bool = False


@dataclass(frozen=True, slots=True)
class SheetSignature:
    """The sheet's code, as six hexadecimal digits, and when in the audio file it is told in sound."""

    code: str
    at_s: float


@dataclass(frozen=True, slots=True)
class CueSheet:
    """What was played when.

    Parameters
    ----------
    audio : str
        Name of the sound file, relative to the sheet.
    rate_hz : int
        Of that file.
    window : Window | None
        None where a writer left it to the scorer.
    signature : SheetSignature | None
        None where the sound has none.
    simulated : bool
        Whether a simulated player answered: what was recorded with this sheet tells of nobody.
    session : str
        Uid of the session that this was played in, where one was to be kept: its recording is no other practice.
    """

    audio: str
    rate_hz: int
    reps: tuple[SheetRep, ...]
    drill: str = ""
    seed: int | None = None
    placement: Placement = field(default_factory=Placement)
    window: Window | None = None
    schema: int = SCHEMA
    signature: SheetSignature | None = None
    simulated: bool = False
    session: str = ""


def contact_cue(rep: SheetRep) -> SheetCue | None:
    """Give the rep's contact cue; None when it was withheld."""
    return next((cue for cue in rep.cues if cue.role == "contact"), None)


def code_of_reps(drill: str, reps: Iterable[Rep]) -> int:
    """Code of 24 bits that tells one laid-out drill from another: from its name, and every cue to the millisecond."""
    told = [(rep.index, [(cue.sound, round(1e3 * (rep.start_s + cue.at_s))) for cue in rep.cues]) for rep in reps]
    digest = hashlib.sha256(json.dumps([drill, told]).encode()).hexdigest()
    return int(digest[:CODE_DIGITS], 16)


def sheet_from_json(text: str, file: str) -> CueSheet:
    """Read a cue sheet.

    Parameters
    ----------
    file : str
        Name to use in messages.

    Raises
    ------
    SheetError
        With the path of every fault, such as `reps[3].cues[0].at_s`.
    """
    try:
        value = json.loads(text)
    except json.JSONDecodeError as error:
        what = f"{file}:{error.lineno}:{error.colno}: not valid JSON: {error.msg}"
        raise SheetError(what, fix="Mend that place, or write the sheet anew with `drilltimer render`.") from None
    except (RecursionError, ValueError) as error:  # nested too deep, or a number of thousands of digits
        raise SheetError(f"{file}: not a cue sheet: {type(error).__name__} while reading it") from None
    try:
        form = SheetForm.model_validate(value)
    except ValidationError as error:
        raise _refusal(file, error) from None
    return _sheet(form)


def sheet_to_json(sheet: CueSheet) -> str:
    """Write a cue sheet as JSON that `sheet_from_json` reads back unchanged."""
    value = asdict(sheet)
    value = {"schema": value.pop("schema"), **value}
    value["placement"] = sheet.placement.known()
    if value["signature"] is None:
        del value["signature"]
    for name in ("simulated", "session"):
        if not value[name]:
            del value[name]
    reps = [_without_defaults(rep) for rep in value.pop("reps")]
    return json.dumps({**value, "reps": reps}, indent=1, allow_nan=False, ensure_ascii=False) + "\n"


def _without_defaults(rep: dict[str, Any]) -> dict[str, Any]:
    """Leave out what is optional and says nothing."""
    for key in ("contact_s", "window"):
        if rep[key] is None:
            del rep[key]
    if not rep["warm_up"]:
        del rep["warm_up"]
    rep["cues"] = [
        {key: value for key, value in cue.items() if key not in _CUE_DEFAULTS or value != _CUE_DEFAULTS[key]}
        for cue in rep["cues"]
    ]
    return rep


_CUE_DEFAULTS = {"length_s": None, "pan": 0.0, "gain_db": 0.0, "known_s": None}


class _Form(BaseModel):
    model_config = ConfigDict(extra="ignore", strict=True, frozen=True, allow_inf_nan=False)


_Time = Annotated[float, Field(ge=0.0, le=86_400.0)]
_Distance = Annotated[float, Field(ge=RANGES["m"][0], le=RANGES["m"][1])]
_Ms = Annotated[float, Field(ge=RANGES["ms"][0], le=RANGES["ms"][1])]
_Name = Annotated[str, Field(max_length=MAX_NAME)]


class _WindowForm(_Form):
    """Touchdown after contact that counts as on time, both ends included."""

    open_ms: _Ms
    centre_ms: _Ms
    close_ms: _Ms

    @model_validator(mode="after")
    def _check(self) -> _WindowForm:
        if not self.open_ms <= self.centre_ms <= self.close_ms:
            raise PydanticCustomError("sheet", "expected open_ms <= centre_ms <= close_ms")
        return self


class _PlacementForm(_Form):
    """Distances along the sound's way and air temperature. A distance that is left out is not known."""

    speaker_to_player_m: _Distance = 0.0
    player_to_mic_m: _Distance = 0.0
    speaker_to_mic_m: _Distance = 0.0
    air_c: Annotated[float, Field(ge=RANGES["c"][0], le=RANGES["c"][1])] = 20.0


class _SignatureForm(_Form):
    """The sheet's code, told in sound before the first rep."""

    code: Annotated[str, Field(pattern=f"^[0-9a-f]{{{CODE_DIGITS}}}$")]
    at_s: _Time = Field(description="first sample of the signature in the audio file")


class _CueForm(_Form):
    """A sound in the audio file."""

    role: Role
    sound: _Name = ""
    at_s: _Time = Field(description="first sample of the sound in the audio file")
    length_s: Annotated[float, Field(gt=0.0, le=60.0)] | None = None
    pan: Annotated[float, Field(ge=-1.0, le=1.0)] = 0.0
    gain_db: Annotated[float, Field(ge=-120.0, le=60.0)] = 0.0
    known_s: Annotated[float, Field(ge=0.0, le=60.0)] | None = Field(
        default=None, description="of a call: so long after its first sample the direction is known"
    )


class _RepForm(_Form):
    """One contact to recovery."""

    rep: Annotated[int, Field(ge=0, le=MOST_COUNTED)] | None = None
    start_s: _Time | None = None
    withheld: bool = False
    call: _Name | None = None
    cues: Annotated[list[_CueForm], Field(max_length=100)] = Field(default_factory=list)
    contact_s: _Time | None = Field(default=None, description="where a withheld contact would have begun")
    mode: Mode = "predictive"
    window: _WindowForm | None = None
    warm_up: bool = Field(default=False, description="left out of the scores")

    @model_validator(mode="after")
    def _check(self) -> _RepForm:
        contacts = sum(cue.role == "contact" for cue in self.cues)
        if self.withheld and contacts:
            raise PydanticCustomError("sheet", "a withheld rep has no contact cue")
        if not self.withheld and contacts != 1:
            message = "expected exactly one cue with the role contact, or withheld: true; got {contacts}"
            raise PydanticCustomError("sheet", message, {"contacts": contacts})
        return self


class SheetForm(_Form):
    """Cue sheet: what was played when, in the sound file that was played."""

    model_config = ConfigDict(title="drilltimer cue sheet")

    schema_: Literal[1] = Field(default=1, alias="schema")
    audio: Annotated[_Name, Field(min_length=1, pattern=NAMES_A_FILE)] = Field(
        description="the sound that was played, relative to the sheet"
    )
    rate_hz: Annotated[int, Field(ge=4000, le=768_000)]
    drill: _Name = ""
    seed: Annotated[int, Field(ge=INT64[0], le=INT64[1])] | None = None
    placement: _PlacementForm | None = None
    window: _WindowForm | None = None
    signature: _SignatureForm | None = None
    simulated: bool = Field(default=False, description="answered by a simulated player, in a simulated room")
    session: Annotated[str, Field(pattern="^[0-9a-f]{32}$")] | None = Field(
        default=None, description="the session that it was played in, by its uid in the history"
    )
    reps: Annotated[list[_RepForm], Field(min_length=1, max_length=MAX_REPS)]

    @model_validator(mode="after")
    def _check(self) -> SheetForm:
        numbers = Counter(index if rep.rep is None else rep.rep for index, rep in enumerate(self.reps))
        number, times = numbers.most_common(1)[0]
        if times > 1:
            raise PydanticCustomError("sheet", "rep {number} stands {times} times", {"number": number, "times": times})
        self._check_apart()
        return self

    def _check_apart(self) -> None:
        """See that no two contacts sound at once: nobody could answer them, and no ear tell them apart."""
        placed = sorted((at_s, index) for index, rep in enumerate(self.reps) if (at_s := _contact_s(rep)) is not None)
        for (first_s, first), (second_s, second) in pairwise(placed):
            if second_s - first_s < LEAST_APART_S - 1e-6:
                message = (
                    "the contacts of reps[{first}] and reps[{second}] are less than {apart_ms} ms apart, at {at_s} s"
                )
                apart_ms = round(ms_from_s(LEAST_APART_S))
                told = {"first": first, "second": second, "apart_ms": apart_ms, "at_s": first_s}
                raise PydanticCustomError("sheet", message, told)


def _contact_s(form: _RepForm) -> float | None:
    """When a rep's contact sounds, or would have."""
    return next((cue.at_s for cue in form.cues if cue.role == "contact"), form.contact_s)


def _sheet(form: SheetForm) -> CueSheet:
    told = form.placement.model_dump(exclude_unset=True) if form.placement else {}
    return CueSheet(
        audio=form.audio,
        rate_hz=form.rate_hz,
        reps=tuple(_rep(index, rep) for index, rep in enumerate(form.reps)),
        drill=form.drill,
        seed=form.seed,
        placement=Placement(**told, unknown=frozenset(DISTANCES) - told.keys()),
        window=_window(form.window),
        schema=form.schema_,
        signature=SheetSignature(**form.signature.model_dump()) if form.signature else None,
        simulated=form.simulated,
        session=form.session or "",
    )


def _rep(index: int, form: _RepForm) -> SheetRep:
    cues = tuple(SheetCue(**cue.model_dump()) for cue in form.cues)
    times_s = [cue.at_s for cue in cues] + ([] if form.contact_s is None else [form.contact_s])
    return SheetRep(
        rep=index if form.rep is None else form.rep,
        start_s=form.start_s if form.start_s is not None else min(times_s, default=0.0),
        withheld=form.withheld,
        call=form.call,
        cues=cues,
        contact_s=form.contact_s,
        mode=form.mode,
        window=_window(form.window),
        warm_up=form.warm_up,
    )


def _window(form: _WindowForm | None) -> Window | None:
    return Window(**form.model_dump()) if form else None


def _refusal(file: str, error: ValidationError) -> SheetError:
    faults = error.errors(include_url=False)
    lines = [f"{file}: not a cue sheet that can be scored"]
    for fault in faults[:MAX_FAULTS]:
        lines.append(f"  {_dotted(fault['loc'])}: {fault['msg'].replace('Input should', 'should')}")
    if len(faults) > MAX_FAULTS:
        lines.append(f"  ... and {len(faults) - MAX_FAULTS} more")
    schema = "drilltimer/recordings/cuesheet.schema.json"
    fix = f"A sheet needs audio, rate_hz and reps, each with one contact cue: see {schema}."
    return SheetError("\n".join(lines), fix=fix)


def _dotted(loc: tuple[int | str, ...]) -> str:
    text = ""
    for part in loc:
        text += f"[{part}]" if isinstance(part, int) else f".{part}" if text else part
    return text or "the sheet"
