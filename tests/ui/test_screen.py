"""The live screen, drawn from snapshots: what is on it at which size, with and without colour."""

from __future__ import annotations

import io
from dataclasses import replace

import pytest
from rich.console import Console

from drilltimer.errors import notice
from drilltimer.model import Grade, Health, Verdict, Window
from drilltimer.score.match import BY_HAND
from drilltimer.score.stats import summarize
from drilltimer.session import Shown, Snapshot
from drilltimer.ui.glyphs import GLYPHS, as_glyphs, big_text, fitting_scale
from drilltimer.ui.palette import DARK, LIGHT, SHAPES, palette_for
from drilltimer.ui.screen import Viewport, draw
from drilltimer.ui.wording import load_wording

WINDOW = Window(73.0, 133.0, 193.0)
SIZES = [(60, 20), (80, 24), (120, 40)]


def verdict(rep, error_ms, grade):
    return Verdict(rep, grade, touchdown_ms=133.0 + error_ms, error_ms=error_ms, stagger_ms=22.0)


RECENT = (
    verdict(0, -150.0, Grade.BEFORE),
    verdict(1, -80.0, Grade.EARLY),
    verdict(2, 4.0, Grade.ON_TIME),
    Verdict(3, Grade.MISSED),
    Verdict(4, Grade.VOID, void=notice("two_sounds")),
    verdict(5, 87.0, Grade.LATE),
)
SNAPSHOT = Snapshot(
    done=6, total=30, elapsed_s=21.0, left_s=204.2, last=RECENT[-1], recent=RECENT, scores=summarize(RECENT),
    level_db=-23.4, noise_db=-61.0, level="club", shown=Shown(Grade.LATE, 87.0), window=WINDOW,
)  # fmt: skip
HEALTH = Health(blocks=900, xruns=0, round_trip_ms=170.2, drift_ppm=3.1, noise_db=-61.0)


def rendered(snapshot=SNAPSHOT, size=(80, 24), health=HEALTH, *, colour=False, ascii_only=False, palette=LIGHT):
    out = io.StringIO()
    options = {"force_terminal": True, "color_system": "truecolor"} if colour else {"color_system": None}
    console = Console(file=out, width=size[0], height=size[1], legacy_windows=False, **options)
    console.print(draw("Serve return", snapshot, health, Viewport(*size, palette, ascii_only), load_wording()), end="")
    return out.getvalue()


@pytest.mark.parametrize("size", SIZES)
def test_the_screen_fits_its_window_and_says_everything(size, capsys):
    text = rendered(size=size)
    with capsys.disabled():
        print(f"\n{text}")
    lines = text.splitlines()
    assert len(lines) == size[1]
    assert all(len(line) <= size[0] for line in lines)
    for said in (
        "Serve return", "rep 6 of 30", "3:25 left", "> late >", "in window 20 %", "habit -35 ms", "scatter 89 ms",
        "stagger 22 ms", "in  -23 dB", "noise -61 dB", "sound good", "drift +3 ppm", "« < = . x >",
    ):  # fmt: skip
        assert said in text, said


@pytest.mark.parametrize(("size", "least_rows"), [((60, 20), 7), ((80, 24), 9), ((120, 40), 16)])
def test_the_figure_is_as_big_as_the_window_allows(size, least_rows):
    rows = [line for line in rendered(size=size).splitlines() if set(line.strip()) <= set("▀▄█ ") and line.strip()]
    assert len(rows) >= least_rows
    assert max(len(line.strip()) for line in rows) >= 0.5 * size[0]


def test_one_landing_has_no_scatter_and_nothing_is_minus_zero():
    recent = (verdict(0, -0.3, Grade.ON_TIME),)
    text = rendered(replace(SNAPSHOT, recent=recent, scores=summarize(recent), shown=Shown(Grade.ON_TIME, -0.3)))
    assert "scatter" not in text
    assert "habit +0 ms" in text
    assert all(row.rstrip() in text for row in big_text("+0", 3))


