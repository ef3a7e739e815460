"""The house rules: who may import whom, what stays pure, what loads lazily, how long a file may grow.

Each rule is a function from parsed source to offences; each is shown a small offender first, so that it is known to
be able to fail.
"""

from __future__ import annotations

import ast
import re
import shutil
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import pytest
from house import GOALS, core_lines, repeated_classes, sources

ROOT = Path(__file__).parent.parent
PACKAGE = "drilltimer"

# Top down. A room may import from its own modules and from any floor below, never from its own floor's other rooms.
FLOORS = (
    {
        "recordings",
        "group",
        "feeding",
        "history",
        "guide",
        "drills",
        "completion",
    },  # the wings: the core does without any of them
    {"cli"},
    {"app"},
    {"audio", "ui", "sim"},
    {"session", "checkup"},
    {"drill", "sound", "hear", "score"},
    {"model"},
    {"units", "errors"},
)
WINGS = FLOORS[0]
# Wings meet in the history alone; but real balls are recorded, too, and recordings know how files are read and written.
MEETINGS = {"history": {"*"}, "recordings": {"audio_file", "writing"}}
# What of a wing touches the world; everything else in it is pure. `cli` and `run` do in each.
WORLDLY = {
    "recordings": {
        *("annotate", "audio_file", "decode", "decoder", "folder", "journal", "reference", "rendering"),
        *("salvage", "session_recorder", "sheet_choice", "sheet_search", "writing"),
    },
    "group": {"journal", "sheet", "sheet_page"},
    "feeding": {"board", "journal", "rehearsal"},
    "guide": set(),
    "drills": {"catalogue"},
    "completion": set(),
    "history": {
        *("compare", "connect", "days", "export", "intake", "journal", "own_target", "queries", "report"),
        *("store", "stranger"),
    },
}
EDGES = {"audio", "app", "cli"}
PURE_ROOMS = {"session", "checkup", "drill", "sound", "hear", "score", "model", "units", "errors"}

# Where a library may be imported, and why not elsewhere.
HOMES = {
    "sounddevice": {"drilltimer.audio.stream", "drilltimer.audio.devices"},  # all else works without PortAudio
    "soundfile": {"drilltimer.audio.files", "drilltimer.recordings"},  # words, and everything else
    # drawing is the edge's business
    "rich": {
        *("drilltimer.ui", "drilltimer.cli", "drilltimer.group.cli", "drilltimer.guide.cli"),
        *("drilltimer.group.board_drawing", "drilltimer.group.board_screen", "drilltimer.feeding.board"),
    },
    "click": {"drilltimer.cli", *(f"drilltimer.{wing}.cli" for wing in WINGS)},
    "yaml": {"drilltimer.drill.tree"},  # the one reader that knows YAML's traps
    "sqlite3": {"drilltimer.history"},
    "av": {"drilltimer.recordings.decoder"},  # in a program of its own, where a crafted file harms nobody else
    "distributed": {"drilltimer.recordings.folder"},  # an extra that few have
}
LAZY = {"sounddevice", "soundfile", "scipy"}  # each costs a tenth of a second or more, or may be missing
OUTSIDE_WORLD = {
    "asyncio", "datetime", "multiprocessing", "os", "pathlib", "shutil", "socket", "sqlite3", "subprocess", "tempfile",
    "threading", "time", "urllib",
}  # fmt: skip
UNSTABLE_DRAWS = {
    "betavariate", "choice", "choices", "expovariate", "gauss", "normalvariate", "randint", "randrange", "sample",
    "shuffle", "triangular", "uniform",
}  # fmt: skip
VAGUE_WORDS = {"beat", "hit", "manager", "helper", "helpers", "util", "utils", "process"}

LINES_PER_FILE = 440
LONGER_FILES = {"drilltimer.model": 630}  # declarations alone: splitting them would hide what rooms exchange
LINES_PER_FUNCTION = 60  # a screen

