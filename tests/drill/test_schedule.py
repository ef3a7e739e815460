"""Drill and seed become reps: what may never happen, and what must follow published values."""

from __future__ import annotations

import itertools
import math
import statistics
import tomllib
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drilltimer.drill.language import load_drill
from drilltimer.drill.schedule import (
    FIRST_CUE_S,
    SEARCH_AFTER_S,
    SEARCH_BEFORE_S,
    least_interval_s,
    schedule,
)
from drilltimer.drill.windows import REACTIVE_WINDOW, at_level, window_for
from drilltimer.model import (
    LONGEST_CALL_S,
    Calls,
    Drill,
    DrillBlock,
    Hitter,
    LeadIn,
    RallyLength,
    Rhythm,
    Speech,
    Wait,
    Window,
)

PUBLISHED = tomllib.loads((Path(__file__).parents[1] / "data" / "published_schedule.toml").read_text(encoding="utf-8"))
WINDOW = Window(73.0, 133.0, 193.0)
SWING = LeadIn("swing", 0.4)
WAIT = Wait(1.0, 1.0, 4.0)
ONE_BY_ONE = Rhythm(rally=(RallyLength(1, 1),), wait=WAIT, rest_s=2.0)


def block(**changes):
    plain = DrillBlock(
        name="block",
        mode="predictive",
        level="club",
        situation="return",
        window=WINDOW,
        window_fixed=False,
        lead_in=SWING,
        rhythm=ONE_BY_ONE,
        reps=20,
    )
    return replace(plain, **changes)


def plan(*blocks, seed=1):
    return schedule(Drill("drill", "", blocks), seed)


def first_sound_s(rep):
    """Start of the earliest announcing sound, from the session's start."""
    starts_s = [
        cue.at_s - (cue.length_s or 0.0) for cue in rep.cues if cue.role in ("precue", "contact") and cue.sound != "go"
    ]
    return rep.start_s + min(starts_s, default=rep.contact_s - rep.start_s)


lead_ins = st.one_of(
    st.just(LeadIn()),
    st.builds(LeadIn, st.sampled_from(["swing", "toss", "bounce", "count"]), st.floats(0.1, 1.0), st.floats(0.0, 0.3)),
    st.builds(LeadIn, st.just("rally"), st.floats(0.5, 1.0), st.floats(0.0, 0.3), st.floats(0.1, 0.4)),
)
calls = st.one_of(
    st.none(),
    st.builds(
        Calls,
        st.just(("left", "right", "short")),
        st.just((2.0, 1.0, 1.0)),
        st.floats(0.0, 0.2),
        st.floats(0.2, 0.6),
        st.integers(2, 5),
        st.floats(0.0, 1.0),
        st.floats(0.0, 1.0),
    ),
)
waits = st.one_of(st.none(), st.just(WAIT), st.just(Wait(0.5, 0.5, 1.0, "ready")))
rallies = st.sampled_from([(), (RallyLength(1, 1),), (RallyLength(3, 3),), (RallyLength(1, 1, 3.0), RallyLength(2, 5))])


@st.composite
def blocks(draw):
    made = block(
        lead_in=draw(lead_ins),
        opening=draw(st.one_of(st.none(), st.just(LeadIn("toss", 0.95, 0.1)))),
        calls=draw(calls),
        hitters=draw(st.sampled_from([(Hitter(),), (Hitter("smack", -0.5), Hitter("tock", 0.5))])),
        reps=draw(st.one_of(st.none(), st.integers(1, 25))),
        withheld_share=draw(st.floats(0.0, 0.5)),
        speech=draw(st.sampled_from([Speech(), Speech(("go",), ("heels up",), ("well done",))])),
    )
    rhythm = Rhythm(
        interval_s=least_interval_s(made) + 1.0,
        jitter_cv=draw(st.floats(0.0, 0.2)),
        jitter_end_cv=draw(st.floats(0.0, 0.2)),
        rally=draw(rallies),
        wait=draw(waits),
        rest_s=draw(st.floats(0.0, 5.0)),
        rest_per_work=draw(st.floats(0.0, 2.0)),
    )
    work_s = None if made.reps else draw(st.floats(5.0, 60.0))
    return replace(made, rhythm=rhythm, work_s=work_s, rest_s=draw(st.floats(0.0, 9.0)))


