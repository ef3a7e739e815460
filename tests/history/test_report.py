"""The report: whole by itself, escaped, valid, and looked at in a real browser where there is one."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from collections.abc import Iterator
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
from browser import browse, needs_chromium
from click.testing import CliRunner
from history_player import add, made_reps, made_session
from words import say

from drilltimer.cli import main
from drilltimer.drills.catalogue import catalogue
from drilltimer.errors import as_kept, notice
from drilltimer.history import advice, charts
from drilltimer.history.entries import RepEntry
from drilltimer.history.queries import session
from drilltimer.history.report import render_report
from drilltimer.history.store import History
from drilltimer.model import Grade, Scores, Verdict
from drilltimer.score.match import directions_known_ms
from drilltimer.score.stats import summarize

HOSTILE = "<script>alert(1)</script> \"'><img src=x onerror=alert(2)> {{ 7*7 }} </title>"
VOID_TAGS = {"meta", "rect", "line", "circle", "path", "br", "img", "link"}


@pytest.fixture
def history(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[History]:
    monkeypatch.setenv("DRILLTIMER_HOME", str(tmp_path))
    with History(tmp_path / "history.sqlite") as kept:
        yield kept


def filled(history: History, player: str = "Kim") -> int:
    """Five tests of a player who becomes better, with missed and void reps; answers the last one's number."""
    for month, (habit_ms, scatter_ms) in enumerate(((140, 80), (95, 60), (70, 60), (40, 50), (20, 35)), 1):
        reps = made_reps(seed=month, habit_ms=habit_ms, scatter_ms=scatter_ms)
        reps[9] = RepEntry(reps[9].rep, Verdict(9, Grade.MISSED))
        reps[12] = RepEntry(reps[12].rep, Verdict(12, Grade.VOID, void=as_kept("sound was lost <here>")))
        number = add(history, made_session(player, uid=f"u{month}", day=f"2026-0{month}-10", seed=month), reps)
    return number


def page_of(history: History, number: int) -> str:
    return render_report(history, session(history, number))


