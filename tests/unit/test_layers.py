"""The order of the packages: imports run one way, names mean one thing, functions stay short."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from functools import cache
from graphlib import TopologicalSorter
from pathlib import Path

import pytest

REPOSITORY = Path(__file__).resolve().parents[2]
# From the ground up. What stands on one line may import what stands on the lines before it.
ORDER = (
    "errors",
    "units",
    "files",
    "wording",
    "attempt",
    "video",
    "tracking",
    "motion",
    "reading",
    "plan",
    "analysis",
    "reports",
    "pipeline",
    "heat",
    "library",
    "web",
    "schemas",
    "cli",
)


@cache
def _tree(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))


def _module(path: Path) -> str:
    parts = path.relative_to(REPOSITORY).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def _modules(folder: str) -> dict[str, Path]:
    return {_module(path): path for path in (REPOSITORY / folder).rglob("*.py")}


@cache
def _nodes(path: Path) -> tuple[ast.AST, ...]:
    return tuple(ast.walk(_tree(path)))


def _imported(path: Path, modules: dict[str, Path]) -> set[str]:
    """The modules of ours that a file imports, wherever in it the import stands."""
    found = set()
    for node in _nodes(path):
        names: list[str] = []
        if isinstance(node, ast.Import):
            names = [one.name for one in node.names]
        elif isinstance(node, ast.ImportFrom) and node.module:
            names = [f"{node.module}.{one.name}" for one in node.names]
        for name in names:
            while name and name not in modules:
                name = name.rpartition(".")[0]
            if name:
                found.add(name)
    return found


def _package(module: str) -> str:
    return module.split(".")[1] if "." in module else ""


def test_every_package_has_its_place_in_the_order() -> None:
    packages = {_package(module) for module in _modules("repcount")} - {""}
    assert packages == set(ORDER)


def test_no_import_runs_upwards() -> None:
    modules = _modules("repcount")
    upwards = [
        f"{module} imports {other}"
        for module, path in modules.items()
        for other in _imported(path, modules)
        if _package(module) and _package(other)
        if ORDER.index(_package(other)) > ORDER.index(_package(module))
    ]
    assert not upwards


@pytest.mark.parametrize("folder", ["repcount", "models", "sample_clips"])
def test_no_import_runs_in_a_circle(folder: str) -> None:
    modules = _modules(folder)
    packages = {_module(path) for path in modules.values() if path.name == "__init__.py"}
    graph = {
        module: _imported(path, modules) - {module} - packages for module, path in modules.items()
    }
    # raises CycleError, which names the circle
    TopologicalSorter(graph).prepare()


def _constants(path: Path) -> dict[str, float]:
    """The public numbers of a module, one name each."""
    found = {}
    for node in _tree(path).body:
        target = node.targets[0] if isinstance(node, ast.Assign) else None
        if isinstance(target, ast.Name) and target.id.isupper() and target.id[0] != "_":
            try:
                value = ast.literal_eval(node.value)
            except ValueError:
                continue
            if isinstance(value, (int, float)):
                found[target.id] = value
    return found


def test_no_two_numbers_have_one_name() -> None:
    values: dict[str, dict[str, float]] = {}
    for module, path in _modules("repcount").items():
        for name, value in _constants(path).items():
            values.setdefault(name, {})[module] = value
    assert not {name: at for name, at in values.items() if len(set(at.values())) > 1}


LONGEST, DEEPEST = 80, 4
BLOCKS = (ast.If, ast.For, ast.While, ast.With, ast.Try, ast.Match, ast.AsyncFor, ast.AsyncWith)
FUNCTIONS = (ast.FunctionDef, ast.AsyncFunctionDef)


def _depth(node: ast.AST) -> int:
    """Blocks inside one another in a function; an elif is none in its if, nor is a function."""
    deepest = 0
    for child in ast.iter_child_nodes(node):
        if isinstance(child, (*FUNCTIONS, ast.ClassDef, ast.Lambda)):
            continue
        is_elif = isinstance(node, ast.If) and isinstance(child, ast.If) and node.orelse == [child]
        deepest = max(deepest, _depth(child) + (isinstance(child, BLOCKS) and not is_elif))
    return deepest


def _functions(folder: str) -> Iterator[tuple[str, ast.FunctionDef | ast.AsyncFunctionDef]]:
    for module, path in _modules(folder).items():
        for node in _nodes(path):
            if isinstance(node, FUNCTIONS):
                yield f"{module}.{node.name}", node


@pytest.mark.parametrize("folder", ["repcount", "models", "sample_clips", "tests"])
def test_functions_are_short_and_flat(folder: str) -> None:
    over = {
        name
        for name, node in _functions(folder)
        if (node.end_lineno or 0) - node.lineno + 1 > LONGEST or _depth(node) > DEEPEST
    }
    assert not over


def test_depth_counts_blocks_and_no_elif() -> None:
    text = "def f():\n if a:\n  pass\n elif b:\n  for c in d:\n   with e:\n    pass"
    assert _depth(ast.parse(text).body[0]) == 3
