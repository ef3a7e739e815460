"""Levels inside a session: when a player moves, and what is judged after it."""

from __future__ import annotations

from itertools import pairwise

import pytest

from drilltimer.app.live import run_live
from drilltimer.app.open import open_room
from drilltimer.app.plan import Plan
from drilltimer.drill.language import load_drill
from drilltimer.drill.schedule import schedule
from drilltimer.drill.windows import window_for
from drilltimer.model import LEVELS, Cue, Grade, Level, Placement, Progression, Rep, Sound, Verdict
from drilltimer.score.progress import Ladder, LevelMove
from drilltimer.ui.wording import english

RULE = Progression()
RETURN = tuple(window_for(level, "return") for level in LEVELS)


def rep(level: Level | None = "club", index: int = 0) -> Rep:
    window = window_for(level or "club", "return")
    return Rep(index, 0.0, 2.0, 1.0, (), None, window, level=level, ladder=RETURN if level else ())


def play(ladder: Ladder, hits: str, own: Rep | None = None) -> list[LevelMove]:
    """Take one rep per letter: h in the window, l late, m missed, v void; answers the moves."""
    grades = {"h": Grade.ON_TIME, "l": Grade.LATE, "m": Grade.MISSED, "v": Grade.VOID}
    placed = [ladder.take(ladder.place(own or rep()), Verdict(0, grades[letter])) for letter in hits]
    return [move for move in placed if move]


@pytest.mark.parametrize(
    ("hits", "moves"),
    [
        ("hhhhhhhhll", [LevelMove("advanced", True, 8, 10)]),  # 80 % exactly: narrower
        ("hhhhhhhlll", []),  # 70 %
        ("hhhhhlllll", []),  # 50 % exactly: stays
        ("hhhhllllll", [LevelMove("beginner", False, 4, 10)]),  # 40 %: wider
        ("hhhhhhhhh", []),  # nine say nothing yet
        ("hhhhhhhhhv", []),  # void ones do not count
        ("hhhhhhhhhvh", [LevelMove("advanced", True, 10, 10)]),
        ("mmmmmmmmmm", [LevelMove("beginner", False, 0, 10)]),  # missed ones do
        ("llhhhhhhhh", [LevelMove("advanced", True, 8, 10)]),
    ],
)
def test_a_player_moves_by_the_last_ten(hits: str, moves: list[LevelMove]) -> None:
    assert play(Ladder(RULE), hits) == moves


def test_after_a_move_ten_new_reps_are_needed_and_the_window_is_the_new_one() -> None:
    ladder = Ladder(RULE)
    play(ladder, "h" * 10)
    assert ladder.place(rep()).window == window_for("advanced", "return")
    assert ladder.place(rep()).level == "advanced"
    assert play(ladder, "l" * 9) == []
    assert play(ladder, "l") == [LevelMove("club", False, 0, 10)]
    assert ladder.place(rep()).window == window_for("club", "return")


def test_nobody_moves_beyond_the_last_level() -> None:
    assert play(Ladder(RULE), "h" * 40, rep("advanced")) == []
    assert play(Ladder(RULE), "l" * 40, rep("beginner")) == []


def test_steps_are_kept_from_block_to_block_whatever_its_own_level() -> None:
    ladder = Ladder(RULE)
    play(ladder, "h" * 10, rep("beginner"))
    assert [ladder.place(rep(level)).level for level in LEVELS] == ["club", "advanced", "advanced"]


def test_a_move_that_is_told_changes_the_window_whatever_the_blocks_before() -> None:
    ladder = Ladder(RULE)
    play(ladder, "h" * 20, rep("beginner"))  # two steps up; an advanced block has no room for them
    assert play(ladder, "l" * 10, rep("advanced")) == [LevelMove("club", False, 0, 10)]
    assert ladder.place(rep("advanced")).level == "club"
    assert ladder.place(rep("advanced")).window == window_for("club", "return")


def test_a_window_of_its_own_takes_no_part() -> None:
    ladder = Ladder(RULE)
    own = rep(None)
    assert play(ladder, "h" * 20, own) == []
    play(ladder, "h" * 10)
    assert ladder.place(own) == own


def test_without_a_rule_nothing_moves() -> None:
    ladder = Ladder(None)
    assert play(ladder, "h" * 20) == []
    assert ladder.place(rep()) == rep()


