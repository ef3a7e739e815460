"""Texts: complete, fillable, and another language by one file."""

from __future__ import annotations

import ast
import re
import tomllib

import pytest
from made_up_language import translate, write_language

from drilltimer.checkup.course import lay_out
from drilltimer.checkup.findings import Finding
from drilltimer.errors import DeviceError, UserError, as_kept, notice
from drilltimer.model import Grade
from drilltimer.ui.wording import SHIPPED, load_wording
from drilltimer.units import count_of

ENGLISH = (SHIPPED / "en.toml").read_text(encoding="utf-8")


@pytest.fixture
def german(tmp_path):
    (tmp_path / "de.toml").write_text(
        '[screen]\nkeys_short = "Leer w r u e"\n[grade]\nlate = "spät"\n', encoding="utf-8"
    )
    return load_wording("de", [tmp_path])


def test_another_language_is_one_file_and_english_fills_its_gaps(german):
    assert german("grade.late") == "spät"
    assert german("grade.early") == "early"


def test_values_are_filled_in():
    assert load_wording()("screen.left", minutes=3, seconds=5) == "3:05 left"
    assert load_wording()("screen.constant", ms=-34.6) == "habit -35 ms"


def test_every_finding_has_its_text_and_its_values_fit():
    texts = tomllib.loads(ENGLISH)["check"]["found"]
    source = (SHIPPED.parent.parent / "checkup" / "findings.py").read_text(encoding="utf-8")
    named = set(re.findall(r'Finding\(\s*"(\w+)"', source))
    assert named == set(texts)
    for key in named:
        wanted = set(re.findall(r"{(\w+)", texts[key]))
        given = set(re.findall(r'\("(\w+)", ', source[source.index(f'"{key}"') :].split("Finding(")[0]))
        assert wanted <= given, key
    assert Finding("gate").values == ()
    assert lay_out(48_000).end > 0


@pytest.mark.parametrize(
    ("language", "text", "match"),
    [
        ("fr", None, r"no texts in 'fr'"),
        ("../etc", None, r"is no language"),
        ("de", '[grade]\nlaet = "spät"\n', r"de\.toml: grade\.laet: there is no such text"),
        ("de", '[screen]\nleft = "noch {stunden}"\n', r"stunden in braces cannot be filled in"),
        ("de", '[screen]\nleft = "noch {}"\n', r"screen.left: {} in braces cannot be filled in"),
        ("de", '[screen]\nleft = "noch {minutes.real}"\n', r"minutes.real in braces cannot be filled in"),
        ("de", '[screen]\nleft = "noch {minutes"\n', r"screen.left: expected '}' before end of string"),
        ("de", '[screen]\nleft = "noch } viel"\n', r"screen.left: Single '}' encountered"),
        ("de", '[screen]\nconstant = "mittel {ms:d} ms"\n', r"ms in braces cannot be written as 'd'"),
        ("de", '[screen]\nsaid = "gesagt: {word:.0f}"\n', r"word in braces cannot be written as '.0f'"),
        ("de", '[screen]\nsaid = "gesagt: {word!r}"\n', r"word in braces cannot be written as '!r'"),
        ("de", "[screen\n", r"de\.toml: cannot be read"),
    ],
)
def test_a_language_that_cannot_be_used_is_one_clear_error(tmp_path, language, text, match):
    if text is not None:
        (tmp_path / f"{language}.toml").write_text(text, encoding="utf-8")
    with pytest.raises(UserError, match=match):
        load_wording(language, [tmp_path])


# ---------------------------------------------------------------- facts


def facts_named():
    """Keys of all facts that the program names, and those that a listener gives as why a rep is void."""
    found = set()
    for path in SHIPPED.parent.parent.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            called = isinstance(node, ast.Call) and ast.unparse(node.func).rpartition(".")[2] == "notice"
            if called and isinstance(node.args[0], ast.Constant):
                found.add(node.args[0].value)
    return found


def test_every_fact_has_its_text_and_its_values_fill_it():
    english_texts = load_wording()
    for key in facts_named():
        assert english_texts.knows(notice(key)), key


def test_every_text_of_a_fact_is_told_by_the_program():
    source = "\n".join(path.read_text(encoding="utf-8") for path in SHIPPED.parent.parent.rglob("*.py"))
    untold = [key for key in tomllib.loads(ENGLISH)["told"] if f'"{key}"' not in source]
    assert untold == []


