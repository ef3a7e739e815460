"""Texts in the user's language: one file per language, and English for what it lacks."""

from __future__ import annotations

import contextlib
import os
import re
import string
import tomllib
from collections.abc import Mapping, Sequence
from functools import cache
from pathlib import Path
from typing import Any, TypeGuard

from drilltimer.errors import DrillFileError, Notice, UserError
from drilltimer.model import Grade

SHIPPED = Path(__file__).with_name("texts")
LANGUAGE = re.compile(r"[a-z]{2,3}(-[A-Za-z0-9]{2,8})?")


Tellable = str | Notice | UserError | Sequence["Tellable"]


class Wording:
    """Words for facts: texts of one language by dotted key."""

    def __init__(self, texts: Mapping[str, str]) -> None:
        self._texts = texts

    def __call__(self, key: str, **values: object) -> str:
        """Text of that key with its values filled in."""
        return self._texts[key].format(**values)

    def instead(self, section: str, of: str) -> Wording:
        """The same texts, those of one section in the place of another's."""
        return Wording({**self._texts, **{f"{of}.{key}": text for key, text in self.section(section).items()}})

    def counted(self, key: str, number: int, /, **values: object) -> str:
        """The same of a text that counts; for one there may be a text of its own, under `<key>_one`."""
        one = f"{key}_one"
        return self(one if number == 1 and one in self._texts else key, **values)

    def section(self, name: str) -> dict[str, str]:
        """All texts of a section by the rest of their keys, as they stand."""
        return {key.removeprefix(f"{name}."): text for key, text in self._texts.items() if key.startswith(f"{name}.")}

    def grade(self, grade: Grade) -> str:
        """A grade in words."""
        return self._texts[f"grade.{grade.name.lower()}"]

    def word(self, name: str) -> str:
        """What a spoken word says, by the name of its sound; a word of the user's own says its name."""
        return self._texts.get(f"word.{name}", name.replace("-", " "))

    def knows(self, fact: Notice) -> bool:
        """Whether there is a text for it: another version of the program may have kept it."""
        return _dotted(fact.key) in self._texts

    def tell(self, what: Tellable | None) -> str:
        """A fact, an error or several of them in words, each in lines of its own; a text as it stands.

        A fact that a later version of the program has kept is told by its key.
        """
        match what:
            case None:
                return ""
            case str():
                return what
            case Notice():
                values = {name: self.tell(value) if _is_told(value) else value for name, value in what.values}
                return self(_dotted(what.key), **values) if self.knows(what) else what.key.replace("_", " ")
            case DrillFileError():
                return str(what)
            case UserError():
                return "\n".join(filter(None, map(self.tell, (what.what, what.why, what.fix))))
            case _:
                return "\n".join(map(self.tell, what))


def _is_told(value: object) -> TypeGuard[Notice | UserError]:
    return isinstance(value, Notice | UserError)


def _dotted(key: str) -> str:
    return key if "." in key else f"told.{key}"


@cache
def english() -> Wording:
    """The texts that all others fall back on: of documents, lists, the history, and errors that end a command."""
    return load_wording()


def load_wording(language: str = "en", folders: Sequence[Path] = ()) -> Wording:
    """A language's texts, with English for what it lacks.

    Parameters
    ----------
    language : str
        Such as "en" or "de"; the file is `<language>.toml`.
    folders : sequence of Path
        Looked through before the shipped texts.

    Raises
    ------
    UserError
        There is no such language, or its file is broken; tells where.
    """
    texts_of_english = _flat(_read(SHIPPED / "en.toml"))
    if language == "en":
        return Wording(texts_of_english)
    if not LANGUAGE.fullmatch(language):
        raise UserError(f"'{language}' is no language", fix="Write it as en, de or pt-BR.")
    places = [folder / f"{language}.toml" for folder in (*folders, SHIPPED)]
    path = next((place for place in places if os.path.isfile(place)), None)
    if path is None:
        raise UserError(
            f"there are no texts in '{language}'",
            fix=f"Copy {SHIPPED / 'en.toml'} to {places[0]} and translate it.",
        )
    texts = _flat(_read(path))
    for key, text in texts.items():
        _check(key, text, texts_of_english, path)
    # where a language says a thing in one way alone, English must not step in for the count of one
    doubled = {f"{key}_one" for key in texts} - texts.keys()
    return Wording({key: text for key, text in {**texts_of_english, **texts}.items() if key not in doubled})


def _check(key: str, text: str, english: Mapping[str, str], path: Path) -> None:
    if key not in english:
        raise UserError(f"{path}: {key}: there is no such text", fix="Compare with the English file.")
    wanted = dict(_fields(english[key]))
    known = f"Known here: {', '.join(sorted(wanted)) or 'nothing'}."
    try:
        found = _fields(text)
    except ValueError as fault:
        raise UserError(
            f"{path}: {key}: {fault}", fix=f"A brace that is to be read is written twice. {known}"
        ) from fault
    for name, form in found:
        if name not in wanted:
            raise UserError(f"{path}: {key}: {name or '{}'} in braces cannot be filled in", fix=known)
        if not _fitting(wanted[name]) <= _fitting(form):
            raise UserError(
                f"{path}: {key}: {name} in braces cannot be written as {form!r}",
                fix=f"English has {wanted[name]!r} there." if wanted[name] else "Leave out what follows the colon.",
            )


def _fields(text: str) -> list[tuple[str, str]]:
    """What is filled in, and in which form. Raises `ValueError` where a brace has no other half."""
    parts = string.Formatter().parse(text)
    return [(name, f"{form}!{turned}" if turned else form or "") for _, name, form, turned in parts if name is not None]


def _fitting(form: str) -> set[str]:
    """The kinds of values that can be written in that form."""
    fitting = set()
    for value in (1, 1.5, "word"):
        with contextlib.suppress(ValueError):
            format(value, form)
            fitting.add(type(value).__name__)
    return fitting


def _read(path: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as fault:
        raise UserError(f"{path}: cannot be read: {fault}", fix="Compare with the English file.") from fault


def _flat(tree: Mapping[str, Any], before: str = "") -> dict[str, str]:
    texts: dict[str, str] = {}
    for name, value in tree.items():
        key = f"{before}{name}"
        texts.update(_flat(value, f"{key}.") if isinstance(value, Mapping) else {key: str(value)})
    return texts
