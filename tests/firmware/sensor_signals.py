"""Samples of eight sensors, good and bad, made from how a finger moves over its hole.

A finger's height goes in half a cosine between the rim (0 mm) and where it is held open. A capacitive sensor's signal
is 1 / (1 + height / 0.8 mm), a reflective one's 1 / (1 + height / 2 mm)²: shapes and figures from memory. Nothing here
is shared with the simulated chanter.
"""

from __future__ import annotations

import ctypes
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from fingerlead.wire import messages as m
from fingerlead.wire.carriers import StreamReader, to_stream

SCAN_US = 500
HOLES = 8
OPEN_RAW, SWING_RAW, FULL_RAW = 100, 800, 1_023
Floats = NDArray[np.float64]


@dataclass(slots=True)
class Fingers:
    """Eight fingers playing for so many seconds, drawn by a seed; `moves[hole]` are (start s, travel s, height mm)."""

    seconds: float
    seed: int
    travel_ms: tuple[float, float] = (12, 120)
    pause_ms: tuple[float, float] = (150, 1_500)
    moves: list[list[tuple[float, float, float]]] = field(default_factory=list)

    def __post_init__(self) -> None:
        rng = np.random.default_rng(self.seed)
        for _ in range(HOLES):
            own: list[tuple[float, float, float]] = []
            at_s, covered = float(rng.uniform(0.5, 1.5)), True
            while at_s < self.seconds - 1:
                travel_s = float(rng.uniform(*self.travel_ms)) / 1_000
                own.append((at_s, travel_s, float(rng.uniform(4, 9)) if covered else 0.0))
                # One lift in five is a grace note's.
                grace = covered and rng.random() < 0.2
                pause_ms = rng.uniform(30, 60) if grace else rng.uniform(*self.pause_ms)
                at_s += travel_s + float(pause_ms) / 1_000
                covered = not covered
            self.moves.append(own)

    def heights(self, hole: int, t_s: Floats) -> Floats:
        """Of one finger, in mm, at rising times."""
        height, last = np.zeros(len(t_s)), 0.0
        for start_s, travel_s, to in self.moves[hole]:
            first, after = np.searchsorted(t_s, (start_s, start_s + travel_s))
            share = (1 - np.cos(np.pi * (t_s[first:after] - start_s) / travel_s)) / 2
            height[first:after] = last + (to - last) * share
            height[after:], last = to, to
        return height


def capacitive(height: Floats) -> Floats:
    return 1 / (1 + height / 0.8)


def reflective(height: Floats) -> Floats:
    return 1 / (1 + height / 2) ** 2


def raw(signal: Floats, noise_raw: float, rng: np.random.Generator) -> NDArray[np.uint16]:
    """A signal from 0 to 1 as samples of ten bits."""
    noisy = OPEN_RAW + SWING_RAW * signal + rng.normal(0, noise_raw, len(signal))
    return np.clip(np.rint(noisy), 0, FULL_RAW).astype(np.uint16)


def film(signal: Floats, share: float, dries_ms: float) -> Floats:
    """What a film of water leaves of a covered hole's signal: a share of it, that falls by 1/e in so many ms."""
    kept, out = np.exp(-SCAN_US / 1_000 / dries_ms), signal.copy()
    wet = 0.0
    for i, own in enumerate(signal.tolist()):
        wet = max(wet * kept, share * own)
        out[i] = max(own, wet)
    return out


def times_s(seconds: float) -> Floats:
    return np.arange(round(seconds * 1_000_000 / SCAN_US)) * SCAN_US / 1_000_000


def played(
    bridge: ctypes.CDLL, samples: NDArray[np.uint16], levels: m.Levels, requests: bytes = b""
) -> Iterator[m.Message]:
    """What the firmware says of samples, one row of eight for each scan."""
    asked = to_stream(m.encode(m.SetThresholds(1, levels))) + requests
    rows = np.ascontiguousarray(samples, np.uint16)
    room = 4_000_000 + len(rows) * 20
    said = ctypes.create_string_buffer(room)
    size = bridge.bridge_play(
        len(rows), rows.ctypes.data_as(ctypes.POINTER(ctypes.c_uint16)), len(asked), asked, room, said
    )
    assert size < room
    for item in StreamReader().feed(ctypes.string_at(said, size)):
        assert isinstance(item, bytes), item
        yield m.decode(item)
