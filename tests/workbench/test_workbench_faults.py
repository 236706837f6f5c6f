"""Twelve kinds of planted fault, fifty seeds each: what is said of the hole, and of the holes beside it."""

from __future__ import annotations

import sys
from collections import Counter

import pytest

from fingerlead.workbench.faults import REMEDIES
from fingerlead.workbench.levels import holes_of
from tests.workbench.raw_faults import RAW_FAULTS
from tests.workbench.workbench_tools import calibration

SEEDS = range(50)


@pytest.fixture(scope="module")
def table():
    """What each planted kind was taken for, and how often a healthy hole beside it was called bad."""
    told, healthy = {}, Counter()
    for seed in SEEDS:
        for kind in (None, *RAW_FAULTS):
            taken, holes = calibration(seed, kind)
            for report in holes_of(taken):
                if report.hole in holes:
                    told.setdefault(kind, Counter())[report.fault] += 1
                    assert report.fault is None or REMEDIES[report.fault] in report.words
                else:
                    healthy[report.verdict] += 1
    return told, healthy


def test_every_kind_is_told_from_the_others(table):
    told, _ = table
    for kind in RAW_FAULTS:
        sys.stdout.write(f"{kind:>14}: {dict(told[kind])}\n")
        assert told[kind][kind] >= 0.96 * sum(told[kind].values()), (kind, told[kind])


def test_a_healthy_hole_is_hardly_ever_called_bad(table):
    _, healthy = table
    assert sum(healthy.values()) > 4_500
    assert healthy["bad"] <= 0.02 * sum(healthy.values())
    assert healthy["good"] >= 0.95 * sum(healthy.values())


@pytest.mark.parametrize("rate_hz", [200, 1_000])
def test_other_rates_tell_the_same(rate_hz):
    right = Counter()
    for seed in range(100, 105):
        for kind in RAW_FAULTS:
            taken, holes = calibration(seed, kind, rate_hz=rate_hz)
            right[kind] += all(report.fault == kind for report in holes_of(taken) if report.hole in holes)
    assert [kind for kind in RAW_FAULTS if right[kind] < 4] == [], right


def test_a_hole_that_was_never_covered_is_named_and_not_called_faulty():
    for seed in range(20):
        taken, _ = calibration(seed, left_out=seed % 8)
        told = [report for report in holes_of(taken) if report.verdict != "good"]
        assert [(report.hole, report.verdict, report.fault) for report in told] == [
            (seed % 8, "not judged", "never answered")
        ]
        assert "If your finger did what was asked" in told[0].words


def test_long_notes_make_no_slow_sensors():
    """The thumb's hole is open on one note alone: of a scale in which the others last, for a hundredth of the time."""
    for seed in range(6):
        taken, _ = calibration(seed, rate_hz=200, held_us=28_500_000)
        assert {report.verdict for report in holes_of(taken)} == {"good"}
