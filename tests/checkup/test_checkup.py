"""The sound check's measurements, against rooms with one planted fault each."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.signal import fftconvolve

from drilltimer.checkup.course import Course, lay_out
from drilltimer.checkup.findings import Hops, find_faults, result_of
from drilltimer.checkup.measure import measure, weighted_level_db
from drilltimer.sound.mixer import Mixer
from drilltimer.units import ratio_from_db

PUBLISHED = tomllib.loads((Path(__file__).parents[1] / "data" / "published.toml").read_text(encoding="utf-8"))
RATE_HZ = 48_000
TRIP_MS = 171.25
COURSE = lay_out(RATE_HZ)


def played_of(course: Course) -> np.ndarray:
    mixer = Mixer(course.rate_hz, 1)
    for sounding in (*course.contacts, *([course.hiss] if course.hiss else [])):
        mixer.add(sounding.start, sounding.sound, gain_db=sounding.gain_db)
    return mixer.mix(0, course.end)


def room(course: Course = COURSE, *, bleed=0.3, noise_db=-62.0, reverb_s=0.5) -> np.ndarray:
    """What a sound microphone hears: the loudspeaker in a reverberant room, later, with noise; shape (n, 1)."""
    random = np.random.default_rng(3)
    played = played_of(course)[:, 0].astype(np.float64)
    t = np.arange(round(reverb_s * RATE_HZ)) / RATE_HZ
    tail = 0.01 * random.standard_normal(t.size) * np.exp(-6.9 * t / reverb_s)
    tail[0] = 1.0
    heard = np.zeros(course.end)
    lag = round(TRIP_MS * RATE_HZ / 1e3)
    heard[lag:] = bleed * fftconvolve(played, tail)[: course.end - lag]
    heard += ratio_from_db(noise_db) * random.standard_normal(course.end)
    return heard[:, np.newaxis]


def found(heard, course=COURSE, **known):
    heard = np.clip(heard, -1.0, 1.0).astype(np.float32)
    measured = measure(course, heard, played_of(course), **known)
    return measured, {finding.key: finding for finding in find_faults(measured, course.rate_hz)}


def slices(heard, length_s, act):
    """`act(slice, level)` over successive slices, in place of what a driver does as the sound comes in."""
    frames = round(length_s * RATE_HZ)
    out = heard.copy()
    for start in range(0, len(heard), frames):
        piece = out[start : start + frames]
        piece *= act(float(np.sqrt(np.mean(piece**2))))
    return out


def test_a_sound_room_has_no_faults_and_true_figures():
    measured, faults = found(room())
    assert faults == {}
    assert measured.round_trip_ms == pytest.approx(TRIP_MS, abs=0.05)
    assert measured.spread_ms == pytest.approx(0.0, abs=0.05)
    assert measured.drift_ppm == pytest.approx(0.0, abs=5.0)
    assert measured.step_db == pytest.approx(20.0, abs=0.7)
    assert measured.hiss_drop_db == pytest.approx(0.0, abs=1.0)
    assert measured.echo_drop_db == pytest.approx(0.0, abs=0.3)
    # white noise at -62 dB over 24 kHz; a second-order Butterworth band pass lets pi/2 / sqrt(2) of its width pass
    assert measured.noise_db == pytest.approx(-62.0 + 10 * np.log10(440 * 1.11 / 24_000), abs=1.0)
    assert result_of([]) == "good"


def test_zeros_mean_a_missing_permission_and_nothing_else_is_said():
    _, faults = found(np.zeros((COURSE.end, 1)))
    assert list(faults) == ["zeros"]
    assert faults["zeros"].stops


def test_clipping():
    measured, faults = found(15.0 * room())
    assert "clipping" in faults
    assert measured.clipped_share > 0.05
    assert "gain_control" not in faults  # loud and soft come closer, but that is not its cause


def test_no_clipping_just_below_full_scale():
    heard = room(noise_db=-100.0)
    _, faults = found(0.95 * heard / np.abs(heard).max())
    assert "clipping" not in faults


@pytest.mark.parametrize("base_hz", [50.0, 60.0])
def test_mains_hum_is_named(base_hz):
    t = np.arange(COURSE.end)[:, np.newaxis] / RATE_HZ
    hum = sum(a * np.sin(2 * np.pi * k * base_hz * t) for k, a in ((1, 0.003), (2, 0.002), (3, 0.001)))
    measured, faults = found(room() + hum)
    assert measured.hum_hz == base_hz
    assert "hum" in faults


def test_a_single_tone_is_no_mains_hum():
    t = np.arange(COURSE.end)[:, np.newaxis] / RATE_HZ
    assert "hum" not in found(room() + 0.003 * np.sin(2 * np.pi * 50 * t))[1]


def test_a_loud_room():
    _, faults = found(room(noise_db=-18.0, bleed=0.5))
    assert "loud_noise" in faults


def test_a_contact_that_drowns_in_the_room_is_told_as_ears_hear_it():
    quiet, faults = found(room())
    assert "faint_contact" not in faults
    assert quiet.contact_over_noise_db > 30.0
    noisy, faults = found(room(noise_db=-34.0, bleed=0.1))
    assert faults["faint_contact"].values == (("db", noisy.contact_over_noise_db),)
    assert noisy.contact_over_noise_db < 10.0


@pytest.mark.parametrize("third", list(PUBLISHED["a_weighting"]["db"])[::3])
def test_tones_are_weighted_as_the_standard_prints(third):
    """Sound in, level out: a tone of -20 dB RMS at exact thirds of an octave, one in each octave."""
    rate_hz, frequency_hz = 96_000, 1000.0 * 10.0 ** (float(third) / 10.0)
    periods = max(1, round(2.0 * frequency_hz))  # whole ones, in about two seconds
    frames = round(periods * rate_hz / frequency_hz)
    tone = 0.1 * np.sqrt(2.0) * np.sin(2.0 * np.pi * periods * np.arange(frames) / frames)
    told_db = weighted_level_db(tone, rate_hz) + 20.0
    tolerance = PUBLISHED["a_weighting"]["tolerance"] + 2e-3  # frames are whole: the tone is off by up to 0.001 %
    assert told_db == pytest.approx(PUBLISHED["a_weighting"]["db"][third], abs=tolerance)


def test_octaves_add_up_to_the_level_that_a_manual_prints():
    row, rate_hz = PUBLISHED["octaves"], 48_000
    t = np.arange(rate_hz) / rate_hz
    full_scale_db = 120.0  # the level that full scale stands for
    sound = sum(
        np.sqrt(2.0) * 10.0 ** ((level_db - full_scale_db) / 20.0) * np.sin(2.0 * np.pi * centre_hz * t + centre_hz)
        for centre_hz, level_db in zip(row["centres_hz"], row["levels_db"], strict=True)
    )
    assert weighted_level_db(sound, rate_hz) + full_scale_db == pytest.approx(row["dba"], abs=row["tolerance"])


def test_earphones_let_no_cue_through():
    measured, faults = found(room(bleed=0.0))
    assert faults["no_cue"].stops
    assert measured.round_trip_ms is None


def test_gain_control_brings_loud_and_soft_together():
    gain = 1.0

    def follow(level):
        nonlocal gain
        wanted = min(0.03 / max(level, 1e-9), 20.0)
        gain += (0.9 if wanted < gain else 0.1) * (wanted - gain)
        return gain

    measured, faults = found(slices(room(), 0.004, follow))
    assert "gain_control" in faults
    assert measured.step_db < 17.0


def test_noise_suppression_turns_a_steady_noise_down():
    heard = room()
    start = COURSE.hiss.start + round((TRIP_MS / 1e3 + 0.4) * RATE_HZ)
    end = start + 2 * RATE_HZ
    heard[start:end] *= ratio_from_db(-12.0)
    measured, faults = found(heard)
    assert list(faults) == ["noise_suppression"]
    assert measured.hiss_drop_db == pytest.approx(12.0, abs=1.5)


def test_a_gate_silences_the_gaps():
    _, faults = found(slices(room(), 0.01, lambda level: 1.0 if level > 0.004 else 0.0))
    assert "gate" in faults


def test_echo_cancelling_learns_the_contact_away():
    heard = room()
    for place, contact in enumerate(COURSE.contacts):
        at = contact.start + round(TRIP_MS * RATE_HZ / 1e3)
        heard[at - 480 : at + 24_000] *= ratio_from_db(-2.0 * place)
    measured, faults = found(heard)
    assert "echo_cancelling" in faults
    assert measured.echo_drop_db == pytest.approx(14.0, abs=2.5)


def test_a_rate_that_the_clock_does_not_confirm():
    assert "rate" in found(room(), true_rate_hz=44_100.0)[1]
    assert "rate" not in found(room(), true_rate_hz=48_020.0)[1]


def test_drift_is_measured():
    heard = room()[:, 0]
    ppm = 400.0
    places = np.arange(len(heard)) / (1 + ppm * 1e-6)
    measured, faults = found(np.interp(places, np.arange(len(heard)), heard)[:, np.newaxis])
    assert measured.drift_ppm == pytest.approx(ppm, rel=0.05)
    assert "drift" in faults


def test_lost_blocks_and_a_wandering_trip():
    heard = room()
    at = COURSE.contacts[5].start
    jumped = np.concatenate([heard[:at], heard[at + 480 :], np.zeros((480, 1))])  # 10 ms are lost in the middle
    measured, faults = found(jumped, lost_blocks=1)
    assert {"spread", "lost"} <= set(faults)
    # half of the contacts come 10 ms early: 5 ms to either side of a level line, less what a tilted one takes up
    assert 1.0 < measured.spread_ms <= 5.0


def test_landings_too_soft_or_unheard():
    measured, _ = found(room())
    assert [f.key for f in find_faults(measured, RATE_HZ, Hops(6, 6, 25.0, 0.98))] == []
    assert [f.key for f in find_faults(measured, RATE_HZ, Hops(6, 6, 9.0, 0.4))] == ["soft_landing"]
    few = find_faults(measured, RATE_HZ, Hops(6, 3, None))
    assert [f.key for f in few] == ["no_landings"]
    assert result_of(few) == "usable"
    assert result_of(find_faults(replace(measured, zeros=True), RATE_HZ)) == "unusable"


def test_the_short_course_is_short_and_hears_a_good_room():
    course = lay_out(RATE_HZ, short=True)
    assert course.end / RATE_HZ < 6.0
    measured, faults = found(room(course), course)
    assert faults == {}
    assert measured.round_trip_ms == pytest.approx(TRIP_MS, abs=0.05)
    assert COURSE.end / RATE_HZ == pytest.approx(20.0, abs=3.0)
