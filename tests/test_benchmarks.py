"""Benchmarks are run by hand and seldom: what they use may have moved since."""

import importlib
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(ROOT))  # the tests are no installed package


@pytest.mark.parametrize("name", sorted(path.stem for path in (ROOT / "tests" / "benchmarks").glob("*.py")))
def test_a_benchmark_can_still_be_begun(name):
    module = importlib.import_module(f"tests.benchmarks.{name}")
    assert "main" in vars(module) or name.startswith("picker_")