@given(st.lists(blocks(), min_size=1, max_size=3), st.integers(0, 2**40))
@settings(max_examples=60)
def test_no_rep_gets_in_the_way_of_another(plans, seed):
    reps = plan(*plans, seed=seed)
    assert reps[0].start_s == FIRST_CUE_S
    assert [rep.index for rep in reps] == list(range(len(reps)))
    for rep in reps:
        assert rep.start_s - 1e-9 <= first_sound_s(rep) <= rep.contact_s
        assert rep.end_s >= rep.contact_s + SEARCH_AFTER_S - 1e-9
        for cue in rep.cues:
            room_s = LONGEST_CALL_S if cue.role == "call" else 0.0
            assert cue.at_s + room_s <= rep.end_s - rep.start_s + 1e-9
    for rep, following in itertools.pairwise(reps):
        assert following.start_s >= rep.end_s - 1e-9
        assert first_sound_s(following) - rep.contact_s >= SEARCH_AFTER_S - 1e-9
        assert following.contact_s - rep.contact_s >= SEARCH_BEFORE_S + SEARCH_AFTER_S - 1e-9


@given(blocks(), st.integers(0, 2**40))
@settings(max_examples=60)
def test_every_rep_has_what_its_kind_needs(made, seed):
    reps = plan(made, seed=seed)
    for rep in reps:
        contacts = [cue for cue in rep.cues if cue.role == "contact"]
        called = [cue for cue in rep.cues if cue.role == "call"]
        assert len(contacts) == (0 if rep.withheld else 1)
        if contacts:
            assert rep.start_s + contacts[0].at_s == pytest.approx(rep.contact_s, abs=1e-9)
        assert rep.call == (called[-1].sound if called else None)
        assert not (rep.withheld and called)
    if made.reps is not None:
        assert sum(not rep.withheld for rep in reps) == made.reps


@given(blocks(), st.integers(0, 2**40))
@settings(max_examples=20)
def test_the_same_seed_gives_the_same_reps(made, seed):
    assert plan(made, seed=seed) == plan(made, seed=seed)


def test_another_seed_gives_other_waits():
    assert [rep.contact_s for rep in plan(block(), seed=1)] != [rep.contact_s for rep in plan(block(), seed=2)]


def test_every_block_grows_uneven_from_its_own_beginning():
    growing = block(rhythm=Rhythm(3.0, jitter_cv=0.0, jitter_end_cv=0.25), reps=None, work_s=300.0)
    reps = plan(growing, growing)
    for number in (0, 1):
        times_s = [rep.contact_s for rep in reps if rep.block == number]
        off_s = [abs(b - a - 3.0) for a, b in itertools.pairwise(times_s)]
        assert max(off_s[:5]) < 0.2  # of one standard deviation of 0.75 s at the end, a twentieth at the most
        assert statistics.fmean(off_s[-30:]) > 0.3


def test_equal_blocks_of_a_drill_are_drawn_independently():
    reps = plan(block(reps=20), block(reps=20))
    gaps = [[b.contact_s - a.contact_s for a, b in itertools.pairwise(r for r in reps if r.block == n)] for n in (0, 1)]
    assert sum(abs(a - b) > 0.05 for a, b in zip(*gaps, strict=False)) > 10


def test_a_word_is_spoken_where_each_wait_begins():
    """Also where the wait runs out and no contact follows."""
    rhythm = replace(ONE_BY_ONE, wait=replace(WAIT, word="ready"))
    reps = plan(block(rhythm=rhythm))
    plain = plan(block())
    assert [rep.contact_s for rep in reps] == [rep.contact_s for rep in plain]
    for rep in reps:
        (said_s,) = (rep.start_s + cue.at_s for cue in rep.cues if cue.sound == "ready")
        assert rep.contact_s - SWING.length_s - WAIT.max_s - 1e-9 <= said_s
        assert said_s <= rep.contact_s - SWING.length_s - WAIT.min_s + 1e-9
    assert any(rep.withheld for rep in reps)


def test_calls_do_not_change_the_waits():
    called = block(calls=Calls(("left", "right"), (1.0, 1.0), 0.15, 0.2))
    assert [rep.contact_s for rep in plan(called)] == [rep.contact_s for rep in plan(block())]


# ---------------------------------------------------------------- lead-ins


def contact_and(rep):
    contact = next(cue.at_s for cue in rep.cues if cue.role == "contact")
    return contact, {cue.sound: round(contact - cue.at_s, 9) for cue in rep.cues if cue.role == "precue"}


def test_a_swing_ends_exactly_at_its_contact():
    (cue,) = [cue for cue in plan(block())[0].cues if cue.sound == "swing"]
    contact_s, before_s = contact_and(plan(block())[0])
    assert before_s == {"swing": 0.0}
    assert cue.length_s == pytest.approx(0.4)
    assert cue.at_s == contact_s


