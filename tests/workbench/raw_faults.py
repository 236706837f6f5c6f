"""Faults of sensors, planted in raw samples: what a calibration must tell apart.

`rehearse` plays a whole calibration with simulated hands at a steady rate, on sensors drawn by a seed, with at most one
fault in it. All shapes are our own choice, drawn wide; each fault is what its remark says:

    stuck        reads covered whatever the finger does, or stands still at one value      bridge, grease, frozen input
    dead         nothing but the bottom of the scale                                      wire off
    swapped      two holes answer for each other                                          wires crossed
    saturated    so much gain that a covered hole hits the top of the scale
    noisy        broad noise, below 5:1
    hum          a line at 50 or 60 Hz, below 5:1
    drift        the sample wanders by a good part of the swing during the calibration     warmth
    crosstalk    a neighbour's finger moves it
    late         filtered so much that an edge takes 45 ms and more
    reversed     falls as the hole is covered
    intermittent drops out for moments while covered                                      loose contact
    light or water  lamps flicker into the open hole at 100 or 120 Hz, and raise it; or a drop keeps it half covered
                 after the finger has gone
"""

from __future__ import annotations

from collections.abc import Sequence
from copy import deepcopy
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal, get_args

import numpy as np
from numpy.typing import NDArray

from fingering.holes import HOLES
from fingerlead.simulated.hands import Hands

RawFault = Literal[
    "stuck", "dead", "swapped", "saturated", "noisy", "hum", "drift", "crosstalk", "late", "reversed", "intermittent",
    "light or water",
]  # fmt: skip
RAW_FAULTS: tuple[RawFault, ...] = get_args(RawFault)
FULL_SCALE = 1_023
RATE_HZ = 333
WAIT_US, HELD_US = 500_000, 900_000


@dataclass(frozen=True, slots=True)
class Rehearsed:
    """A calibration as it was played. `steps`: rows at which each was asked, was held from, and ended.

    `holes` are those with the fault: two where they are swapped, none without a fault.
    """

    t_us: NDArray[np.int64]
    samples: NDArray[np.uint16]
    steps: tuple[tuple[int, int, int], ...]
    holes: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class _Healthy:
    """A calibration on whole sensors, raw and without noise, and the noise; `rng` goes on where a fault is drawn."""

    t_us: NDArray[np.int64]
    steps: tuple[tuple[int, int, int], ...]
    heights: NDArray[np.float64]
    raw: NDArray[np.float64]
    noises: NDArray[np.float64]
    open_raw: NDArray[np.float64]
    swing: NDArray[np.float64]
    noise: NDArray[np.float64]
    hole: int
    rng: np.random.Generator


def rehearse(
    plan: Sequence[tuple[str, int | None]],
    seed: int,
    fault: RawFault | None = None,
    rate_hz: int = RATE_HZ,
    left_out: int | None = None,
    held_us: int = HELD_US,
) -> Rehearsed:
    """Play the steps of `plan` (kind, hole). `left_out` is a hole that the player never covers."""
    healthy = _healthy(tuple(plan), seed, rate_hz, left_out, held_us)
    raw, holes = _sensed(healthy, fault, rate_hz)
    samples = np.clip(np.rint(raw, out=raw), 0, FULL_SCALE, out=raw).astype(np.uint16)
    return Rehearsed(healthy.t_us, samples, healthy.steps, holes)


