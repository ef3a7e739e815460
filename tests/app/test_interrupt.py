"""A request to end gets through, even where Python drops the exception that it raises."""

from __future__ import annotations

import signal

import pytest

from drilltimer.app.check import run_check
from drilltimer.app.interrupt import end_if_asked, forget_request, take_requests
from drilltimer.app.live import run_live
from drilltimer.app.open import open_room
from drilltimer.app.plan import make_plan
from drilltimer.errors import DeviceError
from drilltimer.feeding.run import Asked, run_feed
from drilltimer.feeding.spots import placed
from drilltimer.model import Placement, Window

PLACE = Placement(3.0, 3.0, 0.3)
DRILL = "name: Long\nreps: 40\nrhythm: {interval_s: 1.5, rally: 40}\n"


class Finaliser:
    """Asks for an end while it is being finalised, where no exception is passed on."""

    def __del__(self):
        signal.raise_signal(signal.SIGINT)


class RoomWithRequest:
    """A simulated room; at the chosen block comes a request to end that Python drops."""

    def __init__(self, at_block):
        self._room, self._left = open_room("club", 1, PLACE, 0.0), at_block
        self.reads_after = 0

    def __getattr__(self, name):
        return getattr(self._room, name)

    def read(self):
        self.reads_after += self._left < 0
        self._left -= 1
        if self._left == 0:
            Finaliser()
            self._left = -1
        return self._room.read()


@pytest.fixture(autouse=True)
def requests(tmp_path, monkeypatch):
    monkeypatch.setenv("DRILLTIMER_HOME", str(tmp_path))
    take_requests()


pytestmark = pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")  # the dropped exception


def test_python_drops_it_and_it_is_asked_for_again():
    Finaliser()
    with pytest.raises(KeyboardInterrupt):
        end_if_asked()
    forget_request()
    end_if_asked()


def test_a_session_ends_at_the_next_block(tmp_path):
    path = tmp_path / "long.yaml"
    path.write_text(DRILL)
    room = RoomWithRequest(200)
    outcome = run_live(make_plan(str(path), 1), room, PLACE, on_rep=lambda *_: None, on_trouble=pytest.fail)
    assert outcome.interrupted
    assert room.reads_after == 0
    end_if_asked()  # nothing is left for the next session


def test_so_does_one_that_waits_for_its_device(tmp_path):
    path = tmp_path / "long.yaml"
    path.write_text(DRILL)

    class Unplugged(RoomWithRequest):
        def read(self):
            raise DeviceError("unplugged")

    def away():
        Finaliser()
        raise DeviceError("still away")

    troubles = []
    outcome = run_live(
        make_plan(str(path), 1),
        Unplugged(0),
        PLACE,
        reopen=away,
        wait_s=30.0,
        on_rep=lambda *_: None,
        on_trouble=troubles.append,
    )
    assert outcome.interrupted
    assert [each.key for each in troubles] == ["paused"]


def test_so_does_live_feeding():
    room = RoomWithRequest(200)
    asked = Asked("rally", placed(), Window(100.0, 160.0, 220.0))
    fed = run_feed(asked, room, length_s=60.0, on_rep=lambda *_: None, on_trouble=pytest.fail)
    assert fed.interrupted
    assert room.reads_after == 0


@pytest.mark.parametrize("at_block", [20, 700])  # in its course, and among the hops
def test_so_does_a_sound_check(at_block):
    room = RoomWithRequest(at_block)
    with pytest.raises(KeyboardInterrupt):
        run_check(room, PLACE, real_time=False)
    assert room.reads_after == 0


def test_what_whoever_started_us_ignores_stays_ignored():
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    take_requests()
    assert signal.getsignal(signal.SIGINT) is signal.SIG_IGN
