"""How a sound gets from one point to another: direct sound, walls, tail; and what loudspeaker and microphone do to it.

Early reflections are image sources in a shoebox (Allen & Berkley 1979, JASA 65:943-950, from memory), each at its
exact fractional delay. Later ones are noise with the energy that the images would have: 4*pi*c/V per second for a
source whose direct sound is 1 at 1 m (density of image sources, Kuttruff, Room Acoustics, from memory), decaying with
the reverberation time.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from drilltimer.sim.settings import Microphone, RoomSettings
from drilltimer.units import speed_of_sound_m_s

Wave = NDArray[np.float64]

LEAD = 32  # frames that a path's response holds before the direct sound, for the flanks of fractional delays
EARLY_S = 0.06  # images until here, noise from here on
TREBLE_HZ = 2500.0
TREBLE_RT60_SHARE = 0.55  # treble's reverberation time over the stated one, our choice
FLOOR_REFLECTION = 0.85  # outdoors, hard floor, our choice
LOUDSPEAKER_HEIGHT_M = 1.0
MICROPHONE_HEIGHT_M = 0.8  # another height, or images above and below would coincide
NEAREST_M = 0.2  # for levels alone: nothing is nearer to a source than this

# (high-pass Hz, low-pass Hz or None), second order each; our choice, typical of the kind.
MICROPHONES: dict[Microphone, tuple[float, float | None]] = {
    "flat": (0.0, None),
    "laptop": (150.0, None),
    "phone": (80.0, 16000.0),
    "usb": (40.0, None),
}


def path_response(
    settings: RoomSettings, rate_hz: int, distance_m: float, seed: int, *, from_floor: bool, early_s: float = EARLY_S
) -> Wave:
    """Response of the way from a source to the microphone, the direct sound being exactly 1 at index `LEAD`.

    The delay of the direct sound itself is left out; `from_floor` puts the source on the floor (feet) rather than
    at the height of a loudspeaker. Reflections of the first `early_s` are single images: in a wide hall more of them
    are heard as echoes than in a room.
    """
    speed_m_s = speed_of_sound_m_s(settings.placement.air_c)
    rng = np.random.default_rng([seed, 1])
    if settings.size_m is None:
        frames = LEAD + round(0.03 * rate_hz)
        images = (
            []
            if from_floor
            else [(math.hypot(distance_m, LOUDSPEAKER_HEIGHT_M + MICROPHONE_HEIGHT_M), FLOOR_REFLECTION)]
        )
        extra_s = np.array([(way_m - distance_m) / speed_m_s for way_m, _ in images])
        gains = np.array([max(distance_m, NEAREST_M) / way_m * reflection for way_m, reflection in images])
        response = _taps(frames, extra_s * rate_hz, gains)
    else:
        response = _shoebox(settings.size_m, settings.rt60_s, rate_hz, distance_m, speed_m_s, rng, from_floor, early_s)
    response[LEAD] += 1.0
    return response


def _shoebox(
    size_m: tuple[float, float, float],
    rt60_s: float,
    rate_hz: int,
    distance_m: float,
    speed_m_s: float,
    rng: np.random.Generator,
    from_floor: bool,
    early_s: float,
) -> Wave:
    """Everything but the direct sound."""
    size = np.array(size_m)
    size[0] = max(size[0], distance_m + 2.0)  # a room that is too short for the placement is made longer
    volume_m3 = float(np.prod(size))
    surface_m2 = 2.0 * float(size[0] * size[1] + size[1] * size[2] + size[0] * size[2])
    reflection = math.exp(-0.161 * volume_m3 / (2.0 * surface_m2 * rt60_s))  # Eyring, amplitude per wall
    way_m, bounces = _images(size, distance_m, speed_m_s, rng, from_floor, early_s)
    level_m = max(distance_m, NEAREST_M)
    frames = LEAD + round(rt60_s * rate_hz)
    extra = (way_m - distance_m) / speed_m_s * rate_hz
    kept = (extra < early_s * rate_hz) & (bounces > 0)
    response = _taps(frames, extra[kept], level_m / way_m[kept] * reflection ** bounces[kept])
    times_s = np.arange(frames) / rate_hz
    late_from = LEAD + round(early_s * rate_hz)
    # A source on the floor has half as many images, each twice as strong, and so has its direct sound.
    energy = 4.0 * math.pi * speed_m_s / volume_m3 / rate_hz * (0.5 if from_floor else 1.0)
    decay = np.exp(-3.0 * math.log(10.0) * (times_s + distance_m / speed_m_s) / rt60_s)
    tail = rng.standard_normal(frames) * decay * level_m * math.sqrt(energy)
    response[late_from:] += tail[late_from:]
    return _treble_faded(response, times_s, rate_hz, rt60_s)


def _images(
    size: Wave, distance_m: float, speed_m_s: float, rng: np.random.Generator, from_floor: bool, early_s: float
) -> tuple[Wave, Wave]:
    """Way in metres and number of reflections of every image that can arrive early, the source itself included."""
    angle = rng.uniform(0.1, 0.5)
    height_m = 0.0 if from_floor else LOUDSPEAKER_HEIGHT_M
    level_m = math.sqrt(max(distance_m**2 - (MICROPHONE_HEIGHT_M - height_m) ** 2, 0.0))
    heading = np.array([math.cos(angle), math.sin(angle) * min(1.0, 0.5 * size[1] / max(level_m, 1e-9)), 0.0])
    heading /= np.linalg.norm(heading)
    listener = np.array([0.4, 0.3 * size[1], MICROPHONE_HEIGHT_M])
    source = listener + level_m * heading
    source[2] = height_m
    reach_m = distance_m + early_s * speed_m_s
    axes = []
    for axis in range(3):
        most = int(reach_m / (2.0 * size[axis])) + 1
        orders = np.arange(-most, most + 1)
        flips = np.array([0]) if axis == 2 and from_floor else np.array([0, 1])
        order, flip = (grid.ravel() for grid in np.meshgrid(orders, flips))
        place = (1 - 2 * flip) * source[axis] + 2.0 * order * size[axis] - listener[axis]
        axes.append((place, np.abs(order - flip) + np.abs(order)))
    (x, bx), (y, by), (z, bz) = axes
    way_m = np.sqrt((x**2)[:, None, None] + (y**2)[None, :, None] + (z**2)[None, None, :]).ravel()
    bounces = (bx[:, None, None] + by[None, :, None] + bz[None, None, :]).ravel()
    return way_m, bounces.astype(np.float64)


def _taps(frames: int, delays: Wave, gains: Wave) -> Wave:
    """Sum of windowed sincs, `delays` in frames after index `LEAD`."""
    response = np.zeros(frames + LEAD)
    for delay, gain in zip(delays, gains, strict=True):
        whole = math.floor(delay)
        kernel = sinc_kernel(delay - whole)
        first = whole + 1
        begin = max(0, -first)
        end = min(len(kernel), len(response) - first)
        response[first + begin : first + end] += gain * kernel[begin:end]
    return response[:frames]


def sinc_kernel(part: float) -> Wave:
    """Delay by `part` of a frame, 0 <= part < 1: a windowed sinc whose index `LEAD - 1` is no delay."""
    shift = np.arange(-LEAD + 1, LEAD) - part
    return np.asarray(np.sinc(shift) * np.cos(np.pi * shift / (2.0 * LEAD)) ** 2)


def _treble_faded(response: Wave, times_s: Wave, rate_hz: int, rt60_s: float) -> Wave:
    """Let the treble die away faster than the rest; the filter is causal, so nothing moves ahead."""
    from scipy.signal import lfilter

    pole = math.exp(-2.0 * math.pi * TREBLE_HZ / rate_hz)
    low = lfilter([1.0 - pole], [1.0, -pole], response)
    faster = 3.0 * math.log(10.0) / rt60_s * (1.0 / TREBLE_RT60_SHARE - 1.0)
    return np.asarray(low + (response - low) * np.exp(-faster * times_s))


def high_pass(wave: Wave, corner_hz: float, rate_hz: int) -> Wave:
    """Second-order Butterworth high-pass; none at 0 Hz."""
    from scipy.signal import butter, sosfilt

    if corner_hz <= 0.0:
        return wave
    return np.asarray(sosfilt(butter(2, corner_hz, "highpass", fs=rate_hz, output="sos"), wave))


def microphone_sections(microphone: Microphone, rate_hz: int) -> Wave | None:
    """Second-order sections of a microphone; None for a flat one."""
    from scipy.signal import butter

    low_hz, high_hz = MICROPHONES[microphone]
    sections = []
    if low_hz > 0.0:
        sections.append(butter(2, low_hz, "highpass", fs=rate_hz, output="sos"))
    if high_hz is not None and high_hz < 0.45 * rate_hz:
        sections.append(butter(2, high_hz, "lowpass", fs=rate_hz, output="sos"))
    return np.vstack(sections) if sections else None