PRINTING = {
    "print",
    "click.echo",
    "click.secho",
    "click.prompt",
    "click.confirm",
    "sys.stdout.write",
    "sys.stderr.write",
}

# The one place for a terminal; the guide, whose own words have styles; and the decoder, a program whose words go to the
# file of whoever started it.
SPEAKING = {"drilltimer.cli.terminal", "drilltimer.guide.cli", "drilltimer.recordings.decoder"}
SIMULATED = {"drilltimer.sim", "drilltimer.group.hall"}

MACHINE_PATH = re.compile(r"(?:^|[\s\"'`(=:])/(?:home|root|work|Users|mnt|srv)/\w")


@dataclass(frozen=True)
class Module:
    name: str
    tree: ast.Module
    lines: int

    @property
    def room(self) -> str:
        return room_of(self.name)


@dataclass(frozen=True)
class Import:
    target: str
    line: int
    at_module_level: bool


def parse(name: str, source: str) -> Module:
    return Module(name, ast.parse(source), source.count("\n"))


def room_of(name: str) -> str:
    return name.split(".")[1] if "." in name else ""


def floor_of(room: str) -> int:
    found = [number for number, rooms in enumerate(FLOORS) if room in rooms]
    assert found, f"{PACKAGE}.{room} stands on no floor: give it one in FLOORS"
    return found[0]


@cache
def modules() -> dict[str, Module]:
    found = {}
    for path in sorted((ROOT / PACKAGE).rglob("*.py")):
        parts = path.relative_to(ROOT).with_suffix("").parts
        name = ".".join(parts[:-1] if parts[-1] == "__init__" else parts)
        found[name] = parse(name, path.read_text(encoding="utf-8"))
    assert len(found) > 10, "the package was not found"
    return found


def imports(module: Module, known: frozenset[str] = frozenset()) -> Iterator[Import]:
    """Every import, wherever it stands; `from package import module` is told as the module."""
    top = {id(node) for statement in module.tree.body for node in _outside_functions(statement)}
    for node in ast.walk(module.tree):
        if isinstance(node, ast.Import):
            targets = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            base = node.module or ""
            if node.level:
                parent = module.name.split(".")[: -node.level]
                base = ".".join([*parent, *([base] if base else [])])
            targets = [f"{base}.{alias.name}" if f"{base}.{alias.name}" in known else base for alias in node.names]
        else:
            continue
        for target in targets:
            yield Import(target, node.lineno, id(node) in top)


def _outside_functions(node: ast.AST) -> Iterator[ast.AST]:
    yield node
    if not isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.Lambda):
        for child in ast.iter_child_nodes(node):
            yield from _outside_functions(child)


def within(name: str, homes: set[str]) -> bool:
    return any(name == home or name.startswith(home + ".") for home in homes)


# ---------------------------------------------------------------- rules


def wrong_floors(module: Module) -> list[str]:
    offences = []
    for found in imports(module, frozenset(modules())):
        if not within(found.target, {PACKAGE}):
            continue
        room = room_of(found.target)
        if not room or room == module.room or may_meet(module, found.target):
            continue
        if not module.room or floor_of(room) <= floor_of(module.room):
            offences.append(f"{module.name}:{found.line} imports {found.target}")
    return offences


def may_meet(module: Module, target: str) -> bool:
    """Whether a wing may import that of another one."""
    if module.room not in WINGS or module.room == "history":
        return False
    meeting = MEETINGS.get(room_of(target), set())
    return "*" in meeting or (module.room == "feeding" and ".".join(target.split(".")[2:]) in meeting)


def wings_by_name(module: Module) -> list[str]:
    """The core finds its wings by looking, and names none in a text either."""
    if module.room in WINGS:
        return []
    names = {f"{PACKAGE}.{wing}" for wing in WINGS}
    return [
        f"{module.name}:{node.lineno} names {node.value}"
        for node in ast.walk(module.tree)
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and within(node.value, names)
    ]


