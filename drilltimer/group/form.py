"""The keys of a group plan: types, ranges, defaults and the checks within one mapping."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import AfterValidator, BeforeValidator, Field, model_validator

from drilltimer.drill.form import Form, Name, Seconds, check_printable, fault, seconds_from_text
from drilltimer.group.plan import CHANGE_S, MAX_PLAYERS, ROUND_REST_S, ROUNDS, TIME_LIMIT_S, WORK_S, Side
from drilltimer.model import Level

MAX_STATIONS = 12
MAX_WARM_UP = 30
MAX_CHANNELS = 32
LEAST_CHANGE_S = 4.0  # "three, two, one, go" must find room
LEAST_WORK_S = 5.0

Metres = Annotated[float, Field(ge=0.0, le=60.0, allow_inf_nan=False)]
Channel = Annotated[int, Field(ge=1, le=MAX_CHANNELS)]
Work = Annotated[Seconds, Field(ge=LEAST_WORK_S)]
Change = Annotated[Seconds, Field(ge=LEAST_CHANGE_S, le=600.0)]
Booking = Annotated[float, BeforeValidator(seconds_from_text), Field(ge=60.0, le=4 * 3600.0, allow_inf_nan=False)]
Number = Annotated[int, Field(ge=1, le=999)]


class PlaceForm(Form):
    """Who stands where, in metres along the sound's way."""

    speaker_m: Metres = Field(default=3.0, description="from the loudspeaker to the player")
    microphone_m: Metres = Field(default=3.0, description="from the player's feet to the microphone")
    speaker_to_microphone_m: Metres = Field(default=0.3, description="from the loudspeaker to the microphone")


class PlayerForm(Form):
    """One player with more than a name."""

    name: Name | Number
    level: Level | None = Field(default=None, description="whose windows judge this player")
    child: bool = False
    arrives_s: Seconds | None = Field(default=None, description="a latecomer: from the plan's start")
    leaves_s: Seconds | None = Field(default=None, description="a leaver: from the plan's start")

    @model_validator(mode="after")
    def _check(self) -> PlayerForm:
        if self.arrives_s is not None and self.leaves_s is not None and not self.arrives_s < self.leaves_s:
            raise fault("leaves_s", "leaves before arriving")
        return self


class StationForm(Form):
    """A place to work at: a drill or a plain exercise."""

    name: Name | None = None
    drill: Name | None = Field(default=None, description="name of the drill whose contacts are answered here")
    exercise: Name | None = Field(default=None, description="what is done here instead, in your words")
    microphone: Channel | None = Field(default=None, description="input channel that hears the feet here")
    turns: bool = Field(default=True, description="one player at a time is scored; false: all at once, as a group")
    side: Side | None = Field(default=None, description="left or right loudspeaker; contacts then alternate")
    place: PlaceForm | None = Field(default=None, description="distances; the plan's, when left out")

    @model_validator(mode="after")
    def _check(self) -> StationForm:
        if (self.drill is None) == (self.exercise is None):
            raise fault("drill", "give a drill or an exercise, one of the two")
        if self.drill is None and (self.microphone is not None or self.side is not None):
            key = "microphone" if self.microphone is not None else "side"
            raise fault(key, "only a station with a drill is heard: leave it out, or give a drill")
        if self.microphone is None and not self.turns:
            raise fault("turns", "nobody is heard here: give a microphone, or leave turns out")
        return self


class WarmUpForm(Form):
    """A block that all do together."""

    movement: Name | None = Field(default=None, description="such as jog or side shuffle")
    drill: Name | None = Field(default=None, description="a drill whose contacts all answer")
    work_s: Work = Field(description="how long")
    rest_s: Change = Field(default=10.0, description="before it")
    landings_per_min: Annotated[float, Field(ge=0.0, le=300.0)] = Field(default=0.0, description="of a movement")

    @model_validator(mode="after")
    def _check(self) -> WarmUpForm:
        if (self.movement is None) == (self.drill is None):
            raise fault("movement", "give a movement or a drill, one of the two")
        if self.drill is not None and self.landings_per_min:
            raise fault("landings_per_min", "a drill's own contacts are counted: leave this out")
        return self


Row = Annotated[list[Annotated[int, Field(ge=0, le=MAX_STATIONS)]], Field(min_length=1, max_length=MAX_PLAYERS)]
Players = (
    Annotated[int, Field(ge=1, le=MAX_PLAYERS)]
    | Annotated[list[Name | Number | PlayerForm], Field(min_length=1, max_length=MAX_PLAYERS)]
)


class GroupForm(Form):
    """A group plan."""

    name: Name
    description: Annotated[str, Field(max_length=2000), AfterValidator(check_printable)] = ""
    players: Players = Field(description="how many, or a list of names or numbers")
    level: Level | None = Field(default=None, description="of all who have none of their own")
    children: bool = Field(default=False, description="all players are children")
    pairs: bool = Field(default=False, description="neighbours in the list stay together")
    warm_up: Annotated[list[WarmUpForm], Field(min_length=1, max_length=MAX_WARM_UP)] | None = None
    stations: Annotated[list[StationForm], Field(min_length=1, max_length=MAX_STATIONS)] | None = None
    places: Annotated[int, Field(ge=1, le=MAX_PLAYERS)] | None = Field(default=None, description="at a station at once")
    work_s: Work = WORK_S
    change_s: Change = CHANGE_S
    round_rest_s: Change = ROUND_REST_S
    rounds: Annotated[int, Field(ge=1, le=20)] = ROUNDS
    rotation: Literal["in order"] | Annotated[list[Row], Field(min_length=1, max_length=60)] = Field(
        default="in order", description="or rows of station numbers, one number per squad; 0 rests"
    )
    time_limit_s: Booking = Field(default=TIME_LIMIT_S, description="of the booking")
    microphone: Channel | None = Field(default=1, description="hears the whole group in warm-up drills; null: none")
    place: PlaceForm | None = None
    lane_gap_m: Annotated[float, Field(ge=1.0, le=40.0)] = Field(default=3.0, description="from lane to lane")
