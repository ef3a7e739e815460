"""What a file's form complains of, told in words of the file: which line, which key, what was expected."""

from __future__ import annotations

import difflib
from collections.abc import Sequence
from copy import deepcopy
from functools import reduce
from typing import Any

from pydantic_core import ErrorDetails

from drilltimer.drill.tree import Path, Tree, dotted
from drilltimer.errors import DrillFileError, Problem
from drilltimer.units import count_of

# their messages say what was found
OWN_FAULTS = frozenset({"drill", "rally", "words", "too_long", "too_short", "string_too_long", "string_too_short"})
MAX_PROBLEMS = 50  # a file with more is the wrong file, not a drill with mistakes


def problems_of(tree: Tree, errors: list[ErrorDetails], schema: dict[str, Any]) -> list[Problem]:
    """One problem per faulty key.

    Parameters
    ----------
    schema : dict
        JSON Schema of the form, which knows the right spellings.
    """
    return [_problem(tree, details, schema) for details in _worth_telling(tree.value, errors)]


def refusal(file: str, problems: Sequence[Problem], kind: str) -> DrillFileError:
    """The error that tells all problems of a file that should hold a `kind`, in the order of the file."""
    problems = sorted(set(problems), key=lambda problem: (problem.line, problem.column, problem.key))
    count = count_of(len(problems), "problem")
    if len(problems) > MAX_PROBLEMS:
        count += f", the first {MAX_PROBLEMS} are"
    return DrillFileError(
        f"{file} is not a {kind} that can be run: {count}",
        problems[:MAX_PROBLEMS],
        fix="Mend the lines named above and try again.",
    )


def _worth_telling(value: Any, errors: list[ErrorDetails]) -> list[ErrorDetails]:
    """One error per key: where a key may have one of several forms, each form complains, the closest one deepest."""
    told: dict[Path, ErrorDetails] = {}
    for details in errors:
        path = real_path(value, details)
        if path not in told or told[path]["type"].endswith("_type"):
            told[path] = details  # a fault of the right form says more than being of another form
    within = {path[:length] for path in told for length in range(len(path))}
    return [details for path, details in told.items() if path not in within]


def real_path(value: Any, details: ErrorDetails) -> Path:
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


def _problem(tree: Tree, details: ErrorDetails, schema: dict[str, Any]) -> Problem:
    path = real_path(tree.value, details)
    context = details.get("ctx", {})
    if "key" in context:
        path = (*path, context["key"])
    if details["type"] == "extra_forbidden":
        return place_problem(tree, path, f"unknown key{_nearest(str(path[-1]), _siblings(path, schema))}", at_key=True)
    if details["type"] == "missing":
        return place_problem(tree, path, "this key is required")
    expected, hint = _expected(details)
    got = "" if details["type"] in OWN_FAULTS else _got(details["input"])
    return place_problem(tree, path, f"{expected}{got}{hint}")


def _expected(details: ErrorDetails) -> tuple[str, str]:
    """What should have been there, in words of a drill file rather than of the checker, and a hint."""
    context = details.get("ctx", {})
    if details["type"] == "literal_error":
        choices = _choices(details)
        return f"expected one of {', '.join(choices)}", _nearest(str(details["input"]), choices)
    if details["type"] in ("string_too_long", "string_too_short"):
        context = context | {"actual_length": len(str(details["input"]))}
    return _expected_value(details["type"], context, details["msg"]), ""


def _expected_value(kind: str, context: dict[str, Any], message: str) -> str:
    match kind:
        case "float_type" | "float_parsing":
            return "expected a number"
        case "int_type" | "int_parsing" | "int_from_float":
            return "expected a whole number"
        case "finite_number":
            return "expected a finite number"
        case "string_type":
            return "expected a text"
        case "string_unicode":
            return "expected a text of whole letters"
        case "invalid_key":
            return "expected a key that is a text"
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
        case "too_long" | "too_short" | "string_too_long" | "string_too_short":
            return _expected_length(kind, context)
        case _:
            return message.replace("Input should", "should")


def _expected_length(kind: str, context: dict[str, Any]) -> str:
    """So many of a list, of a mapping's keys, or of a text's letters."""
    bound = f"{context['max_length']} or fewer" if kind.endswith("long") else f"{context['min_length']} or more"
    if kind.startswith("string"):
        what = f"a text of {bound} characters"
    elif context["field_type"] == "Dictionary":
        what = f"{bound} keys with values"
    else:
        what = f"a list of {bound}"
    return f"expected {what}, got {context['actual_length']}"


def _got(value: Any) -> str:
    if isinstance(value, dict | list):
        return ", got keys with values" if isinstance(value, dict) else ", got a list"
    if value is None:
        return ", got nothing"
    shown = str(value).lower() if isinstance(value, bool) else repr(value)
    return f", got {shown if len(shown) <= 60 else shown[:57] + '...'}"


def mended(value: Any, errors: list[ErrorDetails], schema: dict[str, Any]) -> Any:
    """A copy in which misspelt keys and choices are what they were meant for: what else is wrong is then told too."""
    paths = [(details, real_path(value, details)) for details in errors]
    value = deepcopy(value)
    for details, path in paths:
        *within, last = path or ("",)
        holder = reduce(lambda inside, part: inside[part], within, value)
        if details["type"] == "literal_error" and (meant := _closest(str(details["input"]), _choices(details))):
            holder[last] = meant[0]
        elif details["type"] == "extra_forbidden" and last in holder:
            for known in _closest(str(last), _siblings(path, schema)):
                holder.setdefault(known, holder[last])
            del holder[last]
    return value


def _nearest(word: str, known: list[str]) -> str:
    return "".join(f"; did you mean {close}?" for close in _closest(word, known))


def _closest(word: str, known: list[str]) -> list[str]:
    """The known word that looks most like it, if any does."""
    return difflib.get_close_matches(word, known, n=1, cutoff=0.5)


def _choices(details: ErrorDetails) -> list[str]:
    return [choice.strip("'") for choice in details["ctx"]["expected"].replace(" or ", ", ").split(", ")]


def _siblings(path: Path, schema: dict[str, Any]) -> list[str]:
    """Keys that are known where `path` ends, from the schema that editors use."""
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


def place_problem(tree: Tree, path: Path, message: str, *, at_key: bool = False) -> Problem:
    """A problem at the place in the file that `path` leads to."""
    line, column = tree.place(path, at_key=at_key)
    return Problem(tree.file, line, column, dotted(path), message)
