"""The wheel as a stranger gets it: built, installed into a bare environment, used there. `make wheel-check` runs it.

The environment sees no git, no checkout and no data of this user. Beside the program stands a package of another
project that has its own top-level `host` and `demo`: both work, and to uninstall one leaves the other whole.
"""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import tempfile
import urllib.parse
import urllib.request
import venv
from pathlib import Path

ROOT = Path(__file__).parents[1]
PATIENCE_S = 300
NEIGHBOUR = {
    "pyproject.toml": """\
[build-system]
requires = ["hatchling"]
build-backend = "hatchling.build"

[project]
name = "neighbour"
version = "1"

[tool.hatch.build.targets.wheel]
packages = ["host", "demo"]
""",
    "host/__init__.py": 'WORD = "the host of another project"\n',
    "demo/__init__.py": 'WORD = "the demo of another project"\n',
}
NEIGHBOUR_WORKS = "import host, demo; print(host.WORD); print(demo.WORD)"


class Failed(Exception):
    """What was expected of the installed program, and what it did."""


def build(source: Path, into: Path) -> Path:
    """Build sdist and wheel of a project; the wheel's path."""
    made = subprocess.run(
        [sys.executable, "-m", "hatchling", "build", "-d", str(into)], cwd=source, capture_output=True, text=True
    )
    if made.returncode:
        raise Failed(f"{source} cannot be built:\n{made.stderr}")
    (wheel,) = into.glob("*.whl")
    return wheel


def neighbour(folder: Path) -> Path:
    """The other project's wheel."""
    for name, text in NEIGHBOUR.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_text(text, encoding="utf-8")
    return build(folder, folder / "dist")


class Bare:
    """An environment that holds nothing but what is installed into it, and a folder to stand in."""

    def __init__(self, folder: Path) -> None:
        self.bin = folder / "env" / ("Scripts" if os.name == "nt" else "bin")
        self.cwd = folder / "elsewhere"
        self.cwd.mkdir()
        venv.create(folder / "env", with_pip=True)
        # Only what a program of this environment needs; PATH leads to no git and no other Python.
        self.env = {
            "PATH": str(self.bin),
            "HOME": str(self.cwd),
            "LANG": "C.UTF-8",
            "PYTHONWARNINGS": "error::ImportWarning",
        }

    def run(self, *command: str) -> str:
        """What a command of this environment prints; raises Failed where it does not end well."""
        program, *rest = command
        ran = subprocess.run(
            [str(self.bin / program), *rest],
            cwd=self.cwd, env=self.env, stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=PATIENCE_S,
        )  # fmt: skip
        if ran.returncode:
            raise Failed(f"{' '.join(command)}: exit code {ran.returncode}\n{ran.stdout}{ran.stderr}")
        return ran.stdout

    def pip(self, *arguments: str) -> None:
        """Install or uninstall, with this machine's own settings of pip."""
        command = [str(self.bin / "python"), "-m", "pip", "--quiet", "--disable-pip-version-check", *arguments]
        ran = subprocess.run(command, cwd=self.cwd, stdin=subprocess.DEVNULL, capture_output=True, text=True)
        if ran.returncode:
            raise Failed(f"pip {' '.join(arguments)}: exit code {ran.returncode}\n{ran.stdout}{ran.stderr}")

    def files(self, *packages: str) -> set[Path]:
        """The files of some top-level packages, but for compiled ones."""
        (site,) = self.bin.parent.glob("**/site-packages")
        return {
            path for name in packages for path in (site / name).rglob("*") if path.suffix != ".pyc" and path.is_file()
        }


def expect(found: str, *wanted: str) -> None:
    """Raise Failed unless every text is found."""
    for text in wanted:
        if text not in found:
            raise Failed(f"expected {text!r} in:\n{found}")


def check_commands(bare: Bare, version: str) -> None:
    """Help, version, the demonstration and the table of changes."""
    expect(bare.run("fingerlead", "--help"), "practice", "analyse", "demo")
    expect(bare.run("fingerlead", "--version"), version)
    expect(bare.run("fingerlead", "moves"), "low G", "crossing")
    expect(bare.run("fingerlead", "demo", "--no-browser", "--speed", "100"), "The report for the teacher:")
    where = bare.run("python", "-c", "import fingerlead, fingering; print(fingerlead.__file__, fingering.__file__)")
    if str(ROOT) in where:
        raise Failed(f"the checkout is seen from the bare environment: {where}")