class Nesting(HTMLParser):
    """Checks that what is opened is closed, in order, and collects tags, attributes and text."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.text: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID_TAGS:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.text.append(data)


def parsed(page: str) -> Nesting:
    parser = Nesting()
    parser.feed(page)
    parser.close()
    assert parser.open == []
    return parser


# ---------------------------------------------------------------- what is in it


def test_report_says_all_that_it_should(history: History) -> None:
    page = page_of(history, filled(history))
    words = " ".join("".join(parsed(page).text).split())
    headings = ("Every touchdown", "Rep by rep", "How often which error", "Session after session", "Feet together")
    sections = ("What to practise next", "Since 2026-01-10", "How it was measured", "Words", "Cautions")
    for heading in (*headings, *sections):
        assert heading in words
    assert "16.6 ms of the sound’s way were taken off" in words
    assert "1 void, left out and not guessed" in words
    assert "Void, 1 time: sound was lost <here>." in words
    assert "Kim lands " in words
    assert "consent" in words
    assert words.count("Rule: ") >= 1
    change = r"habit \* [a-z ]+ [\d-]+, [\d-]+ ms [+-]\d+ \([+-]\d+ to [+-]\d+\) ms \d+ ms"
    assert re.search(change, words)  # each figure with its unit


def test_summary_is_that_of_the_scores(history: History) -> None:
    reps = made_reps(seed=3, habit_ms=100, scatter_ms=20)
    number = add(history, made_session(), reps)
    scores = summarize(e.verdict for e in reps if not e.rep.warm_up)
    assert f"Kim lands {scores.constant_error_ms:.0f} ms late (95 % interval" in page_of(history, number)


def test_directions_show_first_steps_left_and_right(history: History) -> None:
    number = add(history, made_session(drill="direction"), made_reps("direction"))
    parser = parsed(page_of(history, number))
    labels = [attributes.get("aria-label") or "" for tag, attributes in parser.tags if tag == "svg"]
    title = next(label for label in labels if label.startswith("left: "))
    assert re.fullmatch(
        r"left: \d+ steps, half of them before \d+ ms; right: \d+ steps, half of them before \d+ ms\.", title
    )


def test_reaction_is_kept_apart_and_said_so(history: History) -> None:
    filled(history)
    number = add(history, made_session(uid="r", drill="reaction", day="2026-09-01"), made_reps("reaction"))
    page = page_of(history, number)
    assert "Reaction: contacts that nothing announces" in page
    assert "<h3>Session after session" not in page
    assert "Since " not in page


def test_session_without_a_landing_still_makes_a_page(history: History) -> None:
    missed = [RepEntry(e.rep, Verdict(e.rep.index, Grade.MISSED)) for e in made_reps()]
    page = page_of(history, add(history, made_session(), missed))
    assert "no landing was timed" in page
    parsed(page)
    assert "Nothing of this session could be scored" in page_of(history, history.begin(made_session(uid="empty")))


def test_hostile_names_and_words_stay_text(history: History) -> None:
    number = filled(history, HOSTILE[:80])
    entry = replace(made_session(HOSTILE[:80], uid="x", drill="direction"), drill=HOSTILE, input_device=HOSTILE)
    reps = [RepEntry(replace(e.rep, call=e.rep.call and HOSTILE), e.verdict) for e in made_reps("direction")]
    for page in (page_of(history, number), page_of(history, add(history, entry, reps))):
        parser = parsed(page)
        assert {tag for tag, _ in parser.tags}.isdisjoint({"script", "img", "b", "iframe", "object", "link"})
        assert not [name for _, attributes in parser.tags for name in attributes if name.startswith("on")]
        assert "alert(1)" in "".join(parser.text)
        assert "{{ 7*7 }}" in page or "49" not in page.split("<main>")[0]


def test_report_loads_nothing(history: History) -> None:
    page = page_of(history, filled(history))
    for _, attributes in parsed(page).tags:
        assert not {"src", "href", "xlink:href", "srcset", "action", "data"} & set(attributes)
    assert not re.search(r"url\(|@import|https?://", page)
    assert "default-src 'none'" in page


def test_every_chart_tells_its_content_to_those_who_cannot_see_it(history: History) -> None:
    page = page_of(history, filled(history))
    drawings = re.findall(r"<svg.*?</svg>", page, flags=re.DOTALL)
    assert len(drawings) == 5
    names = set()
    for drawing in drawings:
        root = ElementTree.fromstring(drawing)  # well formed
        assert root.get("role") == "img"
        assert re.search(r"\d+", root.get("aria-label", ""))
        names.add(root.get("id"))
    assert len(names) == 5


def test_marks_lie_where_their_values_are(history: History) -> None:
    dots = [charts.Dot(100.0, 0.5, "on"), charts.Dot(300.0, 0.5, "late")]
    root = ElementTree.fromstring(charts.strip("s", dots, (73, 193), (0.0, 400.0), "two"))
    window = next(each for each in root.iter("rect") if each.get("class") == "window")
    (circle,) = root.iter("circle")
    scale = (charts.WIDTH - charts.RIGHT - charts.LEFT + 20) / 400
    assert float(circle.get("cx", "")) == pytest.approx(charts.LEFT - 20 + 100 * scale, abs=0.06)
    assert float(window.get("x", "")) == pytest.approx(charts.LEFT - 20 + 73 * scale, abs=0.06)
    assert float(window.get("width", "")) == pytest.approx(120 * scale, abs=0.11)


@pytest.mark.parametrize(("least", "step"), [(0.9, 1), (1.0, 1), (1.1, 2), (2.1, 5), (5.1, 10), (43, 50), (100, 100)])
def test_ticks_are_round(least: float, step: float) -> None:
    assert charts.round_step(least) == pytest.approx(step)


# Contrast of marks and words with their ground: at least 3 and 4.5 (WCAG 2.1, success criteria 1.4.11 and 1.4.3).
def luminance(colour: str) -> float:
    digits = colour.lstrip("#")
    digits = "".join(2 * digit for digit in digits) if len(digits) == 3 else digits
    parts = [int(digits[place : place + 2], 16) / 255 for place in (0, 2, 4)]
    red, green, blue = (part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_colours_can_be_told_from_their_ground_in_light_and_dark(history: History) -> None:
    assert contrast("#000", "#fff") == pytest.approx(21)
    page = page_of(history, filled(history))
    themes = [dict(re.findall(r"--(\w+): (#\w{3,6})\b", theme)) for theme in re.findall(r":root \{([^}]*)\}", page)]
    assert len(themes) == 3
    assert (themes[0]["on"], themes[0]["off"]) == ("#0072b2", "#d55e00")
    for theme in themes:
        for ground in (theme["paper"], theme["panel"]):
            assert contrast(theme["ink"], ground) >= 7
            assert contrast(theme["soft"], ground) >= 4.5
            assert min(contrast(theme[name], ground) for name in ("on", "off")) >= 3


# ---------------------------------------------------------------- advice


def scores_with(**changes: object) -> Scores:
    plain = summarize([Verdict(n, Grade.ON_TIME, error_ms=float(n % 5 - 2), stagger_ms=10.0) for n in range(30)])
    return replace(plain, **{"in_window_share": 0.7} | changes)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("changes", "drill"),
    [
        ({"void": 8}, ""),
        ({"n": 9}, "steady-contact"),
        ({"missed": 6}, "steady-contact"),
        ({"ci95_low_ms": 0.5, "ci95_high_ms": 60.0}, "serve-return"),
        ({"ci95_low_ms": -60.0, "ci95_high_ms": -0.5}, "steady-contact"),
        ({"variable_error_ms": 61.0}, "steady-contact"),
        ({"guesses": 3}, "direction"),
        ({"in_window_share": 0.8}, "random-contact"),
    ],
)
def test_each_rule_of_advice_holds_on_its_own(changes: dict[str, object], drill: str) -> None:
    reps = made_reps(scatter_ms=10)
    (given,) = advice.advise(reps, scores_with(**changes), "predictive")
    assert given.drill == drill
    (nothing,) = advice.advise(reps, scores_with(), "predictive")
    assert say(nothing.text).startswith("Keep going")
    assert not say(given.text).startswith("Keep going")


@pytest.mark.parametrize(
    "changes",
    [
        {"void": 7},  # of 37, less than 20 %
        {"n": 10},
        {"missed": 5},
        {"ci95_low_ms": 0.0, "ci95_high_ms": 60.0},
        {"ci95_low_ms": -60.0, "ci95_high_ms": 0.0},
        {"variable_error_ms": 60.0},
        {"guesses": 2},
        {"in_window_share": 0.79},
    ],
)
def test_short_of_its_limit_no_rule_of_advice_holds(changes: dict[str, object]) -> None:
    (given,) = advice.advise(made_reps(scatter_ms=10), scores_with(**changes), "predictive")
    assert say(given.text).startswith("Keep going")


@pytest.mark.parametrize("habit_ms", [-34.0, 34.0])
def test_a_habit_that_the_headline_tells_is_what_to_practise_and_with_a_drill(
    history: History, habit_ms: float
) -> None:
    reps = made_reps(habit_ms=habit_ms, scatter_ms=40)
    page = page_of(history, add(history, made_session(), reps))
    scores = summarize(each.verdict for each in reps if not each.rep.warm_up)
    assert scores.ci95_low_ms is not None
    assert scores.ci95_high_ms is not None
    assert not scores.ci95_low_ms <= 0 <= scores.ci95_high_ms
    first = advice.advise([each for each in reps if not each.rep.warm_up], scores, "predictive")[0]
    assert first.drill in ("serve-return", "steady-contact")
    assert say(first.text) in "".join(parsed(page).text)
    assert "Keep going" not in page


@pytest.mark.parametrize(
    ("reason", "told"), [("paused", "Keep going"), ("by_hand", "Keep going"), ("too_noisy", "Mend")]
)
def test_reps_that_somebody_made_void_are_no_fault_of_the_microphone(reason: str, told: str) -> None:
    reps = made_reps(scatter_ms=10)
    lost = [replace(e, verdict=Verdict(e.rep.index, Grade.VOID, void=notice(reason))) for e in reps[:8]]
    (given,) = advice.advise([*lost, *reps[8:]], scores_with(void=8), "predictive")
    assert say(given.text).startswith(told)


@pytest.mark.parametrize("share", [0.38, 1.0])
def test_of_few_reps_no_luck_is_told(share: float) -> None:
    """Eight reps, all of them in the window or three: too little to go by, both."""
    (given,) = advice.advise(made_reps(scatter_ms=10)[:8], scores_with(n=8, in_window_share=share), "predictive")
    assert say(given.text).startswith("Play some more")
    assert given.drill != "test-block"


def test_a_late_habit_without_announcement_is_practised_with_reaction() -> None:
    (given,) = advice.advise(made_reps(scatter_ms=10), scores_with(ci95_low_ms=5.0, ci95_high_ms=60.0), "reactive")
    assert given.drill == "reaction"


@pytest.mark.parametrize(("count", "drawn"), [(4, False), (5, True)])
def test_a_chart_of_too_few_points_is_left_out_and_says_why(history: History, count: int, drawn: bool) -> None:
    timed = [each for each in made_reps() if each.verdict.error_ms is not None and not each.rep.warm_up]
    page = page_of(history, add(history, made_session(), timed[:count]))
    words = "".join(parsed(page).text)
    assert ("<svg" in page) is drawn
    assert (f"Every touchdown ({count} of the 5 timed landings that it needs)" in words) is not drawn
    assert "Session after session (" in words


@pytest.mark.parametrize(("stagger_ms", "drill"), [(40.0, ""), (40.5, "first-hop")])
def test_feet_that_come_apart_are_told_beyond_forty_milliseconds(stagger_ms: float, drill: str) -> None:
    reps = [replace(e, verdict=replace(e.verdict, stagger_ms=stagger_ms)) for e in made_reps(scatter_ms=10)]
    (given,) = advice.advise(reps, scores_with(), "predictive")
    assert given.drill == drill


def test_retention_and_transfer_stand_side_by_side(history: History) -> None:
    number = filled(history)
    assert "Retention and transfer" not in page_of(history, number)
    for month, habit_ms in enumerate((130, 120, 115, 110), 1):
        entry = made_session(uid=f"x{month}", day=f"2026-0{month}-10", drill="transfer-block", seed=month)
        add(history, entry, made_reps("transfer-block", month, habit_ms=habit_ms, scatter_ms=40))
    words = " ".join("".join(parsed(page_of(history, number)).text).split())
    assert "Retention and transfer" in words
    assert "retention: Test block, 2026-05-10" in words
    assert "transfer: Transfer block, 2026-04-10, 30 reps" in words
    told = r"habit(\d+) ms \(-\d+ since the first: changed\)(\d+) ms \(-\d+ since the first: no change shown"
    row = re.search(told, words)
    assert row is not None
    assert int(row.group(1)) == pytest.approx(20, abs=15)
    assert int(row.group(2)) == pytest.approx(110, abs=20)


def test_feet_that_come_apart_are_shown_and_not_judged_where_directions_are_called(history: History) -> None:
    reps = [replace(e, verdict=replace(e.verdict, stagger_ms=90.0)) for e in made_reps("direction", scatter_ms=10)]
    (given,) = advice.advise(reps, scores_with(), "predictive")
    assert given.drill == ""
    page = page_of(history, add(history, made_session(drill="direction"), reps))
    assert "Feet together" not in page
    assert "Shown, not judged: good returners land on the far foot first" in page


def test_landing_before_the_contact_is_told_once_and_not_as_early_too() -> None:
    reps = made_reps(scatter_ms=10)
    early = [replace(e, verdict=replace(e.verdict, grade=Grade.BEFORE)) for e in reps[:3]]
    hasty = advice.advise([*early, *reps[3:]], scores_with(ci95_low_ms=-60.0, ci95_high_ms=-30.0), "predictive")
    assert [each.drill for each in hasty] == ["serve-return"]


def test_advice_names_drills_that_exist() -> None:
    source = Path(advice.__file__).read_text(encoding="utf-8")
    shipped = {entry.name for entry in catalogue()}
    named = set(re.findall(r'"([a-z]+-[a-z]+|direction)"', source))
    assert named
    assert named <= shipped


# ---------------------------------------------------------------- the verb


def test_verb_writes_the_file_and_overwrites_nothing(history: History, tmp_path: Path) -> None:
    filled(history)
    out = tmp_path / "kim.html"
    answer = CliRunner().invoke(main, ["report", "kim", "-o", str(out)])
    assert answer.exit_code == 0
    assert "session 5, player Kim" in answer.stderr
    assert "2026-05-10" in out.read_text(encoding="utf-8")
    again = CliRunner().invoke(main, ["report", "1", "-o", str(out)])
    assert again.exit_code == 2
    assert "is there already" in again.stderr
    history.begin(made_session("Lee", uid="lee"))
    none = CliRunner().invoke(main, ["report", "Lee", "-o", str(tmp_path / "lee.html")])
    assert none.exit_code == 2
    assert "no session that could be scored" in none.stderr


def test_without_a_name_the_file_has_the_players_and_the_day(
    history: History, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    filled(history, "Kim / 7")
    monkeypatch.chdir(tmp_path)
    for name in ("Kim-7-2026-05-10.html", "Kim-7-2026-05-10-session-5.html"):
        answer = CliRunner().invoke(main, ["report", "kim / 7"])
        assert answer.exit_code == 0, answer.output
        assert f"written to {name}" in answer.stderr
        assert (tmp_path / name).read_text(encoding="utf-8").startswith("<!DOCTYPE html>")
    assert CliRunner().invoke(main, ["report", "kim / 7"]).exit_code == 2  # nothing is overwritten


# ---------------------------------------------------------------- a real browser


def picture(path: Path) -> np.ndarray:
    """Pixels of a PNG with 8-bit channels, shape (height, width, channels)."""
    import struct
    import zlib

    raw = path.read_bytes()
    width, height, _, colour = struct.unpack(">IIBB", raw[16:26])
    channels = {2: 3, 6: 4}[colour]
    data, at = b"", 8
    while at < len(raw):
        (length,) = struct.unpack(">I", raw[at : at + 4])
        if raw[at + 4 : at + 8] == b"IDAT":
            data += raw[at + 8 : at + 8 + length]
        at += length + 12
    lines = np.frombuffer(zlib.decompress(data), np.uint8).reshape(height, 1 + width * channels)
    out = np.zeros((height, width * channels), np.uint8)
    for row in range(height):
        kind, line = int(lines[row, 0]), lines[row, 1:].astype(np.int32)
        above = out[row - 1].astype(np.int32) if row else np.zeros_like(line)
        out[row] = _unfiltered(kind, line, above, channels)
    return out.reshape(height, width, channels)[:, :, :3]


def _unfiltered(kind: int, line: np.ndarray, above: np.ndarray, channels: int) -> np.ndarray:
    if kind == 0:
        return line
    if kind == 2:
        return (line + above) % 256
    values = line.tolist()
    up = above.tolist()
    for place, value in enumerate(values):
        left = values[place - channels] if place >= channels else 0
        corner = up[place - channels] if place >= channels else 0
        guess = left if kind == 1 else (left + up[place]) // 2 if kind == 3 else _paeth(left, up[place], corner)
        values[place] = (value + guess) % 256
    return np.array(values)


def _paeth(left: int, up: int, corner: int) -> int:
    guess = left + up - corner
    return min((abs(guess - each), place, each) for place, each in enumerate((left, up, corner)))[2]


@needs_chromium
@pytest.mark.parametrize("width", [390, 1200])
def test_browser_shows_it_without_errors_and_without_sideways_scrolling(
    history: History, tmp_path: Path, width: int
) -> None:
    page = tmp_path / "page.html"
    page.write_text(page_of(history, filled(history, HOSTILE[:80])), encoding="utf-8")
    shot = tmp_path / f"{width}.png"
    log = browse(page, f"--window-size={width},2400", f"--screenshot={shot}")
    assert "CONSOLE" not in log
    pixels = picture(shot)
    assert pixels.shape[1] == width
    blue, vermilion = (np.abs(pixels.astype(int) - colour).max(axis=2) < 6 for colour in ((0, 114, 178), (213, 94, 0)))
    assert blue.sum() > 500
    assert vermilion.sum() > 100
    # Nothing reaches the right edge: the page is no wider than the screen.
    margin = pixels[:, -6:, :]
    assert (margin == margin[0, 0]).all()


def asked_for(page: Path, log: Path) -> set[str]:
    """Addresses outside of this computer that a page makes the browser ask for; the browser's own are left out."""
    browse(
        page,
        f"--log-net-log={log}",
        "--host-resolver-rules=MAP * ~NOTFOUND",
        "--virtual-time-budget=2000",
        "--dump-dom",
    )
    asked = re.findall(r'"url":"((?:https?|wss?)://([^/"]+)[^"]*)"', log.read_text(encoding="utf-8", errors="replace"))
    return {url for url, host in asked if not re.search(r"\b(google|googleapis|gvt1|gstatic)\.com$", host)}


