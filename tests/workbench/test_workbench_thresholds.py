from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fingerlead.workbench.levels import clusters, holes_of, otsu
from fingerlead.workbench.samples import at_rank, shares_of_lines
from tests.workbench.workbench_tools import calibration


def levels_of(reports):
    return [(report.cover_at, report.uncover_at) for report in reports]


@given(st.lists(st.integers(0, 1_023), min_size=2, max_size=300).filter(lambda values: len(set(values)) > 1))
def test_otsu_is_as_good_as_the_library(values):
    """scikit-image, filters.threshold_otsu: the same variance between the classes, and for clear cases the same cut."""
    threshold_otsu = pytest.importorskip("skimage.filters").threshold_otsu
    samples = np.array(values)

    def between(cut):
        below, above = samples[samples <= cut], samples[samples > cut]
        return len(below) * len(above) * (above.mean() - below.mean()) ** 2

    ours, theirs = otsu(np.bincount(samples)), int(threshold_otsu(samples))
    assert between(ours) == pytest.approx(between(theirs), rel=1e-9)


@given(st.integers(0, 10_000))
def test_clear_cases_are_cut_where_the_library_cuts_them(seed):
    threshold_otsu = pytest.importorskip("skimage.filters").threshold_otsu
    rng = np.random.default_rng(seed)
    low, high = rng.integers(50, 300), rng.integers(600, 1_000)
    samples = np.rint(np.concatenate((rng.normal(low, 5, 400), rng.normal(high, 8, rng.integers(50, 800))))).astype(int)
    assert otsu(np.bincount(samples)) == int(threshold_otsu(samples))


def test_the_levels_of_a_calibration_cut_as_the_library_does():
    threshold_otsu = pytest.importorskip("skimage.filters").threshold_otsu
    for seed in range(20):
        taken, _ = calibration(seed)
        for report in holes_of(taken):
            counts, _ = clusters(taken, report.hole)
            values = np.repeat(np.arange(len(counts)), counts)
            cut = int(threshold_otsu(values))
            spans = [span for span in taken.spans if span.kind != "scale"]
            spans = [span for span in spans if (span.kind, span.hole) != ("half", report.hole)]
            held = np.concatenate([taken.samples[span.held : span.end, report.hole] for span in spans])
            assert ((held > cut) == (held >= report.cover_at)).all()
            assert ((held <= cut) == (held <= report.uncover_at)).all()
            assert report.open_raw < report.uncover_at < report.cover_at < report.covered_raw


def test_otsu_refuses_samples_that_are_all_the_same():
    with pytest.raises(ValueError, match="two different sizes"):
        otsu(np.bincount([7, 7, 7]))


def test_percentiles_and_noise_are_scipys():
    """scipy.stats.scoreatpercentile with the lower neighbour; peak to peak of a normal noise is 5.15 deviations."""
    stats = pytest.importorskip("scipy.stats")
    rng = np.random.default_rng(5)
    rows = np.sort(rng.integers(0, 1_000, (8, 777)).astype(np.uint16), axis=1)
    for share in (0.005, 0.02, 0.5, 0.9, 0.995):
        expected = [stats.scoreatpercentile(row, share * 100, interpolation_method="lower") for row in rows]
        assert at_rank(rows, share).tolist() == expected
    deviation = 20.0
    noise = np.sort(np.rint(rng.normal(500, deviation, (8, 20_000))).astype(np.uint16), axis=1)
    span = at_rank(noise, 0.995) - at_rank(noise, 0.005)
    assert span == pytest.approx(deviation * (stats.norm.ppf(0.995) - stats.norm.ppf(0.005)), rel=0.05)


@pytest.mark.parametrize("line_hz", [50, 60])
def test_a_mains_line_is_told_from_the_other(line_hz):
    t_us = np.arange(0, 900_000, 3_003)
    t_us = np.delete(t_us, slice(40, 55))  # lost frames
    wave = 100 * np.sin(2 * np.pi * line_hz * t_us / 1e6 + 1) + np.random.default_rng(1).normal(0, 10, len(t_us))
    shares = shares_of_lines(t_us, np.repeat(wave[:, None], 8, axis=1), (50, 60, 100, 120))
    assert shares[(50, 60).index(line_hz)].min() > 0.9
    assert shares[(60, 50).index(line_hz)].max() < 0.2


def test_a_line_above_half_the_rate_is_not_claimed():
    t_us = np.arange(0, 900_000, 10_000)
    wave = np.sin(2 * np.pi * 60 * t_us / 1e6)
    assert shares_of_lines(t_us, wave[:, None], (60,))[0, 0] == 0.0


def test_levels_are_crossed_for_no_hole_whatever_is_wrong():
    for kind in ("dead", "stuck", "noisy", "reversed", "saturated"):
        for seed in range(10):
            taken, _ = calibration(seed, kind)
            assert all(65_535 >= cover > uncover >= 0 for cover, uncover in levels_of(holes_of(taken)))


def test_spikes_do_not_move_the_levels():
    taken, _ = calibration(3)
    before = levels_of(holes_of(taken))
    rng = np.random.default_rng(1)
    rows = rng.integers(0, len(taken.t_us), len(taken.t_us) // 2_000)
    taken.samples[rows] = rng.choice((0, 1_023), (len(rows), 8))
    after = levels_of(holes_of(taken))
    assert np.abs(np.array(before) - np.array(after)).max() < 40


def test_the_levels_are_near_the_seal_and_a_half_covered_hole_is_open():
    for seed in range(12):
        taken, _ = calibration(seed)
        for report in holes_of(taken):
            swing = report.covered_raw - report.open_raw
            at = ((report.cover_at + report.uncover_at) / 2 - report.open_raw) / swing
            assert 0.7 <= at <= 0.9
            assert report.cover_at - report.uncover_at <= 0.3 * swing
            assert report.half is not None
            assert report.open_raw + report.half * swing < report.uncover_at
