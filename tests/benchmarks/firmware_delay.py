"""From a finger's crossing of its level to the last bit of the frame that carries it, on the emulated Cortex-M3.

All in the emulator's virtual time, so the load of this machine has no part in it. `paced_uart.c` gives the UART the
time of 115 200 baud. The crossings are of one hole each, at random microseconds, so that they fall anywhere in a scan.

`python -m tests.benchmarks.firmware_delay` prints the rows; it needs make, gcc-arm-none-eabi and qemu-system-arm.
"""

from __future__ import annotations

import random
import shutil
import struct
import subprocess
import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from fingerlead.wire.carriers import StreamReader, to_stream
from fingerlead.wire.messages import STREAM_BOTH, Holes, Stream, decode, encode
from tests.firmware.firmware_tools import EMULATOR, made

CROSSINGS = 3_000
TICKS_PER_US = 25
PACED = Path(__file__).with_name("paced_uart.c")
# The Makefile's own, and the paced UART in front of the board layer's.
LINK = f"-nostdlib -nostartfiles -Wl,--gc-sections -Wl,--fatal-warnings -Wl,--wrap=board_send {PACED}"
RAW_HZ = 400


@dataclass(frozen=True, slots=True)
class FirmwareDelay:
    """Of each crossing, float64[n] in µs: until a scan saw it, and from there until its frame had left."""

    seen_us: np.ndarray
    said_us: np.ndarray

    @property
    def whole_us(self) -> np.ndarray:
        return self.seen_us + self.said_us


def _script(raw_hz: int, crossings: list[tuple[int, int]]) -> bytes:
    from hardware_notes.firmware import scripts

    script = scripts.Script(counted=False)
    script.mask(0, 0)
    if raw_hz:
        script.host_says(20_000, to_stream(encode(Stream(1, STREAM_BOTH, raw_hz))))
    mask = 0
    for at_us, hole in crossings:
        mask ^= 1 << hole
        script.mask(at_us, mask)
    script.happens(crossings[-1][0] + 50_000, scripts.END)
    return script.as_bytes()


def measure(raw_hz: int = 0, crossings: int = CROSSINGS) -> FirmwareDelay:
    """Play so many crossings, 15 to 45 ms apart; with raw samples on the same line where `raw_hz` is not 0."""
    chance = random.Random(5)
    at_us, told = 100_000, []
    for _ in range(crossings):
        at_us += chance.randrange(15_000, 45_000)
        told.append((at_us, chance.randrange(8)))
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        made(folder, "arm", f"LINK={LINK}")
        (folder / "chanter.storage").write_bytes(b"\xff" * 96)
        ends = ["-kernel", str(folder / "mps2_an385.elf"), "-serial", f"file:{folder / 'frames'}", "-serial", "stdio"]
        done = subprocess.run(
            [*EMULATOR, *ends], input=_script(raw_hz, told), capture_output=True, timeout=600, check=True, cwd=folder
        )
        data = (folder / "frames").read_bytes()
    frames = data.split(b"\0")[:-1]
    left_us = np.array(struct.unpack(f"<{len(frames)}I", done.stdout[: 4 * len(frames)])) / TICKS_PER_US
    seen_us, said_us, mask = [], [], None
    reader, due = StreamReader(), iter(told)
    for frame, frame_left_us in zip(frames, left_us, strict=True):
        for payload in reader.feed(frame + b"\0"):
            assert isinstance(payload, bytes), "a damaged frame"
            message = decode(payload)
            if not isinstance(message, Holes):
                continue
            if mask is not None and message.covered_mask != mask:
                crossed_us, hole = next(due)
                assert message.covered_mask ^ mask == 1 << hole, "another finger than the one that crossed"
                seen_us.append(message.ticks32 - crossed_us)
                said_us.append(frame_left_us - message.ticks32)
            mask = message.covered_mask
    assert len(seen_us) == crossings
    return FirmwareDelay(np.array(seen_us), np.array(said_us))


def _spread(us: np.ndarray) -> str:
    low, middle, high, most = np.percentile(us, [0, 50, 99, 100]) / 1_000
    return f"from {low:.2f}, median {middle:.2f}, 99th percentile {high:.2f}, longest {most:.2f} ms"


def firmware_rows() -> list[tuple[str, str, str]]:
    """The rows of the table; none where the machine cannot emulate a board."""
    if not all(shutil.which(tool) for tool in ("make", "arm-none-eabi-gcc", "qemu-system-arm")):
        return []
    found = []
    for what, raw_hz in (("holes alone", 0), (f"and raw samples at {RAW_HZ} Hz on the same line", RAW_HZ)):
        got = measure(raw_hz)
        found.append(
            (
                f"firmware, crossing to frame sent at 115 200 baud, {what} ({len(got.seen_us):,} crossings)",
                _spread(got.whole_us),
                f"until a scan saw it: {_spread(got.seen_us)}; from then on: {_spread(got.said_us)}",
            )
        )
    return found


if __name__ == "__main__":
    for row in firmware_rows():
        print("| " + " | ".join(row) + " |")
