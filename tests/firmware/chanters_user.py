"""What the user of an emulated chanter does: calibrates it, records a pupil, asks the program; each a process."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from fingering.holes import HOLES
from fingerlead.simulated.hands import Hands
from fingerlead.simulated.performance import Performance
from fingerlead.simulated.sensing import Heights
from fingerlead.store.session_file import SessionError
from fingerlead.store.session_reading import read_session
from fingerlead.wire import messages as m
from fingerlead.wire.carriers import StreamReader
from fingerlead.wire.events import Answered
from fingerlead.wire.link import HostLink
from fingerlead.workbench.samples import PLAN
from tests.firmware.led_chanter import (
    BATCH,
    LINEAR,
    PATIENCE_S,
    SAMPLE_US,
    CheckFailed,
    Feel,
    height_sensors,
    powered,
    samples_of,
)

PROGRAM = Path(sys.executable).with_name("fingerlead")
REACT_US = (200_000, 400_000)
LONGEST_US = 150_000_000  # a calibration
AWAKE_US = 300_000
Levels = tuple[tuple[int, int], ...]


class User:
    """One who has the program and the firmware, and keeps all in a folder. CheckFailed where the program fails."""

    def __init__(self, folder: Path, elf: Path, feels: tuple[Feel, ...], seed: int) -> None:
        self.folder, self._elf, self._feels, self._seed = folder, elf, feels, seed
        self._environment = os.environ | {"XDG_DATA_HOME": str(folder / "data"), "COLUMNS": "120"}

    def kept(self, pattern: str) -> list[Path]:
        """The files that the program keeps of chanters."""
        return sorted((self.folder / "data").rglob(pattern))

    def runs(self, *words: object) -> str:
        """`fingerlead WORDS`: what it printed."""
        command = [str(PROGRAM), *map(str, words)]
        done = subprocess.run(command, capture_output=True, text=True, check=False, env=self._environment, timeout=120)
        if done.returncode != 0:
            raise CheckFailed(f"expected fingerlead {words[0]} to end well; it said: {done.stdout}{done.stderr}")
        return done.stdout

    def checks(self, chanter: Path) -> list[str]:
        """`fingerlead check --restart`, while the chanter lies still: its lines."""
        still, noise = np.zeros((BATCH, HOLES)), np.random.default_rng(self._seed)

        def see(_: NDArray[np.float64]) -> NDArray[np.uint16]:
            return samples_of(self._feels, still, noise)

        with powered(self._elf, chanter, waits=False) as (leading, port, _):
            leading.lead(see, lambda: leading.fed_us < AWAKE_US)
            with self._running("check", port, "--restart", "--for", "5") as program:
                said: list[str] = []
                leading.lead(see, lambda: program.poll() is None, words_of(program), said.append)
                return said

    def calibrates(self, chanter: Path, options: Sequence[str]) -> list[str]:
        """`fingerlead calibrate`, with hands at the sensors; what it said."""
        hands, noise = Hands(self._seed, REACT_US), np.random.default_rng(self._seed)
        said: list[str] = []
        done_us = 0
        with powered(self._elf, chanter) as (leading, port, _):
            with self._running("calibrate", port, *options) as program:

                def hear(line: str) -> None:
                    nonlocal done_us
                    said.append(line)
                    words = line.split()
                    if words[1:3] == ["of", str(len(PLAN))]:
                        done_us = hands.ask(*PLAN[int(words[0]) - 1], leading.fed_us)

                def going_on() -> bool:
                    nonlocal done_us
                    if leading.fed_us > LONGEST_US:
                        long_s = LONGEST_US // 1_000_000
                        raise CheckFailed(
                            f"expected it to be done within {long_s} s; the last it said: {' / '.join(said[-1:])}"
                        )
                    # Where it counts what a bar does, hands do it until it has enough.
                    if "--skew" in options and said and leading.fed_us >= done_us:
                        done_us = hands.ask("bar", None, leading.fed_us) + 1_000_000
                    return program.poll() is None

                def see(at_us: NDArray[np.float64]) -> NDArray[np.uint16]:
                    return samples_of(self._feels, hands.heights(at_us), noise)

                leading.lead(see, going_on, words_of(program), hear)
            if program.returncode != 0:
                what = " ".join(["calibrate", *options])
                raise CheckFailed(f"expected fingerlead {what} to do it; the last it said: {' / '.join(said[-1:])}")
        return said

    def records(self, chanter: Path, performance: Performance, name: str) -> Path:
        """`fingerlead record` while the pupil plays, as quickly as the emulator goes; the session."""
        session = self.folder / f"{name}.session"
        noise = np.random.default_rng(self._seed)
        sensors = height_sensors(self._feels, ((1, 0),) * HOLES)  # only heights are taken from them
        heights = Heights(performance, sensors, SAMPLE_US, 0)

        def see(at_us: NDArray[np.float64]) -> NDArray[np.uint16]:
            first = int(at_us[0]) // SAMPLE_US
            return samples_of(self._feels, heights.samples(first, first + len(at_us)) / LINEAR, noise)

        with powered(self._elf, chanter) as (leading, port, emulator):
            with self._running("record", port, "-o", session) as recorder:
                leading.lead(see, lambda: leading.fed_us < performance.end_us and recorder.poll() is None, paced=False)
                leading.end()
                emulator.wait(PATIENCE_S)
                while recorder.poll() is None and not _lost(session):
                    time.sleep(0.1)
                recorder.terminate()
                said = recorder.communicate(timeout=PATIENCE_S)[0].decode().splitlines()
            if recorder.returncode != 0:
                raise CheckFailed(f"expected the playing to be recorded; the last it said: {' / '.join(said[-1:])}")
        return session

    def levels_told(self, chanter: Path) -> tuple[Levels, int]:
        """The levels that a chanter tells over the wire, and the number of its start."""
        link = HostLink()
        with powered(self._elf, chanter) as (leading, port, _):
            leading.let_be([0] * HOLES, 600_000_000)
            with socket.create_connection(("127.0.0.1", int(port.rsplit(":", 1)[1])), PATIENCE_S) as line:
                line.sendall(link.get_thresholds())
                while data := line.recv(4096):
                    for event in link.receive(data, 0):
                        if isinstance(event, Answered) and event.answer.status == m.DONE and link.hello is not None:
                            return event.value, link.hello.boot
        raise CheckFailed("expected the chanter to tell its levels, but it went off without")

    @contextmanager
    def _running(self, *words: object) -> Iterator[subprocess.Popen[bytes]]:
        """`fingerlead WORDS` while it is needed; what it says can be read."""
        command = [str(PROGRAM), *map(str, words)]
        with subprocess.Popen(
            command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, env=self._environment
        ) as program:
            try:
                yield program
            except BaseException:
                # Nothing there tells it to end.
                program.kill()
                raise


def words_of(program: subprocess.Popen[bytes]) -> int:
    """The file that its words can be read from."""
    assert program.stdout is not None
    return program.stdout.fileno()


def first_stamp_us(session: Path) -> int:
    """The stamp of the first timed frame: time 0 of the analysis, on the clock of chanter and samples."""
    for item in StreamReader().feed(read_session(session).data):
        message = m.decode(item) if isinstance(item, bytes) else None
        if isinstance(message, m.Holes | m.Raw | m.Trouble):
            return message.ticks32
    raise CheckFailed(f"expected frames of the chanter in {session.name}; there are none")


def _lost(session: Path) -> bool:
    """Whether all has come that will: the recording has noticed that the chanter is off."""
    try:
        return any(mark.kind == "lost" for mark in read_session(session).marks)
    except SessionError:
        return False
