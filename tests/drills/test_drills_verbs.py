"""`drilltimer drills show | check | new | schema`, and what they say."""

from __future__ import annotations

import json
from pathlib import Path

import jsonschema
import pytest
import yaml
from click.testing import CliRunner, Result
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from drilltimer.app.examine import told_before
from drilltimer.app.plan import with_recognition
from drilltimer.audio.files import find_drill, list_drills
from drilltimer.cli import main
from drilltimer.drill.language import drill_schema, load_drill
from drilltimer.drill.schedule import schedule
from drilltimer.drill.summary import describe
from drilltimer.drills.cli import SPORT_NAMES
from drilltimer.drills.sports import SPORTS
from drilltimer.drills.timeline import COLUMNS, first_rally, timeline
from drilltimer.model import Cue, Rep, Window
from drilltimer.ui.wording import english

SHIPPED = [drill.name for drill in list_drills() if not drill.own]
DOUBTFUL = """\
name: Doubtful
level: beginner
reps: 120
window: {open_ms: -20, close_ms: 200}
lead_in: {kind: swing, length_s: 0.5}
rhythm:
  interval_s: 2.5
  rally: 20
  rest_s: 3
calls:
  words: [left, sideways]
  delay_s: 0.2
"""


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("DRILLTIMER_HOME", str(tmp_path / "home"))
    monkeypatch.chdir(tmp_path)
    return tmp_path / "home"


def drills(*arguments: str) -> Result:
    return CliRunner().invoke(main, ["drills", *arguments])


# ------------------------------------------------------------------------------------------------------------ show


@pytest.mark.parametrize("name", SHIPPED)
def test_every_shipped_drill_can_be_shown(name: str) -> None:
    answer = drills("show", name)
    assert answer.exit_code == 0
    for part in ("contacts", "seconds", "landings", "Lasts", "Clear the floor"):
        assert part in answer.stdout
    assert all(len(line) <= 8 + 1 + COLUMNS + 8 for line in answer.stdout.splitlines() if "|" in line)


def test_a_drill_is_told_in_plain_language() -> None:
    text = """
name: All of it
level: advanced
situation: net
reps: 12
withheld_share: 0.2
lead_in: {kind: rally, length_s: 1.2, bounce_s: 0.4, spread: 0.1}
opening: {kind: toss, length_s: 0.9}
rhythm: {interval_s: 3, jitter_cv: 0.1, jitter_end_cv: 0.2, rally: {"2-4": 1}, rest_s: 10, rest_per_work: 2}
hitters: [{pan: -1}, {pan: 1, sound: tock}]
hitters_in_turn: true
calls: {words: {left: 2, right: 1}, delay_s: [0.1, 0.2], share: 0.9, switch_share: 0.25, tones: true}
progression: {reps: 12}
"""
    assert describe(load_drill(text, "all.yaml")) == [
        "12 contacts. Land 60 to 140 ms after the contact, at best 100 (advanced level).",
        "Each contact is announced by the player's own contact 1.2 s before it and a bounce 0.4 s before it, give or "
        "take 10%, the first of a rally by a toss 0.9 s before it.",
        "Rallies of 2 to 4 contacts, 3 s apart, uneven by 10%, growing to 20%; then a rest of 10 s or 2 times the "
        "work.",
        "2 hitters, each with a sound or side of their own: in turn.",
        "Tones from the sides call: left, right (not equally often), 0.1 to 0.2 s after the contact. A step sooner "
        "than 250 ms after it is known is a guess.",
        "10% of the contacts bring no call.",
        "25% of the calls are taken back by another 0.3 s later.",
        "20% of the lead-ins bring no contact: stay, or hop without a step; a step is a guess.",
        "Levels move inside the session: 80% or more of the last 12 in the window make it narrower, less than 50% "
        "wider.",
    ]


def test_a_timeline_is_to_scale() -> None:
    window = Window(100.0, 300.0, 500.0)
    cues = (
        Cue("precue", "swing", 2.0, length_s=1.0),
        Cue("contact", "smack", 2.0),
        Cue("call", "left", 2.5, known_s=0.4),
    )
    reps = [Rep(0, 0.0, 3.0, 2.0, cues, "left", window), Rep(1, 3.0, 12.636, 11.636, (), None, window, withheld=True)]
    rows = {line[:8].strip(): line[9:] for line in timeline(reps)[:6]}
    column_s = (11.636 - 1.0) * 1.1 / COLUMNS  # from the swing's begin to the last contact, and a tenth
    assert rows["contact"].index("x") == int(1.0 / column_s)
    assert rows["contact"].index("o") == int(10.636 / column_s)
    assert rows["lead-in"].strip("~") == ""
    assert len(rows["lead-in"]) == round(1.0 / column_s)
    assert rows["call"].index("left") == int(1.5 / column_s)
    assert rows["known"].index("?") == int(1.9 / column_s)
    assert rows["window"].strip() == "=" * round(0.4 / column_s)  # a withheld contact has no window
    assert [len(line) for line in timeline(reps)[6:7]] == [8 + 1 + COLUMNS]