def is_pure(name: str) -> bool:
    """Whether a module must not touch the world."""
    room, *rest = name.split(".")[1:] or [""]
    if room in WINGS:
        return bool(rest) and rest[0] not in {"cli", "run"} | WORLDLY[room]
    return room in PURE_ROOMS


def shared_with_the_simulator(module: Module) -> list[str]:
    """The simulated player knows nothing of what hears and judges it."""
    banned = {f"{PACKAGE}.hear", f"{PACKAGE}.score"}
    return [
        f"{module.name}:{found.line} imports {found.target}"
        for found in imports(module)
        if within(module.name, SIMULATED) and within(found.target, banned)
    ]


def strayed_libraries(module: Module) -> list[str]:
    offences = []
    for found in imports(module):
        library = found.target.split(".")[0]
        if library in HOMES and not within(module.name, HOMES[library]):
            offences.append(f"{module.name}:{found.line} imports {library}")
    return offences


def eager_libraries(module: Module) -> list[str]:
    return [
        f"{module.name}:{found.line} imports {found.target} at module level"
        for found in imports(module)
        if found.at_module_level and found.target.split(".")[0] in LAZY
    ]


def outside_world(module: Module) -> list[str]:
    """What a pure room or file must not touch: clock, disk, network, threads, screen, and whatever does."""
    if not is_pure(module.name):
        return []
    offences = [
        f"{module.name}:{found.line} imports {found.target}"
        for found in imports(module, frozenset(modules()))
        if found.target.split(".")[0] in OUTSIDE_WORLD
        or room_of(found.target) in EDGES
        or (room_of(found.target) in WINGS and found.target.count(".") > 1 and not is_pure(found.target))
    ]
    for node in ast.walk(module.tree):
        called = isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id
        if called in ("open", "print", "input"):
            offences.append(f"{module.name}:{node.lineno} calls {called}()")  # type: ignore[attr-defined]
    return offences


def unstable_draws(module: Module) -> list[str]:
    """Seeded draws of a schedule use `Random(seed).random()`, the one method whose stream Python promises to keep."""
    if module.room != "drill":
        return []
    return [
        f"{module.name}:{node.lineno} draws with {node.func.attr}()"
        for node in ast.walk(module.tree)
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) and node.func.attr in UNSTABLE_DRAWS
    ]


def long_files(module: Module) -> list[str]:
    limit = LONGER_FILES.get(module.name, LINES_PER_FILE)
    return [f"{module.name}: {module.lines} lines"] if module.lines > limit else []


Function = ast.FunctionDef | ast.AsyncFunctionDef


def functions(module: Module) -> Iterator[Function]:
    return (node for node in ast.walk(module.tree) if isinstance(node, Function))


def long_functions(module: Module) -> list[str]:
    offences = []
    for node in functions(module):
        body = node.body[1:] if ast.get_docstring(node) and len(node.body) > 1 else node.body
        length = (node.end_lineno or 0) - body[0].lineno + 1
        if length > LINES_PER_FUNCTION:
            offences.append(f"{module.name}.{node.name}: {length} lines")
    return offences


def undocumented(module: Module) -> list[str]:
    """Public modules, classes, functions and methods without a docstring."""
    offences = [] if ast.get_docstring(module.tree) else [module.name]
    waiting: list[tuple[str, ast.AST]] = [(module.name, module.tree)]
    while waiting:
        name, parent = waiting.pop()
        for node in ast.iter_child_nodes(parent):
            if not isinstance(node, Function | ast.ClassDef) or node.name.startswith("_"):
                continue
            decorators = " ".join(ast.unparse(decorator) for decorator in node.decorator_list)
            documented_elsewhere = "overload" in decorators or ".setter" in decorators
            if not ast.get_docstring(node) and not documented_elsewhere:
                offences.append(f"{name}.{node.name}")
            if isinstance(node, ast.ClassDef):
                waiting.append((f"{name}.{node.name}", node))
    return offences


