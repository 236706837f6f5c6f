"""The firmware's folder, its making, and what came of a script."""

from __future__ import annotations

import shutil
import subprocess
from dataclasses import dataclass
from pathlib import Path

import pytest

from fingerlead.wire.carriers import StreamReader, SysexReader
from fingerlead.wire.messages import Message, decode

FIRMWARE = Path(__file__).parents[2] / "hardware_notes" / "firmware"

# Virtual time by instructions: 2^6 ns each, 15.6 million a second.
NS_PER_INSTRUCTION = 64
EMULATOR = (
    *("qemu-system-arm", "-M", "mps2-an385", "-display", "none", "-monitor", "none"),
    *("-icount", "shift=6,sleep=off", "-semihosting-config", "enable=on,target=native"),
)
# The Debian package of each tool.
PACKAGES = {
    "make": "make",
    "gcc": "gcc",
    "arm-none-eabi-gcc": "gcc-arm-none-eabi",
    "qemu-system-arm": "qemu-system-arm",
}


def needs(*tools: str) -> None:
    for tool in tools:
        if shutil.which(tool) is None:
            pytest.skip(f"needs the Debian package {PACKAGES[tool]}")


def made(folder: Path, target: str, *settings: str) -> None:
    command = ["make", "-s", "-C", str(FIRMWARE), f"BUILD={folder}", "CC=gcc", *settings, target]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr


def sizes_of(folder: Path, module: str) -> tuple[int, int]:
    """Flash and memory of one module of the core on a Cortex-M0+, in bytes: its code, and its struct of that name."""
    source = folder / "struct.c"
    source.write_text(f'#include "{module}.h"\nstruct {module} it;\n', encoding="utf-8")
    flags = ["-mcpu=cortex-m0plus", "-mthumb", "-O2", "-ffreestanding", "-I", str(FIRMWARE / "core")]
    totals = []
    for file in (FIRMWARE / "core" / f"{module}.c", source):
        subprocess.run(["arm-none-eabi-gcc", *flags, "-c", file, "-o", folder / "it.o"], check=True)
        done = subprocess.run(["arm-none-eabi-size", folder / "it.o"], capture_output=True, text=True, check=True)
        totals.append([int(number) for number in done.stdout.splitlines()[1].split()[:3]])
    assert totals[0][1:] == [0, 0], "all memory is in the struct"
    return totals[0][0], totals[1][2]


@dataclass
class Played:
    """What came of a script."""

    data: bytes
    told: str  # what the emulated board tells at its end

    def messages(self, carrier: str = "stream") -> list[Message]:
        reader = StreamReader() if carrier == "stream" else SysexReader()
        items = reader.feed(self.data)
        assert all(isinstance(item, bytes) for item in items), "a damaged frame"
        return [decode(item) for item in items if isinstance(item, bytes)]
