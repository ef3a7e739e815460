"""Hand arithmetic for the way of sound, every edge of every grade, and relations that no landing may break."""

from __future__ import annotations

import math
import tomllib
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drilltimer.errors import notice
from drilltimer.model import TIMED_GRADES, Cue, Grade, Heard, Landing, Mode, Onset, Placement, Rep, Verdict, Window
from drilltimer.score.match import correction_ms, directions_known_ms, grade_touchdown, judge

PUBLISHED = tomllib.loads((Path(__file__).parents[1] / "data" / "published.toml").read_text(encoding="utf-8"))
RATE_HZ = 48_000
FRAMES_PER_MS = 48
CONTACT = 96_000
SIDE_BY_SIDE = Placement()
RETURN_CLUB = Window(73, 133, 193)
REACTIVE = Window(330, 465, 600)


def onset(at: float, uncertainty_ms: float = 0.5) -> Onset:
    return Onset(at=at, level_db=-30.0, uncertainty_ms=uncertainty_ms)


def rep(*, window: Window = RETURN_CLUB, mode: Mode = "predictive", withheld: bool = False) -> Rep:
    return Rep(3, 1.0, 4.0, 2.0, (), "left", window, mode, withheld)


def heard(
    touchdown_ms: float | None,
    *,
    second_ms: float | None = None,
    step_ms: float | None = None,
    void: str = "",
    contact_heard: bool = True,
) -> Heard:
    def after(time_ms: float | None) -> Onset | None:
        return None if time_ms is None else onset(CONTACT + time_ms * FRAMES_PER_MS)

    touchdown = after(touchdown_ms)
    landing = Landing(touchdown, after(second_ms), after(step_ms)) if touchdown else None
    return Heard(3, onset(CONTACT), contact_heard, landing, void)


def judged(touchdown_ms: float | None, **kwargs: object) -> Verdict:
    return judge(heard(touchdown_ms, **kwargs), rep(), SIDE_BY_SIDE, RATE_HZ)  # type: ignore[arg-type]


def test_an_error_is_the_touchdown_minus_the_centre_of_the_window() -> None:
    verdict = judged(150)
    assert verdict.touchdown_ms == pytest.approx(150, abs=1e-6)
    assert verdict.error_ms == pytest.approx(17, abs=1e-6)
    assert verdict.grade is Grade.ON_TIME


def test_every_metre_of_air_is_taken_off_in_the_right_direction() -> None:
    # A loudspeaker 6 m from the player, a microphone 4 m from the player and 9 m from the loudspeaker, 20 °C.
    # Contact leaves the loudspeaker at 0: player hears it at 6/343.2 s = 17.4825 ms, microphone at 26.2238 ms.
    # The foot lands 133 ms after the player heard it, at 150.4825 ms; the microphone hears that at 162.1375 ms.
    # Interval at the microphone: 135.9138 ms.
    placement = Placement(speaker_to_player_m=6, player_to_mic_m=4, speaker_to_mic_m=9, air_c=20)
    verdict = judge(heard(135.9138), rep(), placement, RATE_HZ)
    assert verdict.touchdown_ms == pytest.approx(133, abs=1e-3)
    assert correction_ms(placement) == pytest.approx(2.9138, abs=1e-3)


def test_side_by_side_at_one_metre_takes_off_5_8_ms() -> None:
    placement = Placement(speaker_to_player_m=1, player_to_mic_m=1, speaker_to_mic_m=0)
    assert correction_ms(placement) == pytest.approx(5.83, abs=0.01)


def test_a_colder_hall_is_a_longer_way() -> None:
    cold, warm = (correction_ms(Placement(6, 6, 0, air_c)) for air_c in (0.0, 30.0))
    assert cold == pytest.approx(36.22, abs=0.01)  # 12 m at 331.29 m/s
    assert warm == pytest.approx(34.38, abs=0.01)  # 12 m at 349.00 m/s


def test_a_microphone_at_the_players_feet_makes_the_interval_too_short_for_nothing() -> None:
    # It hears cue and foot exactly as the player does.
    assert correction_ms(Placement(speaker_to_player_m=8, player_to_mic_m=0, speaker_to_mic_m=8)) == pytest.approx(0)


