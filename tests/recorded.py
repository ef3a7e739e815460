"""Whole recordings: made by a simulated recorder, started somewhere, running at its own speed; read; and scored."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from drilltimer.model import Cue, Placement, Rep, Samples, Sound
from drilltimer.recordings.audio_file import AudioFile
from drilltimer.recordings.reference import open_reference
from drilltimer.recordings.run import ScoredRecording, score_playback, unheard
from drilltimer.recordings.sheet_search import Traces, find_playbacks
from drilltimer.sim.acoustics import LEAD
from drilltimer.sim.air import Air, Distractor
from drilltimer.sim.convolve import TAIL_FRAMES
from drilltimer.sim.performance import Performance, RepTruth
from drilltimer.sim.player import SKILLS, SimulatedPlayer
from drilltimer.sim.recorder import GAIN_STEP, Recorder
from drilltimer.sim.settings import RoomSettings
from drilltimer.sound.mixer import Mixer
from drilltimer.units import frames_from_s, s_from_frames

AHEAD_S = 1.0  # cues of a rep are handed to the player so long before it starts
TAIL_S = 1.0  # the recording runs on after the last rep


@dataclass(frozen=True, slots=True)
class SimulatedRecording:
    """A recording with its truth.

    Parameters
    ----------
    played : float32 array, shape (n,)
        What was rendered to the loudspeaker, at `rate_hz`.
    recorded : float32 array, shape (m, channels)
        What the recorder wrote, at `recorder_rate_hz`.
    truth : list of RepTruth
        Its frames are frames of `recorded`.
    distractors : list of Distractor
        Likewise.
    """

    played: Samples
    recorded: Samples
    rate_hz: int
    recorder_rate_hz: int
    truth: list[RepTruth]
    distractors: list[Distractor]


def simulate_recording(
    reps: Sequence[Rep],
    bank: Mapping[tuple[str, float | None], Sound],
    settings: RoomSettings,
    seed: int = 0,
    *,
    player: SimulatedPlayer | None = None,
    offset_s: float = 0.0,
    rate_hz: int = 48000,
    recorder_rate_hz: int | None = None,
) -> SimulatedRecording:
    """Play `reps` in a room and record them.

    Parameters
    ----------
    reps : sequence of Rep
        In order of time.
    bank : mapping
        Sound at `rate_hz` by (name, length in seconds or None), as `sound.bank.build_bank` gives it.
    settings : RoomSettings
        `clock_ppm` is the recorder's skew; round trip and losses belong to a sound card and are not used.
    player : SimulatedPlayer, optional
        A club player by default.
    offset_s : float
        The recorder starts so long before the played sound does; negative when its beginning is cut off.
    rate_hz, recorder_rate_hz : int
        Of the played sound and of the recording; equal by default.

    Returns
    -------
    SimulatedRecording
        Reference time t is recorded at (t + offset_s) * (1 + clock_ppm * 1e-6), plus the way through the air.
    """
    recorder_rate_hz = recorder_rate_hz or rate_hz
    base = max(math.ceil(offset_s * rate_hz), LEAD)  # air frame at which played frame 0 leaves the loudspeaker
    air = Air(settings, rate_hz, seed, TAIL_FRAMES)
    performance = Performance(player or SimulatedPlayer(SKILLS["club"], seed), air, seed)
    output = _Output(reps, bank, rate_hz, base, performance)
    slope = rate_hz / (recorder_rate_hz * (1.0 + settings.clock_ppm * 1e-6))
    recorder = Recorder(lambda: air.render(output.next()), settings, base - offset_s * rate_hz, slope)
    length_s = (max(rep.end_s for rep in reps) if reps else 0.0) + TAIL_S
    frames = math.ceil((length_s + offset_s) * recorder_rate_hz / GAIN_STEP) * GAIN_STEP
    step = TAIL_FRAMES
    pieces = [recorder.record(min(step, frames - start)) for start in range(0, frames, step)]
    return SimulatedRecording(
        output.played(frames_from_s(length_s, rate_hz)),
        np.concatenate(pieces),
        rate_hz,
        recorder_rate_hz,
        performance.truth(recorder.frame_of),
        [Distractor(each.kind, recorder.frame_of(each.at), each.level_db) for each in air.distractors],
    )


class _Output:
    """The played sound, mixed as the air asks for it, and the player's ear for what comes."""

    def __init__(
        self,
        reps: Sequence[Rep],
        bank: Mapping[tuple[str, float | None], Sound],
        rate_hz: int,
        base: int,
        performance: Performance,
    ) -> None:
        self._waiting = list(reps)
        self._bank = bank
        self._rate_hz = rate_hz
        self._base = base
        self._performance = performance
        self._mixer = Mixer(rate_hz, 1)
        self._pieces: list[Samples] = []
        self._position = LEAD - base  # output frame that the air asks for first; nothing is played below 0

    def next(self) -> NDArray[np.float64]:
        """Next step for the air."""
        start = self._position
        end_s = s_from_frames(start + TAIL_FRAMES, self._rate_hz) + AHEAD_S
        while self._waiting and self._waiting[0].start_s < end_s:
            self._announce(self._waiting.pop(0))
        self._position += TAIL_FRAMES
        silent = min(max(-start, 0), TAIL_FRAMES)
        mixed = self._mixer.mix(start + silent, TAIL_FRAMES - silent)[:, 0]
        self._pieces.append(mixed)
        return np.concatenate([np.zeros(silent), mixed])

    def played(self, frames: int) -> Samples:
        """First `frames` frames of the output."""
        joined = np.concatenate(self._pieces)
        return np.pad(joined, (0, max(0, frames - len(joined))))[:frames]

    def _announce(self, rep: Rep) -> None:
        cues: list[Cue] = sorted(rep.cues, key=lambda cue: cue.at_s)
        for cue in cues:
            sound = self._bank[(cue.sound, cue.length_s)]
            start = frames_from_s(rep.start_s + cue.at_s, self._rate_hz) - sound.anchor
            self._mixer.add(start, sound, cue.pan, cue.gain_db)
            self._performance.hear(float(start + self._base), sound, cue, rep)


def read_audio(path: str | Path) -> tuple[Samples, int]:
    """A whole recording.

    Returns
    -------
    samples : float32 array, shape (n, channels)
    rate_hz : int

    Raises
    ------
    RecordingError
        See `AudioFile`.
    """
    with AudioFile(path) as recording:
        # Piece by piece, so that a header which promises the moon is found out before memory is asked for it.
        return np.concatenate(list(recording.blocks())), recording.rate_hz


def score_recording(recording: Path, sheet_file: Path, placement: Placement | None = None) -> ScoredRecording:
    """Score a recording; where the sheet was played several times, the fullest of them.

    Parameters
    ----------
    recording : Path
        Any sound or video file that can be decoded, any rate, any number of channels.
    placement : Placement, optional
        Instead of the sheet's, all of it known.
    """
    with AudioFile(recording, salvage=True) as heard, open_reference(sheet_file) as played:
        playbacks = find_playbacks(played, heard, Traces(heard))
        if not playbacks:
            raise unheard(heard, f"no contact cue of {sheet_file.name} is heard in it")
        return score_playback(played, heard, playbacks[0], placement)
