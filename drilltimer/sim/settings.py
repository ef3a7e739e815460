"""What a simulated room is like: walls, floor, noise, neighbours, microphone and sound card, all in one record."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from drilltimer.model import Placement

Microphone = Literal["flat", "laptop", "phone", "usb"]
Surface = Literal["hard", "wood", "clay", "mat"]
Noise = Literal["pink", "rumble", "wind", "crowd"]
Kind = Literal["strike", "bounce", "clap", "voice", "step", "landing", "cue"]

KINDS: tuple[Kind, ...] = ("strike", "bounce", "clap", "voice", "step", "landing")
NEAR = Placement(speaker_to_player_m=3.0, player_to_mic_m=3.0, speaker_to_mic_m=0.5, air_c=20.0)


@dataclass(frozen=True, slots=True)
class RoomSettings:
    """Everything that decides what the microphone gets.

    Parameters
    ----------
    size_m : tuple of float, optional
        Length, width, height of a shoebox; None is outdoors, where only the floor reflects.
    rt60_s : float
        Reverberation time below 2 kHz; treble dies away faster.
    surface : Surface
        Floor under the player's feet.
    noise : tuple of (Noise, float)
        Kinds of background noise, each with its share of the noise power.
    snr_db : float
        Peak of the median landing over the noise's RMS, both in 40-4000 Hz at the microphone.
    landing_db, loudspeaker_db : float
        At the microphone, re full scale: peak of the median landing in 40-4000 Hz, and what a full-scale sample
        becomes on the direct way.
    loudspeaker_hz : float
        Second-order high-pass of the loudspeaker; 0 for none.
    distractors_per_min : float
        Sounds that are no landing of this player.
    distractor_kinds : tuple of Kind
        "cue" is this drill's own contact cue, played on the next court; none comes before the first of our own.
    input_channels : int
        Microphones; each further one stands `microphone_gap_m` further from loudspeaker and player.
    round_trip_s : float
        From the frame that plays a sound to the frame that hears it, without the air between.
    clock_ppm : float
        By how much the microphone's clock runs faster than the loudspeaker's.
    lost_per_min : float
        How often the sound card loses `lost_frames` frames, in both directions.
    lost_flagged : bool
        Whether it admits to it.
    input_gain_db : float
        Recording level; what exceeds full scale is clipped.
    gain_control : bool
        Automatic gain control, as laptops have it.
    """

    name: str = "quiet"
    size_m: tuple[float, float, float] | None = (8.0, 6.0, 3.0)
    rt60_s: float = 0.4
    surface: Surface = "hard"
    noise: tuple[tuple[Noise, float], ...] = (("pink", 1.0),)
    snr_db: float = 36.0
    landing_db: float = -26.0
    loudspeaker_db: float = -12.0
    loudspeaker_hz: float = 180.0
    microphone: Microphone = "laptop"
    distractors_per_min: float = 0.0
    distractor_kinds: tuple[Kind, ...] = KINDS
    placement: Placement = field(default=NEAR)
    input_channels: int = 1
    microphone_gap_m: float = 0.4
    round_trip_s: float = 0.15
    clock_ppm: float = 0.0
    lost_per_min: float = 0.0
    lost_frames: int = 512
    lost_flagged: bool = True
    input_gain_db: float = 0.0
    gain_control: bool = False


# Sizes and reverberation times of halls lie in the usual ranges for sports halls (1.25-2.4 s, suppliers' guidance);
# the squash court is the standard singles court, its 2 s measured nowhere by us. Noise levels are our choice.
PRESETS: dict[str, RoomSettings] = {
    room.name: room
    for room in (
        RoomSettings(),
        RoomSettings("dry", size_m=None, snr_db=20.0),
        RoomSettings(
            "hall", (20.0, 12.0, 8.0), 1.5, "wood", (("pink", 0.7), ("rumble", 0.3)), 24.0, distractors_per_min=4.0
        ),
        RoomSettings("court", None, 0.0, "hard", (("pink", 0.8), ("wind", 0.2)), 26.0, distractors_per_min=4.0),
        RoomSettings("squash", (9.75, 6.4, 5.64), 2.0, "wood", (("pink", 0.5), ("rumble", 0.5)), 28.0),
        RoomSettings("windy", None, 0.0, "clay", (("wind", 0.8), ("pink", 0.2)), 16.0, distractors_per_min=2.0),
        RoomSettings(
            "club",
            (30.0, 18.0, 9.0),
            1.8,
            "hard",
            (("crowd", 0.7), ("pink", 0.3)),
            14.0,
            microphone="phone",
            distractors_per_min=12.0,
            distractor_kinds=(*KINDS, "cue"),
        ),
    )
}
