"""Do the tests look? Small faults are put into a module, one at a time, and its tests must fail.

    python benchmarks/mutation/measure.py [--each 23] [--seed 1] [--only sound/mix,text]

A mutant is one change in a function's syntax tree: a comparison, an operator, a number, a truth value, ``and`` for ``or``,
``min`` for ``max``, a condition turned round, a statement left out. Which ones are tried is drawn by the seed. The tests that
bear on the module, its own doctests among them, are collected once; for each mutant a fork of that process gives the function its
changed code and runs them. What no test notices is printed with its line. Those that change nothing that could be seen are
listed in ``let_be.toml`` with the reason.
"""

from __future__ import annotations

import argparse
import ast
import copy
import importlib
import os
import random
import resource
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path
from types import CodeType, FunctionType
from typing import Any

import pytest

ROOT = Path(__file__).parents[2]
HOME = ROOT / "src" / "underbow"
TESTS = {
    "fiddle/grid": ["fiddle/test_grid.py"],
    "fiddle/tuning": ["fiddle/test_tuning.py"],
    "sound/mastering/limiter": ["sound/mastering/test_limiter.py"],
    "sound/mix": ["sound/render/test_mix.py"],
    "sound/voice/voices": ["sound/voice/test_voices.py"],
    "text": ["test_text.py"],
    "theory/chord": ["theory/test_chord.py"],
    "theory/key": ["theory/test_key.py"],
    "theory/meter": ["theory/test_meter.py"],
    "theory/pitch": ["theory/test_pitch.py"],
    "theory/progression": ["theory/test_progression.py"],
    "track/mixes": ["track/test_mixes.py"],
    "track/ramp": ["track/test_ramp.py"],
    "track/sheet/form": ["track/sheet/test_form.py"],
    "track/sheet/ramp": ["track/sheet/test_ramp_table.py", "track/sheet/test_bad_sheets.py"],
    "tune/bars": ["tune/test_written_out.py"],
    "tune/page/repeats": ["tune/page/test_repeats.py"],
    "tune/transpose": ["tune/test_transpose.py"],
}
PYTEST = ["-q", "-p", "no:cacheprovider", "-p", "no:xdist", "--hypothesis-seed=0"]
LONGEST = 20  # seconds of CPU for one mutant
COMPARISONS = {
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq,
    ast.In: ast.NotIn, ast.NotIn: ast.In, ast.Is: ast.IsNot, ast.IsNot: ast.Is,
}  # fmt: skip
OPERATORS = {
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult, ast.FloorDiv: ast.Mult, ast.Mod: ast.FloorDiv,
    ast.BitAnd: ast.BitOr, ast.BitOr: ast.BitAnd,
}  # fmt: skip


def changes(node: ast.AST) -> Iterator[ast.AST]:
    """Every way to put one fault into this very node."""
    other = copy.deepcopy(node)
    match other:
        case ast.Compare(ops=[operator]) if type(operator) in COMPARISONS:
            other.ops = [COMPARISONS[type(operator)]()]
            yield other
        case ast.BinOp() | ast.AugAssign() if type(other.op) in OPERATORS:
            other.op = OPERATORS[type(other.op)]()
            yield other
        case ast.BoolOp():
            other.op = ast.Or() if isinstance(other.op, ast.And) else ast.And()
            yield other
        case ast.UnaryOp(op=ast.Not()):
            yield other.operand
        case ast.UnaryOp(op=ast.USub()):
            yield other.operand
        case ast.If() | ast.IfExp() | ast.While():
            other.test = ast.UnaryOp(ast.Not(), other.test)
            yield other
        case ast.Constant(value=bool()):
            other.value = not other.value
            yield other
        case ast.Constant(value=int() | float()):
            other.value = other.value + 1
            yield other
        case ast.Name(id="min" | "max"):
            other.id = {"min": "max", "max": "min"}[other.id]
            yield other
        case ast.Expr(value=ast.Call()) | ast.AugAssign() | ast.Continue() | ast.Break():
            yield ast.Pass()


def mutants(source: str) -> list[tuple[int, str, str, CodeType]]:
    """Line, what was changed, the function it is in and its code, for every mutant inside a function."""
    tree = ast.parse(source)
    for parent in ast.walk(tree):
        for field, value in ast.iter_fields(parent):
            for index, child in enumerate(value if isinstance(value, list) else [value]):
                if isinstance(child, ast.AST):
                    child.place = (parent, field, index if isinstance(value, list) else None)  # type: ignore[attr-defined]
    found = []
    for name, function in _functions(tree):
        parts = [inner for statement in function.body for inner in ast.walk(statement)]
        for node in parts:
            for other in changes(node):
                parent, field, index = node.place
                before = ast.unparse(node)
                _put(parent, field, index, other)
                whole = ast.fix_missing_locations(tree)
                change = f"{_short(before)}  ->  {_short(ast.unparse(other))}"
                found.append((node.lineno, change, name, _code(compile(whole, "<mutant>", "exec"), name)))
                _put(parent, field, index, node)
    return sorted(found, key=lambda mutant: mutant[:3])


