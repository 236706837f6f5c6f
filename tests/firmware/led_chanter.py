"""An emulated chanter under power, and what leads it: its sensors see what the fingers do, as its clock goes on.

The samples of a led script (see boards/script.h) come while it is played, so that what fingers do next can depend on
what a program asks. Where no samples are there yet, the board's time stands still: none is late, however busy the
computer is.
"""

from __future__ import annotations

import os
import select
import socket
import subprocess
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from fingering.holes import HOLES
from fingerlead.simulated.sensing import Sensor, Sensors
from hardware_notes.firmware import scripts
from tests.firmware.firmware_tools import EMULATOR

SAMPLE_US = 500
BATCH = 32  # rows of samples
FULL_SCALE = 1_023
LINEAR = 1_000  # full scale of the sensors that only tell heights
PATIENCE_S, WAIT_S = 30.0, 0.2
ROW = np.dtype([("at_us", "<u4"), ("kind", "u1"), ("samples", "<u2", HOLES)])
See = Callable[[NDArray[np.float64]], NDArray[np.uint16]]


class CheckFailed(AssertionError):
    """What was not as expected; str() is one sentence."""


@dataclass(frozen=True, slots=True)
class Feel:
    """How one sensor sees a finger: raw counts open and covered, how it bends between, its noise.

    Bent by 1, the sample rises evenly with the finger; below 1 it answers early in the finger's way, above 1 late.
    """

    open_raw: int
    covered_raw: int
    bend: float
    noise_raw: float

    def height_at(self, level: int) -> float:
        """How far down the finger is where the sample reaches a level: 0 open, 1 covered."""
        share = (level - self.open_raw) / (self.covered_raw - self.open_raw)
        return float(min(max(share, 0.0), 1.0) ** (1 / self.bend))


def samples_of(feels: tuple[Feel, ...], heights: NDArray[np.float64], rng: np.random.Generator) -> NDArray[np.uint16]:
    """Noisy samples of fingers at these heights, shape (n, 8), 0 open and 1 covered."""
    columns = [
        feel.open_raw + (feel.covered_raw - feel.open_raw) * heights[:, hole] ** feel.bend
        for hole, feel in enumerate(feels)
    ]
    noise = rng.standard_normal(heights.shape) * [feel.noise_raw for feel in feels]
    return np.clip(np.rint(np.stack(columns, axis=1) + noise), 0, FULL_SCALE).astype(np.uint16)


def height_sensors(feels: tuple[Feel, ...], levels: tuple[tuple[int, int], ...]) -> Sensors:
    """Sensors without noise whose sample is LINEAR times the height; they fire where these do at these levels."""
    return tuple(
        Sensor(round(LINEAR * feel.height_at(cover)), round(LINEAR * feel.height_at(uncover)), 0.0, 0, LINEAR)
        for feel, (cover, uncover) in zip(feels, levels, strict=True)
    )


class Leading:
    """Who leads a chanter, or lets it be. `fed_us` is up to when its sensors' samples are there.

    `script` is where its script goes, `samples` the pipe through which it is led.
    """

    def __init__(self, script: socket.socket, samples: int) -> None:
        self._script, self._samples = script, samples
        self.fed_us = 0

    def let_be(self, samples: list[int], for_us: int) -> None:
        """Power up with fingers that never move."""
        still = scripts.Script(counted=False)
        still.samples(0, samples)
        still.happens(for_us, scripts.END)
        self._script.sendall(still.as_bytes())

    def lead(
        self,
        see: See,
        going_on: Callable[[], bool],
        words: int | None = None,
        hear: Callable[[str], None] = lambda _: None,
        paced: bool = True,
    ) -> None:
        """Power up if it is off, feed it `see(times)` while `going_on()`; `hear` gets the lines of the file `words`.

        The words must come to an end when it does not go on. Paced, its time is everybody's, but for what a busy
        computer takes. CheckFailed where the chanter takes nothing any more.
        """
        if self.fed_us == 0:
            self._script.sendall(scripts.header(scripts.LED))
        heard, waited_s = b"", 0.0
        began_s = time.monotonic() - self.fed_us / 1_000_000
        while going_on():
            early_s = max(began_s + self.fed_us / 1_000_000 - time.monotonic(), 0.0) if paced else 0.0
            able = [] if early_s else [self._samples]
            readable, able, _ = select.select([] if words is None else [words], able, [], early_s or WAIT_S)
            if able:
                self._feed(see)
                waited_s = 0.0
            elif not readable and not early_s:
                waited_s += WAIT_S
                if waited_s > PATIENCE_S:
                    raise CheckFailed(
                        f"expected the emulated chanter to go on, but for {PATIENCE_S:g} s it saw nothing"
                    )
            if readable and words is not None:
                piece = os.read(words, 4096)
                *lines, heard = (heard + piece).split(b"\n")
                for line in lines:
                    hear(line.decode())
                words = words if piece else None
        while words is not None and (piece := os.read(words, 4096)):
            heard += piece
        for line in heard.splitlines():
            hear(line.decode())

    def end(self) -> None:
        """There is no more to see: the chanter ends by itself, and with it its emulator."""
        if self._samples >= 0:
            os.close(self._samples)
        self._samples = -1

    def _feed(self, see: See) -> None:
        rows = np.zeros(BATCH, ROW)
        rows["at_us"] = self.fed_us + SAMPLE_US * np.arange(BATCH)
        rows["kind"] = scripts.SAMPLES
        rows["samples"] = see(rows["at_us"].astype(np.float64))
        self.fed_us += SAMPLE_US * BATCH
        # Less than a page, which a pipe takes whole or not at all.
        os.write(self._samples, rows.tobytes())


@contextmanager
def powered(elf: Path, folder: Path, waits: bool = True) -> Iterator[tuple[Leading, str, subprocess.Popen[bytes]]]:
    """A chanter whose storage is in a folder: what leads it, the PORT to reach it by, and its emulator.

    It starts when it has its script and, if it `waits`, a program has come to its port. At the end its power is cut,
    whatever it is doing.
    """
    pipe = folder / "chanter.samples"
    pipe.unlink(missing_ok=True)
    os.mkfifo(pipe)
    # Read and write: else it could only be opened once the emulator has it open.
    samples = os.open(pipe, os.O_RDWR | os.O_NONBLOCK)
    ours, theirs = socket.socketpair()
    with ours, theirs, socket.create_server(("127.0.0.1", 0)) as port:
        ends = [
            *("-chardev", f"socket,id=host,fd={port.fileno()},server=on,wait={'on' if waits else 'off'},nodelay=on"),
            *("-chardev", f"socket,id=script,fd={theirs.fileno()}"),
            *("-serial", "chardev:host", "-serial", "chardev:script", "-kernel", str(elf)),
        ]
        name = f"socket://127.0.0.1:{port.getsockname()[1]}"
        keep = (port.fileno(), theirs.fileno())
        # It prints that it waits for a connection.
        with subprocess.Popen(
            [*EMULATOR, *ends], cwd=folder, pass_fds=keep, stdin=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        ) as emulator:
            leading = Leading(ours, samples)
            try:
                yield leading, name, emulator
            finally:
                emulator.kill()
                leading.end()
