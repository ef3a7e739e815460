"""The live screen in a real terminal: a simulated session is run, keys are pressed, the screen is read."""

from __future__ import annotations

import os
import re
import shutil
import sys
import time

import pytest
from made_up_language import translate, write_language

from drilltimer.audio.files import shipped_folder

pytestmark = pytest.mark.long

pexpect = pytest.importorskip("pexpect", reason="pip install pexpect pyte")
pyte = pytest.importorskip("pyte", reason="pip install pexpect pyte")
if sys.platform == "win32":
    pytest.skip("pexpect needs a POSIX terminal", allow_module_level=True)

DRILL = """\
name: Terminal
level: beginner
reps: 12
lead_in: {kind: swing, length_s: 0.4}
rhythm: {interval_s: 3.0, rally: 12}
feedback: {kind: each, delay_s: 0.5}
calls: {words: [left], delay_s: [0.2, 0.2]}
"""
LIMIT_S = 180.0


class Terminal:
    """A program in a terminal of so many columns and rows."""

    def __init__(self, arguments, columns=80, rows=24, **environment):
        variables = {"TERM": "xterm-256color", "LANG": "C.UTF-8", "PYTHONIOENCODING": "utf-8", **environment}
        # A process of a parallel test run says how wide its own output is; that is not this terminal's width.
        inherited = {name: value for name, value in os.environ.items() if name not in ("COLUMNS", "LINES")}
        self.program = pexpect.spawn(
            sys.executable, ["-c", "from drilltimer.cli import main; main()", *arguments],
            env={**inherited, **variables}, dimensions=(rows, columns), timeout=LIMIT_S, encoding=None,
        )  # fmt: skip
        self.screen = pyte.Screen(columns, rows)
        self.stream = pyte.ByteStream(self.screen)
        self.raw = b""

    def read(self):
        try:
            piece = self.program.read_nonblocking(65536, timeout=0.2)
        except pexpect.TIMEOUT:
            return True
        except pexpect.EOF:
            return False
        self.raw += piece
        self.stream.feed(piece)
        return True

    @property
    def text(self):
        return "\n".join(self.screen.display)

    def until(self, pattern):
        ends_s = time.monotonic() + LIMIT_S
        while time.monotonic() < ends_s:
            if match := re.search(pattern, self.text):
                return match
            if not self.read():
                break
        return pytest.fail(f"{pattern!r} was never on the screen:\n{self.text}")

    def resize(self, columns, rows):
        self.program.setwinsize(rows, columns)
        self.screen.resize(rows, columns)

    def finish(self):
        while self.read():
            pass
        self.program.close()
        return self.program.exitstatus


@pytest.fixture
def terminal(tmp_path):
    opened = []

    def start(*options, **environment):
        path = tmp_path / "terminal.yaml"
        path.write_text(DRILL)
        arguments = ["run", str(path), "--simulate", "club", "--speed", "4", "--seed", "3", *options]
        opened.append(Terminal(arguments, DRILLTIMER_HOME=str(tmp_path), **environment))
        return opened[-1]

    yield start
    for each in opened:
        each.program.close(force=True)


def test_a_session_is_shown_paused_marked_resized_and_ended(terminal):
    window = terminal()
    window.until(r"rep 0 of 12")
    window.until(r"rep [12] of 12")
    window.until(r"[<=>«] (early|on time|late|before contact) [<=>«]")
    assert re.search("[▀▄█]{3}", window.text)
    window.until(r"said: left")
    window.program.send(" ")
    window.until(r"PAUSED  ")
    done = int(window.until(r"rep (\d+) of 12")[1])
    for _ in range(5):
        window.read()
    assert f"rep {done} of 12" in window.text  # it stands still
    window.resize(100, 30)
    window.program.send(" ")
    window.until(rf"rep {done + 1} of 12")
    assert "PAUSED" not in window.text
    assert len(window.screen.display[0].rstrip()) > 80  # drawn anew for the wider window
    window.program.send("v")
    window.until(r"x +\n")
    window.program.send("q")
    assert window.finish() == 130
    assert re.search("reps? scored", window.text)
    assert "declared void" in window.raw.decode()
    assert b"\x1b[?1049l" in window.raw  # the other screen was left
    assert b"\x1b[?25h" in window.raw.rsplit(b"\x1b[?25l", 1)[1]  # and the cursor shown again
    assert "Traceback" not in window.text