@pytest.mark.parametrize("kind", ["toss", "bounce"])
def test_a_toss_and_a_bounce_sound_their_length_before_the_contact(kind):
    _, before_s = contact_and(plan(block(lead_in=LeadIn(kind, 0.95)))[0])
    assert before_s == {kind: 0.95}


def test_a_rally_goes_own_contact_bounce_contact():
    _, before_s = contact_and(plan(block(lead_in=LeadIn("rally", 1.25, bounce_s=0.4)))[0])
    assert before_s == {"racket": 1.25, "bounce": 0.4}


def test_count_in_ticks_lead_evenly_into_the_contact():
    rep = plan(block(lead_in=LeadIn("count", 1.5, ticks=3)))[0]
    ticks_s = [rep.contact_s - rep.start_s - cue.at_s for cue in rep.cues if cue.sound == "tick"]
    assert ticks_s == pytest.approx([1.5, 1.0, 0.5])


def test_a_spread_lead_in_is_drawn_evenly_within_its_share():
    reps = plan(block(lead_in=LeadIn("swing", 0.5, 0.1), reps=1000))
    lengths_s = [cue.length_s for rep in reps for cue in rep.cues if cue.sound == "swing"]
    assert statistics.fmean(lengths_s) == pytest.approx(0.5, abs=0.004)
    assert statistics.pstdev(lengths_s) == pytest.approx(0.1 / math.sqrt(12.0), abs=0.002)
    assert min(lengths_s) >= 0.45
    assert max(lengths_s) <= 0.55


def test_only_the_first_contact_of_a_rally_is_a_serve():
    opening = window_for("club", "return")
    rhythm = Rhythm(2.5, rally=(RallyLength(3, 3),), rest_s=5.0)
    made = block(opening=LeadIn("toss", 0.95), opening_window=opening, rhythm=rhythm, reps=9, situation="baseline")
    made = replace(made, window=window_for("club", "baseline"))
    sounds = [next(cue.sound for cue in rep.cues if cue.role == "precue") for rep in plan(made)]
    assert sounds == ["toss", "swing", "swing"] * 3
    assert [rep.window.centre_ms for rep in plan(made)] == [133.0, 160.0, 160.0] * 3


# ---------------------------------------------------------------- rhythm


def test_a_steady_rhythm_keeps_its_interval():
    contacts_s = [rep.contact_s for rep in plan(block(rhythm=Rhythm(2.5)))]
    gaps_s = [after - before for before, after in itertools.pairwise(contacts_s)]
    assert gaps_s == pytest.approx([2.5] * 19, abs=1e-9)


def test_jitter_grows_towards_the_end_of_a_block():
    rhythm = Rhythm(2.5, 0.0, 0.3)
    gaps_s = []
    for seed in range(30):
        contacts_s = [rep.contact_s for rep in plan(block(rhythm=rhythm, reps=101), seed=seed)]
        gaps_s.append([after - before for before, after in itertools.pairwise(contacts_s)])
    early = statistics.pstdev([gap_s for row in gaps_s for gap_s in row[:20]])
    late = statistics.pstdev([gap_s for row in gaps_s for gap_s in row[-20:]])
    # the mean square of a spread that grows from 0: at 1-20 % of it, and at 81-100 %
    assert early == pytest.approx(0.3 * 2.5 * math.sqrt(sum(n * n for n in range(1, 21)) / 20) / 101, rel=0.15)
    assert late == pytest.approx(0.3 * 2.5 * math.sqrt(sum(n * n for n in range(81, 101)) / 20) / 101, rel=0.15)


def test_rests_lie_between_rallies():
    rhythm = Rhythm(2.0, rally=(RallyLength(3, 3),), rest_s=10.0)
    reps = plan(block(rhythm=rhythm, reps=9))
    gaps_s = [after.start_s - before.end_s for before, after in itertools.pairwise(reps)]
    assert gaps_s == pytest.approx([0, 0, 10.0, 0, 0, 10.0, 0, 0], abs=1e-9)


def test_an_unannounced_contact_leaves_room_for_an_early_touchdown():
    steady = block(lead_in=LeadIn(), rhythm=Rhythm(2.0), reps=2)
    contacts_s = [rep.contact_s for rep in plan(steady, steady)]
    assert contacts_s[2] - contacts_s[1] == pytest.approx(SEARCH_AFTER_S + SEARCH_BEFORE_S)


