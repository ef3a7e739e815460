"""Results as lines of text: readable in a log, by a screen reader, and where there is no terminal.

In a terminal text is broken at words, and what goes on stands under what it belongs to.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

from rich.cells import cell_len

from drilltimer.errors import Notice, notice
from drilltimer.model import Health, Placement, Rep, Scores, Verdict
from drilltimer.score.stats import FEWEST_INTERVAL, mostly_void
from drilltimer.ui.wording import Wording
from drilltimer.units import printable

COLUMNS = {"rep": 3, "call": 8, "touchdown": 9, "error": 8, "grade": 21, "stagger": 7, "first_step": 10}
LEFT = frozenset({"call", "grade"})  # the rest are figures
LABEL_COLUMNS = 19
MOST_HANG = 16
BY_KEY = notice("screen.by_key")  # why a session was paused that nothing has happened to
GAP = "  "  # between columns
HANG = 2  # cells, where a line has no columns to go on under
FEWEST_COLUMNS = 24  # what goes on further to the right must have so much room at least
_COLUMN = re.compile(r"\S {2,}(?=\S)")


def header(wording: Wording, columns: int | None = None, before: Sequence[str] = (), *, calls: bool = True) -> str:
    """Heads of the columns of `rep_line`, in a terminal of so many columns."""
    heads = {key: wording(f"lines.{key}") for key in COLUMNS if calls or key != "call"}
    return "\n".join(_row(heads, wording, columns, before))


def rep_line(
    rep: Rep,
    verdict: Verdict,
    wording: Wording,
    columns: int | None = None,
    before: Sequence[str] = (),
    mark: str = "",
    *,
    calls: bool = True,
) -> str:
    """One rep under `header`.

    Parameters
    ----------
    columns : int, optional
        Of the terminal: what finds no room goes on in a line below. None: one line, however long.
    before : sequence of str
        Padded cells that stand before the rep's own.
    mark : str
        What stands after it.
    calls : bool
        False where nothing is ever called.
    """
    cells = {
        "rep": str(rep.index + 1),
        **({"call": wording.word(rep.call) if rep.call else "-"} if calls else {}),
        "touchdown": _ms(verdict.touchdown_ms),
        "error": _ms(verdict.error_ms),
        "grade": wording.grade(verdict.grade),
        "stagger": _ms(verdict.stagger_ms, ".0f"),
        "first_step": _ms(verdict.first_step_ms, ".0f"),
    }
    guessed = wording("lines.guessed") if verdict.guessed and not rep.withheld else ""
    remark = wording.tell(verdict.void) or guessed
    lines = _row(cells, wording, columns, before)
    for text in (f"({remark})" * bool(remark), mark):
        if not text:
            continue
        if columns is None or cell_len(lines[-1] + GAP + text) <= columns:
            lines[-1] += GAP + text
        else:
            lines.append(" " * _hang(wording, before) + text)
    return "\n".join(lines)


def _row(cells: Mapping[str, str], wording: Wording, columns: int | None, before: Sequence[str]) -> list[str]:
    parts = []
    for key, cell in cells.items():
        room = max(COLUMNS[key], len(wording(f"lines.{key}")))
        parts.append(padded(cell[:room], room, right=key not in LEFT))
    hang = _hang(wording, before)
    return row_lines([*before, *parts], columns, hang)


def _hang(wording: Wording, before: Sequence[str]) -> int:
    """What finds no room in a row goes on under its second cell."""
    return len(GAP) + (cell_len(before[0]) if before else max(COLUMNS["rep"], len(wording("lines.rep"))))


def paused_line(why: Notice, wording: Wording) -> str:
    """That a session stands still, why unless the user wished it, and how it goes on."""
    return wording("screen.paused_by_key") if why == BY_KEY else wording("screen.paused", why=wording.tell(why))


def score_lines(scores: Scores, wording: Wording) -> list[str]:
    """The scores, each with its meaning."""
    rows = [
        ("guesses", _figure(scores.guesses or None, "")),
        ("in_window", _figure(scores.in_window_share, " %", scale=100.0)),
        ("constant", _figure(scores.constant_error_ms, " ms", "+6.0f")),
        ("interval", _interval(scores, wording)),
        ("variable", _figure(scores.variable_error_ms, " ms")),
        ("absolute", _figure(scores.absolute_error_ms, " ms")),
        ("rms", _figure(scores.rmse_ms, " ms")),
        ("change", _figure(scores.mdc95_ms if scores.timed >= FEWEST_INTERVAL else None, " ms")),
        ("stagger", _figure(scores.mean_stagger_ms, " ms")),
        ("first_step", _figure(scores.mean_first_step_ms, " ms")),
        ("landing_to_step", _figure(scores.landing_to_step_ms, " ms")),
        ("interval", _step_interval(scores, wording)),
    ]
    counts = wording.counted(
        "scores.counts", scores.n, n=scores.n, timed=scores.timed, missed=scores.missed, void=scores.void
    )
    lines = [wording("scores.mostly_void"), counts] if mostly_void(scores.n, scores.void) else [counts]
    if scores.kept_still or scores.moved:
        lines.append(wording("scores.withheld", kept=scores.kept_still, moved=scores.moved))
    columns = max(LABEL_COLUMNS, *(len(wording(f"scores.{key}")) + 1 for key, _ in rows))
    for key, figure in rows:
        if figure:
            meaning = wording(f"scores.{key}_is", heard=scores.steps, called=scores.called)
            lines.append(f"{wording(f'scores.{key}'):{columns}s}{figure:9s}   {meaning}".rstrip())
    return lines


def in_a_sentence(scores: Scores, wording: Wording) -> str:
    """The habit, as far as its interval tells of one; nothing where most reps were void, which is said anyway."""
    low_ms, high_ms, habit_ms = scores.ci95_low_ms, scores.ci95_high_ms, scores.constant_error_ms or 0.0
    if mostly_void(scores.n, scores.void):
        return ""
    if scores.timed < FEWEST_INTERVAL or low_ms is None or high_ms is None:
        return wording("sentence.few")
    if low_ms <= 0.0 <= high_ms:
        return wording("sentence.on_target")
    return wording("sentence.late" if habit_ms > 0.0 else "sentence.early", ms=abs(habit_ms))


def _figure(value: float | None, unit: str, form: str = "6.0f", scale: float = 1.0) -> str:
    return "" if value is None else f"{scale * value:{form}}{unit}"


def _interval(scores: Scores, wording: Wording) -> str:
    low_ms, high_ms = scores.ci95_low_ms, scores.ci95_high_ms
    if low_ms is None or high_ms is None or scores.timed < FEWEST_INTERVAL:
        return ""
    return wording("scores.from_to", low=f"{low_ms:+z6.0f}", high=f"{high_ms:+z.0f}")


def _step_interval(scores: Scores, wording: Wording) -> str:
    low_ms, high_ms = scores.landing_to_step_low_ms, scores.landing_to_step_high_ms
    if low_ms is None or high_ms is None or scores.steps < FEWEST_INTERVAL:
        return ""
    return wording("scores.from_to", low=f"{low_ms:6.0f}", high=f"{high_ms:.0f}")


def health_lines(health: Health, wording: Wording) -> list[str]:
    """How well the sound ran, as far as it was measured."""
    parts = []
    if health.blocks:
        parts.append(wording("health.blocks", blocks=health.blocks, lost=health.xruns))
    if health.round_trip_ms is not None:
        parts.append(wording("health.trip", ms=health.round_trip_ms))
    if health.drift_ppm is not None:
        parts.append(wording("health.drift", ppm=health.drift_ppm))
    if health.noise_db is not None:
        parts.append(wording("health.noise", db=health.noise_db))
    if health.own_left_db is not None:
        parts.append(wording("health.own_left", db=health.own_left_db))
    notes = [wording("health.note", text=wording.tell(note)) for note in health.notes]
    return [wording("health.sound", parts="; ".join(parts))] * bool(parts) + notes


def placement_line(placement: Placement, correction_ms: float, wording: Wording) -> str:
    """The correction for distance, in words."""
    return wording(
        "lines.placement",
        speaker_m=placement.speaker_to_player_m,
        mic_m=placement.player_to_mic_m,
        air_c=placement.air_c,
        ms=correction_ms,
    )


def table(rows: Sequence[Sequence[str]], heads: Sequence[str], columns: int | None = None) -> list[str]:
    """Columns aligned left, two spaces apart; in a narrow terminal the last ones stand in a second line of each row."""
    shown = [[printable(cell) for cell in row] for row in [heads, *rows]]
    widths = [max(cell_len(row[i]) for row in shown) for i in range(len(heads))]
    hang = min(widths[0] + len(GAP), MOST_HANG)
    lines = []
    for row in shown:
        lines += row_lines([padded(cell, width) for cell, width in zip(row, widths, strict=True)], columns, hang)
    return lines


def _ms(value: float | None, form: str = "+z.0f") -> str:
    return "-" if value is None else f"{value:{form}} ms"


def folded(text: str, columns: int | None) -> str:
    """Every line of `text` in at most so many cells, but for words that are longer; as it is when `columns` is None."""
    if columns is None:
        return text
    return "\n".join(piece for line in text.split("\n") for piece in _fold(line, columns))


def padded(cell: str, cells: int, *, right: bool = False) -> str:
    """A cell of a table in so many cells of the terminal; wide letters take two, and no line ends in it."""
    cell = printable(cell)
    room = " " * max(0, cells - cell_len(cell))
    return room + cell if right else cell + room


def row_lines(cells: Sequence[str], columns: int | None, hang: int) -> list[str]:
    """A row of padded cells, two blanks apart; those that find no room go on below, so far in.

    Rows of the same widths break at the same place, so that heads and figures stay under each other.
    """
    lines, current = [], cells[0]
    for cell in cells[1:]:
        if columns is None or cell_len(current + GAP + cell) <= columns:
            current += GAP + cell
        else:
            lines.append(current)
            current = " " * hang + cell
    lines.append(current)
    return [lines[0].rstrip(), *(line.rstrip() for line in lines[1:] if line.strip())]


def _fold(line: str, columns: int) -> list[str]:
    if cell_len(line) <= columns:
        return [line]
    hang = _goes_on_at(line, columns)
    lines, current = [], ""
    for gap, word in re.findall(r"(\s*)(\S+)", line):
        if current.strip() and cell_len(current + gap + word) > columns:
            lines.append(current)
            current = " " * hang + word
        else:
            current += gap + word
    return [*lines, current]


def _goes_on_at(line: str, columns: int) -> int:
    """Where a line goes on: under its last column, or a little further in than it begins."""
    ends = [cell_len(line[: match.end()]) for match in _COLUMN.finditer(line)]
    if ends and columns - ends[-1] >= FEWEST_COLUMNS:
        return ends[-1]
    return min(len(line) - len(line.lstrip()) + HANG, columns // 2)
