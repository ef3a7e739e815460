"""Texts in the user's language: one file per language, and English for what it lacks."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from drilltimer.errors import UserError

SHIPPED = Path(__file__).with_name("texts")
LANGUAGE = re.compile(r"[a-z]{2,3}(-[A-Za-z0-9]{2,8})?")


class Wording:
    """Texts by dotted key.

    Parameters
    ----------
    texts : mapping
        From dotted key to text.
    """

    def __init__(self, texts: Mapping[str, str]) -> None:
        self._texts = texts

    def __call__(self, key: str, **values: object) -> str:
        """Text of that key with its values filled in."""
        return self._texts[key].format(**values)


def load_wording(language: str = "en", folders: Sequence[Path] = ()) -> Wording:
    """Texts of a language.

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
    english = _flat(_read(SHIPPED / "en.toml"))
    if language == "en":
        return Wording(english)
    if not LANGUAGE.fullmatch(language):
        raise UserError(f"'{language}' is no language", fix="Write it as en, de or pt-BR.")
    places = [folder / f"{language}.toml" for folder in (*folders, SHIPPED)]
    path = next((place for place in places if place.is_file()), None)
    if path is None:
        raise UserError(
            f"there are no texts in '{language}'",
            fix=f"Copy {SHIPPED / 'en.toml'} to {places[0]} and translate it.",
        )
    texts = _flat(_read(path))
    for key, text in texts.items():
        _check(key, text, english, path)
    return Wording({**english, **texts})


def _check(key: str, text: str, english: Mapping[str, str], path: Path) -> None:
    if key not in english:
        raise UserError(f"{path}: {key}: there is no such text", fix="Compare with the English file.")
    wanted, found = (set(re.findall(r"{(\w+)", each)) for each in (english[key], text))
    if not found <= wanted:
        raise UserError(
            f"{path}: {key}: {', '.join(sorted(found - wanted))} in braces cannot be filled in",
            fix=f"Known here: {', '.join(sorted(wanted)) or 'nothing'}.",
        )


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
