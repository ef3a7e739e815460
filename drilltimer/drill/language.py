"""Drill file text becomes a `Drill`, or every fault in it at once with its line, column and key."""

from __future__ import annotations

import difflib
from functools import lru_cache
from typing import Any

from pydantic import ValidationError
from pydantic_core import ErrorDetails

from drilltimer.drill.build import build_drill
from drilltimer.drill.form import DrillForm
from drilltimer.drill.tree import Path, Tree, dotted, read_tree
from drilltimer.errors import DrillFileError, Problem
from drilltimer.model import Drill

OWN_FAULTS = frozenset({"drill", "rally", "words", "too_long", "too_short"})  # their messages say what was found
MAX_PROBLEMS = 50  # a file with more is the wrong file, not a drill with mistakes


def load_drill(text: str, file: str) -> Drill:
    """Read one drill; see `read_drill`."""
    return read_drill(text, file)[0]


def read_drill(text: str, file: str) -> tuple[Drill, Tree]:
    """Read one drill, and where everything in it stands.

    Parameters
    ----------
    text : str
        YAML.
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
        problems += [_problem(tree, details) for details in _worth_telling(tree.value, errors)]
        sound, faulty = _without_faulty_keys(tree.value, errors)
        form, _ = _validate(sound) if sound else (None, [])
    drill, faults = build_drill(form) if form else (None, [])
    problems += [_at(tree, fault.path, fault.message) for fault in faults if not fault.needs & faulty]
    if problems or drill is None:
        raise _refusal(file, problems)
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
        match _path(value, details):
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


def _refusal(file: str, problems: list[Problem]) -> DrillFileError:
    problems = sorted(set(problems), key=lambda problem: (problem.line, problem.column, problem.key))
    count = "1 problem" if len(problems) == 1 else f"{len(problems)} problems"
    if len(problems) > MAX_PROBLEMS:
        count += f", the first {MAX_PROBLEMS} are"
    return DrillFileError(
        f"{file} is not a drill that can be run: {count}",
        problems[:MAX_PROBLEMS],
        fix="Mend the lines named above and try again.",
    )


def _worth_telling(value: Any, errors: list[ErrorDetails]) -> list[ErrorDetails]:
    """One error per key: where a key may have one of several forms, each form complains, the closest one deepest."""
    told: dict[Path, ErrorDetails] = {}
    for details in errors:
        path = _path(value, details)
        if path not in told or told[path]["type"].endswith("_type"):
            told[path] = details  # a fault of the right form says more than being of another form
    within = {path[:length] for path in told for length in range(len(path))}
    return [details for path, details in told.items() if path not in within]


def _path(value: Any, details: ErrorDetails) -> Path:
    """Place of an error, without the names that pydantic gives to the forms a key may have.

    A part is real when the file holds it, or when it is the key that is missing.
    """
    path: Path = ()
    for number, part in enumerate(details["loc"], start=1):
        inside = dict(enumerate(value)) if isinstance(value, list) else value if isinstance(value, dict) else {}
        if part in inside:
            value = inside[part]
        elif details["type"] != "missing" or number < len(details["loc"]):
            continue
        path = (*path, part)
    return path


def _problem(tree: Tree, details: ErrorDetails) -> Problem:
    path = _path(tree.value, details)
    context = details.get("ctx", {})
    if "key" in context:
        path = (*path, context["key"])
    if details["type"] == "extra_forbidden":
        return _at(tree, path, f"unknown key{_nearest(str(path[-1]), _siblings(path))}", at_key=True)
    if details["type"] == "missing":
        return _at(tree, path, "this key is required")
    expected, hint = _expected(details)
    got = "" if details["type"] in OWN_FAULTS else _got(details["input"])
    return _at(tree, path, f"{expected}{got}{hint}")


def _expected(details: ErrorDetails) -> tuple[str, str]:
    """What should have been there, in words of a drill file rather than of the checker, and a hint."""
    context = details.get("ctx", {})
    if details["type"] == "literal_error":
        choices = [choice.strip("'") for choice in context["expected"].replace(" or ", ", ").split(", ")]
        return f"expected one of {', '.join(choices)}", _nearest(str(details["input"]), choices)
    return _expected_value(details["type"], context, details["msg"]), ""


def _expected_value(kind: str, context: dict[str, Any], message: str) -> str:
    match kind:
        case "float_type" | "float_parsing":
            return "expected a number"
        case "int_type" | "int_parsing" | "int_from_float":
            return "expected a whole number"
        case "string_type":
            return "expected a text"
        case "bool_type":
            return "expected true or false"
        case "list_type":
            return "expected a list"
        case "dict_type" | "model_type" | "model_attributes_type":
            return "expected keys with values"
        case "string_pattern_mismatch":
            return "expected lower-case words, such as left or well done"
        case "greater_than_equal":
            return f"expected {context['ge']:g} or more"
        case "less_than_equal":
            return f"expected {context['le']:g} or less"
        case "greater_than":
            return f"expected more than {context['gt']:g}"
        case "too_long":
            return f"expected {context['max_length']} entries or fewer, got {context['actual_length']}"
        case "too_short":
            return f"expected {context['min_length']} entries or more, got {context['actual_length']}"
        case _:
            return message.replace("Input should", "should")


def _got(value: Any) -> str:
    if isinstance(value, dict | list):
        return ", got keys with values" if isinstance(value, dict) else ", got a list"
    if value is None:
        return ", got nothing"
    shown = str(value).lower() if isinstance(value, bool) else repr(value)
    return f", got {shown if len(shown) <= 60 else shown[:57] + '...'}"


def _nearest(word: str, known: list[str]) -> str:
    close = difflib.get_close_matches(word, known, n=1, cutoff=0.5)
    return f"; did you mean {close[0]}?" if close else ""


def _siblings(path: Path) -> list[str]:
    """Keys that are known where `path` ends, from the schema that editors use."""
    schema = _schema()
    here: Any = schema
    for part in path[:-1]:
        here = _resolve(schema, here)
        here = here.get("items", {}) if isinstance(part, int) else here.get("properties", {}).get(part, {})
    return list(_resolve(schema, here).get("properties", {}))


def _resolve(schema: dict[str, Any], here: dict[str, Any]) -> dict[str, Any]:
    """Follow references and the one alternative that has keys or items."""
    for option in (here, *here.get("anyOf", ())):
        target = schema["$defs"][option["$ref"].rsplit("/", 1)[-1]] if "$ref" in option else option
        if "properties" in target or "items" in target:
            return dict(target)
    return here


def _at(tree: Tree, path: Path, message: str, *, at_key: bool = False) -> Problem:
    line, column = tree.place(path, at_key=at_key)
    return Problem(tree.file, line, column, dotted(path), message)
