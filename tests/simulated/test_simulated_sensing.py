from __future__ import annotations

import csv
from itertools import groupby, pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fingering.holes import HOLES, from_text
from fingerlead.simulated.motion import OPEN_MM, PRESS_MM, QUICKEST_US, SEAL_MM, SLOWEST_US, Course, Motion
from fingerlead.simulated.play import perform
from fingerlead.simulated.pupil import SimulatedPupil
from fingerlead.simulated.scenario import load_scenario
from fingerlead.simulated.script import write_script
from fingerlead.simulated.sensing import CHUNK, ChatterFilter, Comparator, Eye, Heights, Sensor, levels_of, sensors
from fingerlead.simulated.transducers import KINDS, Kind, Transducer, raw_samples
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


def test_the_same_sensors_are_further_apart_in_time_the_slower_a_finger_is() -> None:
    def apart_us(travel_us: int) -> float:
        lags_us = [known_lag_us(sensor, motion, travel_us) for sensor in sensors() for motion in ("lift", "lower")]
        return max(lags_us) - min(lags_us)

    assert apart_us(QUICKEST_US) < 1_000
    assert apart_us(SLOWEST_US) > 10_000


@given(SEEDS, st.integers(QUICKEST_US, SLOWEST_US))
@settings(max_examples=20, deadline=None)
def test_a_finger_is_at_the_height_of_the_seal_when_the_sound_changes(seed: int, travel_us: int) -> None:
    rng = np.random.default_rng(seed)
    seals_us = np.cumsum(rng.integers(1_000, 400_000, 30))
    course = Course(seals_us.tolist(), bool(seed % 2), Motion(travel_us, roll_us=seed % 3 * 10_000))
    before, after = course.heights_mm(seals_us - 1.0), course.heights_mm(seals_us + 1.0)
    assert np.abs(course.heights_mm(seals_us.astype(np.float64)) - SEAL_MM).max() < 1e-6
    assert ((before < SEAL_MM) == (np.arange(30) % 2 == 0 if seed % 2 else np.arange(30) % 2 == 1)).all()
    assert ((after > SEAL_MM) == (before < SEAL_MM)).all()
    everywhere = course.heights_mm(np.arange(0.0, float(seals_us[-1] + 400_000), 997.0))
    assert -PRESS_MM <= everywhere.min() < 0
    assert everywhere.max() <= OPEN_MM


@pytest.mark.parametrize("kind", KINDS)
def test_a_sensor_rises_as_the_finger_comes_down(kind: Kind) -> None:
    shares = Transducer(kind).share(np.linspace(OPEN_MM, -PRESS_MM, 500))
    assert (np.diff(shares) >= 0).all()
    assert shares[0] < 0.1
    assert shares[-1] > 0.95


def test_a_film_of_water_holds_a_lift_up_until_it_dries_and_no_covering() -> None:
    course = Course([100_000, 300_000], True, Motion())
    t_us = np.arange(0.0, 400_000, 500)
    dry, wet = (
        Transducer(film=film, dry_us=50_000).signal(t_us, course.heights_mm, course.dry_us) for film in (0.0, 0.9)
    )
    assert t_us[(wet < 0.6).argmax()] - t_us[(dry < 0.6).argmax()] > 15_000
    assert t_us[len(t_us) - (wet < 0.6)[::-1].argmax()] == t_us[len(t_us) - (dry < 0.6)[::-1].argmax()]


def test_lamps_flicker_at_twice_the_mains_where_no_finger_shades_them() -> None:
    lamp = Transducer("infrared", flicker=0.5)
    t_us = np.arange(0.0, 1e6, 500)
    open_, covered = (
        lamp.signal(t_us, lambda at, mm=mm: np.full(at.shape, mm), np.zeros_like)  # type: ignore[misc]
        for mm in (OPEN_MM, 0.0)
    )
    assert np.ptp(covered) == 0
    spectrum = np.abs(np.fft.rfft(open_ - open_.mean()))
    assert spectrum.argmax() == 100
    assert 0.4 < np.ptp(open_) <= 0.5


def test_a_narrow_bandwidth_is_late_by_its_time_constant_both_ways() -> None:
    course = Course([200_000, 600_000], True, Motion(200_000))
    t_us = np.arange(0.0, 800_000, 100)
    quick, slow = (Transducer(lag_us=lag).signal(t_us, course.heights_mm, course.dry_us) for lag in (0.0, 5_000.0))
    crossings = [np.flatnonzero(np.diff((signal > 0.6).astype(int))) for signal in (quick, slow)]
    late_us = (t_us[crossings[1]] - t_us[crossings[0]]).tolist()
    assert late_us == pytest.approx([5_000, 5_000], abs=700)


@given(SEEDS)
@settings(max_examples=5, deadline=None)
def test_the_samples_of_heights_are_those_of_the_performance(seed: int) -> None:
    pupil = SimulatedPupil(travel_us=30_000)
    performance = perform(pupil, write_script(pupil, seed, changes=6), seed)
    quiet = tuple(Sensor(noise_raw=0.0, transducer=Transducer(lag_us=300)) for _ in range(HOLES))
    heights = Heights(performance, quiet, 250, 0)
    expected = heights.samples(0, CHUNK)
    t_us = np.arange(0, CHUNK) * 250.0
    mm = np.stack(
        [
            Course(
                [edge.t_us for edge in performance.edges if edge.finger == hole],
                bool(performance.start_mask >> hole & 1),
                Motion(30_000),
            ).heights_mm(t_us)
            for hole in range(HOLES)
        ],
        axis=1,
    )
    told = raw_samples(t_us, mm, [s.transducer for s in quiet], (100,) * 8, (900,) * 8, (0.0,) * 8, 1_023)
    assert np.abs(told - expected)[10:].max() <= 1


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
