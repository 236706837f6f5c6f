"""How long from a byte's arrival to the change told, over a real pseudo-terminal, beside a loop that only forwards.

The same frames are written, at their own pace, to two readers in turn: the program's (serial port, link, analysis,
listener), and one that reads and hands the bytes on. A latency runs from just before the write of the frame to the
listener's call: of every frame for the decoded state, and of the frames on which a change is told for the change.
"""

from __future__ import annotations

import os
import time
import tty
from dataclasses import dataclass
from multiprocessing import Pipe, get_context
from multiprocessing.connection import Connection

import numpy as np

from tests.benchmarks import playing

CHANGES = 150
SPEED = 1


def _pty() -> tuple[int, str]:
    ours, theirs = os.openpty()
    tty.setraw(theirs)
    return ours, os.ttyname(theirs)


def _play(ours: list[int], frames: list[tuple[int, bytes]], written: Connection) -> None:
    """In a process of its own, so that it takes no time from the reader's: write each frame when it is due, to all."""
    times = []
    begin = time.perf_counter_ns()
    for t_us, data in frames:
        while (left := begin + t_us * 1_000 // SPEED - time.perf_counter_ns()) > 0:
            time.sleep(max(0, left - 200_000) / 1e9)
        times.append(time.perf_counter_ns())
        for one in ours:
            os.write(one, data)
    written.send(times)


class Player:
    """The other end of a pseudo-terminal, playing; or of several, the same on all."""

    def __init__(self, frames: list[tuple[int, bytes]], terminals: int = 1) -> None:
        pairs = [_pty() for _ in range(terminals)]
        self._ours, self.names = [ours for ours, _ in pairs], [name for _, name in pairs]
        self.name = self.names[0]
        self._written, far = Pipe(duplex=False)
        self._process = get_context("fork").Process(target=_play, args=(self._ours, frames, far))

    def start(self) -> None:
        self._process.start()

    def times(self) -> list[int]:
        """When each frame was written, once all are."""
        times: list[int] = self._written.recv()
        self._process.join()
        for one in self._ours:
            os.close(one)
        return times


def _program(frames: list[tuple[int, bytes]]) -> tuple[list[int], dict[int, int], dict[int, int]]:
    """When each frame was written, when its state was handed on, and when a change was told on it."""
    from fingering.table import standard_table
    from fingerlead.listening.listening import Listening
    from fingerlead.listening.recording import TICK_S
    from fingerlead.ports.catalogue import open_port
    from fingerlead.timing.live import LiveResult
    from fingerlead.timing.results import Change
    from fingerlead.wire.events import State

    handed: dict[int, int] = {}
    told: dict[int, int] = {}
    heard = 0

    def hear(what: object, _: object) -> None:
        nonlocal heard
        if isinstance(what, State):
            heard += 1  # the hello is frame 0
            handed[heard] = time.perf_counter_ns()
        elif isinstance(what, LiveResult) and isinstance(what.result, Change):
            told.setdefault(heard, time.perf_counter_ns())

    player = Player(frames)
    listening = Listening(standard_table(), hear)
    with open_port(player.name) as port:
        player.start()
        while heard < len(frames) - 1:
            chunks = port.read(TICK_S)
            for chunk in chunks:
                listening.take(chunk, port.carrier)
            if not chunks:
                while listening.idle():
                    pass
        return player.times(), handed, told


def _bare(frames: list[tuple[int, bytes]]) -> tuple[list[int], dict[int, int]]:
    """The same with a loop that only hands on: when each frame was written, and when its last byte was handed on."""
    import serial

    handed: dict[int, int] = {}
    ends = np.cumsum([len(data) for _, data in frames]).tolist()
    got, number = 0, 0

    def hand_on(data: bytes) -> None:
        nonlocal got, number
        got += len(data)
        while number < len(ends) and got >= ends[number]:
            handed[number] = time.perf_counter_ns()
            number += 1

    player = Player(frames)
    with serial.Serial(player.name, timeout=0.1) as port:
        player.start()
        while number < len(frames):
            hand_on(port.read(1) + port.read(port.in_waiting))
        return player.times(), handed


@dataclass(frozen=True, slots=True)
class Latencies:
    """In µs, from the byte: to the state, to the change told, to the bare loop's hand."""

    state: np.ndarray
    change: np.ndarray
    bare: np.ndarray


def latencies_us() -> Latencies:
    """Play the same frames to the program and to the bare loop."""
    edge_us, covered = playing.hour_of_edges()
    edges = CHANGES * 3
    frames = playing.wire_frames(edge_us[: edges + 1], covered[:edges])

    def after(written: list[int], at: dict[int, int]) -> np.ndarray:
        return np.array([(at_ns - written[number]) / 1e3 for number, at_ns in at.items() if number])

    written, handed, told = _program(frames)
    bare_written, bare = _bare(frames)
    return Latencies(after(written, handed), after(written, told), after(bare_written, bare))
