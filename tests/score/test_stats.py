"""Scores against worked examples from the literature, identities, and the empty and single cases."""

from __future__ import annotations

import math
import random
import tomllib
from dataclasses import fields, replace
from pathlib import Path
from statistics import NormalDist

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from drilltimer.drill.windows import window_for
from drilltimer.errors import notice
from drilltimer.model import (
    TIMED_GRADES,
    Grade,
    Heard,
    Landing,
    Level,
    Onset,
    Placement,
    Rep,
    Scores,
    Situation,
    Verdict,
    Window,
)
from drilltimer.score import stats
from drilltimer.score.match import grade_touchdown, judge

PUBLISHED = tomllib.loads((Path(__file__).parents[1] / "data" / "published.toml").read_text(encoding="utf-8"))
LEVELS: tuple[Level, ...] = ("beginner", "club", "advanced")
errors = st.lists(st.floats(-600, 600), min_size=2, max_size=40)


def verdict(
    error_ms: float | None, grade: Grade = Grade.ON_TIME, *, stagger_ms: float | None = None,
    first_step_ms: float | None = None,
) -> Verdict:  # fmt: skip
    return Verdict(0, grade, error_ms=error_ms, stagger_ms=stagger_ms, first_step_ms=first_step_ms)


def summary(errors_ms: list[float]) -> Scores:
    return stats.summarize([verdict(error_ms) for error_ms in errors_ms])


@pytest.mark.parametrize("example", PUBLISHED["errors"], ids=lambda example: example["name"])
def test_worked_example(example: dict[str, float]) -> None:
    values = example["values"]
    assert isinstance(values, list)
    scores = summary([value - example["target"] for value in values])
    close = {"abs": example["tolerance"]}
    assert scores.constant_error_ms == pytest.approx(example["constant"], **close)
    assert scores.variable_error_ms == pytest.approx(example["variable"], **close)
    assert scores.absolute_error_ms == pytest.approx(example["absolute"], **close)
    assert scores.rmse_ms == pytest.approx(example["rmse"], **close)


def test_minimal_change_of_a_test_and_its_repetition() -> None:
    pairs = PUBLISHED["test_retest"]
    differences = [later - earlier for earlier, later in zip(pairs["first"], pairs["second"], strict=True)]
    assert stats.sample_sd_ms(differences) == pytest.approx(pairs["difference_sd"], abs=pairs["tolerance"])
    typical = stats.sample_sd_ms(differences) / math.sqrt(2)
    assert typical == pytest.approx(pairs["typical_error"], abs=pairs["tolerance"])
    assert stats.mdc95_ms(typical) == pytest.approx(pairs["mdc95"], abs=pairs["mdc95_tolerance"])


def test_sample_standard_deviation_of_one_person() -> None:
    person = PUBLISHED["one_person"]
    assert stats.constant_error_ms(person["values"]) == pytest.approx(person["mean"], abs=person["tolerance"])
    assert stats.sample_sd_ms(person["values"]) == pytest.approx(person["sd"], abs=person["tolerance"])


@pytest.mark.parametrize("row", PUBLISHED["minimal_change"], ids=lambda row: str(row["mdc95"]))
def test_minimal_detectable_change(row: dict[str, float]) -> None:
    assert stats.mdc95_ms(row["sem"]) == pytest.approx(row["mdc95"], abs=row["tolerance"])


def test_minimal_detectable_change_of_a_session_is_that_of_its_mean() -> None:
    # 30 reps whose sample SD is 40 ms by construction: half at +a, half at -a, a^2 * 30 / 29 = 40^2.
    a_ms = 40 * math.sqrt(29 / 30)
    scores = summary([a_ms, -a_ms] * 15)
    assert scores.mdc95_ms == pytest.approx(20.2, abs=0.1)


@pytest.mark.parametrize(("degrees", "point"), PUBLISHED["student_t"]["points"].items())
def test_interval_of_the_constant_error_is_students(degrees: str, point: float) -> None:
    count = int(degrees) + 1
    errors_ms = [float(index) for index in range(count)]
    scores = summary(errors_ms)
    sem_ms = stats.sample_sd_ms(errors_ms) / math.sqrt(count)
    assert scores.ci95_low_ms is not None
    assert scores.ci95_high_ms is not None
    assert scores.constant_error_ms is not None
    tolerance = PUBLISHED["student_t"]["tolerance"]
    assert (scores.ci95_high_ms - scores.constant_error_ms) / sem_ms == pytest.approx(point, abs=tolerance)
    assert (scores.constant_error_ms - scores.ci95_low_ms) / sem_ms == pytest.approx(point, abs=tolerance)


