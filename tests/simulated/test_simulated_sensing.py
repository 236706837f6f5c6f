from __future__ import annotations

import csv
from itertools import groupby, pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fingering.holes import HOLES, from_text
from fingerlead.simulated.play import perform
from fingerlead.simulated.pupil import SimulatedPupil
from fingerlead.simulated.scenario import load_scenario
from fingerlead.simulated.script import write_script
from fingerlead.simulated.sensing import CHUNK, ChatterFilter, Comparator, Eye, Heights, Sensor, levels_of, sensors
from tests.simulated.known import known_lag_us, sense

SEEDS = st.integers(0, 2**32 - 1)


def table_cases() -> list[tuple[str, list[dict[str, str]]]]:
    path = Path(__file__).parent / "chatter_table.csv"
    with path.open(encoding="utf-8", newline="") as file:
        return [(case, list(rows)) for case, rows in groupby(csv.DictReader(file), key=lambda row: row["case"])]


@pytest.mark.parametrize(("case", "rows"), table_cases(), ids=lambda value: value if isinstance(value, str) else "")
def test_chatter_filter_by_its_table(case: str, rows: list[dict[str, str]]) -> None:
    chatter = ChatterFilter(2_000, from_text(rows[0]["seen"]))
    for row in rows:
        decided = chatter.see(int(row["time_us"]), from_text(row["seen"]))
        expected = [entry.split("=") for entry in row["decided"].split()]
        assert decided == [(int(t_us), from_text(mask)) for t_us, mask in expected], (case, row)


@given(st.lists(st.tuples(st.integers(1, 8), st.integers(0, 255)), max_size=40), st.integers(0, 6))
def test_chatter_filter_asked_only_when_something_may_be_due_decides_the_same(
    runs: list[tuple[int, int]], settle: int
) -> None:
    scans = [mask for length, mask in runs for _ in range(length)] + [0] * 10
    every, sparse = ChatterFilter(settle, 255), ChatterFilter(settle, 255)
    decided_every, decided_sparse = [], []
    before = 255
    for t_us, mask in enumerate(scans):
        decided_every += every.see(t_us, mask)
        if mask != before or sparse.due_us == t_us:
            decided_sparse += sparse.see(t_us, mask)
        before = mask
    assert decided_sparse == decided_every
    times = [t_us for t_us, _ in decided_every]
    assert times == sorted(set(times))


@given(
    st.lists(st.lists(st.integers(0, 9), min_size=HOLES, max_size=HOLES), min_size=1, max_size=60),
    st.lists(st.integers(1, 59), max_size=5),
)
def test_levels_with_hysteresis_against_a_plain_loop_in_any_cutting(rows: list[list[int]], cuts: list[int]) -> None:
    levels = ((6, 3),) * HOLES
    samples = np.array(rows, dtype=np.int32)
    state = [2 * first >= 9 for first in rows[0]]
    expected = []
    for row in rows:
        state = [True if s >= 6 else False if s <= 3 else old for s, old in zip(row, state, strict=True)]
        expected.append(sum(1 << hole for hole in range(HOLES) if state[hole]))
    comparator = Comparator(levels)
    pieces = [piece for piece in np.split(samples, sorted(c for c in cuts if c < len(rows))) if len(piece)]
    assert [mask for piece in pieces for mask in comparator.step(piece).tolist()] == expected


@given(SEEDS, st.integers(200, 2_000), st.integers(0, 199))
@settings(max_examples=25, deadline=None)
def test_ideal_sensors_see_every_edge_in_the_next_scan(seed: int, scan_us: int, phase_us: int) -> None:
    pupil = SimulatedPupil(scatter_us=(4_000,) * 8)
    performance = perform(pupil, write_script(pupil, seed, changes=25), seed)
    ideal = sensors("ideal")
    lag_us = max(abs(known_lag_us(ideal[0], motion)) for motion in ("lift", "lower"))
    seen = sense(performance, ideal, scan_us, phase_us)
    assert seen[0] == (phase_us, performance.start_mask)
    mask, found = performance.start_mask, []
    for t_us, after in seen[1:]:
        found += [(hole, t_us) for hole in range(HOLES) if (mask ^ after) >> hole & 1]
        mask = after
    for hole in range(HOLES):
        expected = [edge.t_us for edge in performance.edges if edge.finger == hole]
        times = [t_us for finger, t_us in found if finger == hole]
        assert len(times) == len(expected)
        assert all(-lag_us <= t - e <= scan_us + lag_us for t, e in zip(times, expected, strict=True))


@given(SEEDS)
@settings(max_examples=20, deadline=None)
def test_quiet_sensors_add_their_known_lag_and_no_more_than_one_scan(seed: int) -> None:
    quiet = tuple(Sensor(s.cover_at, s.uncover_at, 0.0) for s in sensors("usual"))
    pupil = SimulatedPupil(scatter_us=(4_000,) * 8)
    performance = perform(pupil, write_script(pupil, seed, changes=25), seed)
    seen = sense(performance, quiet, 500)
    for hole in range(HOLES):
        expected = [
            edge.t_us + known_lag_us(quiet[hole], edge.motion) for edge in performance.edges if edge.finger == hole
        ]
        times = [t_us for (_, before), (t_us, after) in pairwise(seen) if (before ^ after) >> hole & 1]
        assert len(times) == len(expected)
        assert all(-12 <= t - e <= 512 for t, e in zip(times, expected, strict=True))


def test_the_usual_sensors_stay_within_the_skew_that_is_assumed_of_a_chanter() -> None:
    lags_us = [known_lag_us(sensor, motion) for sensor in sensors("usual") for motion in ("lift", "lower")]
    assert 1_000 < max(lags_us) - min(lags_us) <= 3_000


@pytest.mark.parametrize("kind", ["usual", "noisy"])
def test_noise_makes_no_edges_of_its_own(kind: str) -> None:
    pupil = load_scenario("clean").pupil
    performance = perform(pupil, write_script(pupil, 8, changes=150), 8)
    seen = sense(performance, sensors(kind))
    flips = sum((before ^ after).bit_count() for (_, before), (_, after) in pairwise(seen))
    assert flips == len(performance.edges)


def test_a_trembling_finger_makes_more_edges_than_were_meant() -> None:
    pupil = load_scenario("trembling").pupil
    performance = perform(pupil, write_script(pupil, 8, changes=100), 8)
    assert performance.trembles
    assert len(sense(performance)) > len(performance.edges)


@given(SEEDS, st.lists(st.integers(1, 3 * CHUNK), max_size=6))
@settings(max_examples=15, deadline=None)
def test_scans_taken_in_any_pieces_are_the_same(seed: int, cuts: list[int]) -> None:
    pupil = load_scenario("trembling").pupil
    performance = perform(pupil, write_script(pupil, seed, changes=15), seed)
    sensors_ = sensors("noisy")

    def looked(bounds: list[int]) -> list[tuple[int, int]]:
        eye = Eye(Heights(performance, sensors_, 1_000, 0), levels_of(sensors_), 2_000)
        pairs = pairwise(bounds)
        return [mask for first, last in pairs for _, decided in eye.look(first, last) for mask in decided]

    assert looked(sorted({0, 3 * CHUNK, *cuts})) == looked([0, 3 * CHUNK])


def test_sensors_by_another_name_are_refused() -> None:
    with pytest.raises(ValueError, match="ideal, usual, noisy"):
        sensors("perfect")