def test_rest_grows_with_the_work_before_it():
    rhythm = Rhythm(2.0, rally=(RallyLength(3, 3),), rest_per_work=2.0)
    reps = plan(block(rhythm=rhythm, reps=6))
    work_s = 0.4 + 2 * 2.0 + SEARCH_AFTER_S
    assert reps[3].start_s - reps[2].end_s == pytest.approx(2.0 * work_s)


def test_rally_lengths_follow_their_weights():
    lengths = (RallyLength(1, 1, 40.0), RallyLength(2, 2, 23.0), RallyLength(3, 4, 22.0), RallyLength(5, 6, 15.0))
    reps = plan(block(rhythm=Rhythm(2.0, rally=lengths, rest_s=10.0), reps=1000), seed=3)
    rallies, length = [], 0
    for before, after in itertools.pairwise(reps):
        length += 1
        if after.start_s - before.end_s > 9.0:
            rallies.append(length)
            length = 0
    shares = [sum(low <= n <= high for n in rallies) / len(rallies) for low, high in ((1, 1), (2, 2), (3, 4), (5, 6))]
    assert shares == pytest.approx([0.40, 0.23, 0.22, 0.15], abs=0.07)
    assert max(rallies) <= 6


def test_a_block_with_work_time_ends_when_it_is_up():
    reps = plan(block(rhythm=Rhythm(2.5), reps=None, work_s=30.0))
    assert 30.0 <= reps[-1].end_s - reps[0].start_s < 30.0 + 2.5


def test_blocks_follow_with_their_rest_between():
    reps = plan(block(reps=3, rest_s=20.0, rhythm=Rhythm(2.5)), block(reps=2, rhythm=Rhythm(2.5)))
    assert reps[3].start_s - reps[2].end_s == pytest.approx(20.0)


def test_spoken_lines_end_before_the_wait_and_after_the_work():
    speech = Speech(("hop", "ready"), ("heels up", "wide base"), ("well done",))
    reps = plan(block(reps=4, withheld_share=0.0, rhythm=Rhythm(rally=(RallyLength(1, 1),), rest_s=5.0), speech=speech))
    spoken = [[cue.sound for cue in rep.cues if cue.sound not in ("swing", "smack")] for rep in reps]
    assert spoken == [["hop", "ready"], ["heels up"], ["wide base"], ["heels up", "well done"]]


# ---------------------------------------------------------------- waits and withheld contacts


def waits_s(reps):
    """Wait of each rep of a one-by-one drill: from the rep's start to its lead-in."""
    return [first_sound_s(rep) - rep.start_s for rep in reps if not rep.withheld]


def test_waits_carry_no_hint_of_the_next_one():
    row = PUBLISHED["lag_one"]
    within = 0
    for seed in range(100):
        waits = waits_s(plan(block(reps=row["reps"]), seed=seed))
        mean = statistics.fmean(waits)
        lagged = sum((a - mean) * (b - mean) for a, b in itertools.pairwise(waits))
        within += abs(lagged / sum((wait - mean) ** 2 for wait in waits)) < row["limit"]
    # four standard errors of a share of 100
    assert within / 100 == pytest.approx(row["share_within"], abs=0.09)


def test_a_wait_that_runs_out_brings_nothing_at_all():
    reps = plan(block(reps=1000))
    withheld = [rep for rep in reps if rep.withheld]
    # of all reps; four standard errors
    assert len(withheld) / len(reps) == pytest.approx(math.exp(-3.0), abs=0.028)
    for rep in withheld:
        assert rep.cues == ()
        assert rep.contact_s - rep.start_s == pytest.approx(4.0 + 0.4)


def test_a_feint_is_a_lead_in_without_contact_and_ends_its_rally():
    rhythm = Rhythm(2.0, rally=(RallyLength(4, 4),), rest_s=10.0)
    reps = plan(block(rhythm=rhythm, withheld_share=0.2, reps=300))
    feints = [(rep, after) for rep, after in itertools.pairwise(reps) if rep.withheld]
    assert sum(rep.withheld for rep in reps) / len(reps) == pytest.approx(0.2, abs=0.085)
    for rep, after in feints:
        assert [cue.sound for cue in rep.cues] == ["swing"]
        assert after.start_s - rep.end_s == pytest.approx(10.0)


# ---------------------------------------------------------------- calls


