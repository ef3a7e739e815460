"""Live feeding in a real terminal, with a simulated feeder: what the board shows, and the coach's keys."""

from __future__ import annotations

import json
import re

import pytest
from terminals import Terminal

pytestmark = pytest.mark.long


@pytest.fixture
def feed(tmp_path):
    opened = []

    def start(*options, **settings):
        arguments = ["feed", "--simulate", "expert", "--seed", "3", "--play", "feed", *options]
        opened.append(Terminal(arguments, DRILLTIMER_HOME=str(tmp_path), **settings))
        return opened[-1]

    yield start
    for each in opened:
        each.program.close(force=True)


@pytest.mark.parametrize("size", [(80, 24), (40, 12)])
def test_a_board_shows_level_time_and_the_last_touchdown_and_obeys_the_coach(feed, size):
    window = feed("--speed", "8", "--player", "Kim", columns=size[0], rows=size[1])
    window.until(r"contact 0 +0:0\d")
    window.until(r"contact [1-9]\d* +0:\d\d")
    window.until(r"[<=>«] (early|on time|late|before contact) [<=>«]|NOT|missed|listening")
    if size[1] > 20:
        assert re.search(r"in +-?\d+ dB", window.text)
        assert "the coach saw: e early" in window.text
    window.program.send("l")
    window.until("coach: late")
    window.program.send("v")
    window.until("v takes it back")
    window.program.send("?")
    window.until("coach saw early, on time, late")
    window.program.send("q")
    assert window.finish() == 0
    listed = window.raw.decode().rpartition("\x1b[?1049l")[2].replace("\r", "")
    assert re.search(r"^rep +touchdown +error", listed, re.MULTILINE)  # no call: nothing is called
    rows = [int(number) for number in re.findall(r"^ +(\d+) {2,}", listed, re.MULTILINE)]
    assert rows == list(range(1, len(rows) + 1))
    assert "coach: void" in listed
    assert "kept as session 1" in listed


def test_what_was_rehearsed_is_kept_as_simulated_and_heard_as_it_was(feed, tmp_path):
    window = feed("--speed", "0", "--minutes", "1.5", "--player", "Kim", "--json", "--feedback", "none")
    assert window.finish() == 0
    document = json.loads(re.search(r"\{.*\}", window.raw.decode().replace("\r", ""), re.DOTALL)[0])
    errors = [rep["error_ms"] for rep in document["reps"] if rep["error_ms"] is not None]
    assert len(document["reps"]) >= 8
    assert len(errors) >= 0.6 * len(document["reps"])
    assert abs(sorted(errors)[len(errors) // 2]) < 60.0  # an expert's
    shown = Terminal(["history", "1"], DRILLTIMER_HOME=str(tmp_path))
    assert shown.finish() == 0
    assert "simulated" in shown.text
