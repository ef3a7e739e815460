"""Questions before sound runs: they are seen, also while a sound card is open; what counts as an answer."""

from __future__ import annotations

import sys
from types import SimpleNamespace

import pytest

from drilltimer.cli.check import choose_volume
from drilltimer.cli.options import METRES
from drilltimer.cli.terminal import ask, ask_number
from drilltimer.ui.wording import load_wording

ASKED_WHILE_HUSHED = """
from drilltimer.audio.stderr import HushedStderr
from drilltimer.cli.options import METRES
from drilltimer.cli.terminal import ask_number
hush = HushedStderr()
print("got", ask_number("How far", 3.0, METRES))
"""


@pytest.fixture
def type_in(monkeypatch):
    """Answers, one after the other; then the end of what can be typed."""

    def answers(*lines):
        left = iter(lines)

        def answer():
            try:
                return next(left)
            except StopIteration:
                raise EOFError from None

        monkeypatch.setattr("builtins.input", answer)
        return left

    return answers


@pytest.mark.skipif(sys.platform == "win32", reason="pexpect needs a POSIX terminal")
def test_a_question_is_seen_while_a_sound_card_keeps_descriptor_2_quiet():
    pexpect = pytest.importorskip("pexpect", reason="pip install pexpect")
    program = pexpect.spawn(sys.executable, ["-c", ASKED_WHILE_HUSHED], timeout=120)
    program.expect_exact("How far [3]: ")
    program.sendline("2,5")
    program.expect_exact("got 2.5")
    program.expect(pexpect.EOF)


def test_a_number_is_asked_for_until_it_can_be_one(type_in, capsys):
    left = type_in("three", "-1", "61", "nan", "inf", " 4,5 m", "unread")
    assert ask_number("How far", 3.0, METRES) == 4.5
    assert next(left) == "unread"
    told = capsys.readouterr().err
    assert told.count("How far") == 6
    assert told.count("not in the range 0<=x<=60") == 2
    assert told.count("expected metres, a number such as 3 or 2.5") == 3
    type_in("")
    assert ask_number("How far", 3.0, METRES) == 3.0


def test_an_answer_from_a_pipe_ends_the_questions_line(type_in, monkeypatch, capsys):
    for at_terminal, ends in (False, "How far: \n"), (True, "How far: "):
        type_in("3")
        monkeypatch.setattr(sys, "stdin", SimpleNamespace(isatty=lambda there=at_terminal: there))
        assert ask("How far") == "3"
        assert capsys.readouterr().err == ends


def test_no_more_input_ends_like_ctrl_c(type_in):
    type_in()
    with pytest.raises(KeyboardInterrupt):
        ask("Comfortable?")


def test_only_enter_says_that_the_level_is_comfortable(type_in, monkeypatch):
    played = []
    monkeypatch.setattr("drilltimer.app.check.play_twice", lambda stream, volume_db: played.append(volume_db))
    card = SimpleNamespace(again=lambda: None)
    left = type_in("no", "n", "-", "y", "+", "-", "")
    assert choose_volume(card, 0.0, load_wording()) == -6.0
    assert played == [0.0, -6.0, 0.0, -6.0]
    assert next(left, None) is None
    type_in("no", "q")
    with pytest.raises(KeyboardInterrupt):
        choose_volume(card, 0.0, load_wording())