def test_calls_come_within_their_delay_after_the_contact():
    reps = plan(block(calls=Calls(("left", "right"), (1.0, 1.0), 0.12, 0.2), reps=200))
    delays_s = [rep.start_s + cue.at_s - rep.contact_s for rep in reps for cue in rep.cues if cue.role == "call"]
    assert len(delays_s) == 200
    assert 0.12 - 1e-9 <= min(delays_s) < 0.125
    assert 0.195 < max(delays_s) <= 0.2 + 1e-9


def test_a_switched_call_counts_by_its_last_word():
    calls = Calls(("left", "right"), (1.0, 1.0), 0.1, 0.1, switch_share=1.0, switch_after_s=0.3)
    for rep in plan(block(calls=calls)):
        if rep.withheld:
            continue
        first, last = [cue for cue in rep.cues if cue.role == "call"]
        assert first.sound != last.sound == rep.call
        assert last.at_s - first.at_s == pytest.approx(0.3)


def test_panned_calls_come_from_their_side():
    calls = Calls(("left", "right"), (1.0, 1.0), 0.1, 0.1, pan=True)
    pans = {cue.sound: cue.pan for rep in plan(block(calls=calls)) for cue in rep.cues if cue.role == "call"}
    assert pans == {"left": -0.8, "right": 0.8}


def test_two_hitters_share_the_contacts():
    reps = plan(block(hitters=(Hitter("smack", -0.5), Hitter("tock", 0.5)), reps=400))
    sounds = [(cue.sound, cue.pan) for rep in reps for cue in rep.cues if cue.role == "contact"]
    assert sounds.count(("smack", -0.5)) == pytest.approx(200, abs=40)
    assert set(sounds) == {("smack", -0.5), ("tock", 0.5)}


# ---------------------------------------------------------------- windows


@pytest.mark.parametrize("level", ["beginner", "club", "advanced"])
def test_windows_are_the_published_ones(level):
    for situation, (open_ms, close_ms) in PUBLISHED["windows"][level].items():
        window = window_for(level, situation)
        assert (window.open_ms, window.close_ms) == (open_ms, close_ms)


@pytest.mark.parametrize("level", ["beginner", "club", "advanced"])
def test_an_expert_is_on_time_for_the_return_at_every_level(level):
    window = window_for(level, "return")
    touchdown_ms = PUBLISHED["expert_return"]["touchdown_ms"]
    assert window.open_ms <= touchdown_ms <= window.close_ms
    assert touchdown_ms - window.centre_ms == 0.0


def test_another_level_changes_windows_by_situation_alone():
    fixed = block(window=Window(0.0, 50.0, 100.0), window_fixed=True)
    reactive = block(mode="reactive", window=REACTIVE_WINDOW)
    serve = block(opening_situation="return", situation="baseline")
    drill = at_level(Drill("drill", "", (fixed, reactive, serve)), "advanced")
    assert drill.blocks[0].window == fixed.window
    assert drill.blocks[1].window == REACTIVE_WINDOW
    assert drill.blocks[2].window == window_for("advanced", "baseline")
    assert drill.blocks[2].opening_window == window_for("advanced", "return")


# ---------------------------------------------------------------- shipped drills

SHIPPED = sorted((Path(__file__).parents[2] / "drills").glob("*.yaml"))


@pytest.mark.parametrize("path", SHIPPED, ids=lambda path: path.stem)
def test_every_shipped_drill_runs_in_a_club_hour(path):
    drill = load_drill(path.read_text(encoding="utf-8"), path.name)
    reps = schedule(drill, 1)
    assert 10 <= sum(not rep.withheld for rep in reps) <= 140  # landings: NSCA's upper figure, from memory
    assert 30.0 < reps[-1].end_s < 25 * 60.0


# ---------------------------------------------------------------- many draws


@pytest.mark.long
def test_a_hundred_thousand_contacts_follow_their_weights_and_shares():
    lengths = (RallyLength(1, 1, 40.0), RallyLength(2, 2, 23.0), RallyLength(3, 4, 22.0), RallyLength(5, 6, 15.0))
    rhythm = Rhythm(2.5, rally=lengths, rest_s=20.0)
    made = block(
        lead_in=LeadIn("swing", 0.5, 0.1),
        rhythm=rhythm,
        hitters=(Hitter("smack"), Hitter("tock")),
        reps=100_000,
    )
    reps = plan(made, seed=11)
    assert len(reps) == 100_000
    rallies = [1]
    for before, rep in itertools.pairwise(reps):
        if rep.start_s > before.end_s + 10.0:
            rallies.append(1)
        else:
            rallies[-1] += 1
    expected = {1: 0.40, 2: 0.23, 3: 0.11, 4: 0.11, 5: 0.075, 6: 0.075}
    for length, share in expected.items():  # five standard errors of a share
        assert rallies.count(length) / len(rallies) == pytest.approx(share, abs=5 * math.sqrt(share / len(rallies)))
    swings_s = [cue.length_s for rep in reps for cue in rep.cues if cue.sound == "swing"]
    assert statistics.fmean(swings_s) == pytest.approx(0.5, abs=0.0005)
    assert statistics.pstdev(swings_s) == pytest.approx(0.1 / math.sqrt(12.0), abs=0.0005)
    contacts = [cue.sound for rep in reps for cue in rep.cues if cue.role == "contact"]
    assert contacts.count("tock") / len(contacts) == pytest.approx(0.5, abs=0.008)