def test_interval_covers_the_truth_in_95_of_100_sessions() -> None:
    draw = random.Random(20)
    covered = 0
    sessions = 2000
    for _ in range(sessions):
        low_ms, high_ms = stats.ci95_ms([draw.gauss(25, 40) for _ in range(8)])
        covered += low_ms <= 25 <= high_ms
    assert covered / sessions == pytest.approx(0.95, abs=0.015)  # three standard errors of a share of 2000


def test_share_in_a_window_of_one_standard_deviation() -> None:
    row = PUBLISHED["normal_in_window"]
    spread = NormalDist(133, row["sd_ms"])
    window = Window(133 - row["half_width_ms"], 133, 133 + row["half_width_ms"])
    touchdowns_ms = [spread.inv_cdf((index + 0.5) / 5000) for index in range(5000)]
    scores = stats.summarize(
        verdict(at_ms - 133, grade_touchdown(at_ms, window, "predictive")) for at_ms in touchdowns_ms
    )
    assert scores.in_window_share == pytest.approx(row["share"], abs=row["tolerance"])


@pytest.mark.parametrize("level", LEVELS)
@pytest.mark.parametrize("situation", ["return", "baseline", "net"])
def test_windows_of_the_drills_are_those_on_record(level: Level, situation: Situation) -> None:
    assert window_for(level, situation) == Window(*PUBLISHED["windows"][situation][level])


@pytest.mark.parametrize("level", LEVELS)
def test_experts_land_inside_every_levels_return_window(level: Level) -> None:
    expert = PUBLISHED["expert_return"]
    window = window_for(level, "return")

    def heard(time_ms: float) -> Onset:
        return Onset(48_000 + 48 * time_ms, -30, 0.5)

    reps = [Rep(index, 0, 3, 1, (), "left", window) for index in range(20)]
    landing = Landing(heard(expert["touchdown_ms"]), None, heard(expert["lateral_step_ms"]))
    verdicts = [judge(Heard(rep.index, heard(0), True, landing), rep, Placement(), 48_000) for rep in reps]
    scores = stats.summarize(verdicts)
    assert scores.in_window_share == 1
    assert scores.constant_error_ms == pytest.approx(0, abs=1e-6)
    assert scores.mean_first_step_ms == pytest.approx(expert["lateral_step_ms"], abs=1e-6)


@given(errors)
def test_rmse_squared_is_constant_squared_plus_variable_squared(errors_ms: list[float]) -> None:
    scores = summary(errors_ms)
    assert scores.rmse_ms is not None
    assert scores.constant_error_ms is not None
    assert scores.variable_error_ms is not None
    both = scores.constant_error_ms**2 + scores.variable_error_ms**2
    assert scores.rmse_ms**2 == pytest.approx(both, rel=1e-9, abs=1e-9)


@given(errors, st.floats(-200, 200))
def test_a_shift_moves_the_constant_error_alone(errors_ms: list[float], shift_ms: float) -> None:
    before, after = summary(errors_ms), summary([error_ms + shift_ms for error_ms in errors_ms])
    assert before.constant_error_ms is not None
    assert after.constant_error_ms == pytest.approx(before.constant_error_ms + shift_ms, abs=1e-6)
    assert after.variable_error_ms == pytest.approx(before.variable_error_ms, abs=1e-6)
    assert after.mdc95_ms == pytest.approx(before.mdc95_ms, abs=1e-6)


@given(errors, st.floats(0.1, 10))
def test_a_stretch_stretches_every_error_alike(errors_ms: list[float], factor: float) -> None:
    before, after = summary(errors_ms), summary([error_ms * factor for error_ms in errors_ms])
    for field in fields(Scores):
        if field.name.endswith("_ms") and field.name.split("_")[0] not in ("mean", "landing"):
            expected = getattr(before, field.name) * factor
            assert getattr(after, field.name) == pytest.approx(expected, rel=1e-9, abs=1e-6), field.name


