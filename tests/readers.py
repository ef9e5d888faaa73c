"""The benchmark's independent readers of tunes, for tests to compare with: benchmarks are no installed package."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

READERS = Path(__file__).parents[1] / "benchmarks" / "readers"


def module(name: str) -> ModuleType:
    """Load a module of ``benchmarks/readers``."""
    spec = importlib.util.spec_from_file_location(f"readers_{name}", READERS / f"{name}.py")
    assert spec is not None
    assert spec.loader is not None
    found = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = found
    spec.loader.exec_module(found)
    return found
