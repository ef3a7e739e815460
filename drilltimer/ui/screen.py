"""The live screen: a pure function of a session's snapshot and the size of the window.

For the player one thing, as big as the window allows: the error in ms with its sign. For the coach everything else in
lines of text around it. What does not fit a small window goes, least important first.

Telling at once does harm (`score/feedback`): the big figure changes no sooner than the ear is told. Who guesses first
sees no answer while the question stands.
"""

from __future__ import annotations

import math
import textwrap
from dataclasses import dataclass

from rich.cells import cell_len, set_cell_size
from rich.console import Group
from rich.text import Text

from drilltimer.model import TIMED_GRADES, Health, Verdict, Window
from drilltimer.score.match import BY_HAND
from drilltimer.session import Shown, Snapshot
from drilltimer.ui.glyphs import as_glyphs, big_text, fitting_scale
from drilltimer.ui.lines import paused_line
from drilltimer.ui.palette import ASCII_SHAPES, LIGHT, SHAPES, STATES, Palette
from drilltimer.ui.wording import Wording

FIGURE_SIGNS = 4  # the scale is that of +123, so that figures do not jump in size
STATE_ROWS = 4  # of a word at the least scale
PAUSED_ROWS = 4  # why a session stands still may take some words
AXIS_MS = 300.0  # either side of the window's middle
METER_FLOOR_DB = -60.0
METER_CELLS = 12


@dataclass(frozen=True, slots=True)
class Viewport:
    """What the terminal can show.

    Parameters
    ----------
    columns, rows : int
        Of the terminal, in cells.
    ascii_only : bool
        For terminals that cannot show block characters.
    """

    columns: int
    rows: int
    palette: Palette = LIGHT
    ascii_only: bool = False


