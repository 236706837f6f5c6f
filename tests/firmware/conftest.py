"""The firmware built once for all its tests, and ways to let it play a script."""

from __future__ import annotations

import ctypes
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.firmware.firmware_tools import EMULATOR, Played, made, needs

Player = Callable[..., Played]


@pytest.fixture(scope="session")
def build(tmp_path_factory: pytest.TempPathFactory) -> Path:
    needs("make", "gcc")
    folder = tmp_path_factory.mktemp("firmware")
    made(folder, "host")
    return folder


@pytest.fixture(scope="session")
def bridge(build: Path) -> ctypes.CDLL:
    return ctypes.CDLL(str(build / "bridge.so"))


@pytest.fixture
def storage(tmp_path: Path) -> Path:
    """Two erased slots."""
    path = tmp_path / "chanter.storage"
    path.write_bytes(b"\xff" * 96)
    return path


@pytest.fixture
def play(build: Path, storage: Path) -> Player:
    """Plays a script on the host build; a sanitizer's complaint is a failure."""

    def play(script: bytes, carrier: str = "stream") -> Played:
        program = build / ("chanter" if carrier == "stream" else "chanter_sysex")
        done = subprocess.run([program, storage], input=script, capture_output=True, timeout=60, check=False)
        assert done.returncode == 0, done.stderr.decode()
        return Played(done.stdout, "")

    return play


@pytest.fixture(scope="session")
def elf(tmp_path_factory: pytest.TempPathFactory) -> Path:
    needs("make", "arm-none-eabi-gcc")
    folder = tmp_path_factory.mktemp("firmware_arm")
    made(folder, "arm")
    return folder / "mps2_an385.elf"


@pytest.fixture
def emulate(elf: Path, storage: Path) -> Player:
    """Plays a script on the emulated Cortex-M3."""
    needs("qemu-system-arm")

    def emulate(script: bytes) -> Played:
        frames = storage.parent / "frames"
        ends = ["-kernel", str(elf), "-serial", f"file:{frames}", "-serial", "stdio"]
        done = subprocess.run(
            [*EMULATOR, *ends], input=script, capture_output=True, timeout=120, check=False, cwd=storage.parent
        )
        assert done.returncode == 0, done.stderr.decode()
        return Played(frames.read_bytes(), done.stdout.decode())

    return emulate