@needs_chromium
def test_browser_asks_nobody_for_anything(history: History, tmp_path: Path) -> None:
    page, control = tmp_path / "page.html", tmp_path / "control.html"
    page.write_text(page_of(history, filled(history, HOSTILE[:80])), encoding="utf-8")
    control.write_text('<!DOCTYPE html><title>x</title><img src="http://picture.invalid/x.png" alt="">')
    assert asked_for(page, tmp_path / "page.json") == set()
    assert asked_for(control, tmp_path / "control.json") == {"http://picture.invalid/x.png"}


@needs_chromium
def test_it_prints_on_two_pages(history: History, tmp_path: Path) -> None:
    page, paper = tmp_path / "page.html", tmp_path / "page.pdf"
    page.write_text(page_of(history, filled(history, "Kim")), encoding="utf-8")
    browse(page, "--no-pdf-header-footer", f"--print-to-pdf={paper}")
    assert len(re.findall(rb"/Type\s*/Page\b", paper.read_bytes())) == 2


def test_html_is_valid_by_a_strangers_judgement(history: History, tmp_path: Path) -> None:
    tidy = shutil.which("tidy")
    if tidy is None:
        pytest.skip("no HTML Tidy here: apt-get install tidy")
    page = tmp_path / "page.html"
    page.write_text(page_of(history, filled(history, HOSTILE[:80])), encoding="utf-8")
    told = subprocess.run(
        [tidy, "-quiet", "-errors", "-utf8", str(page)], capture_output=True, text=True, timeout=60, env=os.environ
    )
    assert told.stderr == ""


def test_first_steps_are_drawn_from_where_their_direction_is_known(history: History) -> None:
    reps = made_reps("direction", scatter_ms=10)
    late = [
        replace(each, verdict=replace(each.verdict, first_step_ms=directions_known_ms(each.rep)[-1] + 333.0))
        if each.rep.call
        else each
        for each in reps
    ]
    page = page_of(history, add(history, made_session(drill="direction"), late))
    assert "first step, ms after the direction is known" in page
    assert re.search(r"left: \d+ steps, half of them before 333 ms", page)
