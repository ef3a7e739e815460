"""Touchdowns drawn as text against the window."""

from __future__ import annotations

from dataclasses import replace

import pytest

from drilltimer.model import Grade, Rep, Verdict, Window
from drilltimer.score.stats import summarize
from drilltimer.ui.lines import in_a_sentence
from drilltimer.ui.touchdowns import touchdown_lines
from drilltimer.ui.wording import english

WINDOW = Window(73.0, 133.0, 193.0)
REP = Rep(0, 0.0, 2.0, 1.0, (), None, WINDOW)


def judged(*touchdowns_ms):
    return [(replace(REP, index=n), _verdict(n, ms)) for n, ms in enumerate(touchdowns_ms)]


def _verdict(number, ms):
    inside = WINDOW.open_ms <= ms <= WINDOW.close_ms
    return Verdict(number, Grade.ON_TIME if inside else Grade.LATE, touchdown_ms=ms, error_ms=ms - WINDOW.centre_ms)


@pytest.mark.parametrize("ascii_only", [False, True])
@pytest.mark.parametrize("columns", [50, 80, 200])
def test_a_touchdown_stands_over_its_time_and_the_window_where_it_is(columns, ascii_only):
    *dots, axis, words = touchdown_lines(
        judged(133, 133, 133, 133, 190, 400), english(), columns, ascii_only=ascii_only
    )
    wide, dot = min(columns, 100), "o" if ascii_only else "●"
    assert len(axis) == wide
    assert "".join(dots).count(dot) == 6
    assert [line.rindex(dot) for line in dots[:3]] == [wide // 2] * 3  # the target is the middle, four at one place
    assert dots[-1].rstrip()[-1] == dot
    assert len(dots[-1].rstrip()) == wide  # beyond the axis, at its edge
    inside = [place for place, sign in enumerate(axis) if sign in "━="]
    assert inside[0] / wide == pytest.approx(0.5 - 60 / 500, abs=0.02)
    assert inside[-1] / wide == pytest.approx(0.5 + 60 / 500, abs=0.02)
    assert axis.index("|") / wide == pytest.approx(0.5 - 133 / 500, abs=0.02)
    assert "window 73 to 193 ms" in words
    assert all(len(line) <= wide for line in (*dots, words))
    assert all(ord(sign) < 128 for sign in axis) is ascii_only


def test_nothing_is_drawn_without_room_or_of_too_little():
    assert touchdown_lines(judged(*[133] * 5), english(), None) == []
    assert touchdown_lines(judged(*[133] * 5), english(), 49) == []
    assert touchdown_lines(judged(*[133] * 4), english(), 80) == []
    warm_up = [(replace(rep, warm_up=True), verdict) for rep, verdict in judged(*[133] * 5)]
    assert touchdown_lines(warm_up, english(), 80) == []


def test_many_at_one_place_share_their_dots():
    *dots, _, _, key = touchdown_lines(judged(*[133] * 17), english(), 80)
    assert len(dots) == 6
    assert key == "a dot stands for up to 3 touchdowns"


@pytest.mark.parametrize(
    ("errors_ms", "told"),
    [
        ([30, 34, 38, 32, 36], "You tend to land late, by 34 ms on average."),
        ([-30, -34, -38, -32, -36], "You tend to land early, by 34 ms on average."),
        ([-30, 30, -20, 20, 0], "You land about the target: no habit shows."),
        ([30, 34, 38, 32], "Too few landings were timed to tell of a habit."),
    ],
)
def test_a_habit_is_told_in_a_plain_sentence_as_far_as_it_is_more_than_chance(errors_ms, told):
    scores = summarize(_verdict(n, WINDOW.centre_ms + ms) for n, ms in enumerate(errors_ms))
    assert in_a_sentence(scores, english()) == told
