"""`drilltimer feed` through real PortAudio: a scene of our own is played into the virtual card's microphone."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from scipy.signal import resample_poly

from tests.feeding.scene import Setting, make_scene

pytestmark = pytest.mark.audio

SETTING = Setting(
    6001, play="rally", room="outdoor", feeder="string", feeder_m=12.0, neighbours=False, snr_db=30.0,
    length_s=24.0, clips=False,
)  # fmt: skip
COURT = """\
import sys, sounddevice, soundfile
sound, rate_hz = soundfile.read(sys.argv[1], dtype="float32")
sounddevice.play(sound, rate_hz, device="dt_player", blocking=True)
print(bool(sounddevice.get_status()))
"""
SAME_S = 0.03
BEGUN_BYTES = 50_000  # of a recording: half a second, so that the microphone is open
ATTEMPTS = 3  # a busy machine starves the sound server now and then, by its own account


def feed_and_play(options: list[str], court: Path, home: Path) -> tuple[dict[str, Any], bool]:
    """Feed until the court's sound is over; answers the document, and whether sound was lost on the way."""
    kept = home / "kept.wav"
    command = [sys.executable, "-c", "from drilltimer.cli import main; main()", "feed", "--json", *options]
    feed = subprocess.Popen(
        [*command, "--record", str(kept), "--input", "dt_room", "--output", "dt_room"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        stdin=subprocess.DEVNULL,
        text=True,
        env=os.environ | {"DRILLTIMER_HOME": str(home)},
    )
    try:
        while not kept.exists() or kept.stat().st_size < BEGUN_BYTES:
            assert feed.poll() is None, feed.communicate()
            time.sleep(0.05)
        played = subprocess.run(
            [sys.executable, "-c", COURT, str(court)], check=True, capture_output=True, text=True, timeout=300
        )
        feed.send_signal(signal.SIGINT)
        said, trouble = feed.communicate(timeout=300)
    finally:
        feed.kill()
    assert feed.returncode == 130, trouble
    document = json.loads(said)
    return document, "True" in played.stdout or document["health"]["xruns"] > 0


def test_real_contacts_are_timed_through_portaudio(sound_card, tmp_path: Path):
    scene = make_scene(SETTING)
    court = tmp_path / "court.wav"
    soundfile.write(court, 0.9 * resample_poly(scene.samples.astype(float), 48_000, scene.rate_hz), 48_000)
    known = scene.truth["known"]
    options = ["--play", "rally", "--air-c", str(known["temperature_c"]), "--feedback", "none"]
    for key, metres in known["distances"].items():
        options += ["--" + key.removesuffix("_m").replace("_", "-"), str(metres)]
    for attempt in range(ATTEMPTS):
        (tmp_path / str(attempt)).mkdir()
        document, lost = feed_and_play(options, court, tmp_path / str(attempt))
        if not lost:
            break
    told = document["reps"]
    truth = {each["rep"]: each for each in scene.truth["landings"]}
    heard_s = np.array([rep["contact_heard_s"] for rep in told])
    true_s = np.array([each["mic_s"] for each in scene.truth["contacts"]])
    shifts_s = (heard_s[:, None] - true_s).ravel()  # when the play began is the one thing not known
    shift_s = max(shifts_s, key=lambda shift: int(np.sum(np.abs(shifts_s - shift) < SAME_S)))
    found, errors_ms = 0, []
    for contact in scene.truth["contacts"]:
        near = [rep for rep in told if abs(rep["contact_heard_s"] - shift_s - contact["mic_s"]) < SAME_S]
        found += len(near) == 1
        landing = truth.get(contact["rep"])
        if near and landing and near[0]["touchdown_ms"] is not None:
            errors_ms.append(near[0]["touchdown_ms"] - landing["after_contact_ms"])
    assert found >= 0.75 * len(true_s)
    assert len(told) <= 1.25 * len(true_s)
    assert len(errors_ms) >= 0.5 * len(truth)
    assert abs(np.median(errors_ms)) < 6.0  # the feeder strays by 0.8 m, which is 2.3 ms
