"""The board of a group session: a pure function of a `Board` and the size of the window. And its scores as lines.

As big as the window allows: the time left. Around it who is where and who comes next, scores so far on the right side
of the list. What does not fit goes, least important first.
"""

from __future__ import annotations

from collections.abc import Sequence

from rich.cells import cell_len, set_cell_size
from rich.console import Group
from rich.text import Text

from drilltimer.group.board import Board, Place, PlayerScore
from drilltimer.ui.glyphs import fitting_scale
from drilltimer.ui.lines import GAP, paused_line, table
from drilltimer.ui.palette import STATES
from drilltimer.ui.screen import STATE_ROWS, Viewport, big_rows, broken, fitting, state_rows
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


CLOCK_SIGNS = 5  # the scale is that of 10:00, so that figures do not jump in size
LEAST_CLOCK_ROWS = 5  # of which one stays empty
HEAD_ROWS = 2
LOW_ROWS = 16


def draw_board(board: Board, look: Viewport, wording: Wording, news: str = "", asked: str | None = None) -> Group:
    """The whole screen, `look.rows` lines of at most `look.columns` cells.

    `news` is what has just happened or gone wrong; `asked` what was typed so far where a player is asked for.
    """
    head = [
        _head(board, look, wording),
        Text(_phase(board, wording), style=STATES[_state(board)][0]),
    ]
    foot = _foot(board, look, wording, news, asked)
    room = look.rows - len(head) - len(foot)
    body = [line for whole in _body(board, look, wording) for line in broken(whole, look.columns)]
    if room - len(body) < LEAST_CLOCK_ROWS:  # a low window: the clock first, then who is where, in a line each
        body = _body(board, look, wording)[: max(0, room - LEAST_CLOCK_ROWS)]
        if body and body[-1].plain == wording("board.scores"):
            body.pop()
    figure = _figures(board, look, wording, room - len(body) - 1)
    padding = max(0, room - len(body) - len(figure))
    roomy = [line for whole in _body(board, look, wording, roomy=True) for line in broken(whole, look.columns)]
    if len(body) < len(roomy) <= len(body) + padding:
        padding, body = padding - (len(roomy) - len(body)), roomy
    lines = [*head, *[Text()] * (padding // 2), *figure, *[Text()] * (padding - padding // 2), *body, *foot]
    return Group(*(fitting(line, look) for line in lines[: look.rows]))


def _foot(board: Board, look: Viewport, wording: Wording, news: str, asked: str | None) -> list[Text]:
    """What has happened, what comes, and what a key does or is asked for, which goes last in a low window."""
    lines = [Text(news, style=look.palette.warning)] if news else []
    if board.together and look.rows >= LOW_ROWS:  # who is where goes before what was
        lines.append(Text(wording.tell(board.together), style=look.palette.faint))
    if board.next_stage:
        lines.append(Text(wording("board.next", stage=wording.tell(board.next_stage))))
    if asked is None:
        lines.append(Text(wording("board.keys"), style=look.palette.faint))
    else:
        lines += _question(board, look, wording, asked)
    most = max(1, look.rows - HEAD_ROWS - LEAST_CLOCK_ROWS)
    whole = [piece for line in lines for piece in broken(line, look.columns)]
    return whole if len(whole) <= most else lines[-most:]


def _body(board: Board, look: Viewport, wording: Wording, *, roomy: bool = False) -> list[Text]:
    """Who is where, then scores so far; `roomy` gives each station, its players and who comes next their own line."""
    places = [place for place in board.places if place.players or place.scored]
    lines = [line for place in places for line in _place(place, look, wording, roomy=roomy)]
    if board.resting:
        lines.append(Text(wording("board.resting", players=", ".join(board.resting)), style=look.palette.faint))
    if away := [each.player for each in board.roster if not each.inside]:
        lines.append(Text(wording("board.away", players=", ".join(away)), style=look.palette.faint))
    return [*lines, *_scores(board, look, wording)]


def _question(board: Board, look: Viewport, wording: Wording, typed: str) -> list[Text]:
    """Whom to take out or bring in: everybody by number, in as many lines as they need and the window has."""
    cells = []
    for number, each in enumerate(board.roster, start=1):
        key = "board.inside" if each.inside else "board.outside"
        cells.append(wording(key, number=number, player="" if each.player == str(number) else each.player))
    cells = [" ".join(cell.split()) for cell in cells]
    if board.joins:
        cells.append(wording("board.somebody", number=len(cells) + 1))
    most_rows = max(1, look.rows - HEAD_ROWS - LEAST_CLOCK_ROWS - 1)
    return [*_side_by_side(cells, look.columns, most_rows), Text(wording("board.who", typed=typed), style="bold")]


def _side_by_side(cells: list[str], columns: int, most_rows: int | None = None) -> list[Text]:
    """Cells in lines under each other; shortened where they would need too many lines."""
    width = max(map(cell_len, cells)) + len(GAP)
    across = max(1, columns // width)
    if most_rows is not None and across * most_rows < len(cells):
        across = -(-len(cells) // most_rows)
        width = columns // across
    rows = [cells[first : first + across] for first in range(0, len(cells), across)]
    fit = max(1, width - len(GAP))
    return [Text(GAP.join(set_cell_size(cell, fit) for cell in row).rstrip()) for row in rows]


def _head(board: Board, look: Viewport, wording: Wording) -> Text:
    right = wording("board.whole", left=clock(board.whole_left_s))
    space = max(1, look.columns - len(right) - 1)
    return Text.assemble((set_cell_size(board.title, space), "bold"), " ", right)


def _phase(board: Board, wording: Wording) -> str:
    if board.paused:
        return paused_line(board.paused, wording)
    if not board.stage:
        return (
            wording("board.change", stage=wording.tell(board.next_stage)) if board.next_stage else wording("board.over")
        )
    return wording("board.work" if board.working else "board.change", stage=wording.tell(board.stage))


def _state(board: Board) -> str:
    return "paused" if board.paused else "work" if board.working else "change"


def _figures(board: Board, look: Viewport, wording: Wording, rows: int) -> list[Text]:
    """What is going on over the time left; where one alone finds room, a pause is told and not the time."""
    state = _state(board)
    word = min(rows // 2, fitting_scale(look.columns, look.rows, len(wording(f"state.{state}"))) * STATE_ROWS + 2)
    if word < STATE_ROWS and board.paused:
        return state_rows(state, look, wording, rows)
    said = [*state_rows(state, look, wording, word), Text()] if word >= STATE_ROWS else []
    style = look.palette.faint if board.paused else STATES[state][0]
    return [*said, *big_rows(clock(board.left_s), style, look, rows - len(said), CLOCK_SIGNS)]


def _place(place: Place, look: Viewport, wording: Wording, *, roomy: bool) -> list[Text]:
    """One station: those whose turn it is stand out in weight and in angle brackets."""
    lines = [line := Text(f"{place.title}: ")]
    if roomy:
        lines = [Text(place.title, style="bold underline"), line := Text("  ")]
    for number, player in enumerate(place.players):
        turn = player in place.active
        line.append(", " if number else "")
        line.append(f"<{player}>" if turn else player, style="bold" if turn else "")
    if not place.players:
        line.append("-")
    if place.next_players:
        following = Text("  " + wording("board.then", players=", ".join(place.next_players)), style=look.palette.faint)
        if roomy:
            lines.append(following)
        else:
            line.append_text(following)
    return lines


def _scores(board: Board, look: Viewport, wording: Wording) -> list[Text]:
    """Scores so far under what they are, side by side in as many lines as they need."""
    cells = []
    for score in board.scores:
        share = "-" if score.in_window_share is None else f"{100 * score.in_window_share:.0f} %"
        error = "-" if score.constant_error_ms is None else f"{score.constant_error_ms:+z.0f} ms"
        cells.append(f"{score.player}: {share} {error} ({score.reps})")
    if not cells:
        return []
    return [Text(wording("board.scores"), style=look.palette.faint), *_side_by_side(cells, look.columns)]