@pytest.mark.long
def test_withheld_contacts_of_many_draws_have_their_share():
    rhythm = Rhythm(2.0, rally=(RallyLength(4, 4),), rest_s=10.0)
    reps = plan(block(rhythm=rhythm, withheld_share=0.2, reps=80_000))
    # reps are drawn until 80 000 have sounded: the share of withheld ones among all is 0.2 all the same
    assert sum(rep.withheld for rep in reps) / len(reps) == pytest.approx(0.2, abs=0.0065)


def test_calls_of_many_blocks_have_their_weights_delays_and_switches():
    calls = Calls(("left", "right", "back"), (2.0, 2.0, 1.0), 0.1, 0.2, share=0.7, switch_share=0.25)
    rhythm = Rhythm(2.5, rally=(RallyLength(4, 4),), rest_s=20.0)
    reps = [rep for seed in range(250) for rep in plan(block(rhythm=rhythm, calls=calls, reps=100), seed=seed)]
    called = [rep for rep in reps if rep.call]
    cues = [[cue for cue in rep.cues if cue.role == "call"] for rep in called]
    assert len(called) / len(reps) == pytest.approx(0.7, abs=0.015)
    for word, share in {"left": 0.4, "right": 0.4, "back": 0.2}.items():
        assert sum(rep.call == word for rep in called) / len(called) == pytest.approx(share, abs=0.005)
    assert sum(len(each) == 2 for each in cues) / len(called) == pytest.approx(0.25, abs=0.02)
    delays_s = [rep.start_s + each[0].at_s - rep.contact_s for rep, each in zip(called, cues, strict=True)]
    assert statistics.fmean(delays_s) == pytest.approx(0.15, abs=0.001)
    assert statistics.pstdev(delays_s) == pytest.approx(0.1 / math.sqrt(12.0), abs=0.001)


# ---------------------------------------------------------------- tones, hitters in turn, levels


def test_tones_stand_in_for_left_and_right_and_come_from_their_sides():
    calls = Calls(("left", "right"), (1.0, 1.0), 0.1, 0.1, tones=True)
    for rep in plan(block(calls=calls)):
        (cue,) = [cue for cue in rep.cues if cue.role == "call"] or [None]
        if cue is not None:
            assert (cue.sound, cue.pan < 0) == (f"tone_{rep.call}", rep.call == "left")


def test_hitters_in_turn_alternate_whatever_the_seed():
    two = (Hitter("smack", -0.5), Hitter("tock", 0.5))
    reps = plan(block(hitters=two, hitters_in_turn=True, rhythm=Rhythm(rally=(RallyLength(1, 1),), rest_s=9.0)))
    sounds = [cue.sound for rep in reps for cue in rep.cues if cue.role == "contact"]
    assert sounds == ["smack", "tock"] * 10


def test_a_rep_knows_the_windows_of_every_level_of_its_own_situation():
    levels = ("beginner", "club", "advanced")
    made = block(
        situation="net",
        window=window_for("club", "net"),
        opening=LeadIn("toss", 0.95),
        opening_situation="return",
        opening_window=window_for("club", "return"),
        rhythm=Rhythm(2.5, rally=(RallyLength(2, 2),), rest_s=5.0),
        reps=2,
    )
    first, second = plan(made)
    assert first.ladder == tuple(window_for(level, "return") for level in levels)
    assert second.ladder == tuple(window_for(level, "net") for level in levels)
    assert (first.level, first.window, second.window) == ("club", first.ladder[1], second.ladder[1])
    for fixed in (replace(made, window_fixed=True), replace(made, mode="reactive")):
        assert {(rep.level, rep.ladder) for rep in plan(fixed)} == {(None, ())}