VOID_REASONS = {
    "hear/listen.py": ("void = ", "_unheard("),
    "hear/ear.py": ("_silent(", "return None,"),
    "hear/decide.py": ("NOISY = ", "TWO = "),
    "score/match.py": ("void = heard.void",),
    "group/lanes.py": ("SHARED = ",),
    "feeding/listener.py": ("return Fed(",),
    "recordings/run.py": ("Heard(",),
}


def test_every_reason_why_nobody_could_tell_has_its_text():
    texts = tomllib.loads(ENGLISH)["told"]
    for name, marks in VOID_REASONS.items():
        source = (SHIPPED.parent.parent / name).read_text(encoding="utf-8").splitlines()
        lines = [line for line in source if any(mark in line for mark in marks)]
        reasons = [reason for line in lines for reason in re.findall(r'"([a-z][a-z_]+)"', line)]
        assert reasons, name
        assert set(reasons) <= set(texts), name


def strings_of(path):
    """Every literal string of a file, parts of f-strings each for itself; docstrings are for readers."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    docstrings = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
    constants = (node for node in ast.walk(tree) if isinstance(node, ast.Constant) and id(node) not in docstrings)
    return "\0".join(node.value for node in constants if isinstance(node.value, str))


def test_no_english_of_a_fact_stands_in_the_program():
    program = "\0".join(strings_of(path) for path in SHIPPED.parent.parent.rglob("*.py"))
    for key, text in tomllib.loads(ENGLISH)["told"].items():
        longest = max(re.split(r"{[^}]*}", text), key=len).strip(" ()';:,")
        assert len(longest) < 20 or longest not in program, key


def test_a_fact_is_told_in_the_language_with_its_values_and_the_facts_inside(tmp_path):
    write_language(tmp_path)
    greek = load_wording("xx", [tmp_path])
    lost = notice("lost", input="ALSA: a", output="ALSA: b", why=notice("stalled", seconds=0.5))
    fault = DeviceError(lost, fix=notice("plug_in"))
    for fact, figures in ((notice("lost_in_rep"), []), (notice("paused", why=fault), ["0.5"]), (fault, ["0.5"])):
        told = greek.tell(fact)
        assert not re.search("[a-zA-Z]", told.replace("ALSA: a", "").replace("ALSA: b", "")), told
        assert all(figure in told for figure in figures)
    assert greek.tell(as_kept("something nobody knows")) == "something nobody knows"
    assert load_wording().tell(lost) == (
        "lost the sound device ('ALSA: a' to 'ALSA: b'): no sound came for 0.5 s: the device was unplugged, or the "
        "computer slept"
    )
    assert load_wording().tell((fault, "and a text")).splitlines()[1:] == [
        "Plug it in again or switch it on; look at 'drilltimer devices'.", "and a text",
    ]  # fmt: skip


def test_grades_and_words_are_said_in_the_language(tmp_path):
    write_language(tmp_path)
    greek = load_wording("xx", [tmp_path])
    for grade in Grade:
        assert greek.grade(grade) == translate(load_wording().grade(grade))
    assert greek.word("in-front") == translate("in front")
    assert greek.word("my-own-word") == "my own word"


def test_every_shipped_word_has_its_text():
    shipped = {path.stem for path in (SHIPPED.parents[2] / "sounds" / "en").glob("*.wav")}
    assert shipped == set(tomllib.loads(ENGLISH)["word"])


def test_one_is_told_as_one():
    assert load_wording().counted("group.players", 1, count=1) == "1 player"
    assert load_wording().counted("group.players", 0, count=0) == "0 players"
    assert load_wording().counted("group.players", 11, count=11) == "11 players"
    assert load_wording().counted("group.heard_together", 1, station="a", channel=2) == load_wording()(
        "group.heard_together", station="a", channel=2
    )
    assert (count_of(1, "rep"), count_of(0, "rep"), count_of(21, "rep")) == ("1 rep", "0 reps", "21 reps")


def test_a_language_with_one_form_is_not_helped_out_in_english(tmp_path):
    (tmp_path / "xx.toml").write_text('[group]\nplayers = "{count} spelers"\n')
    wording = load_wording("xx", [tmp_path])
    assert wording.counted("group.players", 1, count=1) == "1 spelers"
    assert wording.counted("group.stations", 1, count=1) == "1 station"


def test_every_text_for_one_has_a_text_for_more():
    for name, texts in tomllib.loads(ENGLISH).items():
        singles = [key for key in texts if key.endswith("_one")]
        assert all(key.removesuffix("_one") in texts for key in singles), name