@pytest.mark.parametrize(
    ("touchdown_ms", "grade"),
    [
        (-300, Grade.BEFORE),
        (-20, Grade.BEFORE),
        (-0.001, Grade.BEFORE),
        (0, Grade.EARLY),
        (72.999, Grade.EARLY),
        (73, Grade.ON_TIME),
        (133, Grade.ON_TIME),
        (193, Grade.ON_TIME),
        (193.001, Grade.LATE),
        (600, Grade.LATE),
        (600.001, Grade.MISSED),
    ],
)
def test_predictive_grades_at_every_edge(touchdown_ms: float, grade: Grade) -> None:
    assert grade_touchdown(touchdown_ms, RETURN_CLUB, "predictive") is grade
    assert judged(touchdown_ms).grade is grade


@pytest.mark.parametrize(
    ("touchdown_ms", "grade"),
    [
        (-0.001, Grade.BEFORE),
        (0, Grade.EARLY),
        (199.999, Grade.EARLY),
        (329.999, Grade.EARLY),
        (330, Grade.ON_TIME),
        (600, Grade.ON_TIME),
        (600.001, Grade.LATE),
        (1000, Grade.LATE),
        (1000.001, Grade.MISSED),
    ],
)
def test_reactive_grades_at_every_edge(touchdown_ms: float, grade: Grade) -> None:
    assert grade_touchdown(touchdown_ms, REACTIVE, "reactive") is grade


def test_a_reactive_landing_within_200_ms_is_a_guess_even_inside_the_window() -> None:
    personal = Window(150, 250, 350)
    assert grade_touchdown(199.9, personal, "reactive") is Grade.EARLY
    assert grade_touchdown(200, personal, "reactive") is Grade.ON_TIME
    assert grade_touchdown(199.9, personal, "predictive") is Grade.ON_TIME


@pytest.mark.parametrize("edge_ms", [73, 270])
@pytest.mark.parametrize("contact", [12_345, 345_600_007])
@pytest.mark.parametrize("rate_hz", [44_100, 96_000])
def test_both_ends_of_the_window_are_in_it_wherever_in_the_recording(edge_ms: int, contact: int, rate_hz: int) -> None:
    window = Window(edge_ms, edge_ms, edge_ms)
    landing = Landing(onset(contact + edge_ms * rate_hz / 1000))
    verdict = judge(Heard(3, onset(contact), True, landing), rep(window=window), SIDE_BY_SIDE, rate_hz)
    assert verdict.grade is Grade.ON_TIME


def test_nothing_heard_is_missed_and_carries_no_numbers() -> None:
    verdict = judged(None)
    assert verdict.grade is Grade.MISSED
    assert (verdict.touchdown_ms, verdict.error_ms, verdict.uncertainty_ms, verdict.touchdown_s) == (None,) * 4
    assert verdict.contact_heard_s == pytest.approx(2.0)


def test_a_landing_beyond_the_limit_is_told_but_is_no_error() -> None:
    verdict = judged(650)
    assert verdict.grade is Grade.MISSED
    assert verdict.touchdown_ms == pytest.approx(650)
    assert verdict.error_ms is None


def test_void_tells_why_and_no_times() -> None:
    verdict = judged(133, void="lost_in_rep")
    told = Verdict(3, Grade.VOID, "left", contact_heard_s=2.0, void=notice("lost_in_rep"))
    assert replace(verdict, window_open_ms=None, window_close_ms=None) == told


def test_without_a_zero_a_rep_is_void_and_says_so() -> None:
    verdict = judge(Heard(3, None, False, Landing(onset(CONTACT))), rep(), SIDE_BY_SIDE, RATE_HZ)
    assert verdict.grade is Grade.VOID
    assert verdict.void == notice("no_zero")
    assert verdict.touchdown_ms is None


def test_an_inferred_contact_times_the_landing_but_was_not_heard() -> None:
    verdict = judged(140, contact_heard=False)
    assert verdict.contact_heard_s is None
    assert verdict.error_ms == pytest.approx(7)


@pytest.mark.parametrize(
    ("touchdown_ms", "step_ms", "grade"),
    [(None, None, Grade.KEPT_STILL), (120, None, Grade.KEPT_STILL), (120, 330, Grade.MOVED)],
)
def test_a_withheld_contact_asks_for_no_first_step(
    touchdown_ms: float | None, step_ms: float | None, grade: Grade
) -> None:
    verdict = judge(
        heard(touchdown_ms, step_ms=step_ms, contact_heard=False), rep(withheld=True), SIDE_BY_SIDE, RATE_HZ
    )
    assert verdict.grade is grade
    assert verdict.error_ms is None


def test_a_landing_20_ms_before_the_contact_is_called_so() -> None:
    row = PUBLISHED["before_contact"]
    assert judged(row["touchdown_ms"]).grade.value == row["grade"]


