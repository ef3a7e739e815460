"""The sound check as a whole, in the simulated room: what it says aloud, and what it leaves for sessions."""

from __future__ import annotations

import time
from datetime import date, datetime, timedelta

import numpy as np
import pytest

from drilltimer.app.check import HOP_LEAD_S, HOP_WORD, HOPS, run_check
from drilltimer.app.open import open_room
from drilltimer.cli.check import today
from drilltimer.hear.net import MARK
from drilltimer.model import Placement

PLACE = Placement(3.0, 3.0, 0.3)


class Overheard:
    """A simulated room, and what was played in it."""

    def __init__(self):
        self._room, self.plays = open_room("metronome", 1, PLACE, 0.0), []

    def __getattr__(self, name):
        return getattr(self._room, name)

    def play(self, start, sound, cue, rep=None):
        self.plays.append((start, len(sound.samples), cue))
        self._room.play(start, sound, cue, rep)


@pytest.fixture(autouse=True)
def own_home(tmp_path, monkeypatch):
    monkeypatch.setenv("DRILLTIMER_HOME", str(tmp_path))


@pytest.mark.long
def test_hops_are_asked_for_aloud_with_time_to_get_there():
    room = Overheard()
    checked = run_check(room, PLACE, real_time=False)
    word = next(place for place, (_, _, cue) in enumerate(room.plays) if cue.sound == HOP_WORD)
    start, frames, _ = room.plays[word]
    hops = [at for at, _, cue in room.plays[word + 1 :] if cue.sound == "smack"]
    assert len(hops) == HOPS
    assert hops[0] - (start + frames) >= HOP_LEAD_S * room.rate_hz
    earlier_ends = [at + length for at, length, _ in room.plays[:word]]
    assert start >= max(earlier_ends) + 0.4 * room.rate_hz
    assert checked.result == "good"


@pytest.mark.long
def test_a_language_without_the_word_asks_on_the_screen_alone():
    room, steps = Overheard(), []
    checked = run_check(room, PLACE, real_time=False, language="xx", on_step=steps.append)
    assert HOP_WORD not in {cue.sound for _, _, cue in room.plays}
    assert steps == ["silence", "cues", "hops"]
    assert checked.hops.heard == HOPS


@pytest.mark.long
def test_what_the_hops_sounded_like_is_left_for_sessions_and_a_short_check_has_none():
    checked = run_check(Overheard(), PLACE, real_time=False)
    assert len(checked.landings) == 1  # channel
    assert len(checked.landings[0]) >= HOPS - 1
    assert all(len(each.mark) == MARK for each in checked.landings[0])
    assert np.ptp([each.mark for each in checked.landings[0]], axis=0).max() > 0.0  # each its own
    assert run_check(Overheard(), PLACE, real_time=False, short=True).landings == ()


@pytest.mark.skipif(not hasattr(time, "tzset"), reason="needs a time zone of its own, which Windows does not give")
@pytest.mark.parametrize(
    ("zone", "evening", "morning"),
    [
        ("UTC0", "2026-11-29T23:59:59+00:00", "2026-11-30T00:00:00+00:00"),
        ("NZST-13", "2026-11-29T10:59:59+00:00", "2026-11-29T11:00:00+00:00"),  # midnight in the UTC day's middle
        ("HST10", "2026-11-30T09:59:59+00:00", "2026-11-30T10:00:00+00:00"),
    ],
)
def test_a_day_of_sound_checks_ends_at_midnight_where_the_player_is(monkeypatch, zone, evening, morning):
    """Elsewhere a second session of an afternoon was asked for its check again, and the next morning's was not."""
    monkeypatch.setenv("TZ", zone)
    time.tzset()
    try:
        days = [today(datetime.fromisoformat(moment)) for moment in (evening, morning)]
        at_noon = {today(datetime.fromisoformat(evening) - timedelta(hours=hours)) for hours in range(24)}
    finally:
        monkeypatch.undo()
        time.tzset()
    assert days[0] < days[1]
    assert at_noon == {days[0]}
    assert all(date.fromisoformat(day).isoformat() == day for day in days)
