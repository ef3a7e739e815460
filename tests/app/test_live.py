"""Whole sessions through real PortAudio on the virtual sound card, against a player in a process of its own."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile
from room_player import make_thud

from drilltimer.app.live import run_live
from drilltimer.app.plan import load_bank, make_plan
from drilltimer.audio.stream import SoundCard
from drilltimer.model import Placement
from drilltimer.recordings.session_recorder import recorder

pytestmark = pytest.mark.audio

DRILL = """\
name: Live
reps: 10
lead_in: {kind: swing, length_s: 0.4}
rhythm: {interval_s: 1.6, jitter_cv: 0.15, rally: 10}
feedback: {kind: on_request}
"""
DELAYS_MS = (95.0, 130.0, 160.0, 210.0, 245.0, 110.0, 300.0, 143.0, 190.0, 175.0)  # the player needs 85 ms at least
SECOND_FOOT_MS = 40.0
JUMP = 0.06  # from sample to sample, at which the player takes a sound for a contact
ATTEMPTS = 3  # a busy machine starves the sound server now and then; such a session is void by its own account


@pytest.fixture
def plan(tmp_path):
    path = tmp_path / "live.yaml"
    path.write_text(DRILL)
    return make_plan(str(path), seed=3)


def start_player(*options):
    command = [sys.executable, str(Path(__file__).parents[1] / "room_player.py"), *map(str, options)]
    player = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    assert player.stdout.readline() == "ready\n"
    return player


def practise(plan, record, *options):
    """One recorded session with the player; answers its outcome and the player's last word."""
    player = start_player(*options)
    try:
        troubles = []
        outcome = run_live(
            plan,
            SoundCard("dt_room", "dt_room"),
            Placement(),
            record=recorder(record),
            on_rep=lambda rep, verdict: None,
            on_trouble=troubles.append,
        )
        assert not troubles
    finally:
        player.terminate()
        said, _ = player.communicate(timeout=5)
    return outcome, said


def arrival(heard, pattern, first, frames):
    """Frame at which `pattern` begins in `heard`, from frame `first` on."""
    first = round(first)
    piece = heard[first : first + round(frames) + len(pattern)]
    return first + int(np.argmax(np.correlate(piece, pattern, "valid")))


@pytest.mark.parametrize(
    "noise_db",
    [
        -36,  # 28 dB under the landings' peaks: a room with people in it
        -66,
    ],
)
def test_ten_reps_are_timed_through_portaudio(sound_card, plan, capsys, noise_db, tmp_path):
    for attempt in range(ATTEMPTS):
        record = tmp_path / f"heard{attempt}.wav"  # nothing is overwritten
        outcome, said = practise(
            plan, record, *DELAYS_MS, "--second-foot", SECOND_FOOT_MS, "--noise-db", noise_db, "--threshold", JUMP
        )
        if not outcome.health.xruns:
            break
    assert outcome.fault is None
    assert not outcome.interrupted
    assert outcome.health.xruns == 0
    assert said == "heard 10\n"  # neither a swing nor a thud was taken for a contact
    assert [verdict.rep for verdict in outcome.verdicts] == list(range(10))
    assert [verdict.void for verdict in outcome.verdicts] == [None] * 10
    found = [verdict for verdict in outcome.verdicts if verdict.touchdown_ms is not None]
    assert len(found) == 10

    # What really lay between them on the wire, by correlation with both sounds: a busy machine makes the player late.
    heard, rate_hz = soundfile.read(record)
    contact = load_bank(plan, rate_hz)["smack", None].samples
    wire_ms = []
    for verdict in found:
        at = arrival(heard, contact, verdict.contact_heard_s * rate_hz - 500, 1000)
        foot = arrival(heard, make_thud(), at + 0.08 * rate_hz, 0.62 * rate_hz)  # as far as a landing is heard
        wire_ms.append(1e3 * (foot - at) / rate_hz)
    # The player's own clock starts where the contact first jumps by more than JUMP, not at its first sample.
    trigger_ms = 1e3 * float(np.flatnonzero(np.abs(np.diff(contact, prepend=0.0)) > JUMP)[0]) / rate_hz
    errors_ms = np.array([verdict.touchdown_ms for verdict in found]) - wire_ms
    late_ms = np.array(wire_ms) - DELAYS_MS - trigger_ms
    staggers_ms = np.array([v.stagger_ms for v in found if v.stagger_ms is not None])
    with capsys.disabled():
        print(f"\nmeasured minus played interval: {np.array2string(errors_ms, precision=2)} ms")
        print(f"  mean {errors_ms.mean():+.2f} ms, SD {errors_ms.std():.2f} ms", end="")
        print(f"; played minus asked interval: median {np.median(late_ms) + trigger_ms:+.2f} ms", end="")
        print(f", of which the player's trigger {trigger_ms:+.2f} ms")
        print(f"  round trip {outcome.health.round_trip_ms:.1f} ms", end="")
        print(f"; stagger {staggers_ms.mean():.2f} ms in {len(staggers_ms)} of 10, asked {SECOND_FOOT_MS:.0f}")
    assert abs(float(np.median(late_ms))) < 0.5  # the wire's interval is the one asked for, so both are what they seem
    assert abs(float(np.median(errors_ms))) < 0.7
    assert float(np.abs(errors_ms).max()) < 2.0
    assert 50.0 < outcome.health.round_trip_ms < 400.0
    assert outcome.health.round_trip_sd_ms < 0.1
    assert abs(outcome.health.drift_ppm) < 20.0  # one server, one clock


def test_a_card_lost_on_the_way_leaves_the_scores_and_the_reason(sound_card, tmp_path):
    path = tmp_path / "live.yaml"
    path.write_text(DRILL)
    player = start_player(130)
    command = [sys.executable, "-c", "from drilltimer.cli import main; main()", "run", str(path)]
    command += ["--seed", "3", "--distance", "0", "--input", "dt_room", "--output", "dt_room", "--wait-s", "1"]
    session = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=os.environ)
    try:
        assert session.stdout.readline().startswith("rep ")
        assert session.stdout.readline().split()[0] == "1"
        sound_card("crash")
        rest, errors = session.communicate(timeout=30)
    finally:
        session.kill()
        player.kill()
        player.communicate(timeout=5)
    assert session.returncode == 3
    assert re.search(r"\breps? scored", rest)
    assert errors.count("paused: lost the sound device") == 1
    assert errors.count("drilltimer: the sound device did not come back within 1 s") == 1
    assert "Traceback" not in errors
