"""Results as text: every number under its head, every sign told, nothing invented where nothing is known."""

from __future__ import annotations

from dataclasses import replace
from functools import partial

import pytest
from words import say

from drilltimer.errors import as_kept, notice
from drilltimer.model import Grade, Health, Placement, Rep, Verdict, Window
from drilltimer.score.match import correction_ms
from drilltimer.score.progress import LevelMove, move_notice
from drilltimer.score.stats import summarize
from drilltimer.ui import lines as told
from drilltimer.ui.lines import header, table
from drilltimer.ui.wording import load_wording

ENGLISH = load_wording()
HEADER = header(ENGLISH)
rep_line, score_lines, health_lines, placement_line = (
    partial(function, wording=ENGLISH)
    for function in (told.rep_line, told.score_lines, told.health_lines, told.placement_line)
)

REP = Rep(4, 0.0, 3.0, 1.0, (), "left", Window(73.0, 133.0, 193.0))
TIMED = Verdict(4, Grade.LATE, "left", 1.0, 1.2, 1.23, 1.4, 201.4, 68.4, 0.5, 0.4, 30.4, 402.0)


def verdict(error_ms, index=0):
    return replace(TIMED, rep=index, error_ms=error_ms, touchdown_ms=133.0 + error_ms)


def test_a_rep_counts_from_one_and_stands_under_its_heads():
    line = rep_line(REP, TIMED)
    assert line.split() == ["5", "left", "+201", "ms", "+68", "ms", "late", "30", "ms", "402", "ms"]
    for head, text in (("touchdown", "+201 ms"), ("error", "+68 ms"), ("stagger", "30 ms"), ("first step", "402 ms")):
        assert line.index(text) + len(text) == HEADER.index(head) + len(head), head  # right-aligned
    for head, text in (("call", "left"), ("grade", "late")):
        assert line.index(text) == HEADER.index(head)


@pytest.mark.parametrize("grade", list(Grade))
def test_every_grade_keeps_the_columns_and_fits_eighty(grade):
    line = rep_line(replace(REP, index=199, call="in-front"), replace(TIMED, grade=grade, touchdown_ms=-123.4))
    assert line.index(ENGLISH.grade(grade)) == HEADER.index("grade")
    assert len(line) <= len(HEADER) <= 80
    assert line.endswith("402 ms")


def test_early_is_minus_and_late_is_plus():
    assert "-70 ms" in rep_line(REP, verdict(-70.2))
    assert "+70 ms" in rep_line(REP, verdict(70.2))
    assert " +0 ms" in rep_line(REP, verdict(-0.2))


def test_what_is_not_known_is_a_dash_and_void_says_why():
    void = Verdict(4, Grade.VOID, void=notice("lost_in_rep"))
    line = rep_line(replace(REP, call=None), void)
    assert line.split() == ["5", "-", "-", "-", "void", "-", "-", "(sound", "was", "lost", "in", "this", "rep)"]
    missed = rep_line(REP, Verdict(4, Grade.MISSED, "left"))
    assert missed.split() == ["5", "left", "-", "-", "missed", "-", "-"]
    assert "ms" not in missed


def test_scores_tell_habit_and_scatter_with_their_signs():
    """Errors -30, 10, 50 ms: mean 10, spread sqrt(3200/3) = 32.7, mean size 30, root mean square 34.2."""
    text = "\n".join(score_lines(summarize([verdict(-30.0, 0), verdict(10.0, 1), verdict(50.0, 2)])))
    numbers = {line[:24].strip(): line[24:].split()[0] for line in text.splitlines()[1:] if line[24:].split()}
    assert numbers["habit (constant error)"] == "+10"
    assert numbers["scatter (variable error)"] == "33"
    assert numbers["absolute error"] == "30"
    assert numbers["root mean square"] == "34"
    assert "3 reps scored: 3 timed, 0 missed; 0 void" in text
    assert numbers["mean stagger"] == "30"
    assert numbers["mean first step"] == "402"


def test_without_a_timed_rep_no_error_is_told():
    lines = score_lines(summarize([Verdict(0, Grade.MISSED), Verdict(1, Grade.VOID, void=as_kept("x"))]))
    assert lines[0] == "1 rep scored: 0 timed, 1 missed; 1 void (not counted)"
    assert not any("constant" in line or "interval" in line for line in lines)
    assert any(line.startswith("in the window") and line.endswith("0 %") for line in lines)


def test_nothing_at_all_is_one_line():
    assert score_lines(summarize([])) == ["0 reps scored: 0 timed, 0 missed; 0 void (not counted)"]


def test_withheld_contacts_are_told_only_where_there_were_some():
    plain = score_lines(summarize([verdict(0.0)]))
    assert not any("withheld" in line for line in plain)
    lines = score_lines(summarize([verdict(0.0), Verdict(1, Grade.KEPT_STILL), Verdict(2, Grade.MOVED)]))
    assert "withheld contacts: kept still 1, moved 1" in lines


def test_health_tells_what_was_measured_and_no_more():
    assert health_lines(Health()) == []
    assert health_lines(Health(noise_db=-61.2)) == ["sound: noise -61 dB"]
    full = Health(90, 2, 1.0, 151.2, 0.1, -37.4, -60.0, ("muted", "busy"))
    assert health_lines(full) == [
        "sound: 90 blocks, 2 with lost sound; sound heard 151 ms after it is played; clock drift -37 ppm; noise -60 dB",
        "note: muted",
        "note: busy",
    ]


def test_the_correction_for_distance_is_told_in_full():
    placement = Placement(3.0, 2.5, 0.3, 20.0)
    line = placement_line(placement, correction_ms(placement))
    assert "3 m from the loudspeaker" in line
    assert "2.5 m from the microphone" in line
    assert "15.2 ms" in line  # (3 + 2.5 - 0.3) m / 343.2 m/s


def test_a_table_lines_up():
    lines = table([("a", "10"), ("long name", "2")], ("name", "n"))
    assert lines == ["name       n", "a          10", "long name  2"]
    assert table([], ("name", "n")) == ["name  n"]


def test_the_cautions_name_floor_warm_up_pain_sound_and_children():
    for word in ("floor", "warm up", "hurts", "sound", "Children", "local rules"):
        assert word in ENGLISH("run.cautions")
    assert "Land softly" in ENGLISH("run.cautions")


def test_a_move_says_where_to_and_why():
    up = LevelMove("advanced", True, 8, 10)
    assert say(move_notice(up)) == "one level up, to advanced: 8 of the last 10 in the window; it is narrower now"
    back = replace(up, level="club", up=False, back=True)
    assert say(move_notice(back)) == "back to club: the rep that had led to another level is void"