def test_no_color_draws_without_colour(terminal):
    window = terminal(NO_COLOR="1")
    window.until(r"[<=>«] (early|on time|late|before contact) [<=>«]")
    window.program.send("q")
    window.finish()
    assert b"\x1b[?1049h" in window.raw
    assert not re.search(rb"\x1b\[[0-9;]*(3[0-8]|9[0-7])[;m]", window.raw)


@pytest.mark.parametrize(("options", "environment"), [(["--plain"], {}), ([], {"TERM": "dumb"})])
def test_plain_lines_where_no_screen_is_wanted(terminal, options, environment):
    window = terminal(*options, **environment)
    window.until(r"rep +call +touchdown")
    window.until(r"\n +1 +left")
    window.program.sendintr()
    assert window.finish() == 130
    assert b"\x1b[?1049h" not in window.raw
    assert re.search("reps? scored", window.text)


def test_closing_the_terminal_ends_the_session_in_order(terminal, tmp_path):
    kept = tmp_path / "kept.wav"
    window = terminal("--record", str(kept))
    window.until(r"rep 2 of 12")
    import signal

    window.program.kill(signal.SIGHUP)
    assert window.finish() == 130
    assert kept.with_name("kept.cues.json").is_file()
    assert re.search("reps? scored", window.text)


@pytest.mark.parametrize("verb", [["score"], ["feed", "--play", "rally"]])
def test_how_far_one_long_recording_is_stands_in_the_terminal_while_it_is_heard(terminal, tmp_path, verb):
    made = terminal("--record", str(tmp_path / "kept.wav"), "--speed", "0")
    assert made.finish() == 0
    window = Terminal([*verb, str(tmp_path / "kept.wav")], DRILLTIMER_HOME=str(tmp_path))
    try:
        window.finish()
    finally:
        window.program.close(force=True)
    raw = window.raw.decode()
    assert re.search("━.* listening", raw)
    assert [int(done) for done in re.findall(r"(\d+)/\d+.*? listening", raw)][-1] > 0
    assert "listening" not in window.text  # gone when the results stand there
    assert re.search("reps? scored", window.text)


def test_a_coach_takes_a_player_out_and_brings_one_in_by_key(tmp_path):
    arguments = ["group", "run", "club-circuit", "--simulate", "mixed", "--speed", "2", "--seed", "3", "--no-history"]
    window = Terminal([*arguments, "--sheet", str(tmp_path / "sheet.html")], DRILLTIMER_HOME=str(tmp_path))
    try:
        window.until(r"i in/out")
        window.program.send("i")
        window.until(r"number to take out or bring in")
        window.program.send("x")  # any other key leaves the question
        window.until(r"i in/out")
        for answer, said in (("2", "is out"), ("2", "is in, from the next change on"), ("99", "there is no number 99")):
            window.program.send("i")
            window.until(r"number to take out or bring in")
            window.program.send(answer + "\r")
            window.until(said)
        window.program.send("q")
        assert window.finish() == 130
    finally:
        window.program.close(force=True)
    sheet = (tmp_path / "sheet.html").read_text(encoding="utf-8")
    assert "Taken out: " in sheet
    assert "Brought in: " in sheet


def test_another_language_leaves_no_english_word_on_the_screen(terminal, tmp_path):
    write_language(tmp_path / "texts")
    shutil.copytree(shipped_folder("sounds") / "en", tmp_path / "sounds" / "xx")
    window = terminal("--language", "xx")
    window.until(translate("early") + "|" + translate("late") + "|" + translate("on time"))
    window.until(translate("said: left"))
    window.program.send(" ")
    window.until(translate("PAUSED"))
    words = set(re.findall("[A-Za-z]{2,}", window.text))
    assert words == {"Terminal"}  # the drill's own name
    window.program.send("q")
    assert window.finish() == 130


@pytest.mark.parametrize("topic", ["court", "limits"])  # longer and shorter than the window
def test_a_chapter_of_the_guide_fits_the_window(topic):
    window = Terminal(["guide", topic], columns=60, rows=60, PAGER="cat")
    assert window.finish() == 0
    lines = re.sub(r"\x1b\[[0-9;]*m", "", window.raw.decode()).splitlines()
    assert max(map(len, lines)) == 60
    assert ("\x1b[1" in window.raw.decode()) == (topic == "limits")  # a pager that knows no styles is given none
