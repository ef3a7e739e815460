"""Landings, bouts and rests by hand, and what is told when a plan goes beyond guidance."""

from __future__ import annotations

from dataclasses import replace

import pytest
from words import say

from drilltimer.drill.language import load_drill
from drilltimer.drill.load import Bout, Load, cautions, measure_load
from drilltimer.drill.schedule import schedule
from drilltimer.model import Drill, Level, Rep, Window

WINDOW = Window(100.0, 160.0, 220.0)
PLAIN = """
name: Plain
level: {level}
reps: {reps}
lead_in: {{kind: swing, length_s: 0.5}}
rhythm: {{interval_s: 2.5, rally: {rally}, rest_s: {rest_s}}}
"""


def reps_at(*contacts_s: float, withheld: tuple[int, ...] = (), block: int = 0) -> list[Rep]:
    return [
        Rep(i, at_s - 1.0, at_s + 1.0, at_s, (), None, WINDOW, withheld=i in withheld, block=block)
        for i, at_s in enumerate(contacts_s)
    ]


def drill(level: Level = "club", reps: int = 20, rally: int = 4, rest_s: float = 20.0) -> Drill:
    return load_drill(PLAIN.format(level=level, reps=reps, rally=rally, rest_s=rest_s), "plain.yaml")


def told(made: Drill) -> list[str]:
    return [say(caution.message) for caution in cautions(made, measure_load(made, schedule(made, 1)))]


def test_bouts_are_parted_by_twice_the_pace_and_rests_are_counted_between_landings() -> None:
    load = measure_load(drill(), reps_at(10.0, 12.5, 15.0, 35.0, 37.5, 42.5))
    assert load.bouts == (Bout(0, 3, 5.0, 20.0), Bout(0, 2, 2.5, 5.0), Bout(0, 1, 0.0, None))
    assert load.landings == 6
    assert load.longest == load.bouts[0]
    assert load.hurried is None  # no bout lasts more than 10 s


@pytest.mark.parametrize(("interval_s", "parts_s"), [(1.1, 4.0), (2.5, 5.0), (3.5, 7.0), (6.0, 8.0)])
def test_a_slower_rally_needs_a_longer_pause_to_end(interval_s: float, parts_s: float) -> None:
    plain = drill()
    paced = replace(plain.blocks[0], rhythm=replace(plain.blocks[0].rhythm, interval_s=interval_s))
    for gap_s, bouts in ((parts_s - 0.01, 1), (parts_s, 2)):
        assert len(measure_load(replace(plain, blocks=(paced,)), reps_at(1.0, 1.0 + gap_s)).bouts) == bouts


def test_a_rally_that_stumbles_once_is_still_one_bout() -> None:
    load = measure_load(drill(), reps_at(0.0, 2.5, 7.0, 9.5))  # the pace is 2.5 s, one gap 4.5 s
    assert load.bouts == (Bout(0, 4, 9.5, None),)


def test_a_withheld_contact_is_no_landing() -> None:
    load = measure_load(drill(), reps_at(1.0, 4.0, 7.0, withheld=(1,)))
    assert load.landings == 2
    assert [bout.landings for bout in load.bouts] == [1, 1]  # 6 s without a landing: a rest


def test_the_most_hurried_bout_has_the_least_rest_for_its_work() -> None:
    first = [3.0 * i for i in range(6)]  # 15 s, then 15 s
    second = [30.0 + 3.0 * i for i in range(5)]  # 12 s, then 6 s
    load = measure_load(drill(), reps_at(*first, *second, 48.0))
    assert load.hurried == Bout(0, 5, 12.0, 6.0)
    assert load.longest == Bout(0, 6, 15.0, 15.0)


def test_nothing_is_asked_by_nothing() -> None:
    assert measure_load(drill(), []) == Load(0, (), None, None)


@pytest.mark.parametrize(("level", "most"), [("beginner", 90), ("club", 120), ("advanced", 140)])
def test_landings_beyond_guidance_are_cautioned_of(level: Level, most: int) -> None:
    assert told(drill(level, most)) == []
    (caution,) = told(drill(level, most + 1))
    assert f"{most + 1} landings" in caution
    assert f"ends at {most}" in caution


def test_a_bout_beyond_half_a_minute_is_cautioned_of_and_a_shorter_one_is_not() -> None:
    assert told(drill(reps=24, rally=12, rest_s=40)) == []  # 27.5 s
    (caution,) = told(drill(reps=28, rally=14, rest_s=40))  # 32.5 s
    assert "14 landings in 32 s" in caution


def test_less_rest_than_work_is_cautioned_of() -> None:
    # 15 s of work; from the last landing to the next first one are 0.7 s of hearing, the rest, 0.5 s of swing.
    assert told(drill(reps=21, rally=7, rest_s=14)) == []
    assert len(told(drill(reps=21, rally=7, rest_s=13))) == 1


def test_the_lowest_level_of_all_blocks_counts() -> None:
    mixed = drill("advanced", 100)
    easy = replace(mixed.blocks[0], level="beginner")
    both = replace(mixed, blocks=(*mixed.blocks, easy))
    assert "beginner level ends at 90" in say(cautions(both, measure_load(mixed, schedule(mixed, 1)))[0].message)