def test_two_feet_are_one_landing_with_their_stagger() -> None:
    apart_ms = PUBLISHED["two_feet"]["stagger_ms"]
    verdict = judged(133, second_ms=133 + apart_ms)
    assert verdict.stagger_ms == pytest.approx(apart_ms, abs=1e-6)
    assert verdict.touchdown_ms == pytest.approx(133, abs=1e-6)
    assert verdict.second_touchdown_s == pytest.approx(2.133 + apart_ms / 1000, abs=1e-9)


def test_first_step_is_timed_at_the_player_and_stagger_needs_no_distance() -> None:
    placement = Placement(speaker_to_player_m=6, player_to_mic_m=6)
    verdict = judge(heard(150, second_ms=170, step_ms=400), rep(), placement, RATE_HZ)
    assert verdict.first_step_ms == pytest.approx(400 - 34.965, abs=1e-2)
    assert verdict.stagger_ms == pytest.approx(20, abs=1e-6)


def test_seconds_are_places_in_the_recording_whatever_the_distance() -> None:
    placement = Placement(speaker_to_player_m=6, player_to_mic_m=6)
    verdict = judge(heard(150, step_ms=400), rep(), placement, RATE_HZ)
    assert verdict.touchdown_s == pytest.approx(2.150, abs=1e-9)
    assert verdict.first_step_s == pytest.approx(2.400, abs=1e-9)


def test_uncertainties_of_contact_and_touchdown_add_as_squares() -> None:
    landing = Landing(onset(CONTACT + 6000, uncertainty_ms=4.0))
    verdict = judge(Heard(3, onset(CONTACT, 3.0), True, landing), rep(), SIDE_BY_SIDE, RATE_HZ)
    assert verdict.uncertainty_ms == pytest.approx(5.0)
    doubted = judge(Heard(3, onset(CONTACT, 3.0), True, landing), rep(), SIDE_BY_SIDE, RATE_HZ, way_doubt_ms=12.0)
    assert doubted.uncertainty_ms == pytest.approx(13.0)


def test_what_was_heard_of_another_rep_is_refused() -> None:
    with pytest.raises(ValueError, match="rep 4, not to rep 3"):
        judge(Heard(4, onset(CONTACT), True, None), rep(), SIDE_BY_SIDE, RATE_HZ)


@given(touchdown_ms=st.floats(-300, 700), shift=st.integers(0, 10**8), frames=st.integers(-2000, 2000))
def test_a_shift_of_everything_changes_nothing_and_a_shift_of_the_foot_moves_the_error_by_as_much(
    touchdown_ms: float, shift: int, frames: int
) -> None:
    def error_ms(contact: float, touchdown: float) -> float:
        wide = rep(window=Window(-1e6, 133, 1e6))
        verdict = judge(Heard(3, onset(contact), True, Landing(onset(touchdown))), wide, SIDE_BY_SIDE, RATE_HZ)
        assert verdict.touchdown_ms is not None
        return verdict.touchdown_ms

    touchdown = CONTACT + touchdown_ms * FRAMES_PER_MS
    plain_ms = error_ms(CONTACT, touchdown)
    assert error_ms(CONTACT + shift, touchdown + shift) == pytest.approx(plain_ms, abs=2e-6)
    assert error_ms(CONTACT, touchdown + frames) - plain_ms == pytest.approx(frames / FRAMES_PER_MS, abs=2e-6)


@given(
    sp_m=st.floats(0, 30), pm_m=st.floats(0, 30), sm_m=st.floats(0, 30), air_c=st.floats(-20, 45),
    truth_ms=st.floats(-250, 590),
)  # fmt: skip
def test_what_happened_at_the_player_is_recovered_for_any_placement(
    sp_m: float, pm_m: float, sm_m: float, air_c: float, truth_ms: float
) -> None:
    # The physics, told forwards and in seconds: nothing here is shared with what is tested.
    speed_m_s = 343.2 * math.sqrt((air_c + 273.15) / 293.15)
    left_speaker_s = 5.0
    foot_s = left_speaker_s + sp_m / speed_m_s + truth_ms / 1000
    at_mic = Heard(
        3,
        onset((left_speaker_s + sm_m / speed_m_s) * RATE_HZ),
        True,
        Landing(onset((foot_s + pm_m / speed_m_s) * RATE_HZ)),
    )
    verdict = judge(at_mic, rep(), Placement(sp_m, pm_m, sm_m, air_c), RATE_HZ)
    assert verdict.touchdown_ms == pytest.approx(truth_ms, abs=1e-5)


