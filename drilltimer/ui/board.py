"""The board of a group session: a pure function of a `Board` and the size of the window.

As big as the window allows: the time left. Around it who is where and who comes next, scores so far on the right side
of the list. What does not fit goes, least important first.
"""

from __future__ import annotations

from rich.console import Group
from rich.text import Text

from drilltimer.session.board import Board, Place
from drilltimer.ui.glyphs import big_text, fitting_scale
from drilltimer.ui.group_lines import clock
from drilltimer.ui.lines import paused_line
from drilltimer.ui.screen import Look
from drilltimer.ui.wording import Wording

CLOCK_SIGNS = 5  # the scale is that of 10:00, so that figures do not jump in size
LEAST_CLOCK_ROWS = 4


def draw_board(board: Board, look: Look, wording: Wording, news: str = "", asked: str | None = None) -> Group:
    """The whole screen, `look.rows` lines of at most `look.columns` cells.

    `news` is what has just happened or gone wrong; `asked` what was typed so far where a player is asked for.
    """
    head = [_head(board, look, wording), Text(_phase(board, wording), style="bold")]
    foot = (
        [Text(wording("board.keys"), style=look.palette.faint)]
        if asked is None
        else _question(board, look, wording, asked)
    )
    if board.next_stage:
        foot.insert(0, Text(wording("board.next", stage=wording.told(board.next_stage))))
    if board.together:
        foot.insert(0, Text(wording.told(board.together), style=look.palette.faint))
    if news:
        foot.insert(0, Text(news, style=look.palette.warning))
    places = [_place(place, look, wording) for place in board.places if place.players or place.scored]
    if board.resting:
        places.append(Text(wording("board.resting", players=", ".join(board.resting)), style=look.palette.faint))
    if away := [each.player for each in board.roster if not each.inside]:
        places.append(Text(wording("board.away", players=", ".join(away)), style=look.palette.faint))
    scores = _scores(board, look)
    room = look.rows - len(head) - len(foot)
    body = [*places, *scores]
    while body and room - len(body) < LEAST_CLOCK_ROWS:  # a low window: the clock first, then who is where
        body.pop()
    figure = _clock(board, look, room - len(body) - 1)
    padding = max(0, room - len(body) - len(figure))
    lines = [*head, *[Text()] * (padding // 2), *figure, *[Text()] * (padding - padding // 2), *body, *foot]
    for line in lines:
        line.no_wrap, line.overflow = True, "crop"
        line.truncate(look.columns, overflow="crop")
    return Group(*lines[: look.rows])


def _question(board: Board, look: Look, wording: Wording, typed: str) -> list[Text]:
    """Whom to take out or bring in: everybody by number, in as many lines as they need."""
    cells = [
        wording("board.inside" if each.inside else "board.outside", number=number, player=each.player)
        for number, each in enumerate(board.roster, start=1)
    ]
    cells.append(wording("board.somebody", number=len(cells) + 1))
    width = max(map(len, cells)) + 2
    across = max(1, look.columns // width)
    rows = [cells[first : first + across] for first in range(0, len(cells), across)]
    lines = [Text("".join(cell.ljust(width) for cell in row)) for row in rows]
    return [*lines, Text(wording("board.who", typed=typed), style="bold")]


def _head(board: Board, look: Look, wording: Wording) -> Text:
    right = wording("board.whole", left=clock(board.whole_left_s))
    space = max(1, look.columns - len(right) - 1)
    return Text.assemble((board.title[:space].ljust(space), "bold"), " ", right)


def _phase(board: Board, wording: Wording) -> str:
    if board.paused:
        return paused_line(board.paused, wording)
    return wording("board.work" if board.working else "board.change", stage=wording.told(board.stage))


def _clock(board: Board, look: Look, rows: int) -> list[Text]:
    text = clock(board.left_s)
    style = look.palette.on_time if board.working else look.palette.faint
    scale = fitting_scale(look.columns, rows, max(CLOCK_SIGNS, len(text)), ascii_only=look.ascii_only)
    if scale == 0:
        return [Text(text, style=style, justify="center")]
    return [Text(row.center(look.columns), style=style) for row in big_text(text, scale, ascii_only=look.ascii_only)]


def _place(place: Place, look: Look, wording: Wording) -> Text:
    """One station: those whose turn it is stand out in weight and in angle brackets."""
    line = Text(f"{place.title}: ")
    for number, player in enumerate(place.players):
        turn = player in place.active
        line.append(", " if number else "")
        line.append(f"<{player}>" if turn else player, style="bold" if turn else "")
    if not place.players:
        line.append("-")
    if place.next_players:
        line.append("  " + wording("board.then", players=", ".join(place.next_players)), style=look.palette.faint)
    return line


def _scores(board: Board, look: Look) -> list[Text]:
    """Scores so far, side by side in as many lines as they need."""
    cells = []
    for score in board.scores:
        share = "-" if score.in_window_share is None else f"{100 * score.in_window_share:.0f} %"
        error = "-" if score.constant_error_ms is None else f"{score.constant_error_ms:+z.0f} ms"
        cells.append(f"{score.player} {share} {error} ({score.reps})")
    if not cells:
        return []
    width = max(map(len, cells)) + 2
    across = max(1, look.columns // width)
    rows = [cells[first : first + across] for first in range(0, len(cells), across)]
    return [Text("".join(cell.ljust(width) for cell in row)) for row in rows]
