"""Drill files: what loads, what is refused, and how the refusal reads."""

from __future__ import annotations

import json
import re
import sys
import tracemalloc
from collections import Counter
from contextlib import contextmanager
from pathlib import Path

import jsonschema
import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st

from drilltimer.drill import tree as tree_module
from drilltimer.drill.form import DrillForm
from drilltimer.drill.language import drill_schema, load_drill
from drilltimer.drill.tree import MAX_VALUES
from drilltimer.drill.windows import REACTIVE_WINDOW, window_for
from drilltimer.errors import DrillFileError
from drilltimer.group.form import GroupForm
from drilltimer.group.language import read_group_plan
from drilltimer.model import FeedbackPlan, RallyLength, Wait, Window

SHIPPED = sorted((Path(__file__).parents[2] / "drills").glob("*.yaml"))
PLAIN = "name: Plain\nreps: 10\nlead_in: {kind: swing, length_s: 0.4}\nrhythm: {interval_s: 3}\n"


def load(text):
    return load_drill(text, "d.yaml")


def refusal(text):
    with pytest.raises(DrillFileError) as caught:
        load(text)
    return caught.value


def problems(text):
    return [str(problem) for problem in refusal(text).problems]


@contextmanager
def counted_calls(most):
    """Count calls of Python functions by their code, and see that they stay below a bound.

    Seconds would be those of a busy machine; they are in tests/benchmarks/hostile.py.
    """
    made, before, left = Counter(), sys.getprofile(), most

    def count(frame, event, _):
        nonlocal left
        if event == "call":
            made[frame.f_code] += 1
            left -= 1
            assert left >= 0, f"more than {most} calls"  # at once: it might never end

    sys.setprofile(count)
    try:
        yield made
    finally:
        sys.setprofile(before)


# ---------------------------------------------------------------- what loads


@pytest.mark.parametrize("path", SHIPPED, ids=lambda path: path.stem)
def test_every_shipped_drill_loads_and_fits_the_schema(path):
    text = path.read_text(encoding="utf-8")
    assert load_drill(text, path.name).name
    jsonschema.validate(yaml.safe_load(text), drill_schema())
    assert path.stem == path.stem.lower().replace("_", "-")


def test_there_are_drills_to_ship():
    assert len(SHIPPED) >= 9


def test_a_plain_drill_is_one_block_at_club_level():
    (block,) = load(PLAIN).blocks
    assert block.name == "Plain"
    assert block.mode == "predictive"
    assert block.window == window_for("club", "baseline")
    assert block.rhythm.rally == ()
    assert block.calls is None
    assert block.feedback is None


def test_without_a_lead_in_a_drill_is_reactive_with_a_window_of_its_own():
    (block,) = load("name: x\nreps: 5\nrhythm: {wait: {min_s: 1, mean_extra_s: 1, max_s: 4}}\n").blocks
    assert block.mode == "reactive"
    assert block.window == REACTIVE_WINDOW == Window(330.0, 465.0, 600.0)
    assert block.rhythm.wait == Wait(1.0, 1.0, 4.0)
    assert block.rhythm.rally == (RallyLength(1, 1),)


def test_a_steady_rhythm_may_be_predicted_without_a_lead_in():
    (block,) = load("name: x\nreps: 5\nmode: predictive\nrhythm: {interval_s: 3}\n").blocks
    assert block.mode == "predictive"
    assert block.window == window_for("club", "baseline")


def test_an_explicit_window_stands_above_level_and_situation():
    (block,) = load(PLAIN + "level: advanced\nwindow: {open_ms: 20, close_ms: 120}\n").blocks
    assert block.window == Window(20.0, 70.0, 120.0)
    assert block.window_fixed


def test_blocks_take_what_they_do_not_say_from_the_top():
    text = PLAIN + "calls: {words: [left, right], delay_s: 0.15}\nlevel: beginner\nblocks:\n"
    text += "  - {name: first, calls: null, reps: 4}\n  - {level: advanced, work_s: 1m}\n"
    first, second = load(text).blocks
    assert (first.name, first.reps, first.calls, first.level) == ("first", 4, None, "beginner")
    assert (second.name, second.reps, second.work_s, second.level) == ("Plain", None, 60.0, "advanced")
    assert second.calls is not None
    assert second.window == window_for("advanced", "baseline")