def test_another_rule_looks_back_as_far_as_it_says() -> None:
    ladder = Ladder(Progression(reps=5, up_share=1.0, down_share=0.2))
    assert play(ladder, "lhhhhh") == [LevelMove("advanced", True, 5, 5)]
    assert play(Ladder(Progression(reps=5, up_share=1.0, down_share=0.2)), "hllll") == []


@pytest.mark.parametrize("hits", ["h" * 10, "l" * 10, "hhhhhhhhll"])
def test_a_move_goes_back_with_the_rep_that_led_to_it_and_comes_again_with_it(hits: str) -> None:
    ladder = Ladder(RULE)
    (move,) = play(ladder, hits)
    assert ladder.withdraw() == LevelMove("club", not move.up, move.hits, 10, back=True)
    assert ladder.place(rep()).level == "club"
    assert ladder.put_back() == move
    assert ladder.place(rep()).level == move.level
    ladder.withdraw()
    assert play(ladder, hits[-1]) == [move]  # nine were left: the next one decides


def test_a_rep_that_led_to_nothing_is_left_out_and_counted_again() -> None:
    ladder = Ladder(RULE)
    play(ladder, "hhhhhhhhh")
    assert (ladder.withdraw(), ladder.put_back()) == (None, None)
    assert play(ladder, "h") == [LevelMove("advanced", True, 10, 10)]
    ladder = Ladder(RULE)
    play(ladder, "hhhhhhhhh")
    ladder.withdraw()
    assert play(ladder, "h") == []
    assert play(ladder, "v") == []
    assert (ladder.withdraw(), ladder.put_back()) == (None, None)  # void by itself: it never counted
    assert play(ladder, "h") == [LevelMove("advanced", True, 10, 10)]


def test_a_drill_without_levels_that_move_takes_nothing_back() -> None:
    ladder = Ladder(None)
    play(ladder, "h" * 20)
    assert (ladder.withdraw(), ladder.put_back()) == (None, None)


# ----------------------------------------------------------------------------------------------------- in a session

CLIMB = """
name: Climb
level: beginner
reps: 12
progression: {reps: 5}
lead_in: {kind: swing, length_s: 0.5}
rhythm: {interval_s: 3, rally: 6, rest_s: 3}
calls: {words: [left, right], delay_s: 0.2, tones: true}
"""


@pytest.mark.long
def test_a_session_moves_an_expert_up_says_it_shows_it_and_keeps_it(monkeypatch: pytest.MonkeyPatch) -> None:
    drill = load_drill(CLIMB, "climb.yaml")
    place = Placement(3.0, 3.0, 0.3)
    shown: list[str] = []
    room = open_room("expert", 2, place, speed=0)
    played: list[tuple[int, int, str]] = []
    play_in_room = room.play

    def overhear(start: int, sound: Sound, cue: Cue, rep: Rep | None = None) -> None:
        played.append((start, start + len(sound.samples), cue.sound))
        play_in_room(start, sound, cue, rep)

    monkeypatch.setattr(room, "play", overhear)
    outcome = run_live(
        Plan(drill, 2, schedule(drill, 2)),
        room,
        place,
        on_rep=lambda rep, verdict: None,
        on_trouble=lambda told: shown.append(english().tell(told)),
    )
    levels = [verdict.level for verdict in outcome.verdicts]
    assert levels[:5] == ["beginner"] * 5
    assert levels[5:10] == ["club"] * 5
    assert shown[0] == "one level up, to club: 5 of the last 5 in the window; it is narrower now"
    for verdict, judged in zip(outcome.verdicts, outcome.plan.reps, strict=True):
        assert judged.level == verdict.level
        window = window_for(judged.level or "club", "baseline")
        assert (verdict.window_open_ms, verdict.window_close_ms) == (window.open_ms, window.close_ms)
        assert judged.window == window
        if verdict.error_ms is not None:
            assert verdict.error_ms == pytest.approx((verdict.touchdown_ms or 0.0) - window.centre_ms)
    assert [name for *_, name in played].count("harder") == sum(text.startswith("one level up") for text in shown) == 2
    for (_, end, name), (start, _, following) in pairwise(sorted(played)):
        assert end <= start or "harder" not in (name, following)
