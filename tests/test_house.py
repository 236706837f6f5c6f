"""What every module of the product keeps to: one owner for a class name, no private name across rooms, a docstring."""

from __future__ import annotations

import ast
from collections import defaultdict
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PACKAGES = (ROOT / "host" / "fingerlead", ROOT / "fingering")
FILES = sorted(file for package in PACKAGES for file in package.rglob("*.py"))
# Names of other packages: documented in spite of their underscore, and one that has no public name for the purpose.
OTHERS = {"_asdict", "_make", "_replace", "_exit", "_rt"}


@cache
def parsed(file: Path) -> ast.Module:
    return ast.parse(file.read_text(encoding="utf-8"))


def name_of(file: Path) -> str:
    base = ROOT / "host" if (ROOT / "host") in file.parents else ROOT
    return ".".join(file.relative_to(base).with_suffix("").parts).removesuffix(".__init__")


def room_of(module: str) -> str:
    """`fingerlead.timing`, `fingerlead.faces.pages`, `fingering`; what lies in no room is a room of its own."""
    parts = module.split(".")
    return ".".join(parts[: 3 if parts[:2] == ["fingerlead", "faces"] else 2 if parts[0] == "fingerlead" else 1])


def is_private(name: str) -> bool:
    return name.startswith("_") and not name.startswith("__") and name != "_"


@cache
def private_names() -> dict[str, set[str]]:
    """Of each room: the private names that it defines, whether of a module, a class or an object."""
    found = defaultdict(set)
    for file in FILES:
        names = found[room_of(name_of(file))]
        for node in ast.walk(parsed(file)):
            match node:
                case ast.FunctionDef(name=name) | ast.AsyncFunctionDef(name=name) | ast.ClassDef(name=name):
                    names.add(name)
                case ast.Name(id=name, ctx=ast.Store()) | ast.Attribute(attr=name, ctx=ast.Store()):
                    names.add(name)
    return {room: set(filter(is_private, names)) for room, names in found.items()}


def reached(file: Path) -> Iterator[str]:
    """The private names of other rooms that a module imports or asks an object for."""
    room = room_of(name_of(file))
    for node in ast.walk(parsed(file)):
        match node:
            case ast.ImportFrom(module=str(module), names=names) if room_of(module) != room:
                yield from (f"{module}.{one.name}" for one in names if is_private(one.name))
                yield from (module for part in module.split(".") if is_private(part))
            case ast.Attribute(attr=attr) if is_private(attr) and attr not in private_names()[room] | OTHERS:
                yield f"line {node.lineno}: {ast.unparse(node)}"


def test_no_class_name_is_public_in_two_modules():
    owners = defaultdict(list)
    for file in FILES:
        for node in parsed(file).body:
            if isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
                owners[node.name].append(name_of(file))
    assert len(owners) > 200
    assert {name: where for name, where in owners.items() if len(where) > 1} == {}


@pytest.mark.parametrize("file", FILES, ids=name_of)
def test_no_module_reaches_a_private_name_of_another_room(file):
    assert list(reached(file)) == []


@pytest.mark.parametrize("file", FILES, ids=name_of)
def test_every_module_has_a_docstring(file):
    assert ast.get_docstring(parsed(file))