def test_weights_ranges_and_plans_arrive():
    text = PLAIN + "calls: {words: {left: 3, right: 2}, delay_s: [0.1, 0.2]}\nfeedback: {kind: band, band_ms: 50}\n"
    text = text.replace("interval_s: 3", 'interval_s: 3, rally: {1: 40, "2-3": 60}')
    (block,) = load(text).blocks
    assert block.calls is not None
    assert (block.calls.words, block.calls.weights) == (("left", "right"), (3.0, 2.0))
    assert (block.calls.delay_low_s, block.calls.delay_high_s) == (0.1, 0.2)
    assert block.rhythm.rally == (RallyLength(1, 1, 40.0), RallyLength(2, 3, 60.0))
    assert block.feedback == FeedbackPlan("band", band_ms=50.0)


@pytest.mark.parametrize(
    ("written", "seconds"),
    [
        ("90", 90.0),
        ("90.5", 90.5),
        ("9e1", 90.0),
        ("90s", 90.0),
        ("1m30s", 90.0),
        ("1m 30s", 90.0),
        ("2m", 120.0),
        ("1:30", 90.0),
        ('"1:30"', 90.0),
        ("0:45", 45.0),
        ("1:30.5", 90.5),
        ("010", 10.0),
        ("08", 8.0),
        ("950ms", 0.95),
    ],
)
def test_durations_read_as_they_look(written, seconds):
    (block,) = load(PLAIN + f"rest_s: {written}\n").blocks
    assert block.rest_s == pytest.approx(seconds, abs=1e-12)


def test_an_alias_repeats_a_value():
    text = PLAIN + "blocks:\n  - calls: &sides {words: [left, right], delay_s: 0.15}\n  - calls: *sides\n"
    first, second = load(text).blocks
    assert first.calls == second.calls is not None


# ---------------------------------------------------------------- what is refused, word for word

