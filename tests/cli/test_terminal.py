"""The live screen in a real terminal: a simulated session is run, keys are pressed, the screen is read."""

from __future__ import annotations

import re
import shlex
import shutil
import sys

import pytest
from made_up_language import translate, write_language
from terminals import PROGRAM, Terminal

from drilltimer.audio.files import shipped_folder

pytestmark = pytest.mark.long

DRILL = """\
name: Terminal
level: beginner
reps: 12
lead_in: {kind: swing, length_s: 0.4}
rhythm: {interval_s: 3.0, rally: 12}
feedback: {kind: each, delay_s: 0.5}
calls: {words: [left], delay_s: [0.2, 0.2]}
"""


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
    window.until("v takes it back")
    window.program.send("r")
    window.until("said again: left")
    window.program.send("v")
    window.until("v takes it back", gone=True)
    window.program.send("v")
    window.until("v takes it back")
    window.program.send("f")
    window.until("asked: the last landing is told|nothing to tell")
    window.program.send("q")
    assert window.finish() == 0
    assert re.search("reps? scored", window.text)
    listed = window.raw.decode().rpartition("\x1b[?1049l")[2]
    rows = [int(number) for number in re.findall(r"^ *(\d+)  left ", listed, re.MULTILINE)]
    assert rows == list(range(1, len(rows) + 1))  # each once, whatever was voided and taken back
    assert listed.count("declared void") == 1
    assert b"\x1b[?1049l" in window.raw  # the other screen was left
    assert b"\x1b[?25h" in window.raw.rsplit(b"\x1b[?25l", 1)[1]  # and the cursor shown again
    assert "Traceback" not in window.text


@pytest.mark.skipif(shutil.which("bash") is None, reason="needs a shell with jobs: bash")
def test_a_stopped_session_gives_the_terminal_back_and_takes_it_again(tmp_path):
    drill = tmp_path / "terminal.yaml"
    drill.write_text(DRILL)
    run = [sys.executable, "-c", PROGRAM, "run", str(drill), "--simulate", "club", "--speed", "4", "--seed", "3"]
    window = Terminal(["--norc", "--noprofile", "-i"], shell="bash", DRILLTIMER_HOME=str(tmp_path), PS1="ready> ")
    try:
        window.until("ready>")
        window.program.sendline(shlex.join(run))
        window.until(r"rep [12] of 12")
        window.program.send("\x1a")
        window.until("Stopped")
        before = window.raw.decode()
        assert before.count("\x1b[?1049l") == before.count("\x1b[?1049h") == 1
        assert before.rindex("\x1b[?25h") > before.rindex("\x1b[?25l")  # the cursor is shown
        window.program.sendline("stty -a | grep -Eo '.(icanon|echo)\\b' | tr '\\n' .")
        window.until(r"\n ?icanon\. echo\.")
        window.program.sendline("fg")
        window.until(r"PAUSED  ")
        done = int(window.until(r"rep (\d+) of 12")[1])
        window.program.send(" ")  # without Enter
        window.until(rf"rep {done + 1} of 12")
        assert "Stopped" not in window.text
        window.program.send("q")
        window.until("reps? scored")
    finally:
        window.program.close(force=True)


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


def test_a_session_ends_with_a_sentence_and_a_picture_before_its_figures(terminal):
    window = terminal("--speed", "0", "--plain")
    assert window.finish() == 0
    text = window.raw.decode().replace("\r", "")
    assert re.search(r"You (tend to land|land about).* Next: ", text)
    assert re.search(r"●.*\n.*━━━.*\n +contact +window 70 to 270 ms", text)
    assert text.index("Next: ") < text.index("●") < text.index("reps scored")


@pytest.mark.parametrize("size", [(80, 24), (40, 12)])
def test_a_question_mark_tells_what_keys_and_marks_mean(terminal, size):
    window = terminal()
    window.resize(*size)
    window.until(r"rep [1-9]\d? of 12")
    window.program.send("?")
    window.until("space +pause, and go on")
    for told in ("v +last rep void", "Big figure", "= on time", r"\. missed +x void"):
        assert re.search(told, window.text), window.text
    assert "rep " not in window.screen.display[0]
    window.program.send("?")
    window.until(r"rep \d+ of 12")  # it has gone on
    window.program.send("?")
    window.until("Strip: touchdowns")
    window.program.send(" ")
    window.until("PAUSED  ")  # another key does what it does
    window.program.send("q")
    assert window.finish() == 0


def test_at_no_pace_at_all_it_shows_that_it_works(terminal):
    window = terminal("--speed", "0", "--plain", "--json")
    window.until(r"━.* 0/12 .*simulating")
    window.until(r"━.* [1-9]\d?/12 .*simulating")
    assert window.finish() == 0
    assert '"number": 12' in window.raw.decode()


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
        assert window.finish() == 0
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
    assert window.finish() == 0


@pytest.mark.parametrize("topic", ["court", "limits"])  # longer and shorter than the window
def test_a_chapter_of_the_guide_fits_the_window(topic):
    window = Terminal(["guide", topic], columns=60, rows=60, PAGER="cat")
    assert window.finish() == 0
    lines = re.sub(r"\x1b\[[0-9;]*m", "", window.raw.decode()).splitlines()
    assert max(map(len, lines)) == 60
    assert ("\x1b[1" in window.raw.decode()) == (topic == "limits")  # a pager that knows no styles is given none