@lru_cache(maxsize=1)
def _healthy(
    plan: Sequence[tuple[str, int | None]], seed: int, rate_hz: int, left_out: int | None, held_us: int
) -> _Healthy:
    """What every fault of a seed is planted in: most of the work, done once for faults tried one after the other."""
    rng = np.random.default_rng(seed)
    hands = Hands(seed)
    asked_us: list[tuple[int, int, int]] = []
    now_us = 0
    for kind, hole in plan:
        done_us = hands.ask(kind, hole, now_us)
        held = now_us if kind == "scale" else done_us + WAIT_US
        asked_us.append((now_us, held, max(held, done_us) + held_us))
        now_us = asked_us[-1][2]
    t_us = (np.arange(now_us * rate_hz // 1_000_000) * 1_000_000 // rate_hz).astype(np.int64)
    heights = hands.heights(t_us.astype(np.float64))
    if left_out is not None:
        heights[:, left_out] = 0.0
    # Pressure is never quite steady.
    heights *= 1 - 0.02 * heights * (1 + np.sin(t_us[:, None] * rng.uniform(2e-6, 5e-6, HOLES)))
    faulty = int(rng.integers(HOLES))
    steps = tuple(
        (int(asked), int(held), int(end)) for asked, held, end in (np.searchsorted(t_us, row) for row in asked_us)
    )
    open_raw = rng.uniform(60, 200, HOLES)
    swing = rng.uniform(350, 700, HOLES)
    noise = swing / rng.uniform(15, 60, HOLES) / 5.15  # standard deviation; 5.15 of them are nearly peak to peak
    raw = open_raw + heights * swing
    raw += heights @ (_beside() * rng.uniform(0, 0.05, (HOLES, HOLES))) * swing
    raw += rng.uniform(-0.03, 0.03, HOLES) * swing * (t_us[:, None] / t_us[-1])
    noises = rng.standard_normal((len(t_us), HOLES)) * noise
    return _Healthy(t_us, steps, heights, raw, noises, open_raw, swing, noise, faulty, rng)


def _sensed(healthy: _Healthy, fault: RawFault | None, rate_hz: int) -> tuple[NDArray[np.float64], tuple[int, ...]]:
    """Raw samples before they are cut off at the rails, and the holes with the fault."""
    t_us, heights, open_raw, swing, hole = (
        healthy.t_us, healthy.heights, healthy.open_raw, healthy.swing, healthy.hole,
    )  # fmt: skip
    rng, raw, noises = deepcopy(healthy.rng), healthy.raw.copy(), healthy.noises.copy()
    rows, one = len(t_us), raw[:, hole]
    holes: tuple[int, ...] = (hole,)
    seconds = t_us / 1e6
    match fault:
        case None:
            holes = ()
        case "stuck":
            if rng.random() < 0.5:
                one[:] = open_raw[hole] + swing[hole] * rng.uniform(0.8, 1.1)
            else:
                one[:], noises[:, hole] = rng.uniform(50, 900), 0.0
        case "dead":
            one[:], noises[:, hole] = rng.uniform(0, 8), rng.standard_normal(rows) * rng.uniform(0, 1)
        case "swapped":
            other = (hole + int(rng.integers(1, HOLES))) % HOLES
            raw[:, [hole, other]] = raw[:, [other, hole]]
            holes = (hole, other)
        case "saturated":
            one[:] = one[0] + (one - one[0]) * (FULL_SCALE - one[0]) / swing[hole] * rng.uniform(1.08, 1.8)
        case "noisy":
            noises[:, hole] *= swing[hole] / rng.uniform(1.5, 4.5) / 5.15 / healthy.noise[hole]
        case "hum":
            peak = swing[hole] / rng.uniform(1.5, 4.5) / 2
            line_hz = rng.choice((50, 60)) + rng.uniform(-0.1, 0.1)
            one += peak * np.sin(2 * np.pi * line_hz * seconds + rng.uniform(0, 6))
        case "drift":
            way = seconds / seconds[-1]
            if rng.random() < 0.5:
                way = 1 - np.exp(-way * rng.uniform(0.5, 2))
                way /= way[-1]
            one += rng.choice((-1, 1)) * rng.uniform(0.3, 0.7) * swing[hole] * way
            one += max(0.0, 20 - one.min())
        case "crosstalk":
            beside = [other for other in (hole - 1, hole + 1) if 0 <= other < HOLES]
            one += heights[:, int(rng.choice(beside))] * swing[hole] * rng.uniform(0.25, 0.6)
        case "late":
            one[:] = _smoothed(one, 1e6 / rate_hz / rng.uniform(20_000, 60_000))
        case "reversed":
            one[:] = 2 * open_raw[hole] + swing[hole] - one
        case "intermittent":
            out = _bursts(rng, t_us, rng.uniform(3, 12), (4_000, 30_000))
            one[out] = open_raw[hole] if rng.random() < 0.5 else 0.0
        case "light or water":
            _light_or_water(rng, seconds, heights[:, hole], one, swing[hole])
    raw += noises
    return raw, holes


def _beside() -> NDArray[np.float64]:
    return np.eye(HOLES, k=1) + np.eye(HOLES, k=-1)


def _smoothed(values: NDArray[np.float64], share: float) -> NDArray[np.float64]:
    """A low pass of the first order: each step goes `share` of the way that is left."""
    weight = (1 - share) ** np.arange(int(12 / share))
    padded = np.concatenate((np.full(len(weight) - 1, values[0]), values))
    return np.asarray(np.convolve(padded, weight / weight.sum(), mode="valid"))


def _bursts(
    rng: np.random.Generator, t_us: NDArray[np.int64], a_second: float, long_us: tuple[int, int]
) -> NDArray[np.bool_]:
    """Rows within short moments, so many a second."""
    count = max(1, rng.poisson(a_second * t_us[-1] / 1e6))
    begins = rng.uniform(0, t_us[-1], count)
    ends = begins + rng.uniform(*long_us, count)
    depth = np.zeros(len(t_us) + 1, dtype=np.int64)
    np.add.at(depth, np.searchsorted(t_us, begins), 1)
    np.add.at(depth, np.searchsorted(t_us, ends), -1)
    within: NDArray[np.bool_] = np.cumsum(depth[:-1]) > 0
    return within


def _light_or_water(
    rng: np.random.Generator,
    seconds: NDArray[np.float64],
    height: NDArray[np.float64],
    one: NDArray[np.float64],
    swing: float,
) -> None:
    if rng.random() < 0.5:
        flicker = np.sin(2 * np.pi * rng.choice((100, 120)) * seconds + rng.uniform(0, 6))
        peak = swing / rng.uniform(2, 5) / 2
        one += (1 - height) * (swing * rng.uniform(0.1, 0.3) + peak * flicker)
        return
    # It comes with the first finger that is laid on, and runs off slowly.
    covered = np.flatnonzero(height > 0.5)
    last = np.maximum.accumulate(np.where(height > 0.5, np.arange(len(seconds)), -1))
    wet = (np.arange(len(seconds)) >= covered[0]) & (height <= 0.5) if len(covered) else np.zeros(len(seconds), bool)
    since = seconds - seconds[np.maximum(last, 0)]
    drop = swing * rng.uniform(0.3, 0.6) * np.exp(-since / rng.uniform(15, 60))
    one += np.where(wet, np.minimum(drop, swing * (1 - height)), 0.0)


@dataclass(frozen=True, slots=True)
class SealTake:
    """A seal check as it was played: samples, the levels of the holes, and the hole that loosens, if one does."""

    t_us: NDArray[np.int64]
    samples: NDArray[np.uint16]
    open_raw: tuple[float, ...]
    covered_raw: tuple[float, ...]
    leak: int | None
    leak_us: float


def sealing(seed: int, leak: bool, rate_hz: int = RATE_HZ) -> SealTake:
    """Low G, then each finger up and down; with a leak, one other finger comes a fifth to a half of the way off."""
    rng = np.random.default_rng(seed)
    hands = Hands(seed)
    end_us = hands.ask("seal", None, 0) + HELD_US
    t_us = (np.arange(end_us * rate_hz // 1_000_000) * 1_000_000 // rate_hz).astype(np.int64)
    heights = hands.heights(t_us.astype(np.float64))
    began = int(np.flatnonzero((heights > 0.9).all(axis=1))[0]) + rate_hz // 5
    t_us, heights = t_us[began:], heights[began:]
    open_raw, swing = rng.uniform(60, 200, HOLES), rng.uniform(350, 700, HOLES)
    noise = swing / rng.uniform(15, 60, HOLES) / 5.15
    # Pressure is never quite steady, and shakes a little where a neighbour moves.
    heights -= 0.03 * heights * (1 + np.sin(t_us[:, None] * rng.uniform(2e-6, 9e-6, HOLES) + rng.uniform(0, 6, HOLES)))
    holes, leak_us = [], 0.0
    if leak:
        mover, hole = (int(one) for one in rng.permutation(HOLES)[:2])
        moves = np.flatnonzero(np.diff(heights[:, mover] > 0.5))
        leak_us = float(t_us[rng.choice(moves)]) + rng.uniform(-30_000, 60_000)
        long_us = rng.uniform(100_000, 350_000)
        depth = rng.uniform(0.2, 0.5)
        bump = np.clip((t_us - leak_us) / long_us, 0, 1)
        heights[:, hole] = np.minimum(heights[:, hole], 1 - 0.03 - depth * np.sin(np.pi * bump) ** 0.5 * (bump < 1))
        holes = [hole]
    raw = open_raw + heights * swing + rng.standard_normal(heights.shape) * noise
    samples = np.clip(np.rint(raw), 0, FULL_SCALE).astype(np.uint16)
    covered_raw = open_raw + 0.96 * swing
    return SealTake(t_us, samples, tuple(open_raw), tuple(covered_raw), holes[0] if holes else None, leak_us)
