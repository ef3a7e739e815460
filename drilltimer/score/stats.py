"""Verdicts in, scores out: how far off on average, how scattered, how sure.

Notes
-----
With errors e_i, negative for early, over the n timed reps:

* constant error CE = mean(e): the habit, signed;
* variable error VE = sqrt(mean((e - CE)^2)): the scatter, population form (divisor n);
* absolute error AE = mean(abs(e));
* root mean square error E = sqrt(mean(e^2)), so that E^2 = CE^2 + VE^2 holds exactly.

From landing to first step is the mean of (first step - first touchdown), in ms, over the timed reps with a first step
that was heard and is no guess.

The definitions are those of motor control: Henry 1974 and Schutz & Roy 1973 (cited from memory), worked examples in
tests/data/published.toml. The interval of CE and the minimal detectable change use the sample form (divisor n - 1).
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Sequence
from typing import Any

from drilltimer.model import TIMED_GRADES, Grade, Scores, Verdict

FEW_VOID = 5
FEWEST_INTERVAL = 5  # of fewer no interval is shown: Student's factor is 12.7 for two, 2.8 for five
NORMAL_975 = 1.96  # 97.5 % quantile of the normal distribution, as the reliability literature rounds it


def constant_error_ms(errors_ms: Sequence[float]) -> float:
    """Mean signed error; negative for early. Raises `ValueError` when there is none."""
    if not errors_ms:
        raise ValueError("no errors to average")
    return math.fsum(errors_ms) / len(errors_ms)


def variable_error_ms(errors_ms: Sequence[float]) -> float:
    """Scatter about the constant error, population form (divisor n)."""
    mean_ms = constant_error_ms(errors_ms)
    return _root_mean_square(error_ms - mean_ms for error_ms in errors_ms)


def absolute_error_ms(errors_ms: Sequence[float]) -> float:
    """Mean distance from the target, whatever its direction."""
    return constant_error_ms([abs(error_ms) for error_ms in errors_ms])


def rmse_ms(errors_ms: Sequence[float]) -> float:
    """Root mean square error: constant and variable error in one figure."""
    return _root_mean_square(errors_ms)


def sample_sd_ms(errors_ms: Sequence[float]) -> float:
    """Standard deviation with divisor n - 1. Raises `ValueError` for fewer than two errors."""
    count = len(errors_ms)
    if count < 2:
        raise ValueError("a sample standard deviation needs two values")
    return variable_error_ms(errors_ms) * math.sqrt(count / (count - 1))


def ci95_ms(errors_ms: Sequence[float]) -> tuple[float, float]:
    """95 % interval of a mean by Student's t. Raises `ValueError` for fewer than two errors."""
    from scipy.special import stdtrit  # a quarter of a second to import, wanted at a session's end alone

    half_ms = float(stdtrit(len(errors_ms) - 1, 0.975)) * sample_sd_ms(errors_ms) / math.sqrt(len(errors_ms))
    mean_ms = constant_error_ms(errors_ms)
    return mean_ms - half_ms, mean_ms + half_ms


def mdc95_ms(sem_ms: float) -> float:
    """Smallest difference of two measurements that is more than chance at 95 %.

    Parameters
    ----------
    sem_ms : float
        Standard error of one measurement: SD / sqrt(n) of a session's mean.

    Notes
    -----
    MDC95 = 1.96 * sqrt(2) * SEM (Weir & Vincent, Statistics in Kinesiology).
    """
    return NORMAL_975 * math.sqrt(2.0) * sem_ms


def summarize(verdicts: Iterable[Verdict]) -> Scores:
    """Scores of a session, or of as much of it as there is.

    Void and withheld reps are counted and left out of everything else; missed reps weigh on the share in the window
    and on nothing else. Whatever has nothing to average is None, never NaN. Where more reps are void than not, nothing
    is averaged: what could be heard there is no fair sample.
    """
    kept = tuple(verdicts)
    grades = Counter(verdict.grade for verdict in kept)
    timed = [verdict for verdict in kept if verdict.grade in TIMED_GRADES]
    scored = len(timed) + grades[Grade.MISSED]
    fair = timed if not mostly_void(scored, grades[Grade.VOID]) else []
    errors_ms = [verdict.error_ms for verdict in fair if verdict.error_ms is not None]
    spread_known = len(errors_ms) >= 2
    low_ms, high_ms = ci95_ms(errors_ms) if spread_known else (None, None)
    sem_ms = sample_sd_ms(errors_ms) / math.sqrt(len(errors_ms)) if spread_known else None
    return Scores(
        n=scored,
        timed=len(timed),
        in_window_share=grades[Grade.ON_TIME] / scored if scored and (fair or not timed) else None,
        constant_error_ms=constant_error_ms(errors_ms) if errors_ms else None,
        variable_error_ms=variable_error_ms(errors_ms) if len(errors_ms) > 1 else None,
        absolute_error_ms=absolute_error_ms(errors_ms) if errors_ms else None,
        rmse_ms=rmse_ms(errors_ms) if errors_ms else None,
        ci95_low_ms=low_ms,
        ci95_high_ms=high_ms,
        mdc95_ms=mdc95_ms(sem_ms) if sem_ms is not None else None,
        mean_stagger_ms=_mean_of_known(verdict.stagger_ms for verdict in fair),
        mean_first_step_ms=_mean_of_known(None if verdict.guessed else verdict.first_step_ms for verdict in fair),
        missed=grades[Grade.MISSED],
        void=grades[Grade.VOID],
        kept_still=grades[Grade.KEPT_STILL],
        moved=grades[Grade.MOVED],
        guesses=sum(verdict.guessed for verdict in kept),
        **_landing_to_step(fair),
    )


def landings_to_steps_ms(verdicts: Iterable[Verdict]) -> list[float]:
    """From first foot down to first step, of each timed rep in which both were heard and nobody guessed.

    What was not heard is left out, and counts neither as slow nor as none: whether a step is heard hangs on how loud
    it is. It would bias only where loud steps are quicker or slower than soft ones, which nobody has measured.
    """
    return [
        verdict.first_step_ms - verdict.touchdown_ms
        for verdict in verdicts
        if verdict.grade in TIMED_GRADES
        and not verdict.guessed
        and verdict.first_step_ms is not None
        and verdict.touchdown_ms is not None
    ]


def _landing_to_step(fair: Sequence[Verdict]) -> dict[str, Any]:
    steps_ms = landings_to_steps_ms(fair)
    low_ms, high_ms = ci95_ms(steps_ms) if len(steps_ms) >= 2 else (None, None)
    return {
        "landing_to_step_ms": constant_error_ms(steps_ms) if steps_ms else None,
        "landing_to_step_low_ms": low_ms,
        "landing_to_step_high_ms": high_ms,
        "steps": len(steps_ms),
        "called": sum(verdict.call is not None for verdict in fair),
    }


def mostly_void(scored: int, void: int) -> bool:
    """Whether so few reps could be heard that nothing can be said of the session; after a few, nobody knows yet."""
    return void > scored and void >= FEW_VOID


def _root_mean_square(values: Iterable[float]) -> float:
    squares = [value * value for value in values]
    if not squares:
        raise ValueError("no errors to average")
    return math.sqrt(math.fsum(squares) / len(squares))


def _mean_of_known(values: Iterable[float | None]) -> float | None:
    known = [value for value in values if value is not None]
    return math.fsum(known) / len(known) if known else None