BROKEN = {
    "duplicate key": (
        PLAIN + "reps: 12\n",
        "d.yaml:5:1: reps: stands twice; the first is in line 2",
    ),
    "unknown key": (
        PLAIN + "levle: club\n",
        "d.yaml:5:1: levle: unknown key; did you mean level?",
    ),
    "unknown key within": (
        PLAIN.replace("length_s", "length_ms"),
        "d.yaml:3:24: lead_in.length_ms: unknown key; did you mean length_s?",
    ),
    "yes for true": (
        PLAIN + "calls: {words: [left, right], delay_s: 0.2, pan: yes}\n",
        "d.yaml:5:50: calls.pan: expected true or false, got 'yes'",
    ),
    "on is a word": (
        PLAIN + "on: 3\n",
        "d.yaml:5:1: on: unknown key",
    ),
    "text for a number": (
        PLAIN.replace("reps: 10", 'reps: "10"'),
        "d.yaml:2:7: reps: expected a whole number, got '10'",
    ),
    "fraction for a count": (
        PLAIN.replace("reps: 10", "reps: 10.5"),
        "d.yaml:2:7: reps: expected a whole number, got 10.5",
    ),
    "wrong unit": (
        PLAIN.replace("interval_s: 3", "interval_s: 3 m/s"),
        "d.yaml:4:22: rhythm.interval_s: expected seconds, such as 0.95, or a text such as 90s, 1m30s or 1:30, "
        "got '3 m/s'",
    ),
    "out of range": (
        PLAIN + "withheld_share: 0.8\n",
        "d.yaml:5:17: withheld_share: expected 0.5 or less, got 0.8",
    ),
    "misspelt choice": (
        PLAIN.replace("swing", "swng"),
        "d.yaml:3:17: lead_in.kind: expected one of none, swing, toss, bounce, rally, count, got 'swng'; "
        "did you mean swing?",
    ),
    "missing name": (
        PLAIN.replace("name: Plain\n", ""),
        "d.yaml:1:1: name: this key is required",
    ),
    "missing rhythm": (
        "name: x\nreps: 3\n",
        "d.yaml:1:1: rhythm: this key is required: when do contacts come?",
    ),
    "neither reps nor time": (
        PLAIN.replace("reps: 10\n", ""),
        "d.yaml:1:1: reps: give reps (contacts) or work_s (seconds), one of the two",
    ),
    "too many reps": (
        PLAIN + "blocks: [{reps: 600}, {reps: 600}]\n",
        "d.yaml:5:9: blocks: 1200 contacts in all, more than 1000",
    ),
    "too long": (
        PLAIN.replace("interval_s: 3", "interval_s: 60").replace("reps: 10", "reps: 1000"),
        "d.yaml:1:1: lasts up to 16.7 h, more than 3 h",
    ),
    "too long with its withheld contacts": (
        PLAIN.replace("interval_s: 3", "interval_s: 60").replace("reps: 10", "reps: 150") + "withheld_share: 0.5\n",
        "d.yaml:1:1: lasts up to 5.0 h, more than 3 h",
    ),
    "no room for the landing": (
        PLAIN.replace("interval_s: 3", "interval_s: 1"),
        "d.yaml:4:22: rhythm.interval_s: expected 1.1 s or more (0.7 s to hear the landing and the call and 0.4 s of "
        "lead-in), got 1",
    ),
    "too much jitter": (
        PLAIN.replace("interval_s: 3", "interval_s: 1.5, jitter_cv: 0.4"),
        "d.yaml:4:38: rhythm.jitter_cv: expected 0.266 or less, got 0.4: below 1.1 s a contact's landing goes unheard",
    ),
    "late beside right": (
        PLAIN + "calls: {words: [left, right], delay_s: 0.2}\nspeech: {finish: [late]}\n",
        'd.yaml:6:18: speech.finish: "late" is misheard as "right", which is a call here',
    ),
    "reactive with a lead-in": (
        PLAIN + "mode: reactive\n",
        "d.yaml:5:7: mode: a lead-in announces the contact, so landing on it is predictive: leave out mode or lead_in",
    ),
    "unannounced and unsteady": (
        "name: x\nreps: 3\nmode: predictive\nrhythm: {interval_s: 3, jitter_cv: 0.1}\n",
        "d.yaml:3:7: mode: nobody can predict a contact without a lead_in or a steady rhythm: add one, or train "
        "reactive",
    ),
    "waits that come to nothing": (
        PLAIN.replace("interval_s: 3", "wait: {min_s: 2, mean_extra_s: 1, max_s: 2}"),
        "d.yaml:4:51: rhythm.wait.max_s: more than half of the waits would come to nothing: at least 2.7 s",
    ),
    "a word too heavy": (
        PLAIN + "calls: {words: {left: 9, right: 1}, delay_s: 0.2, longest_run: 2}\n",
        "d.yaml:5:64: calls.longest_run: a word with 90% of the calls needs longer runs than that",
    ),
    "a sound for a word": (
        PLAIN + "calls: {words: [left, smack], delay_s: 0.2}\n",
        "d.yaml:5:16: calls.words: 'smack' is a sound of its own and cannot be a spoken word",
    ),
    "not a rally length": (
        PLAIN.replace("interval_s: 3", "interval_s: 3, rally: {5-3: 1}"),
        "d.yaml:4:32: rhythm.rally: '5-3' is not a rally length: expected 3, or 5-8, up to 100",
    ),
    "a name that steers the terminal": (
        PLAIN.replace("Plain", '"\\e[2J"'),
        "d.yaml:1:7: name: expected a name in one line, without tabs and control characters, got '\\x1b[2J'",
    ),
    "a name of two lines": (
        PLAIN.replace("Plain", '"Two\\nlines"'),
        "d.yaml:1:7: name: expected a name in one line, without tabs and control characters, got 'Two\\nlines'",
    ),
    "a block's name with a tab": (
        PLAIN + 'blocks: [{name: "a\\tb"}]\n',
        "d.yaml:5:17: blocks[1].name: expected a name in one line, without tabs and control characters, got 'a\\tb'",
    ),
    "a name of blanks": (
        PLAIN.replace("Plain", '"  "'),
        "d.yaml:1:7: name: expected a name, not blanks alone, got '  '",
    ),
    "a key that steers the terminal": (
        PLAIN + '"\\e[2J": 1\n',
        "d.yaml:5:1: \N{REPLACEMENT CHARACTER}[2J: unknown key",
    ),
    "duplicate key in a block": (
        PLAIN + "blocks: [{reps: 3, reps: 4}]\n",
        "d.yaml:5:20: blocks[1].reps: stands twice; the first is in line 5",
    ),
    "a key with brackets": (
        PLAIN + "int[: 1\n",
        "d.yaml:5:1: int[: unknown key",
    ),
    "a key named as a type": (
        PLAIN + "int: 1\n",
        "d.yaml:5:1: int: unknown key",
    ),
    "a word that is no word": (
        PLAIN + "calls: {words: {left: 1, R2!: 2}, delay_s: 0.2}\n",
        "d.yaml:5:31: calls.words.R2!: expected lower-case words, such as left or well done, got 'R2!'",
    ),
    "too many blocks": (
        PLAIN + "blocks: [" + "{reps: 1}, " * 51 + "]\n",
        "d.yaml:5:9: blocks: expected a list of 50 or fewer, got 51",
    ),
    "no block": (PLAIN + "blocks: []\n", "d.yaml:5:9: blocks: expected a list of 1 or more, got 0"),
    "a long name": (
        PLAIN.replace("Plain", "x" * 70),
        "d.yaml:1:7: name: expected a text of 60 or fewer characters, got 70",
    ),
    "no name": (PLAIN.replace("Plain", '""'), "d.yaml:1:7: name: expected a text of 1 or more characters, got 0"),
    "a long word": (
        PLAIN + f"speech: {{explain: [{'x' * 41}]}}\n",
        "d.yaml:5:20: speech.explain[1]: expected a text of 40 or fewer characters, got 41",
    ),
    "a number beyond all": (
        PLAIN + "withheld_share: 1e999\n",
        "d.yaml:5:17: withheld_share: expected 0.5 or less, got inf",
    ),
    "a pan beyond all": (
        PLAIN + "hitters: [{pan: 1e999}]\n",
        "d.yaml:5:17: hitters[1].pan: expected a finite number, got inf",
    ),
    "half a letter": (
        PLAIN.replace("Plain", '"\\ud800"'),
        r"d.yaml:1:7: name: expected a text of whole letters, got '\ud800'",
    ),
    "a mapping without keys": (
        PLAIN + "calls: {words: {}, delay_s: 0.2}\n",
        "d.yaml:5:16: calls.words: expected 1 or more keys with values, got 0",
    ),
    "a tag": (
        PLAIN + "description: !!python/name:os.system\n",
        "d.yaml:5:14: description: tags such as tag:yaml.org,2002:python/name:os.system have no place in a drill",
    ),
}


