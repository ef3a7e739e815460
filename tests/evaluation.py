"""The scenes' own evaluation, a program that lies beside them."""

from __future__ import annotations

import importlib.util
from pathlib import Path
from types import ModuleType


def load_evaluation(program: Path) -> ModuleType:
    """The program as a module; it is no part of this project and cannot be imported by name."""
    spec = importlib.util.spec_from_file_location(program.stem, program)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module
