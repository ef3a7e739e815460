"""Feedback schedules over whole seeded sessions: which rep is told what, and never near a cue."""

from __future__ import annotations

from bisect import bisect_right
from itertools import pairwise

import numpy as np
import pytest
from test_session import RATE_HZ, Script

from drilltimer.app.plan import load_bank, load_feedback, make_plan, with_feedback
from drilltimer.model import Block, Grade, Placement
from drilltimer.score.feedback import CLEARANCE_S, REMINDERS, is_told_when_faded
from drilltimer.session import Ended, Judged, Play, Session

BLOCK = 4800
DRILLS = ("serve-return", "baseline-rally", "steady-contact", "direction")


def run(drill, seed, kind):
    """A session heard by script, landings drawn around the window; answers its reps, judgements and plays."""
    plan = with_feedback(make_plan(drill, seed), kind)
    random = np.random.default_rng(seed)
    touchdowns_ms = {rep.index: float(random.normal(rep.window.centre_ms + 20, 70)) for rep in plan.reps}
    bank = load_bank(plan, RATE_HZ)
    session = Session(plan.reps, bank, Script(touchdowns_ms), Placement(), RATE_HZ, load_feedback(plan, bank))
    judged, plays, now, running = [], [], 0, True
    zeros = np.zeros((BLOCK, 1), np.float32)
    while running:
        for event in session.feed(Block(now, zeros, zeros)):
            match event:
                case Judged():
                    judged.append(event)
                case Play():
                    plays.append((now + BLOCK, event))
                case Ended():
                    running = False
        now += BLOCK
    return plan, judged, plays


def messages(plan, plays):
    """Feedback proper: not the words that the drill itself speaks between reps."""
    planned = {(rep.index, cue.sound) for rep in plan.reps for cue in rep.cues}
    return [
        (now, play)
        for now, play in plays
        if play.cue.role == "feedback" and (play.rep.index, play.cue.sound) not in planned
    ]


@pytest.fixture(scope="module", params=[(drill, seed) for drill in DRILLS for seed in (1, 2)], ids=str)
def each_session(request):
    return run(*request.param, "each")


def test_nothing_is_told_over_or_close_before_any_other_sound(each_session):
    plan, _, plays = each_session
    told = messages(plan, plays)
    assert len(told) >= 5
    spans = sorted((play.start, play.start + len(play.sound.samples)) for _, play in plays)
    told_at = {play.start for _, play in told}
    for (start, end), (following, _) in pairwise(spans):
        if start in told_at:
            assert following - end >= CLEARANCE_S * RATE_HZ - 2
        if following in told_at:
            assert following >= end
    for now, play in told:
        assert play.start >= now + 0.2 * RATE_HZ  # it can still be played


def test_nothing_is_told_while_a_landing_is_listened_for(each_session):
    plan, _, plays = each_session
    contacts = sorted(round(rep.contact_s * RATE_HZ) for rep in plan.reps)
    for _, play in messages(plan, plays):
        after = (play.start - contacts[max(bisect_right(contacts, play.start) - 1, 0)]) / RATE_HZ
        assert after > 0.6  # a touchdown later than that is no answer


def test_each_tells_every_rep_or_the_mean_of_a_rally(each_session):
    plan, judged, plays = each_session
    told = [play for _, play in messages(plan, plays)]
    waiting = []
    by_rep = {play.rep.index: play.cue.sound for play in told}
    for each in judged:
        if each.verdict.error_ms is None:
            continue
        waiting.append(each)
        if each.rep.index in by_rep and by_rep[each.rep.index] not in REMINDERS:
            mean_ms = float(np.mean([one.verdict.error_ms for one in waiting])) + each.rep.window.centre_ms
            window = each.rep.window
            word = "early" if mean_ms < window.open_ms else "on_time" if mean_ms <= window.close_ms else "late"
            if len(waiting) > 1 or each.verdict.grade not in (Grade.EARLY,):  # a reactive guess is early by its grade
                assert by_rep[each.rep.index].removeprefix("tone_") == word.replace("-", "_")
        if each.rep.index in by_rep:
            waiting = []
    assert not waiting  # at the end there is always room


def test_reminders_are_rare(each_session):
    plan, judged, plays = each_session
    count = sum(play.cue.sound in REMINDERS for _, play in messages(plan, plays))
    assert count <= len(judged) / 12


@pytest.mark.parametrize("seed", [1, 5])
def test_a_band_tells_no_single_landing_inside_the_window(seed):
    plan, judged, plays = run("serve-return", seed, "band")
    grades = {each.rep.index: each.verdict.grade for each in judged}
    told = [play for _, play in messages(plan, plays) if play.cue.sound not in REMINDERS]
    outside = [index for index, grade in grades.items() if grade in (Grade.BEFORE, Grade.EARLY, Grade.LATE)]
    assert [play.rep.index for play in told] == outside  # single contacts: there is always room
    assert {play.cue.sound for play in told} <= {"tone_early", "tone_late"}


@pytest.mark.parametrize("seed", [1, 5])
def test_a_summary_comes_after_every_fifth_timed_rep(seed):
    plan, judged, plays = run("serve-return", seed, "summary")
    timed = [each.rep.index for each in judged if each.verdict.error_ms is not None]
    assert [play.rep.index for _, play in messages(plan, plays)] == timed[4::5]


def test_faded_feedback_thins_out_as_defined():
    plan, judged, plays = run("serve-return", 3, "faded")
    timed = [each.rep.index for each in judged if each.verdict.error_ms is not None]
    due = [index for count, index in enumerate(timed, 1) if is_told_when_faded(count)]
    assert [p.rep.index for _, p in messages(plan, plays) if p.cue.sound not in REMINDERS] == due
    assert len(due) < len(timed)


@pytest.mark.parametrize("kind", ["on_request", "none"])
def test_nobody_asked_nobody_told(kind):
    plan, _, plays = run("serve-return", 2, kind)
    assert messages(plan, plays) == []