def test_the_figure_is_the_error_with_its_sign():
    expected = big_text("+87", 3)
    text = rendered()
    for row in expected:
        assert row.strip() in text
    early = rendered(replace(SNAPSHOT, shown=Shown(Grade.EARLY, -65.0)))
    assert all(row.strip() in early for row in big_text("-65", 3))
    assert "< early <" in early


@pytest.mark.parametrize("rows", [1, 3, 6, 9, 12])
def test_no_window_is_too_small(rows):
    for columns in range(1, 60, 7):
        lines = rendered(size=(columns, rows)).splitlines()
        assert len(lines) <= rows, columns
        assert all(len(line) <= columns for line in lines), columns


def test_without_colour_there_is_no_escape_and_the_word_still_tells():
    text = rendered()
    assert "\x1b" not in text
    assert "> late >" in text


def test_colour_only_repeats_what_sign_and_word_say():
    dark, light = (rendered(colour=True, palette=palette) for palette in (DARK, LIGHT))
    assert "38;2;230;159;0" in dark  # orange
    assert "38;2;213;94;0" in light  # vermilion
    assert len(set(SHAPES.values())) == len(SHAPES)


def test_ascii_terminals_get_ascii():
    text = rendered(ascii_only=True)
    assert text.isascii()
    assert "##" in text
    assert "> late >" in text


def test_a_pause_says_why():
    text = rendered(replace(SNAPSHOT, paused="lost the sound device"))
    assert "PAUSED: lost the sound device" in text
    assert "space goes on" in text


@pytest.mark.parametrize("size", [*SIZES, (40, 12)])
@pytest.mark.parametrize(
    ("last", "word", "told"),
    [
        (Verdict(6, Grade.VOID, void=notice("too_noisy")), ("NOT HEARD", "NOT"), "too noisy: microphone closer"),
        (
            Verdict(6, Grade.VOID, void=notice("next_lane")),
            ("NOT HEARD", "NOT"),
            "next lane as loud: microphone closer",
        ),
        (Verdict(6, Grade.VOID, void=BY_HAND), ("VOID",), "+87 is struck out; v takes it back"),
    ],
)
def test_a_rep_that_counts_for_nothing_is_seen_from_the_baseline_with_the_reason(last, word, told, size):
    text = rendered(replace(SNAPSHOT, last=last, recent=(*RECENT, last), struck=last.void == BY_HAND), size=size)
    assert big(text) in word
    assert told in text
    assert big(rendered(replace(SNAPSHOT, last=Verdict(6, Grade.VOID, void=notice("paused"))), size=size)) == "+87"


def big(text):
    """What stands there in big letters."""
    shown = {line.strip() for line in text.splitlines()}
    words = ("NOT HEARD", "NOT", "VOID", "PAUSED", "REST", "+87")
    fits = [
        word
        for word in words
        for scale in range(1, 9)
        if {x.strip() for x in big_text(as_glyphs(word), scale)} <= shown
    ]
    return fits[0] if fits else ""


@pytest.mark.parametrize("size", [*SIZES, (40, 12)])
def test_a_pause_is_seen_from_the_baseline(size):
    assert big(rendered(replace(SNAPSHOT, paused=notice("screen.by_key")), size=size)) == "PAUSED"


@pytest.mark.parametrize("size", [*SIZES, (40, 12)])
def test_a_rest_is_seen_from_the_baseline_with_what_is_left_of_it(size):
    noisy = Verdict(6, Grade.VOID, void=notice("too_noisy"))
    for last in (RECENT[-1], noisy):
        text = rendered(replace(SNAPSHOT, last=last, rest_s=64.2), size=size)
        assert big(text) == "REST"
        assert "goes on in 1:05" in text
    assert big(rendered(replace(SNAPSHOT, rest_s=64.2, paused=notice("screen.by_key")), size=size)) == "PAUSED"


