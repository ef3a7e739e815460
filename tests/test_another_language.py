"""Another language is one file of texts and one folder of words: nothing that a player reads stays English."""

from __future__ import annotations

import re

import pytest
from click.testing import CliRunner
from made_up_language import translate, write_language

from drilltimer.audio.files import shipped_folder
from drilltimer.cli import main


@pytest.fixture
def runner():
    return CliRunner()


@pytest.fixture
def another_language(tmp_path, monkeypatch):
    """A made-up language: one file of texts, one folder of words (the English ones, for their sound alone)."""
    monkeypatch.setenv("DRILLTIMER_HOME", str(tmp_path / "home"))
    write_language(tmp_path / "home" / "texts")
    words = tmp_path / "home" / "sounds" / "xx"
    words.mkdir(parents=True)
    for word in shipped_folder("sounds").joinpath("en").glob("*.wav"):
        words.joinpath(word.name).write_bytes(word.read_bytes())
    return words


def english_in(text):
    """Latin words other than names and units."""
    text = re.sub(r"Alex|Serve return|serve-return|'drilltimer [^']*'", "", text)
    return set(re.findall(r"[A-Za-z]{2,}", text)) - {"ms"}


@pytest.mark.long
def test_a_session_in_another_language_shows_no_english_word(another_language, runner):
    done = runner.invoke(
        main, ["run", "serve-return", "--simulate", "club", "--speed", "0", "--seed", "3", "--language", "xx"]
    )
    assert done.exit_code == 0, done.output
    assert translate("left") in done.output
    assert translate("constant error") in done.output
    assert english_in(done.output) == set()


@pytest.mark.long
def test_results_and_sound_check_in_another_language_show_no_english_word(another_language, runner):
    steady = ["run", "steady-contact", "--simulate", "club", "--speed", "0", "--seed", "3", "--player", "Alex"]
    assert runner.invoke(main, steady).exit_code == 0
    shown = runner.invoke(main, ["history", "session:1", "--language", "xx"])
    assert shown.exit_code == 0, shown.output
    told = shown.output.split("\n", 1)[1]  # but for its title, the coach's
    assert english_in(told) == set()
    checked = runner.invoke(main, ["check", "--simulate", "club", "--language", "xx"])
    assert checked.exit_code == 0, checked.output
    assert english_in(checked.output) == set()


def test_words_missing_in_a_language_are_named_before_anything_begins(another_language, runner):
    for word in ("left", "right"):
        (another_language / f"{word}.wav").unlink()
    done = runner.invoke(main, ["run", "serve-return", "--simulate", "club", "--language", "xx", "--player", "Alex"])
    assert done.exit_code == 2
    assert "no recordings in 'xx' of: left, right" in done.stderr
    assert str(another_language) in done.stderr
    assert "Alex" not in runner.invoke(main, ["history"]).output


def test_the_language_may_be_set_once_for_all(another_language, runner, monkeypatch):
    monkeypatch.setenv("DRILLTIMER_LANGUAGE", "xx")
    checked = runner.invoke(main, ["check", "--simulate", "club", "--short"])
    assert checked.exit_code == 0, checked.output
    assert translate("Sound check") in checked.output
    assert english_in(checked.output) == set()
