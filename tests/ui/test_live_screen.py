"""The live screen's pace and its keys, with an injected clock and an injected session."""

from __future__ import annotations

import io
import os
import sys

import pytest
from rich.console import Console
from test_screen import SNAPSHOT

from drilltimer.errors import Quit
from drilltimer.model import Health
from drilltimer.score.feedback import Message
from drilltimer.ui.keys import PosixKeys
from drilltimer.ui.lines import BY_KEY
from drilltimer.ui.live import LiveScreen, obey
from drilltimer.ui.palette import DARK
from drilltimer.ui.wording import load_wording


class Recorder:
    """In the session's place: writes down what was asked of it."""

    def __init__(self, paused=""):
        self.paused, self.asked, self.snapshots = paused, [], 0

    def snapshot(self):
        self.snapshots += 1
        return SNAPSHOT

    def __getattr__(self, name):
        return lambda *arguments: self.asked.append((name, *arguments))


class Typed:
    def __init__(self, *typed):
        self.typed = list(typed)

    def pressed(self):
        return self.typed.pop(0) if self.typed else ""

    def __enter__(self):
        return self

    def __exit__(self, *_):
        return None


def screen(keys, now):
    console = Console(file=io.StringIO(), force_terminal=True, color_system="truecolor", width=80, height=24)
    return LiveScreen("Drill", load_wording(), DARK, console=console, keys=keys, now=now)


def test_no_more_than_ten_frames_a_second_are_drawn():
    clock = iter(range(10_000))
    now_s = [0.0]
    session = Recorder()
    with screen(Typed(), lambda: now_s[0]) as live:
        for step in clock:
            now_s[0] = step * 0.02  # a block every 20 ms
            if now_s[0] >= 10.0:
                break
            live.tick(session, Health)
    assert 90 <= session.snapshots <= 101


def test_a_key_is_answered_at_once():
    session = Recorder()
    with screen(Typed("", "f", ""), lambda: 5.0) as live:
        for _ in range(3):
            live.tick(session, Health)
    assert session.asked == [("request",)]
    assert session.snapshots == 2


@pytest.mark.parametrize(
    ("key", "asked"),
    [
        (" ", [("pause", BY_KEY)]),
        ("p", [("pause", BY_KEY)]),
        ("r", [("repeat_call",)]),
        ("F", [("request",)]),
        ("v", [("mark_void",)]),
        ("e", [("guess", Message.EARLY)]),
        ("o", [("guess", Message.ON_TIME)]),
        ("l", [("guess", Message.LATE)]),
        ("z", []),
        ("\n", []),
    ],
)
def test_keys(key, asked):
    session = Recorder()
    obey(key, session, load_wording())
    assert session.asked == asked


def test_space_goes_on_after_a_pause_and_q_ends():
    session = Recorder(paused="rest")
    obey(" ", session, load_wording())
    assert session.asked == [("resume",)]
    with pytest.raises(Quit):
        obey("q", session, load_wording())


def test_news_stand_on_the_screen_for_ten_seconds():
    file, now_s = io.StringIO(), [0.0]
    console = Console(file=file, force_terminal=True, color_system=None, width=80, height=24)
    with LiveScreen("Drill", load_wording(), DARK, console=console, keys=Typed(), now=lambda: now_s[0]) as live:
        shown = []
        for now_s[0] in (0.0, 0.01, 9.9, 10.2):
            if now_s[0] == 0.01:
                live.tell("paused: the device is gone\nPlug it in.")
            file.truncate(0)
            live.tick(Recorder(), Health)
            shown.append("paused: the device is gone" in file.getvalue())
            assert "Plug" not in file.getvalue()
    assert shown == [False, True, True, False]


def test_a_key_takes_news_away_and_what_it_tells_stands_instead():
    class Telling(Recorder):
        def pause(self, why):
            live.tell("something new")

    file = io.StringIO()
    console = Console(file=file, force_terminal=True, color_system=None, width=80, height=24)
    keys = Typed("", "z", " ")
    with LiveScreen("Drill", load_wording(), DARK, console=console, keys=keys, now=lambda: 0.0) as live:
        live.tell("something old")
        shown = []
        for _ in range(3):
            file.truncate(0)
            live.tick(Telling(), Health)
            shown.append(("something old" in file.getvalue(), "something new" in file.getvalue()))
    assert shown == [(True, False), (False, False), (False, True)]


@pytest.mark.skipif(sys.platform == "win32", reason="a POSIX terminal's keys")
def test_an_arrow_is_no_key_and_escape_is_one(monkeypatch):
    reading, writing = os.pipe()
    with open(reading) as stdin:
        monkeypatch.setattr(sys, "stdin", stdin)
        keys = PosixKeys()
        for typed, told in ((b"\x1b", "\x1b"), (b"\x1b[A", ""), (b"\x1bOP", ""), (b"12\r", "12\r")):
            os.write(writing, typed)
            assert keys.pressed() == told
        assert keys.pressed() == ""
    os.close(writing)
