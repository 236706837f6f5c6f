"""The C filter against the table that it shares with Python, and against Python itself."""

from __future__ import annotations

import csv
import ctypes
from itertools import groupby
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fingering.holes import HOLES, from_text
from fingerlead.simulated.sensing import ChatterFilter, Comparator

TABLE = Path(__file__).parents[1] / "simulated" / "chatter_table.csv"
Decided = list[list[tuple[int, int]]]


def table_cases() -> list[tuple[str, list[dict[str, str]]]]:
    with TABLE.open(encoding="utf-8", newline="") as file:
        return [(case, list(rows)) for case, rows in groupby(csv.DictReader(file), key=lambda row: row["case"])]


def in_c(bridge: ctypes.CDLL, settle_us: int, start_mask: int, times_us: list[int], seen: list[int]) -> Decided:
    """What the C filter decides at each scan."""
    scans = len(seen)
    most = HOLES * scans + 1
    edge_us, edge_scan = (ctypes.c_uint32 * most)(), (ctypes.c_uint32 * most)()
    edge_mask = (ctypes.c_uint8 * most)()
    times = (ctypes.c_uint32 * scans)(*(t_us & 0xFFFFFFFF for t_us in times_us))
    edges = bridge.bridge_chatter(
        settle_us, start_mask, scans, times, (ctypes.c_uint8 * scans)(*seen), edge_us, edge_mask, edge_scan
    )
    decided: Decided = [[] for _ in seen]
    for edge in range(edges):
        decided[edge_scan[edge]].append((edge_us[edge], edge_mask[edge]))
    return decided


@pytest.mark.parametrize(("case", "rows"), table_cases(), ids=lambda value: value if isinstance(value, str) else "")
def test_c_filter_by_the_shared_table(bridge: ctypes.CDLL, case: str, rows: list[dict[str, str]]) -> None:
    expected = []
    for row in rows:
        entries = [entry.split("=") for entry in row["decided"].split()]
        expected.append([(int(t_us), from_text(mask)) for t_us, mask in entries])
    seen = [from_text(row["seen"]) for row in rows]
    assert in_c(bridge, 2_000, seen[0], [int(row["time_us"]) for row in rows], seen) == expected, case


RUNS = st.lists(st.tuples(st.integers(1, 6), st.integers(0, 255) | st.sampled_from((0xFF, 0x7F, 0x3F))), max_size=60)


@given(RUNS, st.integers(0, 5_000), st.integers(0, 255), st.integers(0, 2**32 - 1), st.data())
@settings(max_examples=400, deadline=None)
def test_c_and_python_filters_decide_the_same(
    bridge: ctypes.CDLL,
    runs: list[tuple[int, int]],
    settle_us: int,
    start_mask: int,
    start_us: int,
    data: st.DataObject,
) -> None:
    seen = [mask for length, mask in runs for _ in range(length)]
    gaps = data.draw(
        st.lists(st.sampled_from((1, 400, 500, 1_000, 2_000, 7_000)), min_size=len(seen), max_size=len(seen))
    )
    times_us = [start_us + int(gap) for gap in np.cumsum(gaps)] if gaps else []
    chatter = ChatterFilter(settle_us, start_mask)
    expected = [
        [(first_us & 0xFFFFFFFF, mask) for first_us, mask in chatter.see(t_us, mask)]
        for t_us, mask in zip(times_us, seen, strict=True)
    ]
    assert in_c(bridge, settle_us, start_mask, times_us, seen) == expected


SAMPLE = st.integers(0, 65_535) | st.integers(450, 550)
LEVELS = st.lists(
    st.tuples(SAMPLE, SAMPLE).filter(lambda pair: pair[0] != pair[1]).map(lambda pair: (max(pair), min(pair))),
    min_size=HOLES,
    max_size=HOLES,
)


@given(LEVELS, st.lists(st.lists(SAMPLE, min_size=HOLES, max_size=HOLES), min_size=1, max_size=50))
@settings(max_examples=300, deadline=None)
def test_c_and_python_levels_see_the_same(
    bridge: ctypes.CDLL, levels: list[tuple[int, int]], rows: list[list[int]]
) -> None:
    flat = [level for pair in levels for level in pair]
    samples = [sample for row in rows for sample in row]
    seen = (ctypes.c_uint8 * len(rows))()
    bridge.bridge_levels(
        (ctypes.c_uint16 * len(flat))(*flat), len(rows), (ctypes.c_uint16 * len(samples))(*samples), seen
    )
    assert list(seen) == Comparator(tuple(levels)).step(np.array(rows, dtype=np.int32)).tolist()


@given(st.integers(0, 2**32 - 1), st.integers(100, 400), st.integers(0, 1))
@settings(max_examples=30, deadline=None)
def test_a_finger_that_hovers_for_ten_seconds_makes_at_most_two_edges(
    bridge: ctypes.CDLL, seed: int, scan_us: int, at_cover: int
) -> None:
    # Noise of less than half the distance between the levels, around either of them.
    level = (540, 460)[at_cover]
    scans = 10_000_000 // (scan_us * 5)
    samples = np.random.default_rng(seed).uniform(level - 39, level + 39, (scans, HOLES)).astype(np.uint16)
    seen = (ctypes.c_uint8 * scans)()
    flat = (ctypes.c_uint16 * 16)(*(540, 460) * HOLES)
    bridge.bridge_levels(flat, scans, samples.ctypes.data_as(ctypes.POINTER(ctypes.c_uint16)), seen)
    times_us = [scan * scan_us * 5 for scan in range(scans)]
    edges = [mask for decided in in_c(bridge, 2_000, seen[0], times_us, list(seen)) for _, mask in decided]
    changes = [before ^ after for before, after in zip([seen[0], *edges], edges, strict=False)]
    assert all(sum(change >> hole & 1 for change in changes) <= 2 for hole in range(HOLES))
