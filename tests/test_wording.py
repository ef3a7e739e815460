"""Texts: complete, fillable, and another language by one file."""

from __future__ import annotations

import re
import tomllib

import pytest

from drilltimer.checkup.course import lay_out
from drilltimer.checkup.findings import Finding
from drilltimer.errors import UserError
from drilltimer.ui.wording import SHIPPED, load_wording

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
    assert load_wording()("screen.constant", ms=-34.6) == "constant -35 ms"


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
        ("de", "[screen\n", r"de\.toml: cannot be read"),
    ],
)
def test_a_language_that_cannot_be_used_is_one_clear_error(tmp_path, language, text, match):
    if text is not None:
        (tmp_path / f"{language}.toml").write_text(text, encoding="utf-8")
    with pytest.raises(UserError, match=match):
        load_wording(language, [tmp_path])