def vague_names(module: Module) -> list[str]:
    names = module.name.split(".")[1:]
    names += [node.name for node in ast.walk(module.tree) if isinstance(node, Function | ast.ClassDef)]
    return [f"{module.name}: {name}" for name in names if VAGUE_WORDS & set(split_words(name))]


def split_words(name: str) -> list[str]:
    return [word.lower() for word in re.findall(r"[A-Z]?[a-z0-9]+|[A-Z]+", name)]


def strayed_output(module: Module) -> list[str]:
    """Text goes to a terminal in one place, which lets no foreign text steer it."""
    offences = []
    for node in ast.walk(module.tree):
        called = ast.unparse(node.func) if isinstance(node, ast.Call) else ""
        if called in PRINTING and module.name not in SPEAKING:
            offences.append(f"{module.name}:{node.lineno} calls {called}()")  # type: ignore[attr-defined]
    return offences


def raising_questions(module: Module) -> list[str]:
    """pathlib's questions raise where a name is longer than the disk takes; those of os.path answer no."""
    return [
        f"{module.name}:{node.lineno} asks .{node.func.attr}()"
        for node in ast.walk(module.tree)
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute)
        if node.func.attr in {"exists", "is_file", "is_dir", "is_symlink", "samefile"}
        if ast.unparse(node.func.value) != "os.path"
    ]


RULES = (
    raising_questions,
    strayed_output,
    wrong_floors,
    wings_by_name,
    shared_with_the_simulator,
    strayed_libraries,
    eager_libraries,
    outside_world,
    unstable_draws,
    long_files,
    long_functions,
    undocumented,
    vague_names,
)

OFFENDERS = {
    raising_questions: [("drilltimer.recordings.session_recorder", '"""."""\nif path.exists():\n    pass\n')],
    strayed_output: [("drilltimer.cli.run", '"""."""\nclick.echo(1)\n'), ("drilltimer.ui.live", '"""."""\nprint(1)\n')],
    wrong_floors: [
        ("drilltimer.hear.listen", '"""."""\nfrom drilltimer.score import match\n'),
        ("drilltimer.score.match", '"""."""\ndef judge():\n    """."""\n    import drilltimer.session\n'),
        ("drilltimer.sim.room", '"""."""\nfrom ..audio import stream\n'),
        ("drilltimer.units", '"""."""\nfrom drilltimer.errors import UserError\n'),
        ("drilltimer.cli.run", '"""."""\nfrom drilltimer.history.run import open_history\n'),
        ("drilltimer.history.report", '"""."""\nfrom drilltimer.group.plan import GroupPlan\n'),
        ("drilltimer.group.run", '"""."""\nfrom drilltimer.recordings.audio_file import AudioFile\n'),
        ("drilltimer.feeding.run", '"""."""\nfrom drilltimer.recordings.run import score_recording\n'),
    ],
    wings_by_name: [("drilltimer.cli.run", '"""."""\nimport_module("drilltimer.history.run")\n')],
    shared_with_the_simulator: [
        ("drilltimer.sim.player", '"""."""\nfrom drilltimer.hear.onsets import pick_onsets\n'),
        ("drilltimer.group.hall", '"""."""\nfrom drilltimer.hear.onsets import pick_onsets\n'),
    ],
    strayed_libraries: [
        ("drilltimer.app", '"""."""\ndef run():\n    """."""\n    import sounddevice\n'),
        ("drilltimer.audio.checkup", '"""."""\ndef run():\n    """."""\n    import sounddevice\n'),
        ("drilltimer.session", '"""."""\nfrom rich.table import Table\n'),
        ("drilltimer.drill.language", '"""."""\nimport yaml\n'),
    ],
    eager_libraries: [
        ("drilltimer.hear.onsets", '"""."""\nimport scipy.signal\n'),
        ("drilltimer.audio.stream", '"""."""\ntry:\n    import sounddevice\nexcept OSError:\n    pass\n'),
    ],
    outside_world: [
        ("drilltimer.session", '"""."""\nimport time\n'),
        ("drilltimer.score.stats", '"""."""\ndef show():\n    """."""\n    print(1)\n'),
        ("drilltimer.drill.language", '"""."""\nTEXT = open("x").read()\n'),
        ("drilltimer.group.conduct", '"""."""\nimport time\n'),
        ("drilltimer.group.conduct", '"""."""\nfrom drilltimer.app.drive import drive\n'),
        ("drilltimer.history.advice", '"""."""\nfrom drilltimer.history.store import History\n'),
    ],
    unstable_draws: [("drilltimer.drill.shuffle", '"""."""\nRandom(1).shuffle([])\n')],
    long_files: [("drilltimer.ui.live", '"""."""\n' + "x = 1\n" * LINES_PER_FILE)],
    long_functions: [("drilltimer.ui.live", "def f():\n" + "    x = 1\n" * (LINES_PER_FUNCTION + 1))],
    undocumented: [
        ("drilltimer.ui.live", "x = 1\n"),
        ("drilltimer.ui.live", '"""."""\ndef draw():\n    pass\n'),
        ("drilltimer.ui.live", '"""."""\nclass Live:\n    """."""\n    def draw(self):\n        pass\n'),
    ],
    vague_names: [
        ("drilltimer.ui.helpers", '"""."""\n'),
        ("drilltimer.ui.live", '"""."""\nclass ScreenManager:\n    """."""\n'),
        ("drilltimer.ui.live", '"""."""\ndef process_block():\n    """."""\n'),
    ],
}


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.__name__)
def test_rule_holds(rule: object) -> None:
    assert callable(rule)
    offences = [offence for module in modules().values() for offence in rule(module)]
    assert not offences, "\n".join(offences)


