"""Drill file text becomes a `Drill`, or every fault in it at once with its line, column and key."""

from __future__ import annotations

from functools import lru_cache
from typing import Any

from pydantic import ValidationError
from pydantic_core import ErrorDetails

from drilltimer.drill.build import build_drill
from drilltimer.drill.faults import mended, place_problem, problems_of, real_path, refusal
from drilltimer.drill.form import DrillForm
from drilltimer.drill.tree import Path, Tree, read_tree
from drilltimer.model import Drill


def load_drill(text: str, file: str) -> Drill:
    """Read one drill; see `read_drill`."""
    return read_drill(text, file)[0]


def read_drill(text: str, file: str) -> tuple[Drill, Tree]:
    """Read one drill, and where everything in it stands.

    Parameters
    ----------
    file : str
        Name to use in messages.

    Raises
    ------
    DrillFileError
        With every problem found, in the order of the file.
    """
    tree = read_tree(text, file)
    problems = list(tree.problems)
    faulty: set[str] = set()
    form, errors = _validate(tree.value)
    if form is None:
        problems += problems_of(tree, errors, _schema())
        value = mended(tree.value, errors, _schema())
        form, errors = _validate(value)
        if form is None:
            sound, faulty = _without_faulty_keys(value, errors)
            form, _ = _validate(sound) if sound else (None, [])
    drill, faults = build_drill(form) if form else (None, [])
    problems += [place_problem(tree, fault.path, fault.message) for fault in faults if not fault.needs & faulty]
    if problems or drill is None:
        raise refusal(file, problems, "drill")
    return drill, tree


def place_of(tree: Tree, block: int | None, key: str) -> tuple[int, int]:
    """Line and column of a block's setting: where the block says it, or else the top, or else the block itself."""
    within: Path = () if block is None else ("blocks", block)
    for path in ((*within, key), (key,)):
        if path in tree.places:
            return tree.place(path, at_key=True)
    return tree.place(within)


def drill_schema() -> dict[str, Any]:
    """JSON Schema (2020-12) of a drill file, for editors that complete and check YAML by one."""
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **_schema()}


@lru_cache(maxsize=1)
def _schema() -> dict[str, Any]:
    """Kept, because every unknown key asks it for the nearest known one."""
    return DrillForm.model_json_schema()


def _validate(value: Any) -> tuple[DrillForm | None, list[ErrorDetails]]:
    try:
        return DrillForm.model_validate(value), []
    except ValidationError as error:
        return None, error.errors(include_url=False)


def _without_faulty_keys(value: Any, errors: list[ErrorDetails]) -> tuple[Any, set[str]]:
    """Leave out the faulty settings, so that what is wrong between the others is told in the same go.

    Returns the rest and the names of the settings that are missing from it or from a block of it.
    """
    if not isinstance(value, dict):
        return value, set()
    rest = dict(value)
    if isinstance(rest.get("blocks"), list):
        rest["blocks"] = [dict(block) if isinstance(block, dict) else block for block in rest["blocks"]]
    faulty: set[str] = set()
    for details in errors:
        match real_path(value, details):
            case ("blocks",) | ("blocks", int()):
                return None, set()  # without its blocks nothing can be said about a drill
            case ("blocks", int(index), str(key), *_):
                rest["blocks"][index].pop(key, None)
                faulty.add(key)
            case (str(key), *_):
                rest.pop(key, None)
                faulty.add(key)
    rest.setdefault("name", "nameless")
    return rest, faulty
