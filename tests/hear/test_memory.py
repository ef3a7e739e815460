"""A rep is not judged by what it taught itself, and old landings give way to new ones."""

import numpy as np

from drilltimer.hear.decide import ENOUGH, KEPT_REPS, RECALLED_REPS, Hypothesis, Memory
from drilltimer.hear.net import MARK
from drilltimer.model import LandingSound


def landing(number, level_db=0.0):
    return Hypothesis(True, mark=np.full(MARK, float(number)), patch=np.full((12, 80), number + 1.0), level_db=level_db)


def numbers(marks):
    return [int(mark[0]) for mark in marks]


def test_a_rep_does_not_vouch_for_itself():
    memory = Memory()
    for rep in range(5):
        memory.learn(rep, landing(rep, level_db=-rep))
    assert numbers(memory.marks(2)) == [0, 1, 3, 4]
    usual = memory.usual(2)
    assert usual is not None
    assert usual[0, 0] in {1.0, 2.0, 4.0, 5.0}  # any landing's but its own
    for rep in range(5):
        memory.learn(rep, landing(rep), np.full(3, float(rep)))
    assert [pattern[0] for pattern in memory.patterns(2)] == [0, 1, 3, 4]
    for rep in range(5):
        memory.learn(rep, None, sure=0.5 + rep / 10.0)
    assert memory.sureness(2) == [0.5, 0.6, 0.8, 0.9]


def test_what_a_rep_was_taken_for_may_change():
    memory = Memory()
    for rep in range(4):
        memory.learn(rep, landing(rep))
    memory.learn(1, None)
    assert numbers(memory.marks(9)) == [0, 2, 3]


def test_only_the_latest_are_kept():
    memory = Memory()
    for rep in range(KEPT_REPS + 10):
        memory.learn(rep, landing(rep))
    assert len(memory.landings) == KEPT_REPS
    assert numbers(memory.marks(-1))[0] == 10


def test_the_usual_landing_is_the_one_in_the_middle_by_level():
    memory = Memory()
    for rep, level_db in enumerate((-30.0, -10.0, -20.0)):
        memory.learn(rep, landing(rep, level_db))
    assert memory.usual(9)[0, 0] == 3.0  # of rep 2
    assert memory.usual(2) is None  # without it too few are left
    for rep, level_db in enumerate((-50.0, -40.0), 3):
        memory.learn(rep, landing(rep, level_db))
    assert memory.usual(9)[0, 0] == 1.0  # of rep 0: two are louder, two softer


def test_earlier_days_speak_until_this_one_has_heard_its_own():
    memory = Memory()
    memory.recall([LandingSound((7.0,) * MARK), LandingSound((8.0,) * (MARK - 1)), LandingSound((9.0,) * (MARK + 1))])
    assert numbers(memory.marks(0)) == [7]
    for rep in range(ENOUGH):
        memory.learn(rep, landing(rep))
    assert numbers(memory.marks(99)) == [0, 1, 2]
    silent = Memory()
    silent.recall([LandingSound((7.0,) * MARK)])
    for rep in range(RECALLED_REPS):
        assert numbers(silent.marks(99)) == [7]
        silent.learn(rep, None)
    assert silent.marks(99) == []
