"""The guide: every topic comes up in a terminal, and what the chapters say to type can be typed."""

from __future__ import annotations

import ast
import builtins
import os
import re
import shlex
import subprocess
import sys
import zipfile
from collections.abc import Iterator
from pathlib import Path

import click
import pytest
from click.testing import CliRunner
from house import GOALS, sources
from rich.cells import cell_len

from drilltimer.cli import main
from drilltimer.errors import UserError
from drilltimer.guide.cli import OF_THE_README, chapters, drawn, find_chapter

ROOT = Path(__file__).parents[2]
CHAPTERS = chapters()
FILES = [
    ROOT / "README.md",
    ROOT / "DEVELOPERS.md",
    *sorted((ROOT / "drilltimer").glob("**/*.md")),
    ROOT / "tests" / "accuracy" / "README.md",
]
DOCUMENTED = (ast.Module, ast.ClassDef, ast.FunctionDef)
ANSI = re.compile(r"\x1b\[[0-9;]*m")
ELLIPSIS = "..."


def guide(*arguments: str) -> click.testing.Result:
    return CliRunner().invoke(main, ["guide", *arguments])


def commands_in(text: str) -> list[str]:
    """What blocks of code, fenced or indented, give to `drilltimer`, without remarks."""
    lines = [line.strip() for line in text.splitlines()]
    found = [match[1] for line in lines if (match := re.match(r"(?:\S*[/\\])?drilltimer ((?!guide TOPIC).*)", line))]
    return [command.split(" #")[0].strip() for command in found if "`" not in command]


def mentioned_in(text: str) -> list[str]:
    """Commands in a line's code, whose arguments may be left out."""
    flat = " ".join(text.split())
    return [
        command
        for command in re.findall(r"`drilltimer ([^`]+)`", flat)
        if not command.startswith(("VERB", "guide TOPIC"))
    ]


def told(words: list[str]) -> tuple[click.Command, list[str]]:
    """The verb that words begin with, and what is left of them."""
    command: click.Command = main
    context = click.Context(main, info_name="drilltimer")
    while isinstance(command, click.Group) and words and not words[0].startswith("-"):
        inner = command.get_command(context, words[0])
        assert inner is not None, f"drilltimer has no verb '{words[0]}'"
        command, words = inner, words[1:]
    return command, words


def option_names(verb: click.Command) -> set[str]:
    return {name for parameter in verb.params for name in (*parameter.opts, *parameter.secondary_opts)}


def all_verbs(verb: click.Command) -> Iterator[click.Command]:
    """A verb and all below it."""
    yield verb
    if isinstance(verb, click.Group):
        for name in verb.list_commands(click.Context(verb)):
            inner = verb.get_command(click.Context(verb), name)
            assert inner is not None
            yield from all_verbs(inner)


def refuse_unknown(command: str) -> None:
    """Raise where a command, its arguments left out or not, has a verb or an option that there is not."""
    verb, words = told(command.split(" ..")[0].split())
    asked = {word for word in words if word.startswith("--")} - {"--help"}
    assert asked <= option_names(verb), f"drilltimer {command}"


def refuse_untyped(command: str) -> None:
    """Parse a whole command as the program would; raises for whatever it would refuse."""
    verb, words = told(shlex.split(command))
    verb.make_context(str(verb.name), words)


def test_topics_are_listed_a_line_each_and_none_twice():
    answer = guide()
    assert answer.exit_code == 0
    lines = answer.stdout.splitlines()[1 : len(CHAPTERS) + 1]
    assert [line.split()[0] for line in lines] == [chapter.topic for chapter in CHAPTERS]
    assert len({chapter.topic for chapter in CHAPTERS}) == len(CHAPTERS)
    wings = {path.parent.name for path in (ROOT / "drilltimer").glob("*/README.md")}
    assert {*OF_THE_README.values(), *wings, "court", "verbs", "drills"} == {chapter.topic for chapter in CHAPTERS}


