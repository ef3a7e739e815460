"""Drills and words found by name; the folders they may lie in."""

import os

import numpy as np
import pytest
import soundfile

from drilltimer.audio import files
from drilltimer.audio.files import find_drill, list_drills, load_word, shipped_folder, user_folder
from drilltimer.errors import DrillFileError, SoundError, UserError


@pytest.fixture
def home(tmp_path, monkeypatch):
    """A user's folder with nothing in it."""
    monkeypatch.setenv("DRILLTIMER_HOME", str(tmp_path / "home"))
    for kind in ("drills", "sounds/en"):
        (tmp_path / "home" / kind).mkdir(parents=True)
    return tmp_path / "home"


@pytest.fixture
def shipped(tmp_path, monkeypatch):
    """A package of our own making, as a wheel lays it out."""
    package = tmp_path / "site" / "drilltimer"
    for folder in ("audio", "_shipped/drills", "_shipped/sounds/en"):
        (package / folder).mkdir(parents=True)
    monkeypatch.setattr(files, "__file__", str(package / "audio" / "files.py"))
    return package


def test_the_source_tree_ships_drills_and_sounds():
    assert shipped_folder("drills").name == "drills"
    assert (shipped_folder("sounds") / "NOTICE").is_file()


def test_a_wheel_finds_its_own_folder_and_no_stranger_of_that_name(shipped):
    (shipped.parent / "drills").mkdir()  # another package's, beside ours in site-packages
    assert shipped_folder("drills") == shipped / "_shipped" / "drills"


def test_an_incomplete_installation_is_said(shipped):
    (shipped / "_shipped" / "drills").rmdir()
    with pytest.raises(UserError, match="folder of shipped drills is missing"):
        shipped_folder("drills")


def test_the_users_folder_follows_the_system_unless_moved(home, monkeypatch):
    assert user_folder("drills") == home / "drills"
    monkeypatch.delenv("DRILLTIMER_HOME")
    assert user_folder("sounds").parts[-2:] == ("drilltimer", "sounds")


def test_a_drill_of_ones_own_stands_in_for_a_shipped_one(home, shipped):
    (shipped / "_shipped/drills/serve.yaml").write_text("name: shipped")
    (shipped / "_shipped/drills/rally.yml").write_text("name: rally")
    (home / "drills/serve.yaml").write_text("name: mine")
    assert [(drill.name, drill.own) for drill in list_drills()] == [("rally", False), ("serve", True)]
    assert find_drill("Serve") == ("name: mine", str(home / "drills/serve.yaml"))
    assert find_drill("rally")[0] == "name: rally"


def test_a_path_is_taken_as_it_is(home, tmp_path, monkeypatch):
    (tmp_path / "mine.yaml").write_bytes(b"\xef\xbb\xbfname: \xc3\xa9t\xc3\xa9")
    (tmp_path / "noending").write_text("name: bare")
    monkeypatch.chdir(tmp_path)
    assert find_drill("mine.yaml") == ("name: été", "mine.yaml")  # the mark some editors put first is not text
    assert find_drill("./noending")[0] == "name: bare"
    assert find_drill("noending")[0] == "name: bare"


def test_a_misspelt_name_gets_the_near_ones(home, shipped):
    (shipped / "_shipped/drills/serve-return.yaml").write_text("name: x")
    with pytest.raises(DrillFileError, match="no drill is called 'serve-retrun'; did you mean 'serve-return'"):
        find_drill("serve-retrun")


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda path: None, "no such file"),
        (lambda path: path.mkdir(), "is a folder"),
        (lambda path: path.write_bytes(b"x" * (files.MAX_DRILL_BYTES + 1)), "longer than 256 KiB"),
        (lambda path: path.write_bytes(b"name: a\nreps: \xff\n"), r"d\.yaml:2: is not UTF-8"),
        (lambda path: os.mkfifo(path), "is not a regular file"),
        (lambda path: path.symlink_to(path), "cannot be read"),
    ],
)
def test_an_unusable_drill_file_is_one_clear_error(tmp_path, make, message):
    path = tmp_path / "d.yaml"
    make(path)
    with pytest.raises(DrillFileError, match=message) as refusal:
        find_drill(str(path))
    assert str(path) in str(refusal.value)


@pytest.mark.parametrize("name", ["", "a\0.yaml", "x" * 5000, "x" * 5000 + ".yaml"])
def test_an_impossible_name_is_refused_too(home, name):
    with pytest.raises(DrillFileError):
        find_drill(name)


def test_a_word_is_mono_at_its_own_rate_and_spaces_are_hyphens(home):
    both = np.column_stack([np.full(240, 0.5), np.full(240, 0.25)])
    soundfile.write(home / "sounds/en/very-wide.wav", both, 24_000, subtype="FLOAT")
    word = load_word("Very wide")
    assert (word.name, word.rate_hz, word.anchor, word.samples.dtype) == ("very-wide", 24_000, 0, np.float32)
    np.testing.assert_allclose(word.samples, np.full(240, 0.375), atol=1e-6)


def test_a_word_of_ones_own_stands_in_for_a_shipped_one(home, shipped):
    for folder, level in ((shipped / "_shipped/sounds/en", 0.1), (home / "sounds/en", 0.3)):
        soundfile.write(folder / "left.wav", np.full(100, level), 48_000, subtype="FLOAT")
        assert load_word("left").samples[0] == pytest.approx(level)


@pytest.mark.parametrize("name", ["unheard-of", "", "../../drills/x", "a/b", ".."])
def test_no_such_word_is_none_and_none_leads_out_of_the_folder(home, name):
    soundfile.write(home / "drills/x.wav", np.zeros(10), 48_000)
    assert load_word(name) is None


@pytest.mark.parametrize("language", ["..", "../sounds", "xx", ""])
def test_a_language_is_a_folder_of_that_name_and_nothing_else(home, language):
    for folder in (home, home / "sounds"):
        soundfile.write(folder / "left.wav", np.zeros(10), 48_000)
    assert load_word("left", language) is None


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda path: path.write_bytes(b"no sound"), "not a readable sound"),
        (lambda path: soundfile.write(path, np.zeros(0), 48_000), "up to 5 s"),
        (lambda path: soundfile.write(path, np.zeros(5 * 8_000 + 1), 8_000), "up to 5 s"),
        (lambda path: soundfile.write(path, np.array([0.0, np.nan]), 8_000, subtype="FLOAT"), "up to 5 s"),
    ],
)
def test_an_unusable_word_is_one_clear_error(home, make, message):
    make(home / "sounds/en/left.wav")
    with pytest.raises(SoundError, match=message):
        load_word("left")
