"""Who works where: properties of every plan of 1-40 players at 1-12 stations."""

from __future__ import annotations

from collections import Counter
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drilltimer.group.plan import FINISH_S, GroupPlan, GroupPlayer, Station, WarmUp
from drilltimer.group.rotation import intervals_per_round, make_squads, seats, wheel
from drilltimer.group.run import load_plan
from drilltimer.group.timeline import lay_out


def make_plan(players, stations, **settings):
    crew = tuple(GroupPlayer(str(n + 1), n + 1) for n in range(players))
    return GroupPlan("x", "", crew, tuple(Station(f"s{n}") for n in range(stations)), **settings)


times = {
    "work_s": st.sampled_from([10.0, 30.0, 180.0]),
    "change_s": st.sampled_from([5.0, 30.0]),
    "round_rest_s": st.sampled_from([5.0, 90.0]),
    "rounds": st.integers(1, 4),
    "time_limit_s": st.sampled_from([60.0, 900.0, 5400.0]),
    "places": st.one_of(st.none(), st.integers(1, 6)),
    "pairs": st.booleans(),
}
plans = st.builds(make_plan, st.integers(1, 40), st.integers(1, 12), **times)


def worked(stage):
    return [player for squad in stage.seats.stations for player in squad]


@given(plans)
def test_everybody_works_equally_often_and_nobody_twice_at_once(plan):
    count = Counter(dict.fromkeys(range(len(plan.players)), 0))
    for stage in lay_out(plan).stages:
        here = worked(stage)
        assert len(here) == len(set(here))
        assert sorted([*here, *stage.seats.resting]) == list(range(len(plan.players)))
        count.update(here)
    assert max(count.values()) - min(count.values()) <= 1


@given(plans)
def test_rests_are_kept_and_the_end_never_passes_the_limit(plan):
    course = lay_out(plan)
    assert course.end_s <= plan.time_limit_s + 1e-6
    for before, stage in pairwise(course.stages):
        rest_s = stage.start_s - before.end_s
        wanted_s = plan.change_s if stage.round == before.round else max(plan.change_s, plan.round_rest_s)
        assert rest_s == pytest.approx(wanted_s)
        assert stage.work_s == plan.work_s
    every = plan.rounds * intervals_per_round(plan)
    assert len(course.stages) + course.left_out == every
    if course.left_out:  # it was left out because it does not fit, not by mistake
        length_s = course.stages[-1].end_s if course.stages else 0.0
        lead_s = max(plan.change_s, plan.round_rest_s, 8.0)
        assert length_s + lead_s + plan.work_s + FINISH_S > plan.time_limit_s


@given(plans)
def test_no_station_has_more_players_than_places(plan):
    if plan.places is None:
        return
    most = max(plan.places, 2 if plan.pairs else 1)
    for stage in lay_out(plan).stages:
        assert all(len(squad) <= most for squad in stage.seats.stations)


@given(plans)
def test_squads_are_even_and_pairs_stay_together(plan):
    squads = make_squads(plan)
    sizes = [len(squad) for squad in squads]
    assert max(sizes) - min(sizes) <= (3 if plan.pairs else 1)
    assert sorted(player for squad in squads for player in squad) == list(range(len(plan.players)))
    if plan.pairs:
        where = {player: number for number, squad in enumerate(squads) for player in squad}
        assert all(where[first] == where[first + 1] for first in range(0, len(plan.players) - 1, 2))


@given(plans)
def test_in_a_round_every_squad_is_everywhere_once(plan):
    visits = {number: Counter() for number in range(len(plan.players))}
    for interval in range(intervals_per_round(plan)):
        for station, squad in enumerate(
            seats(plan, interval, lambda player: plan.players[player].there(0.0, 1.0)).stations
        ):
            for player in squad:
                visits[player][station] += 1
    assert all(count == Counter(range(len(plan.stations))) for count in visits.values())


@given(st.integers(1, 12), st.integers(1, 40), st.integers(1, 40))
def test_any_stretch_of_the_wheel_has_as_many_rests_as_any_other_give_or_take_one(stations, squads, length):
    places = wheel(stations, squads)
    rests = [sum(places[(first + n) % len(places)] is None for n in range(length)) for first in range(len(places))]
    assert max(rests) - min(rests) <= 1
    assert [place for place in places if place is not None] == list(range(stations))


@given(st.data(), st.integers(2, 40), st.integers(1, 12))
def test_latecomers_and_leavers_work_their_share_of_the_time_they_are_there(data, players, stations):
    crew = []
    for n in range(players):
        span = data.draw(st.sampled_from([(None, None), (None, None), (400.0, None), (None, 700.0), (200.0, 900.0)]))
        crew.append(GroupPlayer(str(n), n + 1, None, False, *span))
    plan = GroupPlan("x", "", tuple(crew), tuple(Station(f"s{n}") for n in range(stations)), places=2, rounds=3)
    stages = lay_out(plan).stages
    places = max(stations, len(make_squads(plan)))
    for number, player in enumerate(crew):
        there = [stage for stage in stages if player.there(stage.start_s, stage.end_s)]
        share = len(there) * stations / places
        count = sum(number in worked(stage) for stage in stages)
        assert abs(count - share) < 1.0
        assert not any(number in worked(stage) for stage in stages if stage not in there)


def test_neighbours_in_the_list_go_together():
    """As a coach would: 1 and 2, 3 and 4, and so on to the end of the list."""
    squads = make_squads(load_plan("club-circuit").plan)
    assert squads == tuple((first, first + 1) for first in range(0, 12, 2))


def test_latecomers_are_dealt_out_over_the_squads():
    crew = tuple(GroupPlayer(str(n), n + 1, arrives_s=300.0 if n < 3 else None) for n in range(9))
    squads = make_squads(GroupPlan("x", "", crew, (Station("a"), Station("b"), Station("c"))))
    assert [sum(player < 3 for player in squad) for squad in squads] == [1, 1, 1]


def test_own_rotation_is_followed_to_the_letter():
    plan = make_plan(4, 2, rotation=((1, 0), (2, 1), (0, 2)), rounds=1)
    found = [(stage.seats.stations, stage.seats.resting) for stage in lay_out(plan).stages]
    assert found == [(((0, 1), ()), (2, 3)), (((2, 3), (0, 1)), ()), (((), (2, 3)), (0, 1))]


def test_a_short_booking_costs_the_last_intervals_and_moves_the_last_round():
    plan = make_plan(6, 3, rounds=3, time_limit_s=330.0)
    course = lay_out(plan)
    assert [(stage.round, stage.rounds) for stage in course.stages] == [(1, 2)] * 3 + [
        (2, 2)
    ] * 2  # 8 + 5 x 30 of work, 3 changes, 1 rest: 308 s
    assert course.left_out == 4


def test_the_warm_up_comes_first_and_all_are_in_it():
    plan = make_plan(5, 2, warm_up=(WarmUp("jog", 60.0, 10.0), WarmUp("first-hop", 60.0, 20.0, "first-hop")))
    stages = lay_out(plan).stages
    assert [(stage.kind, stage.start_s) for stage in stages[:3]] == [
        ("movement", 8.0), ("together", 88.0), ("stations", 208.0)
    ]  # fmt: skip
    assert stages[0].seats.stations == ((0, 1, 2, 3, 4),)
