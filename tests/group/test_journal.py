"""What a group session leaves in the history of each of its players."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from words import Words

from drilltimer.drill.language import load_drill
from drilltimer.group.events import ScoredRep
from drilltimer.group.journal import GroupJournal
from drilltimer.group.language import read_group_plan
from drilltimer.group.run import GroupOutcome, LoadedPlan, conduct
from drilltimer.group.timeline import lay_out
from drilltimer.history.queries import reps, session, session_lines
from drilltimer.history.run import open_history
from drilltimer.model import Block, Health, Placement
from drilltimer.session import Ended

RATE_HZ = 8_000  # of a silent hall: every rep is void, and kept like any other
DRILL = "name: Quick\nreps: 20\nlead_in: {kind: swing, length_s: 0.4}\nrhythm: {interval_s: 2.0, rally: 20}\n"
PLAN = """\
name: Two distances
players: [Ann, Bo]
place: {speaker_m: 3, microphone_m: 3, speaker_to_microphone_m: 0.3}
stations:
  - {name: home, drill: quick, microphone: 1}
  - {name: far, drill: quick, microphone: 2, place: {speaker_m: 6, microphone_m: 2, speaker_to_microphone_m: 5}}
work_s: 20
change_s: 12
rounds: 1
"""
HOME, FAR = Placement(3.0, 3.0, 0.3), Placement(6.0, 2.0, 5.0)


def hold(text):
    """Hold a session of the plan in silence; answers what was scored, and the sessions kept, each with its reps."""
    plan, tree = read_group_plan(text, "plan.yaml")
    drills = {"quick": load_drill(DRILL, "quick.yaml")}
    group = conduct(LoadedPlan("plan.yaml", tree, plan, drills, lay_out(plan)), RATE_HZ, seed=5)
    told, events, frame = Words(), [], 0
    journal = GroupJournal(group, drills, SimpleNamespace(rate_hz=RATE_HZ), True, 5, told.append)
    while not any(isinstance(event, Ended) for event in events):
        silence = np.zeros((800, 2), np.float32)
        events = group.feed(Block(frame, silence, silence))
        frame += len(silence)
        for event in events:
            if isinstance(event, ScoredRep):
                journal.rep(event)
    journal.end(GroupOutcome(session=group, health=Health()))
    with open_history() as history:
        numbers = sorted(line.number for line in session_lines(history))
        kept = [(session(history, number), [each.rep.index for each in reps(history, number)]) for number in numbers]
    return group.results, kept, told


@pytest.fixture(autouse=True)
def own_home(tmp_path, monkeypatch):
    monkeypatch.setenv("DRILLTIMER_HOME", str(tmp_path))


def test_a_player_s_session_is_kept_with_the_distances_of_the_station_and_not_the_plan_s():
    results, kept, _ = hold(PLAN + "rotation: [[1, 2]]\n")
    assert {each.station for each in results} == {0, 1}
    assert {entry.player: entry.placement for entry, _ in kept} == {"Ann": HOME, "Bo": FAR}


def test_who_lands_at_two_distances_has_a_session_of_each():
    results, kept, told = hold(PLAN)
    asked = {
        (name, place): [each.rep.index for each in results if (each.player, each.station) == (player, station)]
        for player, name in enumerate(("Ann", "Bo"))
        for station, place in enumerate((HOME, FAR))
    }
    assert all(asked.values())
    assert {(entry.player, entry.placement): indices for entry, indices in kept} == asked
    assert [entry.ending for entry, _ in kept] == ["done"] * 4
    assert told == ["kept under the players' names (session 1-4); 'drilltimer history NAME' shows them"]


def test_stations_at_one_distance_make_one_session_of_a_player():
    _, kept, _ = hold(PLAN.replace(", place: {speaker_m: 6, microphone_m: 2, speaker_to_microphone_m: 5}", ""))
    assert sorted(entry.player for entry, _ in kept) == ["Ann", "Bo"]
