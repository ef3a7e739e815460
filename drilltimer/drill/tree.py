"""YAML text becomes plain values, each with its line and column.

YAML 1.1 as the library resolves it is full of traps (`1:30` is 90, `no` is false, `010` is 8, `1e3` is a text, a
duplicate key silently wins), so scalars are resolved here by the core schema of YAML 1.2.2 (section 10.3), values are
built here from the composed nodes, and what a drill never needs is refused: tags, merge keys, several documents.
Size, depth, values and aliases are bounded, so that a hostile file can neither hang the program nor fill its memory.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import Any

import yaml

from drilltimer.errors import DrillFileError, Problem

MAX_CHARACTERS = 65_536
MAX_DEPTH = 12
MAX_VALUES = 10_000
MAX_ALIASES = 100
MAX_SHOWN = 100  # characters of a key in a message

Path = tuple[str | int, ...]
Place = tuple[int, int]  # line, column, both from 1

_NULL = re.compile(r"~|null|Null|NULL|")
_BOOL = re.compile(r"true|True|TRUE|false|False|FALSE")
_INT = re.compile(r"[-+]?[0-9]{1,18}")
_FLOAT = re.compile(r"[-+]?(\.[0-9]+|[0-9]+(\.[0-9]*)?)([eE][-+]?[0-9]+)?")
_PLAIN_TAGS = frozenset(f"tag:yaml.org,2002:{kind}" for kind in ("str", "map", "seq"))


class _Loader(yaml.SafeLoader):
    """Composes nodes with every plain scalar left as text, and stops at deep nesting and many aliases."""

    yaml_implicit_resolvers: dict[str, Any] = {}  # noqa: RUF012 (the library's own shape)

    def __init__(self, text: str) -> None:
        super().__init__(text)
        self.depth = 0
        self.aliases = 0

    def compose_node(self, parent: yaml.Node | None, index: int) -> yaml.Node | None:
        if self.check_event(yaml.AliasEvent):
            self.aliases += 1
            if self.aliases > MAX_ALIASES:
                raise self._too_much(f"more than {MAX_ALIASES} aliases")
        self.depth += 1
        if self.depth > MAX_DEPTH:
            raise self._too_much(f"nested more than {MAX_DEPTH} deep")
        node: yaml.Node | None = super().compose_node(parent, index)
        self.depth -= 1
        return node

    def _too_much(self, problem: str) -> yaml.MarkedYAMLError:
        return yaml.MarkedYAMLError(problem=problem, problem_mark=self.get_mark())


@dataclass
class Tree:
    """Values of a file and where each stands."""

    file: str
    value: Any = None
    problems: list[Problem] = field(default_factory=list)
    places: dict[Path, Place] = field(default_factory=dict)
    key_places: dict[Path, Place] = field(default_factory=dict)

    def place(self, path: Path, *, at_key: bool = False) -> Place:
        """Line and column of the value (or key) at `path`, or of the nearest thing around it that exists."""
        if at_key and path in self.key_places:
            return self.key_places[path]
        while path and path not in self.places:
            path = path[:-1]
        return self.places.get(path, (1, 1))


def read_tree(text: str, file: str, kind: str = "drill") -> Tree:
    """Read the one document in `text`, which should hold a `kind`.

    Raises
    ------
    DrillFileError
        When it is no YAML, or exceeds a bound. Duplicate keys and tags are collected in `problems` instead, so
        that they are told together with the rest.
    """
    if len(text) > MAX_CHARACTERS:
        fault = f"longer than {MAX_CHARACTERS} characters"
        raise _refused(file, (0, 0), fault, f"A {kind} is a page or two.", kind)
    try:
        node = yaml.compose(text, Loader=_Loader)
    except yaml.MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        place = (mark.line + 1, mark.column + 1) if mark else (0, 0)
        reason = ", ".join(part for part in (error.context, error.problem) if part)
        fix = "Check indentation, colons and quotes there."
        raise _refused(file, place, f"not valid YAML: {reason}", fix, kind) from None
    except yaml.YAMLError as error:
        reason = str(error).splitlines()[0]
        fix = "Save the file as plain UTF-8 text."
        raise _refused(file, (0, 0), f"not valid YAML: {reason}", fix, kind) from None
    if node is None:
        needs = (
            "A drill needs at least a name, a rhythm and reps." if kind == "drill" else f"Begin with a shipped {kind}."
        )
        raise _refused(file, (0, 0), "the file is empty", needs, kind)
    tree = Tree(file)
    _Builder(tree).root(node)
    return tree


def _refused(file: str, place: Place, message: str, fix: str, kind: str = "drill") -> DrillFileError:
    return DrillFileError(f"{file} cannot be read as a {kind}", [Problem(file, *place, "", message)], fix=fix)


class _Builder:
    """Turns nodes into values; a class because the count of values runs through the whole recursion."""

    def __init__(self, tree: Tree) -> None:
        self.tree = tree
        self.values = 0

    def root(self, node: yaml.Node) -> None:
        self.tree.value = self._value(node, ())

    def _value(self, node: yaml.Node, path: Path) -> Any:
        self.values += 1
        place = _place(node)
        if self.values > MAX_VALUES or len(path) > MAX_DEPTH:
            raise _refused(self.tree.file, place, "too many values", "Repeat less by aliases, or split the drill.")
        self.tree.places[path] = place
        if node.tag not in _PLAIN_TAGS:
            self._complain(node, path, f"tags such as {node.tag[:MAX_SHOWN]} have no place in a drill")
            return None
        if isinstance(node, yaml.MappingNode):
            return self._mapping(node, path)
        if isinstance(node, yaml.SequenceNode):
            return [self._value(item, (*path, index)) for index, item in enumerate(node.value)]
        assert isinstance(node, yaml.ScalarNode)  # the third and last kind there is
        return scalar_value(node.value, plain=node.style is None)

    def _mapping(self, node: yaml.MappingNode, path: Path) -> dict[str, Any]:
        values: dict[str, Any] = {}
        for key_node, value_node in node.value:
            if not isinstance(key_node, yaml.ScalarNode):
                self._complain(key_node, path, "a key must be a plain word")
                continue
            key = str(key_node.value)
            here = (*path, key)
            if key in values:
                first = self.tree.key_places[here][0]
                self._complain(key_node, here, f"stands twice; the first is in line {first}")
                continue
            self.tree.key_places[here] = _place(key_node)
            values[key] = self._value(value_node, here)
        return values

    def _complain(self, node: yaml.Node, path: Path, message: str) -> None:
        self.tree.problems.append(Problem(self.tree.file, *_place(node), dotted(path), message))


def dotted(path: Path) -> str:
    """Name of a place in the file, list entries counted from 1; safe to print, whatever the file's keys hold."""
    text = ""
    for part in path:
        text += f"[{part + 1}]" if isinstance(part, int) else f".{part}" if text else part
    shown = "".join(letter if letter.isprintable() else "\N{REPLACEMENT CHARACTER}" for letter in text)
    return shown if len(shown) <= MAX_SHOWN else shown[: MAX_SHOWN - 3] + "..."


def _place(node: yaml.Node) -> Place:
    return node.start_mark.line + 1, node.start_mark.column + 1


def scalar_value(text: str, *, plain: bool) -> str | int | float | bool | None:
    """Value of a scalar by YAML 1.2's core schema; quoted text stays text.

    Octal, hexadecimal, infinities and not-a-number stay text too: no drill means them.
    """
    if not plain:
        return text
    if _NULL.fullmatch(text):
        return None
    if _BOOL.fullmatch(text):
        return text.lower() == "true"
    if _INT.fullmatch(text):
        return int(text)
    if _FLOAT.fullmatch(text):
        return float(text)
    return text
