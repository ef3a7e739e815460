"""`drilltimer guide`: the chapters of the README, of the guide and of the wings, in the terminal and without a network.

A chapter stands once, in the file in which it is read elsewhere, too: what the README has of use on court, the files
beside this one, and each wing's README.md.
"""

from __future__ import annotations

import difflib
import io
import os
import re
import shutil
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

import click

import drilltimer
from drilltimer.cli.terminal import print_lines, result_columns
from drilltimer.cli.wings import House
from drilltimer.errors import UserError

OF_THE_README = {  # heading -> topic
    "First session with a loudspeaker and a microphone": "start",
    "What the numbers mean": "numbers",
    "How it is measured, and what it cannot do": "limits",
    "Cautions": "cautions",
}
STYLES = {"markdown.code": "bold cyan"}  # on the terminal's own ground, be it light or dark
WIDEST = 100  # cells: longer lines of prose are hard to follow
_LINK = re.compile(r"\[([^\]]+)\]\(([^)\s]+)\)")
_COMMENT = re.compile(r"^<!--.*-->\n", re.MULTILINE)


@dataclass(frozen=True, slots=True)
class Chapter:
    """One topic: Markdown that begins with its title as a heading of the first level."""

    topic: str
    text: str

    @property
    def title(self) -> str:
        """What stands above it."""
        return self.text.splitlines()[0].removeprefix("# ")

    def shown(self) -> str:
        """The text with links that lead somewhere in a terminal: to topics; and without remarks to its makers."""
        topics = {each.topic for each in chapters()}
        return _LINK.sub(lambda link: _led(link, topics), _COMMENT.sub("", self.text))


@click.command()
@click.argument("topic", required=False)
def guide(topic: str | None) -> None:
    """Show the chapter on TOPIC; without one, list the topics."""
    if topic is None:
        from drilltimer.ui.lines import table

        rows = [(each.topic, each.title) for each in chapters()]
        print_lines([*table(rows, ("topic", "chapter"), result_columns()), "", "drilltimer guide TOPIC shows one"])
        return
    text = find_chapter(topic).shown()
    columns = result_columns()
    if columns is None:  # a file or a pipe gets the Markdown, which is plain text
        click.echo(text, nl=False)
    else:
        _page(drawn(text, columns))


def chapters() -> list[Chapter]:
    """All there are, in the order in which one would read them. A wing that is not installed has none."""
    package = Path(drilltimer.__file__).parent
    sections = re.split(r"^## ", _readme(package), flags=re.MULTILINE)[1:]
    by_heading = {section.partition("\n")[0]: section for section in sections}
    own = [
        Chapter(topic, f"# {by_heading[heading]}") for heading, topic in OF_THE_README.items() if heading in by_heading
    ]
    files = [*sorted((package / "guide").glob("*.md")), *sorted(package.glob("[!_]*/README.md"))]
    return [*own, *(Chapter(topic_of(path.as_posix()), path.read_text(encoding="utf-8")) for path in files)]


def topic_of(address: str) -> str:
    """The topic of a chapter's file: its name, or its wing's."""
    path = PurePosixPath(address)
    return path.parent.name if path.stem == "README" else path.stem


def find_chapter(topic: str) -> Chapter:
    """The chapter of that topic, or the only one with that word in its title.

    Raises
    ------
    UserError
        None, or several; tells the nearest topics.
    """
    known = {chapter.topic: chapter for chapter in chapters()}
    wanted = topic.casefold()
    if wanted in known:
        return known[wanted]
    by_word: dict[str, list[str]] = {name: [name] for name in known}
    for chapter in known.values():
        for word in re.findall(r"\w{4,}", chapter.title.casefold()):
            by_word.setdefault(word, []).append(chapter.topic)
    if len(by_word.get(wanted, [])) == 1:
        return known[by_word[wanted][0]]
    close = difflib.get_close_matches(wanted, by_word, n=3, cutoff=0.5)
    near = list(dict.fromkeys(name for word in close for name in by_word[word]))
    raise UserError(
        f"the guide has no topic '{topic}'" + (f"; did you mean {' or '.join(map(repr, near))}?" if near else ""),
        fix="'drilltimer guide' lists them.",
    )


def drawn(text: str, columns: int) -> str:
    """Markdown for a terminal of so many columns, with ANSI's styles; colours unless NO_COLOR says otherwise."""
    from rich.console import Console
    from rich.markdown import Markdown
    from rich.theme import Theme

    out = io.StringIO()
    console = Console(
        file=out, force_terminal=True, width=min(columns, WIDEST), legacy_windows=False, theme=Theme(STYLES)
    )
    console.print(Markdown(text, code_theme="ansi_dark", hyperlinks=False))
    return out.getvalue()


def _readme(package: Path) -> str:
    """The README, which lies inside the package in a wheel and beside it in a source tree."""
    for path in (package / "_shipped" / "README.md", package.parent / "README.md"):
        if os.path.isfile(path):
            return path.read_text(encoding="utf-8")
    return ""


def _led(link: re.Match[str], topics: set[str]) -> str:
    """What stands in a link's place: a web address stays, a file that is no chapter is not there."""
    words, address = link.groups()
    if "://" in address:
        return link[0]
    topic = topic_of(address)
    return f"{words} (`drilltimer guide {topic}`)" if topic in topics else words


def _page(text: str) -> None:
    """Show text that is longer than the terminal by a pager, if there is one."""
    if text.count("\n") < shutil.get_terminal_size().lines:
        click.echo(text, nl=False)
    else:
        click.echo_via_pager(text)


def register(house: House) -> None:
    """Bring the verb."""
    house.verbs.append(guide)
