"""From raw samples to what a host gets: by a plain scan of the judge's own, or by the firmware's host build.

`seen` is the whole of what wire.md promises of the levels and the chatter filter, in plain steps: covered from the
first sample at or above the one level, open from the first at or below the other, a departure shorter than 2 ms not
believed, and the time that of the first sample of what is believed.
"""

from __future__ import annotations

import subprocess
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from operator import attrgetter
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from fingerlead.wire import messages as wire
from fingerlead.wire.link import ChanterLink, HostLink
from tests.firmware.firmware_tools import FIRMWARE
from tests.sensors.holes import HOLES
from tests.sensors.playing import STEP_US

SETTLE_US = 2_000
SLOPE_US = 4_000
HEARTBEAT_US = 100_000
DEVICE = b"judge\0\0\0"
Levels = tuple[tuple[int, int], ...]
MIDDLE: Levels = ((540, 460),) * HOLES  # of a converter of ten bits
State = tuple[int, int]  # time, covered mask


def seen(raw: NDArray[np.int64], levels: Levels, step_us: int = STEP_US) -> NDArray[np.bool_]:
    """Which holes are covered at each sample, (n, 8), after the chatter filter."""
    cover_at, uncover_at = np.array(levels).T
    says = np.where(raw >= cover_at, 1, np.where(raw <= uncover_at, 0, -1))
    says[0] = np.where(says[0] < 0, raw[0] * 2 >= cover_at + uncover_at, says[0])
    out = np.empty(raw.shape, dtype=bool)
    for hole in range(HOLES):
        known = np.maximum.accumulate(np.where(says[:, hole] >= 0, np.arange(len(raw)), 0))
        state = says[known, hole].astype(bool)
        turns = np.flatnonzero(np.diff(state, prepend=state[0]))
        out[:, hole] = state
        long = SETTLE_US // step_us
        believed, at = state[0], 0
        for turn, end in pairwise([*turns, len(state) + long]):
            if state[turn] != believed and end - turn > long:
                out[at:turn, hole] = believed
                believed, at = state[turn], turn
        out[at:, hole] = believed
    return out


def states_of(raw: NDArray[np.int64], levels: Levels, step_us: int = STEP_US) -> list[State]:
    """The masks of samples (n, 8), each from the time of the first scan that saw it."""
    masks = (seen(raw, levels, step_us) << np.arange(HOLES)).sum(axis=1)
    turns = np.flatnonzero(np.diff(masks, prepend=-1))
    return [(int(at) * step_us, int(masks[at])) for at in turns]


@dataclass(frozen=True, slots=True)
class Steepness:
    """How steeply a hole crossed, as wire.md says it: counts per millisecond towards the new state, and the sample."""

    t_us: int
    hole: int
    rise_raw: int
    level_raw: int


def slopes_of(raw: NDArray[np.int64], states: Sequence[State], step_us: int = STEP_US) -> list[Steepness]:
    """The slope of each edge: a straight line through the samples 4 ms to either side; none where it turns again."""
    reach, masks = SLOPE_US // step_us, dict(states)
    turned: dict[int, list[int]] = {hole: [] for hole in range(HOLES)}
    for (_, before), (t_us, mask) in pairwise(states):
        for hole in range(HOLES):
            if (before ^ mask) >> hole & 1:
                turned[hole].append(t_us // step_us)
    out = []
    for hole, rows in turned.items():
        for row, after in pairwise([*rows, len(raw)]):
            if row < reach or row + reach >= min(after, len(raw)):
                continue
            window = raw[row - reach : row + reach + 1, hole]
            per_step = float(np.polyfit(np.arange(-reach, reach + 1), window, 1)[0])
            covers = bool(masks[row * step_us] >> hole & 1)
            rise = max(0, round(per_step * 1_000 / step_us * (1 if covers else -1)))
            out.append(Steepness(row * step_us, hole, rise, int(raw[row, hole])))
    return sorted(out, key=attrgetter("t_us", "hole"))


def wire_bytes(
    states: Sequence[State], end_us: int, step_us: int = STEP_US, slopes: Sequence[Steepness] | None = None
) -> bytes:
    """What a chanter with a clock of its own sends: hello, then holes with heartbeats, and slopes where it has them."""
    link, out, sequence = ChanterLink("stream"), [], 0
    abilities = wire.CAN_RAW if slopes is None else wire.CAN_RAW | wire.CAN_SLOPES
    hello = wire.Hello(device_id=DEVICE, abilities=abilities, scan_rate_hz=1_000_000 // step_us, raw_bits=10, boot=1)
    out.append(link.send(hello))
    steep: dict[int, list[Steepness]] = {}
    for slope in slopes or ():
        steep.setdefault(slope.t_us, []).append(slope)
    told = 0
    for (t_us, mask), (until_us, _) in zip(states, [*states[1:], (end_us, 0)], strict=True):
        for at_us in range(t_us, until_us, HEARTBEAT_US):
            out.append(link.send(wire.Holes(sequence & 0xFFFF, at_us & 0xFFFFFFFF, mask)))
            sequence += 1
            for slope in steep.get(at_us, ()):
                out.append(
                    link.send(
                        wire.Slope(told & 0xFFFF, at_us & 0xFFFFFFFF, slope.hole, slope.rise_raw, slope.level_raw)
                    )
                )
                told += 1
    return b"".join(out)


Rows = tuple[int, NDArray[np.int64]]


def script(
    samples: Iterator[Rows], levels: Levels, end_us: int, step_us: int, dark: Iterator[Rows] | None = None
) -> bytes:
    """A script for the firmware's host build: the levels, then samples (time, rows (n, 8)), one row each `step_us`.

    `dark` are those with the lamps off, in pieces of the same times and lengths.
    """
    import sys

    sys.path[:0] = [str(FIRMWARE)] if str(FIRMWARE) not in sys.path else []
    from scripts import BYTES, COUNTED, DARK, END, SAMPLES, header, record

    records = []
    request = HostLink("stream").set_thresholds(levels)
    for start in range(0, len(request), 15):
        piece = request[start : start + 15]
        records.append(record(0, BYTES, bytes((len(piece),)) + piece))
    last: dict[int, bytes] = {}
    pairs = zip(samples, dark, strict=True) if dark is not None else ((piece,) for piece in samples)
    for pair in pairs:
        whole = zip(*(rows.astype("<u2") for _, rows in pair), strict=True)
        for at, rows in enumerate(whole):
            for kind, row in zip((SAMPLES, DARK), rows, strict=False):
                if (body := row.tobytes()) != last.get(kind):
                    records.append(record(pair[0][0] + at * step_us, kind, body))
                    last[kind] = body
    records.append(record(end_us, END))
    return header(COUNTED, 0, len(records)) + b"".join(records)


def by_firmware(program: Path, storage: Path, text: bytes) -> bytes:
    """What the firmware sends when it plays a script."""
    storage.write_bytes(b"\xff" * 96)
    done = subprocess.run([program, storage], input=text, capture_output=True, timeout=280, check=False)
    assert done.returncode == 0, done.stderr.decode()
    return done.stdout
