"""Scoring a recording afterwards: foreign sheets, foreign sounds, foreign clocks, and the answers' own seconds."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
import soundfile
from click.testing import CliRunner
from eight_reps import CONTACTS_S, DELAYS_MS, PLAIN, RATE_HZ
from recorded import score_recording
from scipy.signal import resample_poly
from words import say

from drilltimer.cli import main
from drilltimer.cli.check import with_distance
from drilltimer.errors import RecordingError, SheetError
from drilltimer.model import Grade, Placement
from drilltimer.recordings.reference import read_sheet
from drilltimer.recordings.run import DEFAULT_WINDOW

HEARD = PLAIN.heard[:, 0]  # hears each contact 0.1 s after it is played, each landing DELAYS_MS after that
LATENCY_S = 0.1


@pytest.fixture
def desk(tmp_path):
    """A folder with a played sound of somebody else's and a sheet written by hand; answers a function that scores."""
    soundfile.write(tmp_path / "played.wav", PLAIN.played, RATE_HZ, "PCM_24")

    def score(recorded, rate_hz=RATE_HZ, *, name="recorded.wav", override=None, **sheet):
        reps = [{"cues": [{"role": "contact", "at_s": at_s}]} for at_s in CONTACTS_S]
        document = {"audio": "played.wav", "rate_hz": RATE_HZ, "reps": reps} | sheet
        (tmp_path / "sheet.json").write_text(json.dumps(document))
        soundfile.write(tmp_path / name, recorded, rate_hz)
        return score_recording(tmp_path / name, tmp_path / "sheet.json", override)

    return score


def found(scored):
    return [verdict.touchdown_ms for verdict in scored.verdicts]


@pytest.mark.long
def test_a_sheet_by_hand_with_foreign_sounds_scores(desk):
    scored = desk(HEARD)
    assert found(scored) == pytest.approx(DELAYS_MS, abs=0.7)
    assert [verdict.rep for verdict in scored.verdicts] == list(range(8))
    assert scored.clock.offset_s == pytest.approx(LATENCY_S, abs=1e-4)
    assert scored.clock.skew_ppm == pytest.approx(0.0, abs=3.0)
    assert [verdict.error_ms for verdict in scored.verdicts] == pytest.approx(
        [ms - DEFAULT_WINDOW.centre_ms for ms in DELAYS_MS], abs=0.7
    )
    assert any("names no window" in say(note) for note in scored.health.notes)
    assert "heard: 8 of 8" in say(scored.health.notes[0])


@pytest.mark.long
def test_the_sheets_own_sound_is_told_from_a_recording_of_it(desk):
    scored = desk(PLAIN.played)
    assert found(scored) == [None] * 8
    assert "nothing but the played sound" in say(scored.health.notes[-1])
    assert scored.health.noise_db is None  # it was told as -894 dB
    assert not any("nothing but the played sound" in say(note) for note in desk(HEARD).health.notes)


@pytest.mark.long
def test_a_recorder_that_mutes_what_is_soft_has_no_noise_and_is_told(desk):
    near = np.zeros(len(HEARD), bool)
    for contact_s, delay_ms in zip(CONTACTS_S, DELAYS_MS, strict=True):
        for at_s in (contact_s + LATENCY_S, contact_s + LATENCY_S + delay_ms / 1e3):
            near[round((at_s - 0.005) * RATE_HZ) : round((at_s + 0.08) * RATE_HZ)] = True
    muted = np.where(near, HEARD, 0.0)
    scored = desk(muted)
    assert sum(each is not None for each in found(scored)) >= 4
    assert scored.health.noise_db is None
    assert say(scored.health.notes[-1]).startswith("it falls silent between the sounds")
    both = desk(np.column_stack([muted, HEARD]))  # one channel is as it should be
    assert both.health.noise_db == pytest.approx(desk(HEARD).health.noise_db, abs=1.0)
    assert not any("falls silent" in say(note) for note in both.health.notes)


@pytest.mark.long
def test_seconds_are_the_recordings_own(desk):
    """Started 41.5 s before the drill, at another rate, on a clock 200 ppm slow."""
    quiet = 4e-3 * np.random.default_rng(2).standard_normal(round(41.5 * RATE_HZ))
    long = np.concatenate([quiet, HEARD])
    slow = np.interp(np.arange(0, len(long) - 2, 1.0 / (1 - 2e-4)), np.arange(len(long)), long)
    recorded = resample_poly(slow, 147, 160)  # 44.1 kHz
    scored = desk(recorded, 44_100)
    assert scored.clock.offset_s == pytest.approx(41.5 + LATENCY_S, abs=3e-4)
    assert scored.clock.skew_ppm == pytest.approx(-200.0, abs=5.0)
    for verdict, contact_s, delay_ms in zip(scored.verdicts, CONTACTS_S, DELAYS_MS, strict=True):
        by_hand_s = (41.5 + contact_s + LATENCY_S + delay_ms / 1e3) * (1 - 2e-4)
        assert verdict.touchdown_s == pytest.approx(by_hand_s, abs=1.2e-3)
        assert verdict.contact_heard_s == pytest.approx((41.5 + contact_s + LATENCY_S) * (1 - 2e-4), abs=3e-4)


