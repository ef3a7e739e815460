"""The simulated player has the faults it says it has, and no memory."""

import statistics

import pytest

from drilltimer.model import Cue, Rep, Window
from drilltimer.sim.player import SKILLS, STEP_MS, SimulatedPlayer

WINDOW = Window(73.0, 133.0, 193.0)


def rep(index, *, withheld=False, mode="predictive", call=True, window=WINDOW):
    cues = [] if withheld else [Cue("contact", "smack", 1.0)]
    if call and not withheld:
        cues.append(Cue("call", "left", 1.25))
    return Rep(index, 10.0, 13.0, 11.0, tuple(cues), "left" if call else None, window, mode, withheld)


def answers(skill, reps, seed=1):
    player = SimulatedPlayer(SKILLS[skill], seed)
    return [player.answer(each) for each in reps]


@pytest.mark.parametrize("name", ["novice", "club", "expert"])
def test_errors_have_the_stated_mean_and_spread(name):
    skill = SKILLS[name]
    landings = [each for each in answers(name, [rep(i) for i in range(3000)]) if each]
    errors_ms = [each.touchdown_ms - WINDOW.centre_ms for each in landings]
    # three standard errors of a mean and of a standard deviation over 3000 draws: 5.5 % and 3.9 % of the spread
    assert statistics.fmean(errors_ms) == pytest.approx(skill.constant_error_ms, abs=0.06 * skill.variable_error_ms)
    assert statistics.pstdev(errors_ms) == pytest.approx(skill.variable_error_ms, rel=0.05)
    assert statistics.fmean(each.stagger_ms for each in landings) == pytest.approx(skill.stagger_ms, rel=0.05)


def test_misses_and_withheld_reps_come_at_the_stated_rate():
    skill = SKILLS["novice"]
    missed = answers("novice", [rep(i) for i in range(3000)]).count(None)
    still = answers("novice", [rep(i, withheld=True) for i in range(3000)]).count(None)
    assert missed / 3000 == pytest.approx(skill.miss_share, abs=0.02)
    assert still / 3000 == pytest.approx(skill.kept_still_share, abs=0.03)


def test_an_answer_depends_on_the_rep_alone_and_not_on_what_came_before():
    player = SimulatedPlayer(SKILLS["club"], 5)
    forwards = [player.answer(rep(i)) for i in range(20)]
    backwards = [player.answer(rep(i)) for i in reversed(range(20))]
    assert forwards == backwards[::-1]
    assert forwards != answers("club", [rep(i) for i in range(20)], seed=6)


def test_a_player_who_was_moved_to_another_window_lands_in_it():
    moved = Window(100.0, 160.0, 220.0)
    here, there = answers("metronome", [rep(0)])[0], answers("metronome", [rep(0, window=moved)])[0]
    assert (here.touchdown_ms, there.touchdown_ms) == (133.0, 160.0)


def test_reactive_landings_stay_between_330_and_600_ms():
    window = Window(330.0, 465.0, 600.0)
    landings = [
        each for each in answers("novice", [rep(i, mode="reactive", window=window) for i in range(2000)]) if each
    ]
    times_ms = [each.touchdown_ms for each in landings]
    assert 330.0 <= min(times_ms) < 335.0
    assert 595.0 < max(times_ms) <= 600.0
    # folding, not clamping: no heap of landings on a border
    assert sum(time_ms in (330.0, 600.0) for time_ms in times_ms) <= 1


def test_the_first_step_follows_the_call_unless_it_is_a_guess():
    skill = SKILLS["metronome"]
    landing = answers("metronome", [rep(0)])[0]
    # called 250 ms after the contact, understood 140 ms later; a step begins and its foot comes down after 180 ms
    assert landing.first_step_ms == pytest.approx(250.0 + 140.0 + skill.reaction_ms + STEP_MS, abs=1e-9)
    assert answers("metronome", [rep(0, call=False)])[0].first_step_ms is None


def test_guesses_leave_before_the_call_could_be_used():
    landings = [each for each in answers("expert", [rep(i) for i in range(3000)]) if each]
    early = sum(each.first_step_ms < 250.0 + 140.0 + 250.0 for each in landings)
    assert early / len(landings) == pytest.approx(SKILLS["expert"].guess_share, abs=0.02)