NO_VALUES = ("null", "true", "-1", "1e999", "1.5", '""', json.dumps("x" * 3000), r'"\ud800"', "[]", "[9, 9]", "{}")
THE_CHECKERS_WORDS = r"[Ii]nput|[Ss]tring|[Dd]ictionary|\bshould\b|valid|permitted|instance"


def places(schema, here, path=()):
    """Every key of a form, with the keys that it lies within; items of lists are the first."""
    for option in (here, *here.get("anyOf", ())):
        form = schema["$defs"][option["$ref"].rsplit("/", 1)[-1]] if "$ref" in option else option
        inside = list(form.get("properties", {}).items())
        inside += [(0, form["items"])] if isinstance(form.get("items"), dict) else []
        for key, value in inside:
            yield (*path, key)
            yield from places(schema, value, (*path, key))


@pytest.mark.parametrize(("form", "read"), [(DrillForm, load_drill), (GroupForm, read_group_plan)])
def test_no_fault_of_any_key_is_told_in_the_checkers_words(form, read):
    schema, told = form.model_json_schema(), set()
    for path in sorted(set(places(schema, schema)), key=str):
        for text in NO_VALUES:
            for key in reversed(path):
                text = f"[{text}]" if key == 0 else f"{{{key}: {text}}}"
            with pytest.raises(DrillFileError) as caught:
                read(text, "d.yaml")
            told |= {problem.message for problem in caught.value.problems}
    assert len(told) > 50
    assert [text for text in told if re.search(THE_CHECKERS_WORDS, text)] == []


@pytest.mark.parametrize(("text", "expected"), BROKEN.values(), ids=BROKEN.keys())
def test_a_fault_is_told_with_its_place_key_and_remedy(text, expected):
    assert expected in problems(text)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("", "d.yaml: the file is empty"),
        ("a: [1", "d.yaml:1:6: not valid YAML"),
        ("- left\n", "d.yaml:1:1: expected keys with values, got a list"),
        ("name: x\x00", "d.yaml: not valid YAML"),
        ("[" * 500, "nested more than 12 deep"),
        ("a: 1\n---\nb: 2\n", "d.yaml:2:1: not valid YAML"),
        ("a: *nowhere\n", "d.yaml:1:4: not valid YAML"),
        ("#" * 70_000, "longer than 65536 characters"),
        ("a: &a [1]\nb: [" + "*a," * 200 + "]", "more than 100 aliases"),
    ],
    ids=["empty", "open bracket", "list", "NUL", "deep", "two documents", "no anchor", "long", "aliases"],
)
def test_what_is_no_drill_at_all_is_refused_in_one_line(text, expected):
    (problem,) = problems(text)
    assert expected in problem