@pytest.mark.parametrize("topic", [chapter.topic for chapter in CHAPTERS])
def test_every_topic_comes_up_at_a_terminals_width_and_whole_in_a_pipe(topic, monkeypatch):
    chapter = find_chapter(topic)
    piped = guide(topic)
    assert piped.exit_code == 0
    assert piped.stdout == chapter.shown()
    assert piped.stdout.startswith(f"# {chapter.title}\n")
    assert "](" not in piped.stdout.replace("](http", "")
    assert "<!--" not in piped.stdout
    monkeypatch.setenv("TERM", "xterm-256color")
    monkeypatch.delenv("NO_COLOR", raising=False)
    wide, narrow = drawn(chapter.shown(), 80), drawn(chapter.shown(), 40)
    for text, columns in ((wide, 80), (narrow, 40)):
        assert chapter.title.split()[0] in text
        assert max(cell_len(line) for line in ANSI.sub("", text).splitlines()) == columns
    words = re.findall(r"[a-z]{5,}", ANSI.sub("", wide))
    assert len(words) > 0.9 * len(re.findall(r"[a-z]{5,}", chapter.shown()))


def test_colours_are_left_out_where_nobody_wants_them(monkeypatch):
    monkeypatch.setenv("TERM", "xterm-256color")
    monkeypatch.setenv("NO_COLOR", "1")
    plain = set(re.findall(r"\x1b\[([0-9;]*)m", drawn(find_chapter("court").text, 80)))
    monkeypatch.delenv("NO_COLOR")
    coloured = set(re.findall(r"\x1b\[([0-9;]*)m", drawn(find_chapter("court").text, 80)))
    assert not any(int(code or 0) >= 30 for codes in plain for code in codes.split(";"))
    assert any(int(code or 0) >= 30 for codes in coloured for code in codes.split(";"))


def test_the_picture_of_the_screen_fits_a_terminal_of_80_columns():
    lines = ANSI.sub("", drawn(find_chapter("court").shown(), 80)).splitlines()
    assert any("rep 12 of 21" in line and line.rstrip().endswith("left") for line in lines)


@pytest.mark.parametrize(("word", "topic"), [("Phone", "recordings"), ("balls", "feeding"), ("GROUP", "group")])
def test_a_word_of_a_title_leads_to_it(word, topic):
    assert find_chapter(word).topic == topic


@pytest.mark.parametrize(
    ("wrong", "near"), [("grup", "'group'"), ("phon", "'recordings'"), ("what", "'verbs'"), ("xyzzy", None)]
)
def test_an_unknown_topic_is_one_error_with_the_nearest(wrong, near):
    answer = guide(wrong)
    assert answer.exit_code == UserError.exit_code == 2
    assert answer.stdout == ""
    assert f"the guide has no topic '{wrong}'" in answer.stderr
    assert "'drilltimer guide' lists them" in answer.stderr
    assert ("did you mean" in answer.stderr) == (near is not None)
    assert (near or "") in answer.stderr


@pytest.mark.parametrize("path", FILES, ids=lambda path: str(path.relative_to(ROOT)))
def test_what_is_to_be_typed_can_be_typed(path):
    text = path.read_text(encoding="utf-8")
    for command in commands_in(text):
        if ELLIPSIS not in command:
            refuse_untyped(command)
    for command in mentioned_in(text):
        refuse_unknown(command)


@pytest.mark.parametrize("chapter", CHAPTERS, ids=lambda chapter: chapter.topic)
def test_verbs_and_options_that_are_mentioned_alone_exist(chapter):
    everywhere = {name for verb in all_verbs(main) for name in option_names(verb)} | {"--help"}
    for code in re.findall(r"(?<!`)`([^`]+)`(?!`)", " ".join(chapter.text.split())):
        words = code.split()
        if words[0] in main.list_commands(click.Context(main)):
            refuse_unknown(code)
        assert {word for word in words if re.fullmatch(r"--[a-z][a-z-]*", word)} <= everywhere, code


def test_every_chapter_that_shows_commands_is_read():
    assert len(commands_in(find_chapter("recordings").text)) >= 2
    assert "run steady-contact --distance 3" in commands_in((ROOT / "README.md").read_text(encoding="utf-8"))


