"""Results as lines of text: readable in a log, by a screen reader, and where there is no terminal."""

from __future__ import annotations

from collections.abc import Sequence

from drilltimer.model import Grade, Health, Placement, Rep, Scores, Verdict
from drilltimer.score.progress import Move

HEADER = "rep  call      touchdown     error  grade                  stagger  first step"

# Sign and word always tell; colour only repeats them (Okabe-Ito hues, distinct for the colour-blind).
STYLES: dict[Grade, str] = {
    Grade.BEFORE: "bold #56B4E9",
    Grade.EARLY: "#56B4E9",
    Grade.ON_TIME: "bold",
    Grade.LATE: "#E69F00",
    Grade.MISSED: "dim",
    Grade.VOID: "dim",
    Grade.KEPT_STILL: "",
    Grade.MOVED: "#E69F00",
}

CAUTIONS = (
    "Clear the floor of balls, wear court shoes, warm up first. Land softly; stop when anything hurts. Keep the sound "
    "comfortable. Children only with an adult; coach, doctor and local rules come first."
)


def rep_line(rep: Rep, verdict: Verdict) -> str:
    """One rep under `HEADER`."""
    row = (
        f"{rep.index + 1:3d}  {rep.call or '-':8.8s}  {_ms(verdict.touchdown_ms, 9)}  {_ms(verdict.error_ms, 8)}  "
        f"{verdict.grade.value:21s}  {_ms(verdict.stagger_ms, 7, '.0f')}  {_ms(verdict.first_step_ms, 10, '.0f')}"
    )
    remark = verdict.void or ("guess: stepped before the call" if verdict.guessed and not rep.withheld else "")
    return f"{row}  ({remark})" if remark else row


def move_line(move: Move) -> str:
    """A player's move to another level."""
    way, window = ("up", "narrower") if move.up else ("down", "wider")
    return f"one level {way}, to {move.level}: {move.hits} of the last {move.reps} in the window; it is {window} now"


def score_lines(scores: Scores) -> list[str]:
    """The scores, each with its meaning."""
    lines = [f"{scores.n} reps scored: {scores.timed} timed, {scores.missed} missed; {scores.void} void (not counted)"]
    if scores.guesses:
        lines.append(f"guesses            {scores.guesses:6d}      first steps before the call, or without a contact")
    if scores.kept_still or scores.moved:
        lines.append(f"withheld contacts: kept still {scores.kept_still}, moved {scores.moved}")
    if scores.in_window_share is not None:
        lines.append(f"in the window      {100 * scores.in_window_share:6.0f} %")
    if scores.constant_error_ms is not None:
        lines.append(f"constant error     {scores.constant_error_ms:+6.0f} ms   the habit: minus early, plus late")
        if scores.ci95_low_ms is not None and scores.ci95_high_ms is not None:
            lines.append(f"  95 % interval    {scores.ci95_low_ms:+6.0f} to {scores.ci95_high_ms:+.0f} ms")
        lines.append(f"variable error     {scores.variable_error_ms or 0.0:6.0f} ms   the scatter around the habit")
        lines.append(
            f"absolute error     {scores.absolute_error_ms or 0.0:6.0f} ms   the mean distance from the target"
        )
        lines.append(f"root mean square   {scores.rmse_ms or 0.0:6.0f} ms")
        if scores.mdc95_ms is not None:
            lines.append(f"smallest change that would be more than chance: {scores.mdc95_ms:.0f} ms")
    if scores.mean_stagger_ms is not None:
        lines.append(f"mean stagger       {scores.mean_stagger_ms:6.0f} ms   between the feet, where both were heard")
    if scores.mean_first_step_ms is not None:
        lines.append(f"mean first step    {scores.mean_first_step_ms:6.0f} ms   after contact")
    return lines


def health_lines(health: Health) -> list[str]:
    """How well the sound ran, as far as it was measured."""
    parts = []
    if health.blocks:
        parts.append(f"{health.blocks} blocks, {health.xruns} with lost sound")
    if health.round_trip_ms is not None:
        parts.append(f"sound heard {health.round_trip_ms:.0f} ms after it is played")
    if health.drift_ppm is not None:
        parts.append(f"clock drift {health.drift_ppm:+.0f} ppm")
    if health.noise_db is not None:
        parts.append(f"noise {health.noise_db:.0f} dB")
    if health.own_left_db is not None:
        parts.append(f"own sound removed to {health.own_left_db:.0f} dB")
    return ["sound: " + "; ".join(parts)] * bool(parts) + [f"note: {note}" for note in health.notes]


def placement_line(placement: Placement, correction_ms: float) -> str:
    """The correction for distance, in words."""
    return (
        f"player {placement.speaker_to_player_m:g} m from the loudspeaker and {placement.player_to_mic_m:g} m from the "
        f"microphone, {placement.air_c:g} °C: {correction_ms:.1f} ms of sound travel are taken off each touchdown"
    )


def table(rows: Sequence[Sequence[str]], heads: Sequence[str]) -> list[str]:
    """Columns aligned left, two spaces apart."""
    widths = [max(len(row[i]) for row in [heads, *rows]) for i in range(len(heads))]
    return [
        "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in [heads, *rows]
    ]


def _ms(value: float | None, width: int, form: str = "+.0f") -> str:
    text = "-" if value is None else f"{value:{form}} ms"
    return text.rjust(width)