def _functions(node: ast.AST, inside: str = "") -> Iterator[tuple[str, ast.FunctionDef]]:
    """Functions of a module and methods of its classes, with their qualified names; what is nested in one belongs to it."""
    for child in ast.iter_child_nodes(node):
        if isinstance(child, ast.FunctionDef):
            yield inside + child.name, child
        elif isinstance(child, ast.ClassDef):
            yield from _functions(child, f"{inside}{child.name}.")


def _code(code: CodeType, name: str) -> CodeType:
    """The code of a function, found by its qualified name."""
    inner = [const for const in code.co_consts if isinstance(const, CodeType)]
    here = next((const for const in inner if const.co_qualname == name), None)
    return here or next(_code(const, name) for const in inner if name.startswith(f"{const.co_qualname}."))


def _function(module: Any, name: str) -> FunctionType:
    """The function itself, out of whatever is wrapped around it."""
    holder: Any = module
    for part in name.split("."):
        holder = vars(holder)[part]
    for inside in ("fget", "__func__", "__wrapped__"):
        holder = getattr(holder, inside, holder)
    assert isinstance(holder, FunctionType), name
    return holder


def _put(parent: ast.AST, field: str, index: int | None, node: ast.AST) -> None:
    if index is None:
        setattr(parent, field, node)
    else:
        getattr(parent, field)[index] = node


def _short(code: str) -> str:
    line = " ".join(code.split())
    return line if len(line) <= 90 else line[:89] + "…"


class Trial:
    """A pytest plugin: instead of running the tests once, runs them for every mutant, each time in a fork."""

    def __init__(self, name: str, each: int, seed: int) -> None:
        self.name = name
        self.sample = mutants((HOME / f"{name}.py").read_text(encoding="utf-8"))
        random.Random(f"{seed} {name}").shuffle(self.sample)
        self.sample = self.sample[:each]
        self.survived: list[str] = []

    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        module = importlib.import_module("underbow." + self.name.replace("/", "."))
        if not self._passes(session, None, None):
            raise pytest.UsageError(f"{self.name}: its tests fail without a mutant")
        for line, change, function, code in self.sample:
            if self._passes(session, _function(module, function), code):
                self.survived.append(f"{line}: {change}")
        return True

    @staticmethod
    def _passes(session: pytest.Session, function: FunctionType | None, code: CodeType | None) -> bool:
        child = os.fork()
        if child == 0:
            resource.setrlimit(resource.RLIMIT_CPU, (LONGEST, LONGEST))  # what hangs is noticed too
            os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
            os.dup2(1, 2)
            status = 1
            try:
                if function is not None and code is not None:
                    function.__code__ = code
                for item, after in zip(session.items, [*session.items[1:], None], strict=True):
                    item.config.hook.pytest_runtest_protocol(item=item, nextitem=after)
                    if session.testsfailed:
                        break
                status = int(session.testsfailed > 0)
            finally:
                os._exit(status)
        return os.waitpid(child, 0)[1] == 0


def tried(name: str, each: int, seed: int) -> int:
    """Try one module's mutants, and print what survived."""
    trial = Trial(name, each, seed)
    doctests = str(HOME / f"{name}.py")
    status = pytest.main(
        [*PYTEST, "--no-header", "--no-summary", *(f"tests/{test}" for test in TESTS[name]), doctests], [trial]
    )
    if status:
        return int(status)
    print(f"TRIED {len(trial.sample)}")
    for line in trial.survived:
        print(f"SURVIVED {line}")
    return 0


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--each", type=int, default=23)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", default=",".join(TESTS))
    parser.add_argument("--one", help=argparse.SUPPRESS)  # the module of this very process
    asked = parser.parse_args()
    os.chdir(ROOT)
    if asked.one:
        return tried(asked.one, asked.each, asked.seed)
    let_be = tomllib.loads((Path(__file__).parent / "let_be.toml").read_text(encoding="utf-8"))
    total = alive = 0
    for name in asked.only.split(","):
        command = [sys.executable, __file__, "--one", name, "--each", str(asked.each), "--seed", str(asked.seed)]
        told = subprocess.run(command, capture_output=True, text=True, check=False).stdout.splitlines()
        counts = [int(line.split()[1]) for line in told if line.startswith("TRIED ")]
        if not counts:
            print("\n".join(told))
            return 1
        survived = [line.removeprefix("SURVIVED ") for line in told if line.startswith("SURVIVED ")]
        total, alive = total + counts[0], alive + len(survived)
        print(f"{name:<26} {counts[0]:>4} mutants, {len(survived)} survived", flush=True)
        for line in survived:
            reason = let_be.get(name, {}).get(line.partition(": ")[2])
            print(f"    {line}" + (f"  ({reason})" if reason else ""), flush=True)
    print(f"{total} mutants, {alive} survived: {alive / total:.1%}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