@pytest.mark.parametrize(
    ("rule", "name", "source"),
    [(rule, name, source) for rule in RULES for name, source in OFFENDERS[rule]],
    ids=lambda value: getattr(value, "__name__", None),
)
def test_rule_sees_an_offender(rule: object, name: str, source: str) -> None:
    assert callable(rule)
    assert rule(parse(name, source))


@pytest.mark.parametrize(
    ("name", "source"),
    [
        ("drilltimer.score.match", '"""."""\nfrom drilltimer.units import air_delay_ms\n'),
        ("drilltimer.audio.stream", '"""."""\ndef begin():\n    """."""\n    import sounddevice\n'),
        ("drilltimer.sim.room", '"""."""\nimport threading\nfrom drilltimer.sound.mixer import Mixer\n'),
        ("drilltimer.feeding.run", '"""."""\nimport time\nfrom drilltimer.recordings.writing import AudioWriter\n'),
        ("drilltimer.group.journal", '"""."""\nfrom drilltimer.history.journal import Journal\n'),
    ],
)
def test_rules_leave_honest_code_alone(name: str, source: str) -> None:
    assert [offence for rule in RULES for offence in rule(parse(name, source))] == []


# ---------------------------------------------------------------- the house as a whole


def find_cycle(graph: dict[str, set[str]]) -> list[str]:
    """One cycle of `graph`, or nothing."""
    done: set[str] = set()

    def visit(name: str, path: list[str]) -> list[str]:
        if name in path:
            return [*path[path.index(name) :], name]
        if name in done:
            return []
        for target in sorted(graph.get(name, ())):
            if cycle := visit(target, [*path, name]):
                return cycle
        done.add(name)
        return []

    return next((cycle for name in sorted(graph) if (cycle := visit(name, []))), [])


def import_graph() -> dict[str, set[str]]:
    """Each module with those that it imports, wherever in it."""
    known = frozenset(modules())
    return {
        name: {found.target for found in imports(module, known) if found.target in known and found.target != name}
        for name, module in modules().items()
    }


def wrong_ways() -> list[str]:
    """Imports from the core to a wing, up, or between wings that are not to meet."""
    return [offence for module in modules().values() for offence in wrong_floors(module)]