def test_words_in_a_timeline_can_all_be_read() -> None:
    drill = load_drill((Path(__file__).parents[2] / "drills/club-warm-up.yaml").read_text("utf-8"), "x")
    spoken = timeline(first_rally(schedule(drill, 0)))[0]
    assert spoken == "spoken  |warm up hop"
    assert timeline([]) == []


# ----------------------------------------------------------------------------------------------------------- check


def test_all_cautions_are_told_at_once_with_line_and_column() -> None:
    Path("doubtful.yaml").write_text(DOUBTFUL)
    answer = drills("check", "doubtful.yaml")
    assert answer.exit_code == 0
    told = {line.split(": ")[0].strip(): line for line in answer.stdout.splitlines()[1:-1]}
    assert list(told) == ["doubtful.yaml:3:1", "doubtful.yaml:4:1", "doubtful.yaml:6:1", "doubtful.yaml:10:1"]
    assert "120 landings" in told["doubtful.yaml:3:1"]
    assert "landings before it are never on time" in told["doubtful.yaml:4:1"]
    assert 'drilltimer sounds record "sideways"' in told["doubtful.yaml:10:1"]
    both = [line for line in answer.stdout.splitlines() if "doubtful.yaml:6:1" in line]
    assert any("without a rest" in line for line in both)
    assert answer.stdout.splitlines()[-1].strip().startswith("Coach, physiotherapist and local rules decide")


@pytest.mark.parametrize("drill", ["doubtful.yaml", "first-hop", "test-block", "fresh"])
def test_check_show_and_run_judge_a_drill_alike(drill: str, home: Path) -> None:
    Path("doubtful.yaml").write_text(DOUBTFUL)
    drills("new", "fresh")
    (checked,) = (line for line in drills("check", drill).stdout.splitlines() if line.endswith(("min", "cautions")))
    plan = with_recognition(load_drill(*find_drill(drill)))
    before = [english().tell(each).removeprefix("caution: ").rstrip(".") for each in told_before(plan)]
    shown = [line for line in drills("show", drill).stdout.splitlines() if line.startswith("Caution: ")]
    assert sorted(line.removeprefix("Caution: ").rstrip(".") for line in shown) == sorted(before[:-1])
    if drill == "doubtful.yaml":
        assert checked.endswith("; 4 cautions")
        assert len(shown) == 4
    else:
        assert ": fine, " in checked
        assert before == []


@pytest.mark.parametrize(("drill", "withholds"), [("test-block", True), ("steady-contact", False)])
def test_that_some_swings_come_without_contact_is_told_before(drill: str, withholds: bool, home: Path) -> None:
    announced = CliRunner().invoke(main, ["run", drill, "--simulate", "club", "--speed", "0", "--seed", "3"])
    assert announced.exit_code == 0
    assert ("end without a contact: stay" in announced.stderr) == withholds
    shown = " ".join(drills("show", drill).stdout.split())
    assert ("without a contact" in shown) == withholds


def test_too_little_rest_is_told_where_the_rhythm_of_that_block_stands() -> None:
    Path("rest.yaml").write_text(
        "name: Rest\nlead_in: {kind: swing, length_s: 0.5}\nrhythm: {interval_s: 3, rally: 3, rest_s: 20}\n"
        "blocks:\n  - reps: 9\n  - reps: 12\n    rhythm: {interval_s: 3, rally: 6, rest_s: 5}\n"
    )
    answer = drills("check", "rest.yaml")
    assert "rest.yaml:7:5: rhythm: 6 s of rest after 15 s of work: too little" in answer.stdout


def test_a_long_word_that_runs_into_the_next_lead_in_is_told(home: Path) -> None:
    import numpy as np
    import soundfile

    (home / "sounds/en").mkdir(parents=True)
    soundfile.write(home / "sounds/en/crosscourt.wav", 0.1 * np.ones(24_000), 24_000)  # a second
    Path("long.yaml").write_text(DOUBTFUL.replace("sideways", "crosscourt"))
    answer = drills("check", "long.yaml")
    assert 'long.yaml:10:1: calls: "crosscourt" lasts 1.00 s: called up to 0.2 s after the contact' in answer.stdout


def test_an_impossible_reaction_is_told() -> None:
    Path("fast.yaml").write_text(
        "name: Fast\nreps: 9\nwindow: {open_ms: 50, close_ms: 150}\n"
        "rhythm: {rest_s: 3, wait: {min_s: 1, mean_extra_s: 1, max_s: 4}}\n"
    )
    assert "fast.yaml:3:1: window: opens 50 ms after the contact, but nobody" in drills("check", "fast.yaml").stdout


