"""A group session as a state machine: what sounds at which frame, and what a coach's keys do to it."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from words import say

from drilltimer.drill.language import load_drill
from drilltimer.errors import notice
from drilltimer.group.contacts import TURN_CHANGE_S, lay_contacts, lay_turns
from drilltimer.group.events import Begun, CoachNotice, Moved, Say, ScoredRep
from drilltimer.group.language import read_group_plan
from drilltimer.group.run import LoadedPlan, conduct, load_plan
from drilltimer.group.scoreboard import board_of
from drilltimer.group.scoring import score_rep
from drilltimer.group.timeline import lay_out
from drilltimer.model import Block, Grade, Heard, Landing, Onset
from drilltimer.score.match import correction_ms
from drilltimer.session import Ended, Play, Silence
from drilltimer.ui.lines import BY_KEY

RATE_HZ = 8_000  # sounds are made at any rate; this one is quick
DRILL = """\
name: Quick
reps: 20
lead_in: {kind: swing, length_s: 0.4}
rhythm: {interval_s: 2.0, rally: 20}
"""
PLAN = """\
name: Small
players: 4
stations:
  - {drill: quick, microphone: 1}
  - {exercise: shuffle}
work_s: 20
change_s: 12
round_rest_s: 15
rounds: 2
"""


def make(text=PLAN, **changes):
    plan, tree = read_group_plan(text, "plan.yaml")
    plan = dataclasses.replace(plan, **changes)
    drills = {"quick": load_drill(DRILL, "quick.yaml")}
    return conduct(LoadedPlan("plan.yaml", tree, plan, drills, lay_out(plan)), RATE_HZ, seed=5)


class Run:
    """Feeds silence and keeps what is asked for, each with the frame at which it was asked."""

    def __init__(self, session):
        self.session, self.frame, self.events, self.over = session, 0, [], False

    def until(self, time_s):
        end = session_frame(self.session, time_s)
        while self.frame < end and not self.over:
            block = Block(self.frame, np.zeros((400, 2), np.float32), np.zeros((400, 1), np.float32))
            self.frame += 400
            self.keep(self.session.feed(block))
        return self

    def keep(self, events):
        self.events += [(self.frame, event) for event in events]
        self.over = self.over or any(isinstance(event, Ended) for event in events)

    def of(self, kind):
        return [event for _, event in self.events if isinstance(event, kind)]

    def words(self):
        """(time, word) of everything that was said and not taken back, by the moment of each word."""
        said = []
        for at, event in self.events:
            if isinstance(event, Silence):
                said = [each for each in said if each[0] < at]
            elif isinstance(event, Say):
                said.append((event.start + event.sound.anchor, event.cue.sound))
        return [(round((at - self.session.zero) / RATE_HZ, 4), word) for at, word in said]

    def contacts(self):
        kept = []
        for at, event in self.events:
            if isinstance(event, Silence):
                kept = [play for play in kept if play.start < at]
            elif isinstance(event, Play) and event.cue.role == "contact":
                kept.append(event)
        return kept


def session_frame(session, time_s):
    return session.zero + round(time_s * RATE_HZ)


# Work: 8-28, 40-60, (rest) 75-95, 107-127; finished at 127, free at 130.


def test_words_and_contacts_fall_on_their_frames():
    run = Run(make()).until(200)
    words = run.words()
    starts = [at for at, word in words if word == "go"]
    assert starts == [8.0, 40.0, 75.0, 107.0]
    for start in starts:
        assert {(start - 3, "three"), (start - 2, "two"), (start - 1, "one")} <= set(words)
    assert [at for at, word in words if word == "change" and at in (28.0, 95.0)] == [28.0, 95.0]
    assert (60.0, "rest") in words
    assert (127.0, "finished") in words
    assert [word for at, word in words if 60 < at < 70] == ["last round", "half way"]
    assert [word for at, word in words if at > 127] == ["well done"]
    for play in run.contacts():
        rep = play.rep
        assert play.start == session_frame(run.session, rep.contact_s)
        assert play.start - run.session.zero == round(rep.contact_s * RATE_HZ)
    assert isinstance(run.events[-1][1], Ended)
    assert run.events[-1][0] == pytest.approx(session_frame(run.session, 130.0), abs=400)


def test_the_next_player_is_called_and_each_rep_is_the_player_s_whose_turn_it_is():
    run = Run(make()).until(60)
    calls = [(at, word) for at, word in run.words() if word in ("one", "two", "three", "four") and at % 1]
    # squads (1, 2) and (3, 4): player 1 before the first countdown, 2 in the middle, then 4 walks in... the other squad
    assert [word for _, word in calls] == ["one", "two", "three", "four"]
    assert 3.0 < calls[0][0] < 5.0
    assert 8 + 8 < calls[1][0] < 8 + 8 + TURN_CHANGE_S
    scored = run.of(ScoredRep)
    for each in scored:
        first_half = (each.rep.contact_s - 8) % 32 < 10
        squad = (0, 1) if each.rep.contact_s < 30 else (2, 3)
        assert each.player == squad[0 if first_half else 1]
    assert {each.player for each in scored} == {0, 1, 2, 3}
    counts = [sum(each.player == player for each in scored) for player in range(4)]
    assert max(counts) - min(counts) <= 1
    assert min(counts) >= 3


def test_a_recorded_name_is_called_by_name(tmp_path, monkeypatch):
    import soundfile

    monkeypatch.setenv("DRILLTIMER_HOME", str(tmp_path))
    (tmp_path / "sounds/en").mkdir(parents=True)
    soundfile.write(tmp_path / "sounds/en/ann.wav", 0.3 * np.sin(np.arange(4000)), 8000)
    run = Run(make(PLAN.replace("players: 4", "players: [Bo, Ann, Cy]"))).until(30)
    assert [word for at, word in run.words() if at % 1 and word in ("one", "ann", "two")] == ["one", "ann"]


def test_pause_cuts_at_once_and_what_is_left_goes_on_after_a_countdown():
    run = Run(make()).until(14)
    run.session.pause(BY_KEY)
    run.until(44)
    pauses = [at for at, event in run.events if isinstance(event, Silence)]
    assert pauses[0] == pytest.approx(session_frame(run.session, 14), abs=800)
    voids = [event for event in run.of(ScoredRep) if event.verdict.void == BY_KEY]
    assert len(voids) <= 2
    assert all(event.verdict.grade is Grade.VOID for event in voids)
    assert not [play for play in run.contacts() if play.start > session_frame(run.session, 14.5)]
    assert board_of(run.session, RATE_HZ).paused == BY_KEY
    run.session.resume()
    run.until(200)
    starts = [at for at, word in run.words() if word == "go"]
    # 14 of 20 s were left at 14 s; resumed at 44 s, work goes on at 49 s and ends at 63 s: everything is 35 s later
    assert starts == pytest.approx([8.0, 49.0, 75.0, 110.0, 142.0], abs=0.11)
    indices = [play.rep.index for play in run.contacts()]
    assert len(indices) == len(set(indices))


APART = PLAN.replace(
    "  - {drill: quick, microphone: 1}",
    "  - {drill: quick, microphone: 1, place: {speaker_m: 9, microphone_m: 1, speaker_to_microphone_m: 8}}",
)


def test_a_station_s_own_place_is_what_its_landings_are_scored_by():
    home, apart = (Run(make(text)).until(40.0).session for text in (PLAN, APART))
    errors_ms = []
    for session in (home, apart):
        running = session.running
        rep = next(iter(running.reps))
        at = session.zero + running.reps[rep].contact_s * RATE_HZ
        landing = Landing(Onset(at + 0.2 * RATE_HZ, -20.0, 1.0))
        scored = score_rep(
            Heard(rep, Onset(at, -10.0, 1.0), True, landing), running, session.plan, session.lanes, RATE_HZ
        )
        assert scored is not None
        errors_ms.append(scored.verdict.error_ms)
    by_distance_ms = correction_ms(apart.plan.stations[0].placement) - correction_ms(home.plan.placement)
    assert abs(by_distance_ms) > 5
    assert errors_ms[0] - errors_ms[1] == pytest.approx(by_distance_ms)


def test_skip_leads_to_the_next_stage():
    run = Run(make()).until(14)
    run.session.skip()
    run.until(60)
    assert [at for at, word in run.words() if word == "go"] == pytest.approx([8.0, 26.0, 61.0], abs=0.11)
    assert say(board_of(run.session, RATE_HZ).stage) == "round 2 of 2, interval 1 of 2"


def test_skip_of_the_last_stage_ends_in_order():
    run = Run(make(rounds=1)).until(45)
    run.session.skip()
    run.until(80)
    assert isinstance(run.events[-1][1], Ended)
    assert [word for at, word in run.words() if at > 44] == ["finished", "well done"]


def test_repeat_does_the_stage_once_more():
    run = Run(make()).until(20)
    run.session.repeat()
    run.until(49)
    starts = [at for at, word in run.words() if word == "go"]
    assert starts == pytest.approx([8.0, 28.0], abs=0.11)
    assert [event.stage.place for event in run.of(Begun)] == [0, 0, 1]
    indices = [play.rep.index for play in run.contacts()]
    assert len(indices) == len(set(indices))


def test_extend_adds_work_and_contacts_until_the_change_is_called():
    plain = len(Run(make()).until(39).contacts())
    run = Run(make()).until(20)
    assert run.session.extend()
    run.until(54)
    assert len(run.contacts()) == pytest.approx(plain + 7, abs=1)
    assert (43.0, "change") in run.words()
    assert board_of(run.session, RATE_HZ).left_s == pytest.approx(1.0, abs=0.1)  # the change-over, until 55
    late = Run(make()).until(26)
    assert not late.session.extend()
    late.until(27)
    assert late.of(CoachNotice)[-1].what == notice("too_late")


@pytest.mark.parametrize("limit_s", [131.0, 150.0])
def test_the_end_never_passes_the_limit_whatever_a_coach_does(limit_s):
    run = Run(make(time_limit_s=limit_s)).until(10)
    run.session.extend()
    run.until(45)
    run.session.pause(BY_KEY)
    run.until(60)
    run.session.resume()
    run.until(70)
    run.session.repeat()
    run.until(400)
    assert isinstance(run.events[-1][1], Ended)
    assert run.frame <= session_frame(run.session, limit_s) + 800
    assert any(event.what.key == "no_time" for event in run.of(CoachNotice))


def test_two_sides_have_contacts_of_their_own_by_turns():
    text = PLAN.replace(
        "  - {drill: quick, microphone: 1}\n",
        "  - {drill: quick, microphone: 1, side: left}\n  - {drill: quick, microphone: 2, side: right}\n",
    )
    run = Run(make(text)).until(39)
    plays = run.contacts()
    assert {(play.cue.sound, play.cue.pan) for play in plays} == {("knock", -1.0), ("snap", 1.0)}
    for each in run.of(ScoredRep):
        sound = next(play.cue.sound for play in plays if play.rep.index == each.rep.index)
        assert each.station == (0 if sound == "knock" else 1)


def test_turns_are_equal_and_their_reps_lie_inside():
    session = make()
    stage = lay_out(session.plan).stages[0]
    turns = lay_turns(session.plan, stage)
    assert [turn.closes_s - turn.opens_s for turn in turns] == pytest.approx([8.0, 8.0])
    contacts = lay_contacts(session.plan, turns, load_drill(DRILL, "x"), 1, 100)
    assert [rep.index for rep in contacts.reps] == list(range(100, 100 + len(contacts.reps)))
    for rep in contacts.reps:
        turn = turns[contacts.turn_of[rep.index]]
        assert turn.opens_s <= rep.start_s < rep.end_s <= turn.closes_s


def test_a_player_s_own_level_judges():
    run = Run(make(PLAN.replace("players: 4", "players: [{name: a, level: advanced}, b, c, d]"))).until(30)
    windows = {each.player: each.rep.window for each in run.of(ScoredRep)}
    assert (windows[0].open_ms, windows[0].close_ms) == (120.0, 200.0)
    assert (windows[1].open_ms, windows[1].close_ms) == (100.0, 220.0)


def test_a_drill_that_is_not_there_is_told_at_its_line(tmp_path):
    path = tmp_path / "plan.yaml"
    path.write_text(PLAN.replace("drill: quick", "drill: steady-contakt"))
    with pytest.raises(Exception, match=r"plan.yaml:4:13: stations\[1\].drill: .*did you mean 'steady-contact'"):
        load_plan(str(path))


def players_scored(run, from_s, to_s):
    times = [(each.rep.contact_s, each.player) for each in run.of(ScoredRep)]
    return {player for at_s, player in times if from_s <= at_s < to_s}


def test_whoever_is_taken_out_is_scored_no_more_and_nobody_else_moves():
    whole = Run(make()).until(200)
    run = Run(make()).until(10)
    first = next(player for player in sorted(players_scored(whole, 8, 28)))
    move = run.session.move(first)
    assert (move.player, move.inside) == (run.session.plan.players[first].name, False)
    run.until(200)
    assert first not in players_scored(run, 11, 130)
    others = set(range(4)) - {first}
    for interval in ((40, 60), (75, 95), (107, 127)):
        assert players_scored(run, *interval) == players_scored(whole, *interval) & others
    assert [event.move for event in run.of(Moved)] == [move] == run.session.roster.moves
    assert [each.inside for each in board_of(run.session, RATE_HZ).roster] == [each != first for each in range(4)]


def contacts_s(run, from_s, to_s):
    times = [(play.start - run.session.zero) / RATE_HZ for play in run.contacts()]
    return [at_s for at_s in times if from_s <= at_s < to_s]


@pytest.mark.parametrize(("at_s", "last_s"), [(3.0, 0.0), (11.0, 13.2)])
def test_a_turn_that_nobody_is_left_in_falls_silent_and_the_next_one_comes_as_it_would(at_s, last_s):
    whole, run = Run(make()).until(60), Run(make()).until(at_s)
    first, second = whole.session.roster.seated(whole.of(Begun)[0].stage).seats.stations[0]
    run.session.move(first)
    assert [event.silences for event in run.session.take_events() if isinstance(event, Moved)] == [True]
    run.until(15).session.pause(BY_KEY)
    run.session.resume()
    shift_s = run.session.now / RATE_HZ - run.session.zero / RATE_HZ - 15.0 + 5.0
    run.until(60)
    turns = [18.0, 28.0]  # of the second one
    assert all(at < last_s for at in contacts_s(run, 0, 15.0 + shift_s + 1.0))
    later = [at - shift_s for at in contacts_s(run, *(at + shift_s for at in turns))]
    assert later == pytest.approx(contacts_s(whole, *turns), abs=0.01)
    assert {second} == {player for player in players_scored(run, 0, 28 + shift_s) if player != first}


def test_the_word_to_change_is_not_said_for_a_turn_that_nobody_is_left_in():
    whole, run = Run(make()).until(30), Run(make()).until(9.0)
    second = whole.of(Begun)[0].stage.seats.stations[0][1]
    changes = [at for at, word in whole.words() if word == "change" and 8 < at < 28]
    assert len(changes) == 1
    run.session.move(second)
    run.session.extend()
    run.until(42)
    assert [at for at, word in run.words() if word == "change" and 8 < at < 42] == []
    assert contacts_s(run, 18.0, 42.0) == []
    assert contacts_s(run, 8.0, 16.0) == contacts_s(whole, 8.0, 16.0)


def test_work_that_is_lengthened_after_its_last_contact_is_heard_as_well():
    run = Run(make()).until(23.0)
    run.session.running.unheard.clear()  # all are judged
    assert run.session.extend()
    assert run.session.running.unheard


def test_whoever_is_brought_back_works_from_the_next_change_on():
    run = Run(make()).until(10)
    whole = Run(make()).until(200)
    there = {interval: players_scored(whole, *interval) for interval in ((8, 28), (40, 60), (75, 95), (107, 127))}
    first = min(there[8, 28])
    run.session.move(first)
    run.until(32)  # the change-over
    assert run.session.move(first).inside
    run.until(200)
    for interval in ((40, 60), (75, 95), (107, 127)):
        assert players_scored(run, *interval) == there[interval]


def test_somebody_new_gets_a_number_and_a_place():
    run = Run(make()).until(10)
    move = run.session.move(4)
    assert (move.player, move.inside) == ("5", True)
    assert run.session.move(6) is None  # nobody has come before that one
    run.until(200)
    assert len(run.session.plan.players) == 5
    seated = [stage.seats for stage in (event.stage for event in run.of(Begun))]
    assert not any(4 in squad for squad in seated[0].stations)
    assert all(any(4 in squad for squad in each.stations) or 4 in each.resting for each in seated[1:])
    assert 4 in players_scored(run, 40, 130)


def test_nobody_moves_after_the_end():
    run = Run(make()).until(200)
    assert run.session.move(0) is None


WARM_UP = """\
name: Warm
players: 3
warm_up:
  - {movement: Side shuffle, work_s: 40}
  - {movement: crab walk, work_s: 25, rest_s: 12}
  - {drill: quick, work_s: 20, rest_s: 12}
"""


def test_each_exercise_of_a_warm_up_is_named_before_it_begins_and_its_last_seconds_are_told():
    run = Run(make(WARM_UP)).until(200)
    words = run.words()
    begins = [at for at, word in words if word == "go"]
    assert len(begins) == 3
    for start, name in zip(begins, ("side shuffle", "next exercise", "hop in time with each contact"), strict=True):
        said = [at for at, word in words if word == name]
        assert len(said) == 1
        assert start - 15 < said[0] < start - 3
    assert [at for at, word in words if word == "ten seconds"] == [begins[0] + 30]  # the second one is short
    assert len([at for at, word in words if word == "change"]) == 2