def test_no_imports_go_in_circles() -> None:
    assert find_cycle(import_graph()) == []


def test_no_class_name_stands_for_two_things(tmp_path: Path) -> None:
    assert repeated_classes(sources()) == {}
    for name in ("a", "b"):
        (tmp_path / f"{name}.py").write_text("class Course:\n    pass\n")
    assert list(repeated_classes(tmp_path.iterdir())) == ["Course"]


def test_the_core_can_be_read_in_an_afternoon() -> None:
    assert 8_000 < core_lines() <= GOALS["core"]


def test_a_circle_would_be_seen() -> None:
    assert find_cycle({"a": {"b"}, "b": {"c"}, "c": {"b"}}) == ["b", "c", "b"]
    assert find_cycle({"a": {"b", "c"}, "b": {"c"}, "c": set()}) == []


def test_help_loads_nothing_heavy() -> None:
    program = (
        "import sys\n"
        "from drilltimer.cli import main\n"
        "sys.argv = ['drilltimer', '--help']\n"
        "try:\n    main()\n"
        "except SystemExit as leaving:\n    code = leaving.code\n"
        "heavy = {'numpy', 'scipy', 'sounddevice', 'soundfile', 'pydantic', 'yaml'} & set(sys.modules)\n"
        "print('exit', code, 'heavy', sorted(heavy), file=sys.stderr)\n"
    )
    answer = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, timeout=60, cwd=ROOT)
    assert answer.stderr.strip().splitlines()[-1] in ("exit 0 heavy []", "exit None heavy []")
    assert "Usage" in answer.stdout


def fenced_blocks(text: str) -> list[str]:
    return re.findall(r"^```[^\n]*\n(.*?)^```\s*$", text, flags=re.MULTILINE | re.DOTALL)


def test_readme_begins_with_two_commands_to_paste() -> None:
    blocks = fenced_blocks((ROOT / "README.md").read_text(encoding="utf-8"))
    assert len(blocks) >= 2, "the README has not two fenced blocks"
    run, check = blocks[:2]
    assert "drilltimer run" in run
    assert "--simulate" in run
    assert "pytest" in check
    for block in (run, check):
        assert not re.search(r"^\s*[$>#] ", block, flags=re.MULTILINE), "a prompt would be pasted with the command"
        parsed = subprocess.run(["sh", "-n"], input=block, text=True, capture_output=True, timeout=10)
        assert parsed.returncode == 0, parsed.stderr


def test_fenced_blocks_are_found_in_order() -> None:
    assert fenced_blocks("a\n```sh\none\n```\nb\n```\ntwo\nlines\n```\n") == ["one\n", "two\nlines\n"]


def committed_texts() -> Iterator[tuple[str, str]]:
    if not (ROOT / ".git").exists() or shutil.which("git") is None:
        pytest.skip("not a git clone: nothing tells which files are committed")
    listing = subprocess.run(
        ["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, text=True, timeout=30, check=True
    )
    for name in filter(None, listing.stdout.split("\0")):
        path = ROOT / name
        content = path.read_bytes() if path.is_file() else b""
        if b"\0" not in content[:8192]:
            yield name, content.decode("utf-8")


def test_no_committed_file_names_a_place_on_somebodys_machine() -> None:
    offences = [
        f"{name}:{number}: {line.strip()[:100]}"
        for name, text in committed_texts()
        if name != "tests/test_architecture.py"
        for number, line in enumerate(text.splitlines(), 1)
        if MACHINE_PATH.search(line)
    ]
    assert not offences, "\n".join(offences)


@pytest.mark.parametrize("line", ["see /home/somebody/notes", 'open("/Users/ann/x.wav")', "cd /root/x"])
def test_a_place_on_somebodys_machine_would_be_seen(line: str) -> None:
    assert MACHINE_PATH.search(line)
    assert not MACHINE_PATH.search("footwork/work/rest, and https://example.org/home/page")