def check_page(bare: Bare) -> None:
    """The practice page answers over HTTP, its script too; then Ctrl-C ends it well."""
    command = [str(bare.bin / "fingerlead"), "practice", "sim", "--no-browser", "--no-sound"]
    with subprocess.Popen(command, cwd=bare.cwd, env=bare.env, stdout=subprocess.PIPE, text=True) as serving:
        try:
            assert serving.stdout is not None
            said = serving.stdout.readline()
            address = re.search(r"http://\S+", said)
            if address is None:
                raise Failed(f"expected the address of the page; got {said!r}")
            place, _, token = address[0].partition("/#")
            page = fetched(f"{place}/")
            expect(page, "<html", "main.js")
            script = re.search(r'src="([^"]*main\.js[^"]*)"', page)
            assert script is not None
            expect(fetched(urllib.parse.urljoin(address[0], script[1])), "import")
            secret = fetched(f"{place}/enter", token.encode(), Origin=place)
            expect(fetched(f"{place}/voice.json", Authorization=f"Bearer {secret}"), "spectrum_of")
            serving.send_signal(signal.SIGINT)
            if serving.wait(30):
                raise Failed(f"practice: exit code {serving.returncode} after Ctrl-C")
        finally:
            serving.kill()


def fetched(address: str, data: bytes | None = None, **headers: str) -> str:
    """What an address answers, or what sending data to it does."""
    with urllib.request.urlopen(urllib.request.Request(address, data, headers), timeout=30) as answer:
        return str(answer.read().decode())


def check_beside(bare: Bare, wheel: Path, other: Path, version: str) -> None:
    """Both work side by side; each is left whole when the other goes."""

    def both(here: str, gone: tuple[str, ...], stays: tuple[str, ...], back: Path) -> None:
        before = bare.files(*stays)
        bare.pip("uninstall", "--yes", here)
        if bare.files(*gone):
            raise Failed(f"{here} leaves files behind: {sorted(map(str, bare.files(*gone)))[:5]}")
        if bare.files(*stays) != before:
            raise Failed(f"to uninstall {here} takes files of {', '.join(stays)} away")
        if here == "neighbour":
            expect(bare.run("fingerlead", "--version"), version)
            expect(bare.run("fingerlead", "demo", "--no-browser", "--speed", "100"), "The report for the teacher:")
        else:
            expect(bare.run("python", "-c", NEIGHBOUR_WORKS), "the host of", "the demo of")
        bare.pip("install", "--no-deps", str(back))

    bare.pip("install", "--no-deps", str(other))
    expect(bare.run("python", "-c", NEIGHBOUR_WORKS), "the host of another project", "the demo of another project")
    expect(bare.run("fingerlead", "--version"), version)
    both("fingerlead", ("fingerlead", "fingering"), ("host", "demo"), wheel)
    both("neighbour", ("host", "demo"), ("fingerlead", "fingering"), other)


def main() -> int:
    """Run every check in a folder that goes afterwards; 0 where all is as expected."""
    with tempfile.TemporaryDirectory(prefix="fingerlead-wheel-") as made:
        folder = Path(made)
        try:
            wheel = build(ROOT, folder / "dist")
            version = wheel.name.split("-")[1]
            print(f"built {wheel.name} and its sdist")
            bare = Bare(folder)
            bare.pip("install", "-c", str(ROOT / "requirements.lock"), str(wheel))
            print("installed it into a bare environment")
            check_commands(bare, version)
            print("--help, --version, moves and demo work there")
            check_page(bare)
            print("the practice page answers, and Ctrl-C ends it")
            check_beside(bare, wheel, neighbour(folder / "neighbour"), version)
            print("a package with its own host and demo stands beside it; each is left whole when the other goes")
        except Failed as failure:
            print(f"wheel-check: {failure}", file=sys.stderr)
            return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