@given(touchdown_ms=st.floats(-300, 1200), mode=st.sampled_from(["predictive", "reactive"]), open_ms=st.floats(0, 300))
def test_grades_come_in_order_and_an_error_belongs_to_a_timed_grade(
    touchdown_ms: float, mode: Mode, open_ms: float
) -> None:
    order = [Grade.BEFORE, Grade.EARLY, Grade.ON_TIME, Grade.LATE, Grade.MISSED]
    window = Window(open_ms, open_ms + 60, open_ms + 120)
    now, later = (grade_touchdown(at_ms, window, mode) for at_ms in (touchdown_ms, touchdown_ms + 10))
    assert order.index(now) <= order.index(later)
    verdict = judge(heard(touchdown_ms), rep(window=window, mode=mode), SIDE_BY_SIDE, RATE_HZ)
    assert (verdict.error_ms is not None) == (verdict.grade in TIMED_GRADES)


# ------------------------------------------------------------------------------- guesses (common practice, no source)


def with_calls(*calls_s: float, withheld: bool = False, known_s: float | None = 0.1) -> Rep:
    """A rep whose calls begin so long after its contact, each understood `known_s` later."""
    cues = tuple(Cue("call", "left", 1.0 + at_s, known_s=known_s) for at_s in calls_s)  # the rep starts 1 s before
    return replace(rep(withheld=withheld), cues=cues)


@pytest.mark.parametrize(("step_ms", "guessed"), [(200.0, True), (549.0, True), (550.0, False), (None, False)])
def test_a_first_step_too_soon_to_answer_its_call_is_a_guess(step_ms: float | None, guessed: bool) -> None:
    # called after 200 ms, understood 100 ms later, and nobody answers within 250 ms of that
    verdict = judge(heard(133, step_ms=step_ms), with_calls(0.2), SIDE_BY_SIDE, RATE_HZ)
    assert verdict.guessed is guessed
    assert verdict.grade is Grade.ON_TIME  # the landing was still what it was


def test_direction_of_a_word_that_nobody_measured_is_known_140_ms_after_its_onset() -> None:
    assert directions_known_ms(with_calls(0.2, known_s=None)) == pytest.approx([340.0])
    assert directions_known_ms(with_calls(0.5, 0.2)) == pytest.approx([300.0, 600.0])
    assert directions_known_ms(rep()) == []
    with_contact = with_calls(0.2, known_s=None)
    cues = (Cue("precue", "swing", 0.6), Cue("contact", "smack", 1.0), *with_contact.cues)  # which tell no direction
    assert directions_known_ms(replace(with_contact, cues=cues)) == pytest.approx([340.0])


@pytest.mark.parametrize(("step_ms", "guessed"), [(549.0, True), (700.0, False)])
def test_a_step_that_answers_a_call_taken_back_is_no_guess(step_ms: float, guessed: bool) -> None:
    assert judge(heard(133, step_ms=step_ms), with_calls(0.2, 0.5), SIDE_BY_SIDE, RATE_HZ).guessed is guessed


def test_the_call_s_way_through_the_air_is_the_contact_s() -> None:
    far = Placement(speaker_to_player_m=10, player_to_mic_m=10, speaker_to_mic_m=0)  # 58.3 ms are taken off
    assert judge(heard(200, step_ms=605.0), with_calls(0.2), far, RATE_HZ).guessed
    assert not judge(heard(200, step_ms=612.0), with_calls(0.2), far, RATE_HZ).guessed


def test_a_first_step_without_a_contact_is_a_guess_and_a_hop_is_none() -> None:
    assert judge(heard(133, step_ms=400), with_calls(withheld=True), SIDE_BY_SIDE, RATE_HZ).guessed
    assert not judge(heard(133), with_calls(withheld=True), SIDE_BY_SIDE, RATE_HZ).guessed


def test_without_a_call_no_step_can_come_before_it() -> None:
    assert not judge(heard(133, step_ms=150), rep(), SIDE_BY_SIDE, RATE_HZ).guessed


def test_a_verdict_keeps_the_window_and_the_level_that_it_was_judged_by() -> None:
    verdict = judge(heard(133), replace(rep(), level="club"), SIDE_BY_SIDE, RATE_HZ)
    assert (verdict.level, verdict.window_open_ms, verdict.window_close_ms) == ("club", 73, 193)
