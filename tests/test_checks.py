"""`make check` looks at the whole product: nothing in its settings lets a module or an error through unseen."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
TOOLS = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]
PACKAGES = {"fingering", "fingerlead"}


def test_mypy_is_given_both_packages_whole_and_strictly():
    # A module that is only followed is silent in an editable install, whose folder counts as installed packages.
    mypy = TOOLS["mypy"]
    assert set(mypy["packages"]) == PACKAGES
    assert mypy["strict"] is True
    assert set(mypy) == {"python_version", "strict", "mypy_path", "packages", "overrides"}


def test_only_libraries_by_name_may_be_without_types():
    for override in TOOLS["mypy"]["overrides"]:
        assert set(override) == {"module", "ignore_missing_imports"}
        assert not any(name.split(".")[0] in {*PACKAGES, "*"} for name in override["module"])


def test_no_product_code_is_spared_by_the_linter():
    spared = TOOLS["ruff"]["lint"]["per-file-ignores"]
    assert set(spared) == {"tests/**"}
    assert not {"exclude", "extend-exclude"} & set(TOOLS["ruff"])


@pytest.mark.parametrize("name", ["mypy", "ruff", "importlinter", "hatch", "pytest"])
def test_the_tools_have_their_settings_here_and_nowhere_else(name):
    assert name in TOOLS
    assert not [path for other in (f"{name}.ini", f".{name}.toml", f"{name}.toml") for path in ROOT.glob(other)]


def test_the_import_rules_leave_nothing_out():
    linter = TOOLS["importlinter"]
    assert set(linter["root_packages"]) == PACKAGES
    assert not any("ignore_imports" in contract for contract in linter["contracts"])


def test_every_room_is_in_the_layers_of_the_house():
    """A room that the layers do not name could import anything."""
    (layers,) = (
        contract["layers"]
        for contract in TOOLS["importlinter"]["contracts"]
        if contract["type"] == "layers" and "containers" not in contract
    )
    named = {name.strip().partition(".")[2] for layer in layers for name in layer.replace("|", ":").split(":")} - {""}
    here = {
        path.stem
        for path in (ROOT / "host" / "fingerlead").iterdir()
        if path.stem != "__init__" and (path.suffix == ".py" or (path / "__init__.py").exists())
    }
    assert named == here
