"""Three minutes of a group session in real time: two lanes, a microphone channel each, on the virtual sound card."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path
from statistics import median

import pytest

from drilltimer.audio.stream import SoundCard
from drilltimer.group.events import CoachNotice, ScoredRep
from drilltimer.group.run import conduct, load_plan, run_group
from drilltimer.score.match import correction_ms

pytestmark = pytest.mark.audio
PLAYERS = Path(__file__).parent.with_name("lane_players.py")


def test_three_minutes_on_two_channels(sound_card, tmp_path, monkeypatch):
    monkeypatch.setenv("DRILLTIMER_HOME", str(tmp_path / "home"))
    loaded = load_plan("two-lanes")
    process = subprocess.Popen(
        [sys.executable, str(PLAYERS), "130", "190", "--noise-db", "-66"], stdout=subprocess.PIPE, text=True
    )
    try:
        assert process.stdout.readline() == "ready\n"
        card = SoundCard("dt_lanes", "dt_lanes", input_channels=2)
        session = conduct(loaded, card.rate_hz, seed=3)
        events, troubles = [], []
        outcome = run_group(session, card, on_event=events.append, on_trouble=troubles.append)
    finally:
        process.terminate()
        process.communicate(timeout=5)
    assert outcome.fault is None
    assert not troubles
    assert not [event for event in events if isinstance(event, CoachNotice)]
    assert (session.now - session.zero) / card.rate_hz == pytest.approx(loaded.course.end_s, abs=3.0)
    scored = [event for event in events if isinstance(event, ScoredRep) and not event.rep.withheld]
    assert {each.player for each in scored} == {0, 1, 2, 3}
    # The rig has no air: what the plan's distances take off is given back. Its ways to the program and to the players
    # differ by whole cycles of 21.3 ms, the same in both lanes, therefore the first lane tells where zero is.
    given_ms = correction_ms(loaded.plan.stations[0].placement)
    lanes = [[each.verdict for each in scored if each.station == station] for station in (0, 1)]
    heard = [[v.touchdown_ms + given_ms for v in own if v.touchdown_ms is not None] for own in lanes]
    zero_ms = median(heard[0]) - 130.0
    assert abs(zero_ms) < 22.0
    for own, times_ms, delay_ms in zip(lanes, heard, (130.0, 190.0), strict=True):
        right = [ms for ms in times_ms if abs(ms - zero_ms - delay_ms) < 10.0]
        assert len(own) >= 8
        assert len(right) >= 0.7 * len(own)
        assert len(times_ms) - len(right) <= 0.15 * len(own)
        assert median(right) - zero_ms == pytest.approx(delay_ms, abs=3.0)


def test_a_coach_in_a_terminal_is_asked_whether_the_level_is_comfortable(sound_card, tmp_path, monkeypatch):
    monkeypatch.setenv("DRILLTIMER_HOME", str(tmp_path / "home"))
    pexpect = pytest.importorskip("pexpect", reason="pip install pexpect")
    program = ["-c", "from drilltimer.cli import main; main()", "group", "run", "two-lanes", "--plain"]
    card = ["--input", "dt_lanes", "--output", "dt_lanes", "--seed", "3"]
    session = pexpect.spawn(sys.executable, [*program, *card], timeout=40, encoding="utf-8", dimensions=(40, 200))
    session.expect("Comfortable")
    session.sendline("-")
    session.expect("Comfortable")
    session.sendline("")
    session.expect("0:00  ")
    session.sendintr()
    session.expect("ended early")
    session.expect(pexpect.EOF)
    session.close()
    assert session.exitstatus == 130


def test_so_is_a_player_of_live_feeding_unless_nothing_is_told(sound_card, tmp_path, monkeypatch):
    monkeypatch.setenv("DRILLTIMER_HOME", str(tmp_path / "home"))
    pexpect = pytest.importorskip("pexpect", reason="pip install pexpect")
    program = [
        "-c",
        "from drilltimer.cli import main; main()",
        "feed",
        "--plain",
        "--input",
        "dt_room",
        "--output",
        "dt_room",
    ]

    def session(*more):
        return pexpect.spawn(sys.executable, [*program, *more], timeout=40, encoding="utf-8", dimensions=(40, 200))

    asking = session()
    asking.expect("Comfortable")
    asking.sendline("")
    asking.expect("rep +")
    asking.sendintr()
    asking.expect("ended early|interrupted")
    asking.close()
    silent = session("--feedback", "none")
    silent.expect("rep +")
    assert "Comfortable" not in silent.before
    silent.close(force=True)
