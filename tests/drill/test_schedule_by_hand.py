"""Layouts worked out by hand, second by second: what the relations of `test_schedule` leave open."""

from __future__ import annotations

from dataclasses import replace

import pytest
from test_schedule import block, plan

from drilltimer.drill.schedule import FIRST_CUE_S, SEARCH_AFTER_S, least_interval_s, line_s, schedule
from drilltimer.drill.shuffle import draw_index, draw_wait_s, split_seed
from drilltimer.model import Calls, Drill, LeadIn, RallyLength, Rhythm, Speech, Wait
from drilltimer.score.match import PREDICTIVE_LIMIT_MS
from drilltimer.units import ms_from_s

PAIRS = Rhythm(interval_s=3.0, rally=(RallyLength(2, 2),), rest_s=10.0)
HALF_SECOND = LeadIn("swing", 0.5)

SEED = 7


def contacts(*blocks):
    return [round(rep.contact_s, 9) for rep in plan(*blocks)]


def test_a_first_contact_waits_for_the_stream_the_line_and_the_lead_in():
    # 1 s to settle, 0.7 + 9 * 0.06 s for "get ready", half a second of swing
    told = block(lead_in=HALF_SECOND, rhythm=PAIRS, reps=4, speech=Speech(explain=("get ready",)))
    assert contacts(told) == pytest.approx([2.74, 5.74, 16.94, 19.94])


def test_a_rest_counts_from_the_landing_s_end_and_grows_with_the_work_alone():
    # the work: half a second of swing, 3 s, 0.7 s of landing; neither the line nor the settling is any of it
    as_long = replace(PAIRS, rest_s=0.0, rest_per_work=1.0)
    told = block(lead_in=HALF_SECOND, rhythm=as_long, reps=4, speech=Speech(explain=("get ready",)))
    assert contacts(told)[2] == pytest.approx(5.74 + 0.7 + 4.2 + 0.5)


def test_a_late_call_keeps_its_word_clear_of_the_next_lead_in():
    late = block(lead_in=HALF_SECOND, rhythm=PAIRS, reps=4, calls=Calls(("left",), (1.0,), 0.3, 0.3))
    assert [round(rep.end_s - rep.contact_s, 9) for rep in plan(late)] == [0.75] * 4  # 0.3 + 0.45 s
    assert contacts(late)[2] == pytest.approx(1.5 + 3.0 + 0.75 + 10.0 + 0.5)


def test_a_short_lead_in_leaves_room_for_an_early_touchdown():
    short = block(lead_in=LeadIn("swing", 0.2, 0.5), rhythm=PAIRS, reps=1)
    rep = plan(short)[0]
    (swing,) = [cue for cue in rep.cues if cue.sound == "swing"]
    assert rep.contact_s - swing.length_s == pytest.approx(1.0 + 0.3 - 0.1)  # as if it were the shortest that is drawn


def test_the_shortest_interval_holds_the_longest_lead_in_that_can_be_drawn():
    assert least_interval_s(block(lead_in=LeadIn("swing", 0.5, 0.2))) == pytest.approx(0.7 + 0.6)
    assert least_interval_s(block(lead_in=LeadIn("none"))) == pytest.approx(0.3 + 0.7)


def test_a_bounce_moves_along_with_its_stretched_lead_in():
    rally = LeadIn("rally", 0.8, 0.3, bounce_s=0.2)
    shares = []
    for rep in plan(block(lead_in=rally, rhythm=PAIRS, reps=10)):
        racket, bounce = (next(cue for cue in rep.cues if cue.sound == name) for name in ("racket", "bounce"))
        contact_s = rep.contact_s - rep.start_s
        shares.append((contact_s - bounce.at_s) / (contact_s - racket.at_s))
    assert shares == pytest.approx([0.25] * 10)


def test_last_words_belong_to_the_last_rep_and_the_next_block_waits_for_them():
    speech = Speech(finish=("well done", "rest"))
    first = block(lead_in=HALF_SECOND, rhythm=PAIRS, reps=2, speech=speech, rest_s=5.0)
    reps = plan(first, block(lead_in=HALF_SECOND, rhythm=PAIRS, reps=1))
    words = [cue for cue in reps[1].cues if cue.role == "feedback"]
    assert [reps[1].start_s + cue.at_s for cue in words] == pytest.approx([4.5 + 0.7, 4.5 + 0.7 + 1.24])
    assert reps[1].end_s == pytest.approx(4.5 + 0.7 + 1.24 + 0.94)
    assert reps[2].contact_s == pytest.approx(4.5 + 0.7 + 1.24 + 0.94 + 5.0 + 0.5)


