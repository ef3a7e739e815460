"""The way of a phone's recording: rendered, played in a room, recorded by a telephone, cut, paused, coded, scored."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import soundfile
from scipy.signal import butter, sosfiltfilt

from drilltimer.app.plan import Plan
from drilltimer.audio.files import find_drill
from drilltimer.drill.language import load_drill
from drilltimer.model import Placement
from drilltimer.recordings.rendering import render_plan
from drilltimer.sim.performance import RepTruth
from tests.accuracy.cases import Case, Trip
from tests.accuracy.measure import RATE_HZ, START_S, session_of, simulate
from tests.films import write_film

PAUSE_S = 7.3
TELEPHONE_HZ = (300.0, 3400.0)
OGG_PIECE = 4096  # frames: longer ones crash libsndfile (bastibe/python-soundfile issue 396)


def travel(case: Case, seed: int, folder: Path) -> tuple[Path, Path, list[RepTruth], int]:
    """Make the recording that comes back; answers it, the sheet, the truth in its frames, and its rate.

    Reps that the recording does not hold have no truth.
    """
    trip = case.trip or Trip()
    reps, bank = session_of(case, seed)
    made = simulate(case, seed, reps, bank)
    plan = Plan(load_drill(*find_drill(case.drill)), seed, tuple(reps))
    sheet = render_plan(plan, folder / "p.flac", Placement(), RATE_HZ, 2, signature=True, loudness_lufs=-23.0).sheet
    samples, truths, rate_hz = made.recorded[:, 0].astype(np.float64), made.truth, made.recorder_rate_hz
    if trip.pauses:
        samples, truths = _paused(samples, truths, rate_hz, trip.pauses)
    if trip.cut:
        samples, truths = _cut(samples, truths, rate_hz)
    if trip.telephone:
        samples = sosfiltfilt(butter(4, TELEPHONE_HZ, "bandpass", fs=rate_hz, output="sos"), samples)
    path = folder / "heard.wav"
    soundfile.write(path, np.clip(samples, -1.0, 1.0), rate_hz)
    if trip.coded:
        path = _coded(path, trip.coded)
    return path, sheet, truths, rate_hz


def _moved(truth: RepTruth, by: float) -> RepTruth:
    names = ("contact_at", "touchdown_at", "second_touchdown_at", "first_step_at")
    return replace(truth, **{name: at + by for name in names if (at := getattr(truth, name)) is not None})


def _paused(
    samples: np.ndarray, truths: list[RepTruth], rate_hz: int, pauses: int
) -> tuple[np.ndarray, list[RepTruth]]:
    """Somebody pauses the sound between reps: the room goes on alone, with the noise of the recording's beginning."""
    noise = samples[: round(0.9 * START_S * rate_hz)]
    gap = np.tile(np.concatenate([noise, noise[::-1]]), 10)[: round(PAUSE_S * rate_hz)]
    heard = [truth for truth in truths if truth.contact_at is not None]
    cuts = [round(heard[len(heard) * (n + 1) // (pauses + 1)].contact_at - 1.2 * rate_hz) for n in range(pauses)]
    pieces = np.split(samples, cuts)
    joined = [pieces[0]]
    for piece in pieces[1:]:
        joined += [gap, piece]
    later = [_moved(truth, len(gap) * sum((truth.contact_at or 0.0) > cut for cut in cuts)) for truth in truths]
    return np.concatenate(joined), later


def _cut(samples: np.ndarray, truths: list[RepTruth], rate_hz: int) -> tuple[np.ndarray, list[RepTruth]]:
    """Beginning and end are missing: a quarter of the reps each."""
    heard = [truth.contact_at for truth in truths if truth.contact_at is not None]
    first, last = (round(heard[len(heard) * n // 4] - 1.5 * rate_hz) for n in (1, 3))
    inside = [truth for truth in truths if truth.contact_at is not None and first < truth.contact_at < last - rate_hz]
    return samples[first:last], [_moved(truth, -first) for truth in inside]


def _coded(path: Path, name: str) -> Path:
    """At 64 kbit/s; the ending names the format."""
    target = path.with_name(f"heard.{name}")
    samples, rate_hz = soundfile.read(path)
    if name == "ogg":
        channels = 1 if samples.ndim == 1 else samples.shape[1]
        with soundfile.SoundFile(target, "w", rate_hz, channels, compression_level=0.85) as file:  # 64 kbit/s by trial
            for begin in range(0, len(samples), OGG_PIECE):
                file.write(samples[begin : begin + OGG_PIECE])
        return target
    return write_film(target, samples, rate_hz, bit_rate=64_000)
