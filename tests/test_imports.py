"""No module of the product imports itself by way of others: not at once, not in a function, not for types alone."""

from __future__ import annotations

import ast
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]


def modules() -> dict[str, Path]:
    """Every module of the product by its full name."""
    found = {}
    for top in (ROOT / "host" / "fingerlead", ROOT / "fingering"):
        for path in top.rglob("*.py"):
            parts = path.relative_to(top.parent).with_suffix("").parts
            found[".".join(parts[:-1] if parts[-1] == "__init__" else parts)] = path
    return found


def imported(path: Path, names: set[str]) -> set[str]:
    """The modules among `names` that a module imports anywhere in it; the product has no relative imports."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert not node.level, f"{path}: a relative import in line {node.lineno}"
            within = {f"{node.module}.{alias.name}" for alias in node.names}
            # A name is of the module, unless it is a module itself.
            found |= within & names
            if within - names:
                found.add(str(node.module))
    return found & names


def cycle(graph: dict[str, set[str]]) -> list[str] | None:
    """A circle in a graph, or None."""
    try:
        TopologicalSorter(graph).prepare()
    except CycleError as error:
        return list(error.args[1])
    return None


def test_no_module_imports_itself_by_way_of_others():
    paths = modules()
    assert len(paths) > 100
    graph = {name: imported(path, set(paths)) for name, path in paths.items()}
    assert sum(map(len, graph.values())) > len(paths)
    assert cycle(graph) is None


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("import a.b", {"a.b"}),
        ("from a import b", {"a.b"}),
        ("from a import b, name", {"a.b", "a"}),
        ("def f():\n    from a.b import name", {"a.b"}),
        ("from typing import TYPE_CHECKING\nif TYPE_CHECKING:\n    from a import name", {"a"}),
        ("import os", set()),
    ],
)
def test_imports_are_found_wherever_they_stand(tmp_path, text, expected):
    path = tmp_path / "m.py"
    path.write_text(text)
    assert imported(path, {"a", "a.b"}) == expected


def test_a_circle_is_found():
    assert cycle({"a": {"b"}, "b": {"c"}, "c": {"a"}}) is not None
    assert cycle({"a": {"b", "c"}, "b": {"c"}, "c": set()}) is None
