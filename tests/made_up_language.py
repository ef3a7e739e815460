"""A language nobody speaks, made from the English file: every letter becomes a Greek one, what is in braces stays."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

from drilltimer.ui.wording import SHIPPED

NAME = "xx"
GREEK = str.maketrans("abcdefghijklmnopqrstuvwxyz", "αβψδεφγηιξκλμνοπχρστθωςυζϊ")


def write_language(folder: Path) -> Path:
    """Write its file; answers where."""
    english = tomllib.loads((SHIPPED / "en.toml").read_text(encoding="utf-8"))
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / f"{NAME}.toml"
    path.write_text("\n".join(_lines(english)), encoding="utf-8")
    return path


def translate(text: str) -> str:
    """In Greek letters, with its braces as they were."""
    parts = re.split(r"({[^}]*})", text)
    return "".join(part if place % 2 else part.lower().translate(GREEK) for place, part in enumerate(parts))


def _lines(tree: dict[str, object], before: str = "") -> list[str]:
    lines: list[str] = []
    for name, value in tree.items():
        if isinstance(value, dict):
            lines += [f"[{before}{name}]", *_lines(value, f"{before}{name}.")]
        else:
            text = translate(str(value)).replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n")
            lines.append(f'{name} = "{text}"')
    return lines