def test_a_noted_seed_still_gives_the_session_that_it_gave():
    """What 0.1.0 drew: a seed that a coach noted down must not mean something else one day."""
    drawn = block(
        lead_in=LeadIn("swing", 0.5, 0.2),
        rhythm=Rhythm(interval_s=3.0, jitter_cv=0.2, jitter_end_cv=0.2, rally=(RallyLength(1, 3),), rest_s=5.0),
        calls=Calls(("left", "right"), (1.0, 1.0), 0.1, 0.2),
        reps=5,
    )
    reps = plan(drawn, seed=7)
    assert [round(rep.contact_s, 6) for rep in reps] == [1.426276, 5.02403, 11.227824, 13.84732, 17.264294]
    assert [rep.call for rep in reps] == ["left", "right", "right", "left", "right"]


def test_a_block_without_lead_in_draws_nothing_for_one():
    """Waits by hand from the block's own draws: one for each wait, one for whether its contact is withheld."""
    alone = block(lead_in=LeadIn("none"), rhythm=Rhythm(wait=Wait(1.0, 1.0, 60.0), rally=(RallyLength(1, 1),)), reps=3)
    (of_block,) = split_seed(SEED, 1)
    draws, _, _ = split_seed(int(of_block.random() * 2**53), 3)
    now_s, by_hand = FIRST_CUE_S, []
    for _ in range(3):
        now_s += 0.3 + draw_wait_s(draws, 1.0, 1.0, 60.0)
        assert draw_index(draws, [1.0]) == 0
        draws.random()  # how long the rally is, between one contact and one
        draws.random()  # whether it is withheld
        by_hand.append(now_s)
        now_s += SEARCH_AFTER_S
    assert [rep.contact_s for rep in schedule(Drill("x", "", (alone,)), SEED)] == pytest.approx(by_hand)


@pytest.mark.parametrize(("pan", "tones", "side"), [(False, False, 0.0), (True, False, 0.8), (False, True, 0.8)])
def test_a_call_comes_from_its_side_only_where_that_is_asked(pan, tones, side):
    called = block(
        lead_in=HALF_SECOND, rhythm=PAIRS, reps=2, calls=Calls(("right",), (1.0,), 0.1, 0.1, pan=pan, tones=tones)
    )
    assert [cue.pan for rep in plan(called) for cue in rep.cues if cue.role == "call"] == [side, side]


def test_a_call_without_a_side_comes_from_the_middle_and_a_tone_is_known_at_once():
    deep = block(lead_in=HALF_SECOND, rhythm=PAIRS, reps=2, calls=Calls(("deep",), (1.0,), 0.1, 0.1, pan=True))
    tone = block(lead_in=HALF_SECOND, rhythm=PAIRS, reps=2, calls=Calls(("left",), (1.0,), 0.1, 0.1, tones=True))
    assert [cue.pan for rep in plan(deep) for cue in rep.cues if cue.role == "call"] == [0.0, 0.0]
    assert [cue.known_s for rep in plan(tone) for cue in rep.cues if cue.role == "call"] == [0.0, 0.0]


def test_a_call_is_moved_ahead_by_what_it_takes_to_know_it_and_never_before_its_contact():
    for delay_s, called_s in ((0.2, 0.1), (0.05, 0.0)):
        calls = Calls(("left",), (1.0,), delay_s, delay_s, known=True, recognised_s=(0.1,))
        for rep in plan(block(lead_in=HALF_SECOND, rhythm=PAIRS, reps=2, calls=calls)):
            (call,) = [cue for cue in rep.cues if cue.role == "call"]
            assert call.at_s + rep.start_s - rep.contact_s == pytest.approx(called_s)


def test_a_rally_without_the_time_between_its_contacts_is_refused():
    with pytest.raises(ValueError, match="rallies of several contacts and no interval"):
        plan(block(lead_in=HALF_SECOND, rhythm=Rhythm(rally=(RallyLength(2, 2),)), reps=2))


def test_rooms_agree_on_what_is_listened_for():
    assert PREDICTIVE_LIMIT_MS <= ms_from_s(SEARCH_AFTER_S) <= PREDICTIVE_LIMIT_MS + 200.0
    assert line_s("get ready") == pytest.approx(1.24)
