"""Which rep is told what, and that nothing is ever told over a lead-in."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drilltimer.model import Cue, FeedbackKind, FeedbackPlan, Grade, Verdict, Window
from drilltimer.score.feedback import (
    CLEARANCE_S,
    DEFAULT_PLANS,
    REMINDERS,
    SHORTEST_DELAY_S,
    Feedback,
    Message,
    Telling,
    feedback_sounds,
    is_told_when_faded,
    place_feedback,
)
from drilltimer.score.match import grade_touchdown

WINDOW = Window(73, 133, 193)
TONE_S = 0.25
LENGTHS_S = {"tone_early": TONE_S, "tone_on_time": TONE_S, "tone_late": TONE_S}


def feedback(rule: FeedbackPlan) -> Feedback:
    return Feedback(rule, feedback_sounds(rule), LENGTHS_S)


def timed(error_ms: float) -> Verdict:
    at_ms = WINDOW.centre_ms + error_ms
    return Verdict(0, grade_touchdown(at_ms, WINDOW, "predictive"), touchdown_ms=at_ms, error_ms=error_ms)


def place(
    voice: Feedback, *, acted_s: float = 0.0, ready_s: float = 0.4, next_lead_in_s: float | None = None
) -> Cue | None:
    telling = voice.place(acted_s=acted_s, ready_s=ready_s, next_lead_in_s=next_lead_in_s)
    return telling.cue if telling else None


def tell(voice: Feedback, error_ms: float, *, room_s: float | None = None) -> Cue | None:
    voice.take(timed(error_ms), WINDOW)
    return place(voice, next_lead_in_s=room_s)


def told(rule: FeedbackPlan, errors_ms: list[float]) -> list[str | None]:
    voice = feedback(rule)
    cues = [tell(voice, error_ms) for error_ms in errors_ms]
    return [cue.sound.removeprefix("tone_") if cue else None for cue in cues]


def test_each_rep_is_told_its_own_grade() -> None:
    assert told(FeedbackPlan("each"), [-200, -80, 0, 60, 61]) == ["early", "early", "on_time", "on_time", "late"]


def test_a_band_is_silent_inside_the_drills_window() -> None:
    assert told(FeedbackPlan("band"), [-61, -60, 0, 60, 61]) == ["early", None, None, None, "late"]


def test_a_band_of_its_own_replaces_the_window() -> None:
    assert told(FeedbackPlan("band", band_ms=100), [-101, -100, 90, 101]) == ["early", None, None, "late"]


def test_an_own_band_inside_the_window_still_tells_the_grade() -> None:
    assert told(FeedbackPlan("band", band_ms=10), [-30, 5]) == ["on_time", None]


def test_a_summary_tells_the_mean_of_its_reps_and_starts_again() -> None:
    rule = FeedbackPlan("summary", summary_reps=3)
    assert told(rule, [300, 10, -10, 0, 0, 0, -150, -20, -40]) == [
        None, None, "late", None, None, "on_time", None, None, "early",
    ]  # fmt: skip


def test_faded_tells_ten_then_every_second_then_every_fourth() -> None:
    assert [is_told_when_faded(count) for count in range(1, 11)] == [True] * 10
    assert [count for count in range(11, 43) if is_told_when_faded(count)] == [*range(12, 31, 2), 34, 38, 42]
    sounds = told(FeedbackPlan("faded"), [80.0] * 14)
    assert sounds == ["late"] * 10 + [None, "late", None, "late"]


def test_on_request_is_silent_until_asked_and_then_tells_the_last_landing() -> None:
    voice = feedback(FeedbackPlan("on_request"))
    assert tell(voice, -100) is None
    assert tell(voice, 100) is None
    voice.request()
    cue = place(voice)
    assert cue is not None
    assert cue.sound == "tone_late"
    assert place(voice) is None  # told once


def test_asking_breaks_the_silence_of_a_band() -> None:
    voice = feedback(FeedbackPlan("band"))
    assert tell(voice, 0) is None
    voice.request()
    cue = place(voice)
    assert cue is not None
    assert cue.sound == "tone_on_time"


def test_none_tells_nothing_even_when_asked() -> None:
    voice = feedback(FeedbackPlan("none"))
    assert tell(voice, -100) is None
    voice.request()
    assert place(voice) is None


@pytest.mark.parametrize("kind", ["each", "band", "summary", "faded"])
def test_a_rep_without_an_error_is_told_nothing(kind: FeedbackKind) -> None:
    voice = feedback(FeedbackPlan(kind, summary_reps=1))
    for grade in (Grade.MISSED, Grade.VOID, Grade.KEPT_STILL, Grade.MOVED):
        voice.take(Verdict(0, grade), WINDOW)
        assert place(voice) is None, grade


def test_a_reactive_guess_inside_the_window_is_told_early() -> None:
    voice = feedback(FeedbackPlan("each"))
    voice.take(Verdict(0, Grade.EARLY, touchdown_ms=150, error_ms=17), WINDOW)
    cue = place(voice)
    assert cue is not None
    assert cue.sound == "tone_early"


def test_feedback_comes_three_seconds_after_the_touchdown() -> None:
    voice = feedback(FeedbackPlan("each"))
    voice.take(timed(-100), WINDOW)
    assert place(voice, acted_s=2.0, ready_s=2.6, next_lead_in_s=9.0) == Cue("feedback", "tone_early", 5.0)


def test_a_short_gap_shortens_the_delay_and_ends_before_the_lead_in() -> None:
    cue = tell(feedback(FeedbackPlan("each")), 100, room_s=2.0)
    assert cue is not None
    assert cue.at_s == pytest.approx(2.0 - CLEARANCE_S - TONE_S)


def test_what_finds_no_room_is_told_at_the_end_of_the_rally_as_the_mean() -> None:
    voice = feedback(FeedbackPlan("each"))
    assert tell(voice, 150, room_s=0.8) is None
    assert tell(voice, 90, room_s=0.8) is None
    cue = tell(voice, -30)  # mean +70: late
    assert cue == Cue("feedback", "tone_late", 3.0)
    assert tell(voice, -30) == Cue("feedback", "tone_on_time", 3.0)  # the rally before is done with


def test_a_band_passes_over_a_rally_whose_mean_is_inside_and_forgets_it() -> None:
    voice = feedback(FeedbackPlan("band"))
    assert tell(voice, 150, room_s=0.8) is None
    assert tell(voice, -50) is None  # mean +50
    assert tell(voice, 70) == Cue("feedback", "tone_late", 3.0)


def test_the_room_is_used_to_the_last_moment_and_not_beyond() -> None:
    rule = FeedbackPlan("each")
    edge_s = SHORTEST_DELAY_S + TONE_S + CLEARANCE_S
    fits = place_feedback(rule, TONE_S, acted_s=0.0, ready_s=0.0, next_lead_in_s=edge_s + 1e-9)
    assert fits == pytest.approx(SHORTEST_DELAY_S, abs=1e-6)
    assert place_feedback(rule, TONE_S, acted_s=0.0, ready_s=0.0, next_lead_in_s=edge_s - 1e-9) is None


def test_a_verdict_that_comes_late_is_told_as_soon_as_it_can_be() -> None:
    assert place_feedback(FeedbackPlan("each"), TONE_S, acted_s=0.0, ready_s=4.0, next_lead_in_s=None) == 4.0


@given(
    acted_s=st.floats(0, 10), think_s=st.floats(0, 5), gap_s=st.floats(0, 12), length_s=st.floats(0.05, 2),
    delay_s=st.floats(0.5, 8),
)  # fmt: skip
def test_nothing_is_told_too_soon_or_into_a_lead_in(
    acted_s: float, think_s: float, gap_s: float, length_s: float, delay_s: float
) -> None:
    rule = FeedbackPlan("each", delay_s=delay_s)
    ready_s, next_s = acted_s + think_s, acted_s + gap_s
    at_s = place_feedback(rule, length_s, acted_s=acted_s, ready_s=ready_s, next_lead_in_s=next_s)
    soonest_s = max(acted_s + SHORTEST_DELAY_S, ready_s)
    if at_s is None:
        assert soonest_s + length_s + CLEARANCE_S > next_s - 1e-9
    else:
        assert at_s >= soonest_s - 1e-9
        assert at_s + length_s <= next_s - CLEARANCE_S + 1e-9
        assert at_s <= max(acted_s + delay_s, ready_s) + 1e-9


def test_late_is_never_spoken_where_right_is_a_call() -> None:
    spoken = FeedbackPlan("each", spoken=True)
    assert feedback_sounds(spoken, ["left", "up"]) == {
        Message.EARLY: "early", Message.ON_TIME: "on-time", Message.LATE: "late",
    }  # fmt: skip
    tones = {Message.EARLY: "tone_early", Message.ON_TIME: "tone_on_time", Message.LATE: "tone_late"}
    assert feedback_sounds(spoken, ["left", "right"]) == tones
    assert feedback_sounds(FeedbackPlan("each"), []) == tones


def test_defaults_fade_with_the_level() -> None:
    assert {level: (rule.kind, rule.delay_s) for level, rule in DEFAULT_PLANS.items()} == {
        "beginner": ("each", 3.0), "club": ("band", 3.0), "advanced": ("summary", 3.0),
    }  # fmt: skip
    assert DEFAULT_PLANS["advanced"].summary_reps == 5


@pytest.mark.parametrize(
    ("numbers", "match"),
    [
        ({"delay_s": 0.4}, "at least 0.5 s"),
        ({"delay_s": float("nan")}, "delay"),
        ({"band_ms": -1.0}, "must not be negative"),
        ({"summary_reps": 0}, "0 reps"),
    ],
)
def test_numbers_that_make_no_sense_are_refused(numbers: dict[str, float], match: str) -> None:
    with pytest.raises(ValueError, match=match):
        FeedbackPlan("each", **numbers)  # type: ignore[arg-type]


REMINDED_S = {**LENGTHS_S, **dict.fromkeys(REMINDERS, 0.8)}


def reminded(
    plan: FeedbackPlan, errors_ms: list[float], stagger_ms: float, *, called: bool = False
) -> list[str | None]:
    voice = Feedback(plan, feedback_sounds(plan), REMINDED_S, called=called)
    sounds = []
    for error_ms in errors_ms:
        voice.take(replace(timed(error_ms), stagger_ms=stagger_ms), WINDOW)
        cue = place(voice)
        sounds.append(cue.sound if cue else None)
    return sounds


def test_feet_far_apart_are_told_now_and_then_where_a_band_is_silent() -> None:
    sounds = reminded(FeedbackPlan("band"), [0.0] * 30, 90.0)
    assert [place for place, sound in enumerate(sounds, 1) if sound] == [12, 24]
    assert {sound for sound in sounds if sound} == {"both-feet-together"}


def test_feet_far_apart_are_not_told_where_directions_are_called() -> None:
    sounds = reminded(FeedbackPlan("band"), [0.0] * 36, 90.0, called=True)
    assert [sound for sound in sounds if sound] == ["soft-landing", "heels-up", "watch-the-hitter"]


def test_feet_that_come_together_are_told_other_things_in_turn() -> None:
    sounds = reminded(FeedbackPlan("band"), [0.0] * 36, 20.0)
    assert [sound for sound in sounds if sound] == ["soft-landing", "heels-up", "watch-the-hitter"]


def test_a_reminder_takes_the_place_of_an_on_time_and_of_no_error() -> None:
    sounds = reminded(FeedbackPlan("each"), [0.0] * 11 + [100.0, 0.0, 0.0], 90.0)
    assert sounds[11:] == ["tone_late", "both-feet-together", "tone_on_time"]


@pytest.mark.parametrize(
    "plan", [FeedbackPlan("none"), FeedbackPlan("on_request"), FeedbackPlan("band", reminders=False)]
)
def test_no_reminder_where_the_player_wants_silence(plan: FeedbackPlan) -> None:
    assert reminded(plan, [0.0] * 40, 90.0) == [None] * 40


@pytest.mark.parametrize(("stagger_ms", "word"), [(60.0, "soft-landing"), (61.0, "both-feet-together")])
def test_feet_are_far_apart_beyond_sixty_milliseconds(stagger_ms: float, word: str) -> None:
    assert reminded(FeedbackPlan("band"), [0.0] * 12, stagger_ms)[-1] == word


def test_a_player_who_does_not_guess_is_told_five_seconds_later() -> None:
    voice = feedback(FeedbackPlan("each", guess_first=True, delay_s=2.0))
    voice.take(timed(0), WINDOW)
    assert place(voice, acted_s=10.0, ready_s=16.9) is None
    assert place(voice, acted_s=10.0, ready_s=17.0) is not None


def test_a_mean_on_the_edge_of_the_window_is_inside() -> None:
    assert told(FeedbackPlan("summary", summary_reps=2), [50.0, 70.0]) == [None, "on_time"]
    assert told(FeedbackPlan("summary", summary_reps=2), [50.0, 70.2]) == [None, "late"]


def test_a_rep_declared_void_is_in_no_message() -> None:
    voice = feedback(FeedbackPlan("summary", summary_reps=2))
    voice.take(replace(timed(300), rep=1), WINDOW)
    voice.withdraw(1)
    assert tell(voice, 0) is None  # one of two
    cue = tell(voice, 0)
    assert cue is not None
    assert cue.sound == "tone_on_time"
    waits = feedback(FeedbackPlan("each"))
    waits.take(replace(timed(300), rep=1), WINDOW)
    waits.request()
    waits.withdraw(1)
    assert not waits.pressing
    assert place(waits) is None


def test_a_guess_is_answered_whatever_the_band() -> None:
    voice = feedback(FeedbackPlan("band", guess_first=True))
    voice.take(timed(0), WINDOW)
    assert voice.asking
    assert place(voice, ready_s=3.0) is None
    assert voice.guess(Message.LATE) is False
    cue = place(voice, ready_s=3.0)
    assert cue is not None
    assert cue.sound == "tone_on_time"
    assert voice.guess(Message.LATE) is None  # only once
    assert (voice.guesses, voice.right_guesses) == (1, 0)


# ---------------------------------------------------------------- what each message is about


def telling(voice: Feedback, *errors_ms: float, ready_s: float = 0.4) -> Telling | None:
    for error_ms in errors_ms:
        voice.take(timed(error_ms), WINDOW)
    return voice.place(acted_s=0.0, ready_s=ready_s, next_lead_in_s=None)


@pytest.mark.parametrize(
    ("errors_ms", "grade", "error_ms", "reps"),
    [
        ((0.0,), Grade.ON_TIME, 0.0, 1),
        ((0.0, 10.0), Grade.ON_TIME, 5.0, 2),
        ((-50.0, -70.0), Grade.ON_TIME, -60.0, 2),  # where the window opens
        ((90.0, 60.0, 0.0, 130.0), Grade.LATE, 70.0, 4),
    ],
)
def test_a_message_says_of_how_many_reps_it_is_the_mean(
    errors_ms: tuple[float, ...], grade: Grade, error_ms: float, reps: int
) -> None:
    found = telling(feedback(FeedbackPlan("summary", summary_reps=len(errors_ms))), *errors_ms)
    assert found is not None
    assert (found.grade, found.error_ms, found.reps) == (grade, error_ms, reps)


@pytest.mark.parametrize("error_ms", [0.0, 41.0])
def test_a_reminder_is_about_the_last_rep_alone(error_ms: float) -> None:
    rule = FeedbackPlan("band")
    voice = Feedback(rule, feedback_sounds(rule), REMINDED_S)
    found = telling(voice, *[20.0] * 11, error_ms)
    assert found is not None
    assert found.cue.sound == "soft-landing"
    assert (found.grade, found.error_ms, found.reps) == (Grade.ON_TIME, error_ms, 1)


def test_who_asks_within_a_summary_is_told_the_last_landing_alone() -> None:
    voice = feedback(FeedbackPlan("summary", summary_reps=3))
    assert telling(voice, 300.0, -10.0) is None
    voice.request()
    found = telling(voice)
    assert found is not None
    assert (found.grade, found.error_ms, found.reps) == (Grade.ON_TIME, -10.0, 1)


def test_a_band_of_nothing_is_silent_for_a_landing_on_the_target() -> None:
    assert told(FeedbackPlan("band", band_ms=0.5), [0.0, 0.6]) == [None, "on_time"]


@pytest.mark.parametrize(
    ("staggers_ms", "word"),
    [
        ((90.0, 90.0, 90.0, 10.0, 10.0), "both-feet-together"),  # the median of five
        ((90.0, 90.0, 10.0, 10.0, 10.0), "soft-landing"),
        ((90.0, 90.0, 90.0, 90.0), "soft-landing"),  # four are too few to say
    ],
)
def test_feet_are_judged_by_the_median_of_the_last_five_that_were_heard(
    staggers_ms: tuple[float, ...], word: str
) -> None:
    rule = FeedbackPlan("band")
    voice = Feedback(rule, feedback_sounds(rule), REMINDED_S)
    for stagger_ms in (*[None] * (12 - len(staggers_ms)), *staggers_ms):
        voice.take(replace(timed(0.0), stagger_ms=stagger_ms), WINDOW)
    cue = place(voice)
    assert cue is not None
    assert cue.sound == word


def test_what_is_asked_for_presses_until_it_is_told() -> None:
    voice = feedback(FeedbackPlan("on_request"))
    voice.take(timed(0.0), WINDOW)
    assert not voice.pressing
    voice.request()
    assert voice.pressing
    assert place(voice) is not None
    assert not voice.pressing


def test_a_guess_presses_where_the_landing_is_told_and_not_where_a_band_is_silent() -> None:
    for kind, presses in (("each", True), ("band", False)):
        voice = feedback(FeedbackPlan(kind, guess_first=True))  # type: ignore[arg-type]
        voice.take(timed(0.0), WINDOW)
        assert (voice.asking, voice.pressing) == (True, presses)


def test_nothing_is_asked_of_a_rep_declared_void() -> None:
    voice = feedback(FeedbackPlan("each", guess_first=True))
    voice.take(replace(timed(0.0), rep=1), WINDOW)
    voice.withdraw(2)
    assert voice.asking
    voice.withdraw(1)
    assert not voice.asking


def test_a_right_guess_is_counted_as_right() -> None:
    voice = feedback(FeedbackPlan("each", guess_first=True))
    for error_ms, message in ((-100.0, Message.EARLY), (0.0, Message.LATE), (100.0, Message.LATE)):
        voice.take(timed(error_ms), WINDOW)
        voice.guess(message)
    assert (voice.guesses, voice.right_guesses) == (3, 2)


def test_fifteen_hundredths_of_a_second_are_kept_silent_before_a_lead_in() -> None:
    rule = FeedbackPlan("each")
    assert place_feedback(rule, 0.25, acted_s=0.0, ready_s=0.0, next_lead_in_s=2.0) == pytest.approx(1.6)
    latest_s = 2.0 - CLEARANCE_S - 0.25
    assert place_feedback(rule, 0.25, acted_s=0.0, ready_s=latest_s, next_lead_in_s=2.0) == latest_s