def test_what_a_key_has_done_stands_below_the_figure():
    out = io.StringIO()
    console = Console(file=out, width=80, height=24, color_system=None)
    console.print(draw("Drill", SNAPSHOT, HEALTH, Viewport(80, 24), load_wording(), "said again: left"))
    lines = out.getvalue().splitlines()
    assert [line.strip() for line in lines].index("said again: left") < 20
    assert "sound good" in out.getvalue()  # nothing gives way to it


def test_a_zero_has_no_slash():
    assert {row[1:-1] for row in GLYPHS["0"][1:-1]} == {"000"}


@pytest.mark.parametrize("size", SIZES)
def test_a_long_reason_for_a_pause_is_shown_whole(size):
    why = "the stream ended by itself: the sound server or the device went away"
    lost = f"lost the sound device ('ALSA: USB Audio (hw:1,0)' to 'ALSA: HDA Intel PCH (hw:0,0)'): {why}"
    text = rendered(replace(SNAPSHOT, paused=lost), size)
    assert len(text.splitlines()) == size[1]
    assert f"PAUSED: {lost} (space goes on)" in " ".join(text.split())


def test_a_player_who_is_to_guess_first_is_asked_and_not_told():
    text = rendered(replace(SNAPSHOT, asking=True))
    assert "early, on time or late? press e, o or l" in text
    assert not any(row.strip() and row.strip() in text for row in big_text("+87", 3)[:1])


def test_what_is_not_yet_known_is_not_invented():
    empty = replace(
        SNAPSHOT, done=0, last=None, recent=(), scores=summarize(()), shown=None, noise_db=None, level_db=float("-inf"),
    )  # fmt: skip
    text = rendered(empty)
    for said in ("no landing yet", "no scores yet", "in silent"):
        assert said in text
    assert "nan" not in text
    assert "inf" not in text


def test_lost_sound_is_told():
    assert "3 blocks lost" in rendered(health=replace(HEALTH, xruns=3))


def test_a_spoken_word_is_written_too():
    assert "said: left" in rendered(replace(SNAPSHOT, said="left"))


def test_a_summary_says_of_how_many_it_is_the_mean():
    assert "mean of 5" in rendered(replace(SNAPSHOT, shown=Shown(Grade.LATE, 70.0, 5)))


def test_the_axis_puts_a_landing_where_it_was():
    (line,) = [line for line in rendered().splitlines() if "●" in line]
    assert line.index("●") == pytest.approx((87.0 / 300.0 + 1.0) / 2.0 * 80, abs=1)
    assert [line.index("▬"), line.rindex("▬")] == pytest.approx([32, 47], abs=1)  # +-60 of +-300 ms around the middle


@pytest.mark.parametrize(
    ("environment", "palette"), [({"COLORFGBG": "15;0"}, DARK), ({"COLORFGBG": "0;15"}, LIGHT), ({}, LIGHT)]
)
def test_the_palette_follows_the_background_where_it_is_told(environment, palette):
    assert palette_for(environment) is palette


def test_glyphs_are_five_by_seven_and_all_different():
    assert all(len(rows) == 7 and {len(row) for row in rows} == {5} for rows in GLYPHS.values())
    assert len(set(GLYPHS.values())) == len(GLYPHS)


@pytest.mark.parametrize("scale", [1, 2, 3, 5])
@pytest.mark.parametrize("ascii_only", [False, True])
def test_big_text_takes_the_room_that_its_scale_asks_for(scale, ascii_only):
    rows = big_text("+123", scale, ascii_only=ascii_only)
    wide, high = len(rows[0]), len(rows)
    assert {len(row) for row in rows} == {wide}
    assert fitting_scale(wide, high, 4, ascii_only=ascii_only) == scale
    assert fitting_scale(wide - 1, high, 4, ascii_only=ascii_only) == scale - 1


def test_a_low_window_gives_up_text_before_the_figure():
    text = rendered(size=(60, 11))
    assert sum("█" in line and "░" not in line for line in text.splitlines()) >= 2
    assert "> late >" in text
    assert "space pause" in text
