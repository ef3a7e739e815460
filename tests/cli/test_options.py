"""A command that is wrong itself is told as a usage error, with every version of the option parser there may be."""

from __future__ import annotations

import re

import click
import pytest
from click.testing import CliRunner

from drilltimer.cli import main
from drilltimer.cli.check import stand
from drilltimer.cli.options import AIR_C, METRES, SECTIONS
from drilltimer.score.match import correction_ms
from drilltimer.sim.player import SKILLS


@pytest.mark.parametrize(
    ("line", "told"),
    [
        ("--no-such", "No such option"),
        ("no-such", "No such command"),
        ("run", "Missing argument"),
        ("run steady-contact --seed x", "is not a valid integer"),
        ("run steady-contact --seed -1", "is not in the range"),
        ("run steady-contact --distance nan", "'nan': expected metres, a number such as 3 or 2.5"),
        ("run steady-contact --distance 3ft", "'3ft': expected metres, a number such as 3 or 2.5"),
        ("run steady-contact --distance 1,234.5", "expected metres"),
        ("run steady-contact --air-c warm", "expected degrees Celsius"),
        ("run steady-contact --speed 2", "--speed goes with --simulate"),
        ("group run two-lanes --speed 0", "--speed goes with --simulate"),
        ("run steady-contact --simulate pro", "Skills: novice, club, expert, metronome."),
        ("run steady-contact --level pro", "is not one of"),
        ("run steady-contact extra", "unexpected extra argument"),
        ("score a.wav --jobs 2", "are for a folder"),
        ("group run", "Missing argument"),
        ("history --limit 0", "is not in the range"),
        ("forget", "Missing argument"),
    ],
)
def test_a_wrong_command_is_told_and_ends_with_2(
    line: str, told: str, tmp_path: object, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("DRILLTIMER_HOME", str(tmp_path))
    CliRunner().invoke(main, ["import", "nothing.json"])  # makes a history, without which nothing can be forgotten
    answer = CliRunner().invoke(main, line.split())
    assert isinstance(answer.exception, SystemExit), answer.exc_info
    assert answer.exit_code == 2
    assert told in answer.output
    assert "Traceback" not in answer.output


def test_no_command_at_all_is_no_error() -> None:
    answer = CliRunner().invoke(main, [])
    assert answer.exit_code == 0
    assert "drilltimer run first-hop --simulate club --speed 0" in answer.output


@pytest.mark.parametrize("skill", SKILLS)
def test_help_names_every_simulated_player(skill: str) -> None:
    for verb in (["run"], ["check"], ["group", "run"]):
        words = " ".join(CliRunner().invoke(main, [*verb, "--help"]).output.split())
        assert re.search(rf"\([^)]*\b{skill}\b[^)]*\)", words), verb


@pytest.mark.parametrize(
    ("written", "metres"),
    [("3", 3.0), ("2,5", 2.5), ("3m", 3.0), ("3,5 m", 3.5), ("3 metres", 3.0), (".5", 0.5), ("+4.", 4.0), ("0", 0.0)],
)
def test_a_distance_is_read_with_comma_and_unit(written: str, metres: float) -> None:
    assert METRES.convert(written, None, None) == metres
    assert AIR_C.convert("-3,5 \N{DEGREE SIGN}C", None, None) == -3.5


@pytest.mark.parametrize(("distance_m", "taken_ms"), [(0.0, 0.0), (0.1, 0.0), (3.0, 16.6)])
def test_nobody_stands_nearer_to_both_than_they_stand_apart(distance_m: float, taken_ms: float) -> None:
    assert round(correction_ms(stand(None, distance_m, 20.0)), 1) == taken_ms


def test_without_a_sound_device_each_verb_says_what_can_be_done_without_one(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("drilltimer.audio.devices.list_devices", list)
    for line, instead in (
        ("run first-hop --plain", "drilltimer run DRILL --simulate club"),
        ("check", "drilltimer check --simulate club"),
        ("group run two-lanes", "drilltimer group run PLAN --simulate mixed"),
        ("sounds play contact", ""),
        ("devices", ""),
    ):
        answer = CliRunner().invoke(main, line.split())
        assert answer.exit_code == 3, line
        assert "Traceback" not in answer.output
        assert ("--simulate" in answer.output) is bool(instead), line
        assert instead in answer.output


@pytest.mark.parametrize("verb", ["run", "feed", "score", "group run"])
def test_help_has_the_common_options_first_and_the_others_by_what_they_are_about(verb: str) -> None:
    answer = CliRunner().invoke(main, [*verb.split(), "--help"])
    assert answer.exit_code == 0
    titles = re.findall(r"^(\w[\w ]+):$", answer.output, re.MULTILINE)
    assert titles[0] == "Common options"
    assert titles == sorted(titles, key=["Common options", *SECTIONS, "Others"].index)
    last = answer.output.rpartition("Others:")[2]
    assert re.findall(r"^  (-\S+)", last, re.MULTILINE)[-1] in (
        "-h,",
        "--help",
    )  # whoever asked the verb first, click keeps that
    assert len(re.findall(r"^  -", last, re.MULTILINE)) <= 3  # what is about nothing: two flags at most, and help
    command = main
    for name in verb.split():
        command = command.get_command(click.Context(command), name)
    for option in command.params:
        if isinstance(option, click.Option):
            assert len(re.findall(rf"^  (?:-\w, )?{option.opts[-1]}(?= |$)", answer.output, re.MULTILINE)) == 1, (
                option.name
            )


def test_the_list_of_verbs_has_whole_sentences() -> None:
    words = " ".join(CliRunner().invoke(main, ["--help"]).output.split())
    assert "..." not in words.partition("Commands:")[2]
    assert (
        "compare Compare tests of PLAYER: what changed from one to another, along all between them, by default all"
        in words
    )