@given(errors)
def test_a_mirror_swaps_early_and_late(errors_ms: list[float]) -> None:
    before, after = summary(errors_ms), summary([-error_ms for error_ms in errors_ms])
    assert before.ci95_low_ms is not None
    assert before.constant_error_ms is not None
    assert after.constant_error_ms == pytest.approx(-before.constant_error_ms, abs=1e-9)
    assert after.ci95_high_ms == pytest.approx(-before.ci95_low_ms, abs=1e-6)
    assert after.absolute_error_ms == pytest.approx(before.absolute_error_ms, abs=1e-9)


@given(st.permutations(list(range(8))))
def test_order_of_reps_does_not_matter(order: list[int]) -> None:
    kept = [verdict(float(7 * index - 20), stagger_ms=float(index)) for index in range(8)]
    assert stats.summarize([kept[index] for index in order]) == stats.summarize(kept)


def test_nothing_to_average_is_none() -> None:
    scores = stats.summarize([])
    assert scores == Scores(0, 0, *[None] * 10, missed=0, void=0, kept_still=0, moved=0)


def test_one_rep_has_errors_but_no_scatter_to_judge_by() -> None:
    scores = summary([-12.0])
    assert (scores.constant_error_ms, scores.variable_error_ms, scores.absolute_error_ms) == (-12.0, None, 12.0)
    assert (scores.ci95_low_ms, scores.ci95_high_ms, scores.mdc95_ms) == (None, None, None)


def test_identical_reps_leave_no_interval_but_a_true_one() -> None:
    scores = summary([5.0, 5.0, 5.0])
    assert (scores.ci95_low_ms, scores.ci95_high_ms, scores.mdc95_ms) == (5.0, 5.0, 0.0)


def test_guesses_of_withheld_reps_count_and_errors_of_untimed_ones_do_not() -> None:
    hop = Verdict(1, Grade.MOVED, error_ms=999.0, guessed=True)
    scores = stats.summarize([verdict(10.0), verdict(20.0), hop, Verdict(2, Grade.VOID, error_ms=999.0)])
    assert (scores.guesses, scores.timed, scores.moved, scores.void) == (1, 2, 1, 1)
    assert (scores.constant_error_ms, scores.absolute_error_ms) == (15.0, 15.0)


def test_missed_reps_weigh_on_the_share_and_void_and_withheld_ones_on_nothing() -> None:
    scores = stats.summarize(
        [
            verdict(4.0, stagger_ms=10, first_step_ms=300),
            verdict(90.0, Grade.LATE, stagger_ms=30),
            verdict(-80.0, Grade.EARLY),
            verdict(-190.0, Grade.BEFORE),
            verdict(None, Grade.MISSED, stagger_ms=500, first_step_ms=900),
            verdict(None, Grade.VOID),
            verdict(None, Grade.KEPT_STILL, stagger_ms=500),
            verdict(None, Grade.MOVED, first_step_ms=900),
            verdict(None, Grade.MOVED),
        ]
    )
    assert (scores.n, scores.timed, scores.missed, scores.void, scores.kept_still, scores.moved) == (5, 4, 1, 1, 1, 2)
    assert scores.in_window_share == pytest.approx(0.2)
    assert scores.constant_error_ms == pytest.approx(-44)
    assert scores.mean_stagger_ms == pytest.approx(20)
    assert scores.mean_first_step_ms == pytest.approx(300)


def test_who_missed_every_landing_has_none_in_the_window() -> None:
    scores = stats.summarize([verdict(None, Grade.MISSED)] * 3)
    assert (scores.n, scores.in_window_share, scores.constant_error_ms) == (3, 0.0, None)


def test_a_timed_rep_without_an_error_is_in_no_average_of_errors() -> None:
    assert summary([10.0]) == replace(stats.summarize([verdict(10.0), verdict(None)]), n=1, timed=1)