@pytest.mark.parametrize(
    "command", ["runn steady-contact", "run steady-contact --distanse 3", "run steady-contact --speed fast", "run"]
)
def test_what_cannot_be_typed_would_be_seen(command):
    with pytest.raises((click.UsageError, AssertionError)):
        refuse_untyped(command)


@pytest.mark.parametrize("path", FILES, ids=lambda path: str(path.relative_to(ROOT)))
def test_links_between_the_files_lead_to_files(path):
    for address in re.findall(r"\]\(([^)\s]+)\)", path.read_text(encoding="utf-8")):
        assert "://" in address or (path.parent / address.partition("#")[0]).is_file(), address


@pytest.mark.parametrize("name", ["README", "DEVELOPERS"])
def test_what_everybody_is_to_read_is_short(name):
    assert (ROOT / f"{name}.md").stat().st_size <= GOALS[name] * 1000


@pytest.mark.long
def test_an_installed_program_has_the_whole_guide(tmp_path):
    subprocess.run(
        [sys.executable, "-m", "pip", "wheel", "-q", "--no-deps", "-w", str(tmp_path), str(ROOT)],
        check=True, timeout=300,
    )  # fmt: skip
    (wheel,) = tmp_path.glob("*.whl")
    with zipfile.ZipFile(wheel) as archive:
        archive.extractall(tmp_path / "site")
    program = (
        "from drilltimer.guide.cli import chapters; import drilltimer; "
        "print(drilltimer.__file__, *(each.topic for each in chapters()))"
    )
    answer = subprocess.run(
        [sys.executable, "-P", "-c", program],
        check=True, timeout=60, capture_output=True, text=True, cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": str(tmp_path / "site")},
    ).stdout.split()  # fmt: skip
    assert Path(answer[0]).is_relative_to(tmp_path)
    assert answer[1:] == [chapter.topic for chapter in CHAPTERS]


# ---------------------------------------------------------------- prose in the source


def prose() -> Iterator[tuple[str, str]]:
    """What developers read: DEVELOPERS.md, and every docstring and remark of the package."""
    yield "DEVELOPERS.md", (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    for path in sources():
        text = path.read_text(encoding="utf-8")
        nodes = (node for node in ast.walk(ast.parse(text)) if isinstance(node, DOCUMENTED))
        words = [*(ast.get_docstring(node) or "" for node in nodes), *re.findall(r"#.*", text)]
        yield path.relative_to(ROOT).as_posix(), "\n".join(words)


def missing_files(name: str, text: str) -> list[str]:
    """Files and rooms, such as `hear/ear` or `ui/`, that lie nowhere."""
    homes = (ROOT, ROOT / "drilltimer", ROOT / "drilltimer/ui", ROOT / "tests", (ROOT / name).parent)
    return [
        stem + ending
        for stem, ending in re.findall(r"`((?:[a-z_]+/)+[a-z_]*)(\.\w+)?[`(]", text)
        if not any((home / f"{stem}{suffix}").exists() for home in homes for suffix in ("", ".py", ending))
    ]


def missing_classes(text: str, classes: set[str]) -> list[str]:
    return [name for name in re.findall(r"`([A-Z][a-z]+(?:[A-Z][a-z]+)*)[`.(]", text) if name not in classes]


def known_classes() -> set[str]:
    """Whatever is defined or imported anywhere, and a few of the libraries' own."""
    known = {*dir(builtins), "Stream", "FloatRange"}
    for path in (*sources(), *(ROOT / "tests").rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            match node:
                case ast.ClassDef(name=name) | ast.alias(name=name) | ast.Name(id=name, ctx=ast.Store()):
                    known.add(name)
    return known


def test_files_and_classes_that_prose_names_exist():
    classes = known_classes()
    for name, text in prose():
        assert not missing_files(name, text), name
        assert not missing_classes(text, classes), name


def test_a_name_that_went_would_be_seen():
    assert missing_files("DEVELOPERS.md", "see `hear/gone` and `hear/ear`") == ["hear/gone"]
    assert missing_classes("a `Gone` is no `Landing`", known_classes()) == ["Gone"]