@pytest.mark.long
@pytest.mark.parametrize("name", ["recorded.flac", "recorded.ogg", "recorded.mp3"])
def test_other_formats_score_alike(desk, name):
    scored = desk(HEARD, name=name)
    assert found(scored) == pytest.approx(DELAYS_MS, abs=2.0)


def test_what_was_cut_off_is_void_and_the_rest_is_scored(desk):
    cut = round(3.9 * RATE_HZ)
    scored = desk(HEARD[cut : round(14.05 * RATE_HZ)])
    assert [verdict.grade is Grade.VOID for verdict in scored.verdicts] == [True, True, *[False] * 5, True]
    assert found(scored)[2:7] == pytest.approx(DELAYS_MS[2:7], abs=1.0)
    assert scored.verdicts[0].void
    assert scored.clock.offset_s == pytest.approx(LATENCY_S - 3.9, abs=3e-4)
    assert [verdict.rep for verdict in scored.verdicts] == list(range(8))


@pytest.mark.long
def test_two_channels_are_as_good_as_the_better_one(desk):
    scored = desk(np.column_stack([np.zeros_like(HEARD), HEARD]))
    assert found(scored) == pytest.approx(DELAYS_MS, abs=0.8)


@pytest.mark.long
def test_the_sheets_window_and_numbers_are_taken(desk):
    reps = [
        {"rep": 10 + i, "call": "left", "cues": [{"role": "contact", "at_s": at_s}]}
        for i, at_s in enumerate(CONTACTS_S)
    ]
    window = {"open_ms": 0.0, "centre_ms": 100.0, "close_ms": 400.0}
    scored = desk(HEARD, reps=reps, window=window)
    assert [verdict.rep for verdict in scored.verdicts] == list(range(10, 18))
    assert {verdict.grade for verdict in scored.verdicts} == {Grade.ON_TIME}
    assert scored.verdicts[0].error_ms == pytest.approx(33.0, abs=0.7)
    assert scored.verdicts[0].call == "left"
    assert not any("window" in say(note) for note in scored.health.notes)


@pytest.mark.long
def test_distance_is_taken_from_the_sheet_unless_told_otherwise(desk):
    """7 m of way, 10 °C."""
    place = {"speaker_to_player_m": 4.0, "player_to_mic_m": 4.0, "speaker_to_mic_m": 1.0, "air_c": 10.0}
    plain = found(desk(HEARD))
    by_sheet = found(desk(HEARD, placement=place))
    by_word = found(desk(HEARD, placement=place, override=Placement(2.0, 2.0, 0.5, 20.0)))
    assert by_sheet == pytest.approx([ms - 7.0 / 337.3 * 1e3 for ms in plain], abs=0.01)
    assert by_word == pytest.approx([ms - 3.5 / 343.2 * 1e3 for ms in plain], abs=0.01)


def test_a_distance_means_loudspeaker_and_microphone_together():
    base = Placement(1.0, 2.0, 0.3, 15.0)
    assert with_distance(base, None, None) == base
    assert with_distance(base, 5.0, None) == replace(base, speaker_to_player_m=5.0, player_to_mic_m=5.0)
    assert with_distance(base, None, 30.0) == replace(base, air_c=30.0)


def test_the_wrong_sheet_is_refused_with_the_reason(desk):
    other = [{"cues": [{"role": "contact", "at_s": at_s + 0.137 * i**2}]} for i, at_s in enumerate(CONTACTS_S)]
    with pytest.raises((RecordingError, SheetError), match=r"no contact cue of sheet\.json|has any sound"):
        desk(4e-3 * np.random.default_rng(1).standard_normal(20 * RATE_HZ), reps=other)


def test_a_missing_sheet_is_told(tmp_path):
    with pytest.raises(SheetError, match="there is no such cue sheet"):
        read_sheet(tmp_path / "no.json")


@pytest.mark.long
@pytest.mark.parametrize("seconds", [16.7, 17.0])
def test_contacts_of_an_even_drill_are_told_once_where_the_recording_breaks_off(tmp_path, monkeypatch, seconds):
    """Any four of its contacts, 3.2 s apart, fit any other four: they were taken for the first ones and the last."""
    monkeypatch.setenv("DRILLTIMER_HOME", str(tmp_path / "home"))
    whole, cut = tmp_path / "whole.wav", tmp_path / "cut.wav"
    options = ["--simulate", "club", "--speed", "0", "--seed", "3", "--record", str(whole)]
    assert CliRunner().invoke(main, ["run", "steady-contact", *options]).exit_code == 0
    samples, rate_hz = soundfile.read(whole)
    soundfile.write(cut, samples[: round(seconds * rate_hz)], rate_hz, "PCM_24")
    scored = score_recording(cut, tmp_path / "whole.cues.json")
    assert "heard: 4 of 4" in say(scored.health.notes[0])
    assert [(piece.first_rep, piece.last_rep) for piece in scored.pieces] == [(0, 3)]
    assert [verdict.rep for verdict in scored.verdicts if not verdict.void] == [0, 1, 2, 3]
