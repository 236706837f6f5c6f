"""What the wheel holds: the two packages, whole, with their data, and nothing else."""

from __future__ import annotations

import subprocess
import sys
import tarfile
import zipfile
from fnmatch import fnmatch
from pathlib import Path

import pytest

import fingerlead

pytest.importorskip("hatchling", reason="hatchling is not installed: pip install hatchling")

ROOT = Path(__file__).parents[1]
DIST_INFO = f"fingerlead-{fingerlead.__version__}.dist-info/"
# Each pattern must find a file: what a program without its source beside it reads at run time.
NEEDED = (
    "fingering/py.typed",
    "fingering/tables/*.toml",
    "fingering/tunes/*.abc",
    "fingerlead/py.typed",
    "fingerlead/demo/*.toml",
    "fingerlead/demo/README.md",
    "fingerlead/simulated/pupils/*.toml",
    "fingerlead/faces/sheet/engraving.ily",
    "fingerlead/faces/cli/templates/*.html",
    "fingerlead/faces/report/templates/*.html",
    "fingerlead/faces/report/templates/*.css",
    "fingerlead/faces/pages/kit/templates/*.html",
    "fingerlead/faces/pages/kit/templates/*.svg",
    "fingerlead/faces/pages/kit/static/*.js",
    "fingerlead/faces/pages/kit/static/*.css",
    "fingerlead/faces/pages/kit/static/*.svg",
    "fingerlead/faces/pages/kit/texts/*.toml",
    "fingerlead/faces/pages/practice/templates/*.html",
    "fingerlead/faces/pages/practice/static/*.js",
    "fingerlead/faces/pages/practice/static/*.css",
    "fingerlead/faces/pages/practice/static/*.svg",
    "fingerlead/faces/pages/practice/texts/*.toml",
    "fingerlead/faces/pages/desk/templates/*.html",
    "fingerlead/faces/pages/desk/static/*.js",
    "fingerlead/faces/pages/workbench/templates/*.html",
    "fingerlead/faces/pages/workbench/static/*.js",
    "fingerlead/faces/pages/workbench/texts/*.toml",
    DIST_INFO + "licenses/LICENSE",
)
# Where each folder of the checkout goes.
FOLDERS = {"host/fingerlead": "fingerlead", "fingering": "fingering", "demo": "fingerlead/demo"}
# Never in a wheel: pictures for the README, and what running leaves behind.
LEFT_OUT = ("demo/pictures/*", "*__pycache__*")


def build(source: Path, into: Path, *targets: str) -> None:
    """Build with the backend itself: no network, no environment of its own."""
    command = [sys.executable, "-m", "hatchling", "build", "-d", str(into)]
    for target in targets:
        command += ["-t", target]
    made = subprocess.run(command, cwd=source, capture_output=True, text=True, timeout=120)
    assert made.returncode == 0, made.stderr


def contents(wheel: Path) -> dict[str, bytes]:
    with zipfile.ZipFile(wheel) as packed:
        return {name: packed.read(name) for name in packed.namelist()}


@pytest.fixture(scope="module")
def dist(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("dist")
    build(ROOT, folder, "sdist", "wheel")
    return folder


@pytest.fixture(scope="module")
def wheel(dist: Path) -> dict[str, bytes]:
    (path,) = dist.glob("*.whl")
    return contents(path)


def test_the_wheel_holds_the_two_packages_and_nothing_else(wheel):
    assert {name.split("/")[0] + "/" for name in wheel} == {"fingerlead/", "fingering/", DIST_INFO}


def test_every_file_of_the_checkout_is_in_the_wheel_and_nothing_more(wheel):
    expected = {
        f"{target}/{path.relative_to(ROOT / folder).as_posix()}"
        for folder, target in FOLDERS.items()
        for path in (ROOT / folder).rglob("*")
        if path.is_file() and not any(fnmatch(path.relative_to(ROOT).as_posix(), each) for each in LEFT_OUT)
    }
    assert {name for name in wheel if not name.startswith(DIST_INFO)} == expected


@pytest.mark.parametrize("pattern", NEEDED)
def test_the_wheel_holds_what_the_program_reads(wheel, pattern):
    assert any(fnmatch(name, pattern) for name in wheel)


def test_the_wheel_has_the_version_and_the_command(wheel):
    assert f"\nVersion: {fingerlead.__version__}\n" in wheel[DIST_INFO + "METADATA"].decode()
    assert b"fingerlead = fingerlead." in wheel[DIST_INFO + "entry_points.txt"]


def test_the_sdist_builds_the_same_wheel(dist, wheel, tmp_path):
    (sdist,) = dist.glob("*.tar.gz")
    with tarfile.open(sdist) as packed:
        assert not [name for name in packed.getnames() if "/.venv" in name or "/.git/" in name]
        packed.extractall(tmp_path, filter="data")
    (source,) = tmp_path.iterdir()
    build(source, tmp_path, "wheel")
    (again,) = tmp_path.glob("*.whl")
    assert contents(again) == wheel


def test_pictures_for_the_readme_stay_out_of_the_wheel(dist, wheel, tmp_path):
    (sdist,) = dist.glob("*.tar.gz")
    with tarfile.open(sdist) as packed:
        packed.extractall(tmp_path, filter="data")
    (source,) = tmp_path.iterdir()
    (source / "demo" / "pictures").mkdir(exist_ok=True)
    (source / "demo" / "pictures" / "page.png").write_bytes(b"a picture")
    build(source, tmp_path, "wheel")
    (again,) = tmp_path.glob("*.whl")
    assert contents(again) == wheel
