"""One clock over the loss of a device, and one session per device."""

from __future__ import annotations

import json
import os
from dataclasses import replace

import numpy as np
import pytest

from drilltimer.app.drive import LastingStream, soften_first
from drilltimer.app.live import run_live
from drilltimer.app.plan import make_plan
from drilltimer.audio.claim import Claim
from drilltimer.audio.settings import DeviceSettings, find_settings, keep_settings, load_settings, settings_file
from drilltimer.errors import DeviceError, UserError, notice
from drilltimer.group.run import conduct, load_plan, run_group
from drilltimer.model import Block, Cue, Health, LandingSound, Placement, Sound

BLOCK = 960
A_NOTE = notice("simulated")
CUE = Cue("contact", "click", 0.0)
CLICK = Sound("click", np.ones(4, np.float32), 48_000)


class Mortal:
    """A stream that ends after so many blocks."""

    input_channels = output_channels = 1

    def __init__(self, blocks, rate_hz=48_000, *, starts=True, worst_ms=1.0):
        self.rate_hz, self._left, self._starts, self._worst_ms = rate_hz, blocks, starts, worst_ms
        self._next, self.played, self.closed = 0, [], 0

    def start(self):
        if not self._starts:
            raise DeviceError("does not start")

    def play(self, start, sound, cue, rep=None):
        self.played.append(start)

    def silence(self):
        self.played.clear()

    def read(self):
        if not self._left:
            raise DeviceError("lost")
        self._left -= 1
        zeros = np.zeros((BLOCK, 1), np.float32)
        self._next += BLOCK
        return Block(self._next - BLOCK, zeros, zeros)

    def health(self):
        return Health(blocks=self._next // BLOCK, xruns=1, worst_callback_ms=self._worst_ms, notes=(A_NOTE,))

    def close(self):
        self.closed += 1


def read_all(stream):
    starts = []
    while True:
        try:
            starts.append(stream.read().start)
        except DeviceError:
            return starts


def test_frames_count_on_and_sounds_are_placed_on_the_new_streams_own_frames():
    first, second = Mortal(3, worst_ms=7.0), Mortal(2)
    stream = LastingStream(first, lambda: second)
    stream.start()
    stream.play(5000, CLICK, CUE)
    assert read_all(stream) == [0, 960, 1920]
    assert stream.reopen()
    stream.play(5000, CLICK, CUE)
    assert (first.played, second.played) == ([5000], [5000 - 3 * BLOCK])
    assert read_all(stream) == [2880, 3840]
    health = stream.health()
    assert (health.blocks, health.xruns, health.worst_callback_ms, health.notes) == (5, 2, 7.0, (A_NOTE,))
    stream.close()
    stream.close()
    assert (first.closed, second.closed) == (1, 1)
    assert stream.health().blocks == 5


def test_a_device_still_away_is_asked_for_again_and_counted_once():
    answers = [DeviceError("no such device"), Mortal(0, starts=False), Mortal(1)]

    def again():
        answer = answers.pop(0)
        if isinstance(answer, DeviceError):
            raise answer
        return answer

    stream = LastingStream(Mortal(2), again)
    read_all(stream)
    assert [stream.reopen() for _ in range(3)] == [False, False, True]
    assert stream.losses == 1
    assert read_all(stream) == [1920]
    assert stream.health().blocks == 3


def test_a_device_that_returns_at_another_rate_is_refused():
    other = Mortal(1, rate_hz=44_100)
    stream = LastingStream(Mortal(1), lambda: other)
    read_all(stream)
    with pytest.raises(DeviceError, match="came back at 44100 Hz instead of 48000 Hz"):
        stream.reopen()
    assert other.closed == 1


def test_without_a_way_back_a_loss_is_final():
    stream = LastingStream(Mortal(1))
    assert not stream.can_return
    assert not stream.reopen()


@pytest.fixture
def home(tmp_path, monkeypatch):
    monkeypatch.setenv("DRILLTIMER_HOME", str(tmp_path))
    return tmp_path


def test_a_claim_keeps_others_off_until_it_is_released(home):
    with Claim(["mic", "speaker"]):
        with pytest.raises(DeviceError, match=rf"'speaker' is in use by another session \(process {os.getpid()}\)"):
            Claim(["other mic", "speaker"])
        Claim(["other mic"]).release()  # the refused one holds nothing
    Claim(["mic", "speaker"]).release()


def test_one_device_on_both_sides_is_claimed_once(home):
    Claim(["desk", "desk"]).release()


def test_devices_of_two_sound_servers_are_two(home, monkeypatch):
    with Claim(["mic"]):
        monkeypatch.setenv("PIPEWIRE_RUNTIME_DIR", "elsewhere")
        Claim(["mic"]).release()


def test_a_state_folder_that_cannot_be_written_is_one_clear_error(home, monkeypatch):
    (home / "file").write_text("")
    monkeypatch.setenv("DRILLTIMER_HOME", str(home / "file"))
    with pytest.raises(UserError, match="cannot be written"):
        Claim(["mic"])


def settings(name, distance_m=3.0, volume_db=-6.0):
    return DeviceSettings(name, "speaker", "2026-11-25", "good", Placement(distance_m, distance_m), volume_db)


def test_device_settings_are_kept_by_pair_the_latest_first(home):
    assert load_settings() == []
    assert keep_settings(settings("a"))
    assert keep_settings(settings("b"))
    assert keep_settings(settings("a", 5.0))
    assert [(each.input_name, each.placement.player_to_mic_m) for each in load_settings()] == [("a", 5.0), ("b", 3.0)]
    assert find_settings("b", "speaker") == settings("b")
    assert find_settings("b", "other") is None


@pytest.mark.parametrize(
    "text",
    ["", "{", '{"devices": [{"input_name": "a"}]}', '{"devices": 3}', '{"schema": 2, "devices": [{"placement": []}]}'],
)
def test_broken_device_settings_count_as_none(home, text):
    settings_file().parent.mkdir(parents=True)
    settings_file().write_text(text)
    assert load_settings() == []
    assert keep_settings(settings("a"))
    assert load_settings() == [settings("a")]


class Listening(Mortal):
    """Writes down the gain of what it is given."""

    output_channels = 2

    def __init__(self):
        super().__init__(600)
        self.gains_db = []

    def play(self, start, sound, cue, rep=None):
        self.gains_db.append((cue.role, cue.gain_db))


def test_the_first_sound_of_a_session_is_soft_and_no_other():
    stream = Listening()
    outcome = run_live(
        make_plan("serve-return", 1), stream, Placement(), on_rep=lambda *_: None, on_trouble=lambda text: None
    )
    assert outcome.fault is not None
    assert len(stream.gains_db) >= 2
    assert stream.gains_db[0] == ("precue", -12.0)
    assert {gain_db for _, gain_db in stream.gains_db[1:]} == {0.0}
    assert stream.closed == 1


def test_the_first_word_to_a_group_is_soft_and_no_other():
    stream = Listening()
    session = conduct(load_plan("short-warm-up"), stream.rate_hz, seed=1)
    outcome = run_group(session, stream, on_event=lambda event: None, on_trouble=lambda text: None)
    assert outcome.fault is not None
    gains_db = [gain_db for _, gain_db in stream.gains_db]
    assert gains_db[0] == -12.0
    assert set(gains_db[1:]) == {0.0}


def test_a_contact_is_never_softened():
    soften = soften_first()
    assert soften(CUE) == CUE
    assert soften(replace(CUE, role="precue")).gain_db == 0.0


def test_a_device_that_opens_but_gives_nothing_is_still_away():
    """As behind a sound server that stands still."""
    dumb, alive = Mortal(0), Mortal(2)
    later = iter((dumb, alive))
    stream = LastingStream(Mortal(1), lambda: next(later))
    stream.start()
    assert read_all(stream) == [0]
    assert not stream.reopen()
    assert dumb.closed == 1
    assert stream.reopen()
    assert read_all(stream) == [960, 1920]


LANDINGS = ((LandingSound((1.0, -2.5)), LandingSound((0.0, 3.0))), ())


def test_the_hops_of_a_check_are_kept_and_hold_where_they_were_heard():
    here = Placement(3.0, 3.0, 0.3)
    keep_settings(DeviceSettings("mic", "speaker", "2026-11-25", "good", here, -6.0, LANDINGS))
    found = find_settings("mic", "speaker")
    assert found.landings == LANDINGS
    assert found.landings_at(here) == LANDINGS
    assert found.landings_at(replace(here, air_c=5.0)) == LANDINGS
    assert found.landings_at(replace(here, player_to_mic_m=6.0)) == ()


def test_settings_without_landings_are_read_and_newer_ones_are_not():
    keep_settings(DeviceSettings("mic", "speaker", "2026-11-25", "good", Placement(), -6.0, LANDINGS))
    document = json.loads(settings_file().read_text())
    for entry in document["devices"]:
        del entry["landings"]
    settings_file().write_text(json.dumps(document | {"schema": 1}))
    assert find_settings("mic", "speaker").landings == ()
    assert find_settings("mic", "speaker").volume_db == -6.0
    settings_file().write_text(json.dumps(document | {"schema": 3}))
    assert load_settings() == []