def test_what_is_shown_and_checked_comes_as_a_document_too() -> None:
    Path("bad.yaml").write_text("name: Bad\nlevel: clb\n")
    answer = drills("check", "first-hop", "bad.yaml", "--json")
    assert answer.exit_code == 2
    fine, bad = json.loads(answer.stdout)
    assert (fine["runs"], fine["cautions"], fine["landings"]) == (True, [], 16)
    assert bad["runs"] is False
    assert [problem["key"] for problem in bad["problems"]] == ["rhythm", "level"]
    shown = json.loads(drills("show", "first-hop", "--json").stdout)
    assert shown["name"] == "First hop"
    assert shown["sentences"] == describe(with_recognition(load_drill(*find_drill("first-hop"))))


def test_names_and_files_are_checked_together_and_one_fault_decides() -> None:
    Path("bad.yaml").write_text("name: Bad\n")
    answer = drills("check", "first-hop", "bad.yaml", "missing.yaml")
    assert answer.exit_code == 2
    assert "fine, 16 landings" in answer.stdout
    assert "bad.yaml:1:1: rhythm: this key is required" in answer.stderr
    assert "missing.yaml: no such file" in answer.stderr


# ------------------------------------------------------------------------------------------------------ new, schema


@pytest.mark.parametrize("sport", SPORT_NAMES)
def test_a_new_drill_is_fine_commented_and_runs(sport: str, home: Path) -> None:
    answer = drills("new", f"my-{sport}", "--sport", sport)
    path = home / "drills" / f"my-{sport}.yaml"
    assert (answer.exit_code, answer.stdout) == (0, f"{path}\n")
    text = path.read_text(encoding="utf-8")
    assert text.count("#") > 15
    assert SPORTS[sport].interval_source in text
    assert drills("check", f"my-{sport}").stdout.startswith(f"{path}: fine")
    jsonschema.Draft202012Validator(json.loads((path.parent / "drill.schema.json").read_text("utf-8"))).validate(
        yaml.safe_load(text)
    )
    assert text.splitlines()[0] == "# yaml-language-server: $schema=drill.schema.json"
    ran = CliRunner().invoke(main, ["drills", "--json"])
    assert f"my-{sport}" in [entry["name"] for entry in json.loads(ran.stdout)]


def test_what_is_commented_out_in_a_new_drill_is_right_too(home: Path) -> None:
    drills("new", "mine")
    lines = (home / "drills/mine.yaml").read_text("utf-8").splitlines()
    keys = ("# progression:", "  # wait:", "# withheld_share:", "# blocks:", "#   - ")
    text = "\n".join(line.replace("# ", "", 1) if line.startswith(keys) else line for line in lines)
    drill = load_drill(text, "mine.yaml")
    assert drill.progression is not None
    assert len(drill.blocks) == 2
    assert drill.blocks[0].rhythm.wait is not None
    assert drill.blocks[0].withheld_share == 0.1


def test_the_sports_on_offer_are_those_that_are_known() -> None:
    assert set(SPORT_NAMES) == set(SPORTS)


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("first-hop", "a drill called 'first-hop' is there already"),
        ("../out", "cannot be the name of a drill"),
        ("a b", "cannot be the name of a drill"),
        ("taken.yaml", "taken.yaml: is there already"),
        ("taken.yaml/x.yaml", "cannot be written"),
    ],
)
def test_a_new_drill_never_takes_another_s_place(name: str, words: str) -> None:
    Path("taken.yaml").write_text("mine")
    answer = drills("new", name)
    assert answer.exit_code == 2
    assert words in answer.stderr
    assert Path("taken.yaml").read_text() == "mine"


def test_the_schema_is_printed_for_editors() -> None:
    assert json.loads(drills("schema").stdout) == drill_schema()


# ------------------------------------------------------------------------------------------------------------- fuzz

PIECES = [path.read_bytes() for path in sorted((Path(__file__).parents[2] / "drills").glob("*.yaml"))]


@given(
    st.one_of(
        st.binary(max_size=400),
        st.builds(
            lambda whole, at, put, cut: whole[:at] + put + whole[at + cut :],
            st.sampled_from(PIECES),
            st.integers(0, 1500),
            st.binary(max_size=12),
            st.integers(0, 40),
        ),
    )
)
@settings(
    max_examples=150, deadline=1000, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow]
)
def test_any_bytes_are_checked_without_a_traceback(raw: bytes) -> None:
    Path("any.yaml").write_bytes(raw)
    answer = drills("check", "any.yaml")
    assert answer.exception is None or isinstance(answer.exception, SystemExit)
    assert answer.exit_code in (0, 2)
    assert ("any.yaml" in answer.stderr) == (answer.exit_code == 2)
