"""Paths as people write them and as C libraries take them."""

from __future__ import annotations

import os
from pathlib import Path


def expanded(path: str | Path) -> Path:
    """`path` with its leading "~" made the home folder; "~name" of nobody is a name like any other."""
    try:
        return Path(path).expanduser()
    except RuntimeError:
        return Path(path)


def is_text(name: str) -> bool:
    """Whether a file's name is text; POSIX allows any bytes, which Python hands out as lone surrogates."""
    try:
        name.encode()
    except UnicodeEncodeError:
        return False
    return True


def as_text(name: str) -> str:
    """A file's name as text, what is none of it written as escapes."""
    return name.encode("utf-8", "backslashreplace").decode()


def for_libsndfile(path: Path) -> str | bytes:
    """`path` as python-soundfile opens it: it refuses names that are no text, but not their bytes."""
    return str(path) if is_text(str(path)) else os.fsencode(path)