def draw(title: str, snapshot: Snapshot, health: Health, look: Viewport, wording: Wording, news: str = "") -> Group:
    """The whole screen, `look.rows` lines of at most `look.columns` cells.

    Parameters
    ----------
    news : str
        What has just happened, below the figure.
    """
    above = [_head(title, snapshot, look, wording), _progress(snapshot, look)]
    told = [Text(line.center(look.columns), style=look.palette.warning) for line in _wrapped(news, look)]
    words = [*_words(snapshot, look, wording), *told]
    below = [
        *_strip(snapshot, look),
        *_scores(snapshot, look, wording),
        _input(snapshot, look, wording),
        _health(health, look, wording),
        _keys(look, wording),
    ]
    room = look.rows - len(above) - len(words) - len(below)
    least = 2 * STATE_ROWS if _state(snapshot) else STATE_ROWS + 1
    while room < least and len(below) > 1:  # a low window: the figure first
        below.pop(-2)
        room += 1
    figure = _figure(snapshot, look, wording, room)
    padding = max(0, room - len(figure))
    lines = [*above, *[Text()] * (padding // 2), *figure, *words, *[Text()] * (padding - padding // 2), *below]
    return Group(*(fitting(line, look) for line in lines[: look.rows]))


def help_screen(text: str, look: Viewport) -> Group:
    """What keys and marks mean, for as long as it is asked for; the session goes on behind it."""
    lines = [piece for line in text.split("\n") for piece in broken(Text(line), look.columns)]
    return Group(*(fitting(line, look) for line in lines[: look.rows]), *[Text()] * max(0, look.rows - len(lines)))


def fitting(line: Text, look: Viewport) -> Text:
    """A line that the window holds; one that was too long ends at a blank, in dots: no figure is read cut in half."""
    line.no_wrap, line.overflow = True, "crop"
    dots = "..." if look.ascii_only else "…"
    if line.cell_len > look.columns:
        line.truncate(max(0, look.columns - len(dots)), overflow="crop")
        blank = line.plain.rstrip().rfind(" ") + 1
        line.right_crop(len(line.plain) - blank if 2 * blank > look.columns else 0)
        line.append(dots[: look.columns])
    return line


def broken(line: Text, columns: int) -> list[Text]:
    """A line in as many as it needs, broken at blanks; what goes on stands a little further in."""
    lines, rest = [], line
    while rest.cell_len > columns:
        ends = [index for index, letter in enumerate(rest.plain) if letter == " " and rest.plain[:index].strip()]
        cut = max((index for index in ends if cell_len(rest.plain[:index]) <= columns), default=None)
        if cut is None:
            break
        first, rest = rest.divide([cut])
        lines.append(first)
        rest = Text.assemble("  ", rest[len(rest.plain) - len(rest.plain.lstrip()) :])
    return [*lines, rest]


def _head(title: str, snapshot: Snapshot, look: Viewport, wording: Wording) -> Text:
    minutes, seconds = divmod(math.ceil(snapshot.left_s), 60)
    done = wording("screen.rep", done=snapshot.done, total=snapshot.total)
    left = wording("screen.left", minutes=minutes, seconds=seconds)
    right = f"{done}  {left}"
    if snapshot.level is not None:
        right = f"{wording(f'level.{snapshot.level}')}  {right}"
    space = max(1, look.columns - len(right) - 1)
    return Text.assemble((set_cell_size(title, space), "bold"), " ", right)


def _progress(snapshot: Snapshot, look: Viewport) -> Text:
    full, empty = ("#", "-") if look.ascii_only else ("━", "─")
    cells = round(look.columns * snapshot.done / snapshot.total) if snapshot.total else 0
    return Text.assemble(full * cells, (empty * (look.columns - cells), look.palette.faint))


def _figure(snapshot: Snapshot, look: Viewport, wording: Wording, rows: int) -> list[Text]:
    if state := _state(snapshot):
        return state_rows(state, look, wording, rows)
    text, style = ("?", look.palette.faint) if snapshot.asking else _figure_of(snapshot.shown, look)
    return big_rows(text, style, look, rows, FIGURE_SIGNS)


def _state(snapshot: Snapshot) -> str:
    """What is to be seen in place of a figure, if anything: that the session stands still, or what became of a rep."""
    if snapshot.paused:
        return "paused"
    void = snapshot.last.void if snapshot.last and not snapshot.asking else None
    if void == BY_HAND:
        return "void"
    if snapshot.rest_s is not None and not snapshot.asking:
        return "rest"
    return "not_heard" if void and void.key != "paused" else ""


def big_rows(text: str, style: str, look: Viewport, rows: int, signs: int = 0) -> list[Text]:
    """`text` as big as the room allows, at the scale of so many signs at least, so that figures keep their size."""
    glyphs = as_glyphs(text)
    scale = fitting_scale(look.columns, rows, max(signs, len(text)), ascii_only=look.ascii_only) if glyphs else 0
    if glyphs is None or scale == 0:
        return [Text(text, style=style, justify="center")]
    return [Text(row.center(look.columns), style=style) for row in big_text(glyphs, scale, ascii_only=look.ascii_only)]


def state_rows(state: str, look: Viewport, wording: Wording, rows: int) -> list[Text]:
    """What is going on, as big as the room allows, between two bars of its own shape where there is room for them."""
    style, *shapes = STATES[state]
    bar = Text((shapes[look.ascii_only] * look.columns)[: look.columns], style=style.replace(" reverse", ""))
    room, text = max(rows - 2, min(rows, STATE_ROWS)), wording(f"state.{state}")
    whole, words = big_rows(text, style, look, room), text.split()
    longest, each = max(map(len, words)), rows // len(words)
    if len(words) > 1 and fitting_scale(look.columns, each, longest) > fitting_scale(look.columns, room, len(text)):
        big = [big_rows(word, style, look, each, longest) for word in words]
        whole = [row for rows_of in big for row in (*rows_of, *[Text()] * (len(rows_of) < each))]
    return [bar, *whole, bar] if rows >= len(whole) + 2 else whole


def _figure_of(shown: Shown | None, look: Viewport) -> tuple[str, str]:
    if shown is None:
        return "- -", look.palette.faint
    return f"{shown.error_ms:+z.0f}", look.palette.of(shown.grade)


def _words(snapshot: Snapshot, look: Viewport, wording: Wording) -> list[Text]:
    """Below the figure, in words: what it means, or what the player is to know instead."""
    if snapshot.paused:
        lines = _wrapped(paused_line(snapshot.paused, wording), look)
        return [Text(line.center(look.columns), style=look.palette.warning) for line in lines]
    if snapshot.asking:
        return [Text(wording("screen.asking").center(look.columns), style="bold")]
    state = _state(snapshot)
    if state == "void":
        figure = _figure_of(snapshot.shown, look)[0]
        told = Text(wording("screen.struck", figure=figure) if snapshot.struck else wording("screen.take_back"))
        told.highlight_words([figure], "strike")
        told.pad_left(max(0, (look.columns - told.cell_len) // 2))
        return [told]
    if state == "rest":
        minutes, seconds = divmod(math.ceil(snapshot.rest_s or 0.0), 60)
        return [Text(wording("screen.rest", minutes=minutes, seconds=seconds).center(look.columns), style="bold")]
    if state and snapshot.last and snapshot.last.void:
        why = wording.section("not_heard").get(snapshot.last.void.key) or wording.tell(snapshot.last.void)
        return [Text(line.center(look.columns), style="bold") for line in _wrapped(why, look)]
    parts = []
    style = look.palette.faint
    if snapshot.shown is not None:
        shape = (ASCII_SHAPES if look.ascii_only else SHAPES)[snapshot.shown.grade]
        parts.append(f"{shape} {wording.grade(snapshot.shown.grade)} {shape}")
        if snapshot.shown.reps > 1:
            parts.append(wording("screen.mean", reps=snapshot.shown.reps))
        style = look.palette.of(snapshot.shown.grade)
    else:
        parts.append(wording("screen.wait" if snapshot.done else "screen.no_landing"))
    if snapshot.said:
        parts.append(wording("screen.said", word=wording.word(snapshot.said)))
    if snapshot.guesses:
        parts.append(wording("screen.guesses", right=snapshot.right_guesses, guesses=snapshot.guesses))
    return [Text("   ".join(parts).center(look.columns), style=style)]


def _wrapped(text: str, look: Viewport) -> list[str]:
    return textwrap.wrap(text, max(look.columns, 1))[:PAUSED_ROWS]


def _strip(snapshot: Snapshot, look: Viewport) -> list[Text]:
    """Last touchdowns against the window, and all last grades in turn, the newest on the right."""
    window = snapshot.window
    if window is None:
        return []
    return [_axis(snapshot.recent, window, look), _row(snapshot.recent, look)]


def _axis(recent: tuple[Verdict, ...], window: Window, look: Viewport) -> Text:
    inside, outside, old, new = ("=", "-", "o", "@") if look.ascii_only else ("▬", "─", "○", "●")
    signs = []
    styles = []
    for column in range(look.columns):
        after_ms = window.centre_ms + AXIS_MS * (2.0 * (column + 0.5) / look.columns - 1.0)
        within = window.open_ms <= after_ms <= window.close_ms
        signs.append(inside if within else outside)
        styles.append("bold" if within else look.palette.faint)
    timed = [verdict for verdict in recent if verdict.grade in TIMED_GRADES and verdict.touchdown_ms is not None]
    for index, verdict in enumerate(timed):
        share = ((verdict.touchdown_ms or 0.0) - window.centre_ms) / AXIS_MS
        column = min(max(int((share + 1.0) / 2.0 * look.columns), 0), look.columns - 1)
        signs[column] = new if index == len(timed) - 1 else old
        styles[column] = look.palette.of(verdict.grade)
    return Text.assemble(*zip(signs, styles, strict=True))


def _row(recent: tuple[Verdict, ...], look: Viewport) -> Text:
    shapes = ASCII_SHAPES if look.ascii_only else SHAPES
    latest = recent[-(look.columns // 2) :]
    return Text.assemble(*((f"{shapes[each.grade]} ", look.palette.of(each.grade)) for each in latest))


def _scores(snapshot: Snapshot, look: Viewport, wording: Wording) -> list[Text]:
    scores = snapshot.scores
    parts = []
    if scores.in_window_share is not None:
        parts.append(wording("screen.share", percent=100 * scores.in_window_share))
    if scores.constant_error_ms is not None:
        parts.append(wording("screen.constant", ms=scores.constant_error_ms))
    if scores.variable_error_ms is not None:
        parts.append(wording("screen.variable", ms=scores.variable_error_ms))
    if scores.mean_stagger_ms is not None:
        parts.append(wording("screen.stagger", ms=scores.mean_stagger_ms))
    return _packed(parts or [wording("screen.nothing_yet")], look.columns)


def _packed(parts: list[str], columns: int) -> list[Text]:
    """Parts side by side, in as many lines as they need."""
    lines = [parts[0]]
    for part in parts[1:]:
        if len(lines[-1]) + 2 + len(part) <= columns:
            lines[-1] += f"  {part}"
        else:
            lines.append(part)
    return [Text(line) for line in lines]


def _input(snapshot: Snapshot, look: Viewport, wording: Wording) -> Text:
    full, empty = ("#", ".") if look.ascii_only else ("█", "░")
    share = max(0.0, 1.0 - snapshot.level_db / METER_FLOOR_DB) if math.isfinite(snapshot.level_db) else 0.0
    cells = min(METER_CELLS, round(METER_CELLS * share))
    heard = "screen.input" if math.isfinite(snapshot.level_db) else "screen.silent"
    parts = [full * cells + empty * (METER_CELLS - cells), wording(heard, db=snapshot.level_db)]
    if snapshot.noise_db is not None and math.isfinite(snapshot.noise_db):
        parts.append(wording("screen.noise", db=snapshot.noise_db))
    return Text("  ".join(parts))


def _health(health: Health, look: Viewport, wording: Wording) -> Text:
    parts = [
        wording.counted("screen.lost", health.xruns, blocks=health.xruns)
        if health.xruns
        else wording("screen.sound_good")
    ]
    if health.round_trip_ms is not None:
        parts.append(wording("screen.trip", ms=health.round_trip_ms))
    if health.drift_ppm is not None:
        parts.append(wording("screen.drift", ppm=health.drift_ppm))
    parts += [wording.tell(note) for note in health.notes[:1]]
    return Text("  ".join(parts), style=look.palette.warning if health.xruns else "")


def _keys(look: Viewport, wording: Wording) -> Text:
    long = wording("screen.keys")
    return Text(long if len(long) <= look.columns else wording("screen.keys_short"), style=look.palette.faint)