@pytest.mark.parametrize(("scored", "void", "mostly"), [(4, 5, True), (5, 5, False), (0, 4, False), (0, 5, True)])
def test_nothing_is_averaged_where_five_reps_or_more_and_more_than_half_are_void(
    scored: int, void: int, mostly: bool
) -> None:
    assert stats.mostly_void(scored, void) is mostly
    scores = stats.summarize([verdict(10.0)] * scored + [verdict(None, Grade.VOID)] * void)
    assert (scores.n, scores.timed, scores.void) == (scored, scored, void)
    told = None if mostly or not scored else 10.0
    assert scores.constant_error_ms == told
    assert scores.in_window_share == (None if told is None else 1.0)


@given(st.lists(st.tuples(st.sampled_from(Grade), st.floats(-600, 600)), max_size=12))
def test_no_score_is_ever_nan_or_infinite(reps: list[tuple[Grade, float]]) -> None:
    scores = stats.summarize(verdict(at if grade in TIMED_GRADES else None, grade) for grade, at in reps)
    numbers = [getattr(scores, field.name) for field in fields(Scores)]
    assert all(number is None or math.isfinite(number) for number in numbers)
    assert scores.n == scores.timed + scores.missed
    assert scores.n + scores.void + scores.kept_still + scores.moved == len(reps)


@given(errors)
def test_absolute_error_lies_between_the_constant_error_and_the_rmse(errors_ms: list[float]) -> None:
    assume(any(errors_ms))
    scores = summary(errors_ms)
    assert scores.constant_error_ms is not None
    assert scores.absolute_error_ms is not None
    assert scores.rmse_ms is not None
    assert abs(scores.constant_error_ms) <= scores.absolute_error_ms + 1e-9
    assert scores.absolute_error_ms <= scores.rmse_ms + 1e-9


@pytest.mark.parametrize(
    "compute", [stats.constant_error_ms, stats.variable_error_ms, stats.absolute_error_ms, stats.rmse_ms]
)
def test_an_average_of_nothing_is_refused(compute: object) -> None:
    assert callable(compute)
    with pytest.raises(ValueError, match="no errors"):
        compute([])


def test_a_scatter_of_one_is_refused() -> None:
    with pytest.raises(ValueError, match="two values"):
        stats.sample_sd_ms([1.0])


def stepped(touchdown_ms: float, step_ms: float | None, guessed: bool = False) -> Verdict:
    return Verdict(0, Grade.ON_TIME, call="left", touchdown_ms=touchdown_ms, error_ms=0.0, first_step_ms=step_ms,
                   guessed=guessed)  # fmt: skip


def test_landing_to_step_by_hand() -> None:
    reps = [stepped(100, 400), stepped(150, 490), stepped(120, None), stepped(90, 300, guessed=True)]
    scores = stats.summarize(
        [*reps, Verdict(4, Grade.MISSED, call="left"), Verdict(5, Grade.VOID, void=notice("lost_in_rep"))]
    )
    assert scores.landing_to_step_ms == pytest.approx(320.0)
    # two values 40 ms apart: Student's 12.706 times 28.28 / sqrt(2)
    assert scores.landing_to_step_high_ms == pytest.approx(320.0 + 12.706 * 20.0, abs=0.02)
    assert (scores.steps, scores.called) == (2, 4)
    assert scores.mean_first_step_ms == pytest.approx(445.0)  # the guess is left out here, too
    assert summary([5.0, 6.0]).landing_to_step_ms is None


def test_steps_that_are_not_heard_do_not_bias_the_time_from_landing_to_step() -> None:
    draw, rounds, covered, means = random.Random(4), 600, 0, []
    for _ in range(rounds):
        reps = []
        for _ in range(40):
            touchdown_ms = draw.gauss(150, 60)
            heard = draw.random() < 0.6
            reps.append(stepped(touchdown_ms, touchdown_ms + draw.gauss(330, 70) if heard else None))
        scores = stats.summarize(reps)
        assert scores.landing_to_step_ms is not None
        assert scores.landing_to_step_low_ms is not None
        assert scores.landing_to_step_high_ms is not None
        means.append(scores.landing_to_step_ms)
        covered += scores.landing_to_step_low_ms <= 330 <= scores.landing_to_step_high_ms
    print(f"landing to step: mean {math.fsum(means) / rounds:.1f} ms of 330, covers {covered / rounds:.3f}")
    assert math.fsum(means) / rounds == pytest.approx(330.0, abs=2.0)
    assert covered / rounds == pytest.approx(0.95, abs=0.027)  # three standard errors of a share of 600
