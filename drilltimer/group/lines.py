"""A group session as lines of text: for a log, a screen reader, and where there is no terminal."""

from __future__ import annotations

from collections.abc import Sequence

from drilltimer.group.board import PlayerScore
from drilltimer.ui.lines import table
from drilltimer.ui.wording import Wording


def clock(time_s: float) -> str:
    """Minutes and seconds."""
    minutes, seconds = divmod(max(0, round(time_s)), 60)
    return f"{minutes}:{seconds:02d}"


def score_table(scores: Sequence[PlayerScore], wording: Wording, columns: int | None = None) -> list[str]:
    """Scores of the players, in the order given, in a terminal of so many columns."""
    rows = [
        (
            score.player,
            str(score.reps),
            "-" if score.in_window_share is None else f"{100 * score.in_window_share:.0f} %",
            "-" if score.constant_error_ms is None else f"{score.constant_error_ms:+z.0f} ms",
        )
        for score in scores
    ]
    heads = [wording(f"group.{head}") for head in ("player", "reps", "in_window", "constant")]
    return [*table(rows, heads, columns), wording("scores.signs")]


def ranked(scores: Sequence[PlayerScore]) -> list[PlayerScore]:
    """By share in the window, the greatest first; only when somebody asks for it."""
    return sorted(scores, key=lambda score: (-(score.in_window_share or 0.0), score.player))
