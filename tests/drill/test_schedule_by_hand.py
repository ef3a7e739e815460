"""Layouts worked out by hand, second by second: what the relations of `test_schedule` leave open."""

from __future__ import annotations

from dataclasses import replace

import pytest
from test_schedule import block, plan

from drilltimer.drill.schedule import SEARCH_AFTER_S, least_interval_s, line_s
from drilltimer.model import Calls, LeadIn, RallyLength, Rhythm, Speech
from drilltimer.score.match import PREDICTIVE_LIMIT_MS
from drilltimer.units import ms_from_s

PAIRS = Rhythm(interval_s=3.0, rally=(RallyLength(2, 2),), rest_s=10.0)
HALF_SECOND = LeadIn("swing", 0.5)


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


def test_rooms_agree_on_what_is_listened_for():
    assert PREDICTIVE_LIMIT_MS <= ms_from_s(SEARCH_AFTER_S) <= PREDICTIVE_LIMIT_MS + 200.0
    assert line_s("get ready") == pytest.approx(1.24)