def test_an_alias_bomb_is_defused():
    bomb = "a0: &a0 [x, x, x, x, x, x, x, x, x]\n"
    bomb += "".join(f"a{n}: &a{n} [{', '.join([f'*a{n - 1}'] * 9)}]\n" for n in range(1, 10))
    with counted_calls(100_000) as made:
        (problem,) = problems(bomb)
    assert "too many values" in problem
    assert made[tree_module._Builder._value.__code__] == MAX_VALUES + 1  # the bound, and not nine to the tenth


def test_an_alias_to_itself_is_refused():
    assert any("too many values" in problem for problem in problems("a: &a [*a]\n"))


def test_all_faults_are_told_at_once_in_the_order_of_the_file():
    text = """\
nam: x
level: clubb
reps: 20
reps: 30
lead_in: {kind: swing, length_s: 500ms}
rhythm: {interval_s: 0.9}
calls: {words: [left, right], delay_s: [0.1, x], pan: no}
blocks:
  - hitters: [{sond: smack}]
"""
    error = refusal(text)
    assert [(problem.line, problem.column, problem.key) for problem in error.problems] == [
        (1, 1, "nam"),
        (1, 1, "name"),
        (2, 8, "level"),
        (4, 1, "reps"),
        (7, 46, "calls.delay_s[2]"),
        (7, 55, "calls.pan"),
        (9, 16, "blocks[1].hitters[1].sond"),
    ]
    assert "7 problems" in str(error)
    assert error.exit_code == 2


def test_faults_between_sound_keys_are_told_beside_faulty_ones():
    keys = [problem.key for problem in refusal(PLAIN.replace("_s: 3", "_s: 0.9") + "level: clubb\n").problems]
    assert keys == ["rhythm.interval_s", "level"]


def test_a_faulty_key_raises_no_followers():
    text = PLAIN.replace("kind: swing", "kind: swng") + "mode: predictive\n"
    assert [problem.key for problem in refusal(text).problems] == ["lead_in.kind"]


# ---------------------------------------------------------------- hostile files


def survives(text):
    """Load or refuse, with no more work than its length accounts for: twice what any drill or chance text took."""
    drill_schema()  # made once
    with counted_calls(5_000 + 100 * len(text)):
        try:
            load(text)
        except DrillFileError as error:
            str(error).encode()  # what cannot be printed would be a traceback after all


@given(st.text(max_size=300))
@settings(max_examples=150)
def test_any_text_is_loaded_or_refused(text):
    survives(text)


FRAGMENTS = [
    "name: x\n",
    "reps: ",
    "blocks:\n",
    "  - ",
    "[",
    "]",
    "{",
    "}",
    ": ",
    "&a ",
    "*a",
    "!!",
    "? ",
    "| ",
    "\n",
    "1",
    "calls",
]


@given(st.lists(st.sampled_from(FRAGMENTS), max_size=30))
@settings(max_examples=150)
def test_any_mixture_of_drill_and_yaml_is_loaded_or_refused(parts):
    survives("".join(parts))


KEYS = [
    "name",
    "reps",
    "rhythm",
    "lead_in",
    "calls",
    "words",
    "delay_s",
    "blocks",
    "wait",
    "rally",
    "window",
    "kind",
    "x",
]
values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8) | st.sampled_from(["swing", "1:30"]),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from(KEYS), inner, max_size=4),
    max_leaves=15,
)


@given(st.dictionaries(st.sampled_from(KEYS), values, max_size=6))
@settings(max_examples=200)
def test_any_structure_under_known_keys_is_loaded_or_refused(value):
    survives(json.dumps(value))
    survives(yaml.safe_dump(value))


@pytest.mark.long
def test_the_largest_file_takes_work_by_its_length_and_200_megabytes():
    text = PLAIN + "".join(f"k{number:05d}: 1\n" for number in range(6400))
    assert 60_000 < len(text) < 65_536
    survives(text)
    tracemalloc.start()
    try:
        load_refused = refusal(text)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert peak < 200e6
    assert len(load_refused.problems) == 50
    assert "6400 problems, the first 50 are" in str(load_refused)


# ---------------------------------------------------------------- schema


def test_the_schema_completes_keys_and_refuses_strangers():
    schema = drill_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    validator = jsonschema.Draft202012Validator(schema)
    good = yaml.safe_load(PLAIN)
    assert validator.is_valid(good)
    assert not validator.is_valid({**good, "levle": "club"})
    assert not validator.is_valid({**good, "level": "clubb"})
    assert not validator.is_valid({key: value for key, value in good.items() if key != "name"})
