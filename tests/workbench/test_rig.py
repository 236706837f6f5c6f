"""What the rig measures: planted bias, spread and drift come out within their intervals, and as often as they say."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
import scipy

from fingerlead.workbench.rig import (
    CLASSES_US,
    LEAST,
    as_dict,
    chi_square,
    measure,
    moves_of,
    student,
    true_moves,
)
from fingerlead.workbench.rig_log import Line, Log, RigLogError
from tests.workbench.rig_logs import EVERY_US, Planted, levels_of


def log_of(planted: Planted, seed: int = 1, without: tuple[str, ...] = ()) -> Log:
    lines = {}
    for name, toggles in levels_of(planted, seed).items():
        if name not in without:
            kept = [toggles[0]]
            kept += [toggle for before, toggle in pairwise(toggles) if toggle[1] != before[1]]
            lines[name] = Line(bool(kept[0][1]), np.array([t_us for t_us, _ in kept[1:]], dtype=np.int64))
    return Log(lines, EVERY_US * (planted.moves + 1))


def rows_of(*logs):
    return {row.motion: row for row in measure(logs).rows}


def test_planted_errors_come_out_within_their_intervals():
    planted = Planted(drift_us=400.0, moves=300)
    rows = rows_of(log_of(planted))
    middle_us = planted.drift_us * EVERY_US * 150 / 60e6
    for motion, bias_us in (("lift", planted.lift_us), ("cover", planted.cover_us)):
        row = rows[motion]
        assert (row.hole, row.moves, row.missed, row.extra) == (3, 150, 0, 0)
        assert row.bias_us.low < bias_us + middle_us < row.bias_us.high
        assert row.spread_us.low < planted.spread_us < row.spread_us.high
        assert row.drift_us_per_minute.low < planted.drift_us < row.drift_us_per_minute.high
        assert row.bias_us.high - row.bias_us.low < 200
        assert row.travel_us == pytest.approx(30_000, abs=10)


def test_intervals_hold_as_often_as_they_say():
    """400 rigs with 15 moves of each kind: 95 % of the intervals hold the planted figure, to within chance."""
    held = {"bias": 0, "spread": 0, "drift": 0}
    count = 0
    for seed in range(200):
        planted = Planted(drift_us=0.0, moves=30, bounces=False)
        for row in measure([log_of(planted, seed)]).rows:
            count += 1
            true_us = planted.lift_us if row.motion == "lift" else planted.cover_us
            held["bias"] += row.bias_us.low <= true_us <= row.bias_us.high
            held["spread"] += row.spread_us.low <= planted.spread_us <= row.spread_us.high
            held["drift"] += row.drift_us_per_minute.low <= 0.0 <= row.drift_us_per_minute.high
    assert count == 400
    low, high = scipy.stats.binom.interval(0.9999, count, 0.95)
    assert all(low <= number <= high for number in held.values()), held


def test_several_logs_share_one_drift_and_their_errors_are_put_together():
    one, other = log_of(Planted(drift_us=900.0), 4), log_of(Planted(drift_us=900.0, lift_us=5_200.0), 5)
    row = rows_of(one, other)["lift"]
    assert row.moves == 120
    assert row.drift_us_per_minute.low < 900.0 < row.drift_us_per_minute.high
    assert row.spread_us.low < 300.0 < row.spread_us.high
    # That the two differ counts in how well the mean is known.
    assert row.bias_us.high - row.bias_us.low > 180


def test_moves_are_sorted_by_how_quickly_the_finger_came():
    result = measure([log_of(Planted(travels_us=(12_000.0, 30_000.0, 100_000.0, 200_000.0), moves=200))])
    assert [row.class_us for row in result.rows] == [*CLASSES_US, *CLASSES_US]
    assert [round(row.travel_us / 1_000) for row in result.rows[:4]] == [12, 30, 100, 200]


def test_without_a_stop_all_speeds_are_one_and_that_is_said():
    result = measure([log_of(Planted(), without=("top",))])
    assert {row.class_us for row in result.rows} == {None}
    assert any("`top`" in note for note in result.notes)


def test_a_scan_line_gives_the_time_on_the_wire():
    """The pin is set within the scan; the wire has the scan's start."""
    planted = Planted(scan_us=500, spread_us=0.0, bounces=False)
    plain = rows_of(log_of(planted, without=("scan",)))["lift"].bias_us.value
    scanned = rows_of(log_of(planted))["lift"].bias_us.value
    assert 150 < plain - scanned < 350


def test_missed_moves_and_edges_too_many_are_counted():
    planted = Planted(misses=(3, 4), bounces=False)
    log = log_of(planted)
    pin = log.lines["hole3"]
    false = pin.toggles_us[20] + 50_000
    toggles = np.sort(np.append(pin.toggles_us, [false, false + 30_000]))
    rows = rows_of(Log({**log.lines, "hole3": Line(pin.high, toggles)}, log.end_us))
    assert (rows["lift"].missed, rows["cover"].missed) == (1, 1)
    assert rows["lift"].extra + rows["cover"].extra == 2


def test_what_does_not_last_is_no_edge_and_the_first_turn_counts():
    log = log_of(Planted(spread_us=0.0))
    pin = log.lines["hole3"]
    flicker = pin.toggles_us[10] + 100_000
    toggles = np.sort(np.append(pin.toggles_us, [flicker, flicker + 1_500]))
    noisy = rows_of(Log({**log.lines, "hole3": Line(pin.high, toggles)}, log.end_us))
    assert noisy == rows_of(log)


def test_a_contact_that_bounces_has_come_at_the_first_touch_and_gone_at_the_last():
    contact = Line(False, np.array([100_000, 101_000, 103_000, 500_000, 501_000, 502_000]))
    times, left = true_moves(contact)
    assert times.tolist() == [100_000, 502_000]
    assert left.tolist() == [False, True]
    touch = Line(False, np.array([100_000, 103_000]))
    assert not len(true_moves(touch)[0])


def test_the_finger_is_over_the_hole_that_turns():
    one, other = log_of(Planted(hole=3), 1), log_of(Planted(hole=5, lift_us=900.0), 2)
    rows = measure([one, other]).rows
    assert [(row.hole, row.motion) for row in rows] == [(3, "lift"), (3, "cover"), (5, "lift"), (5, "cover")]


def test_a_pin_that_never_turns_is_no_trouble():
    log = log_of(Planted())
    still = {f"hole{hole}": Line(True, np.array([], dtype=np.int64)) for hole in (0, 7)}
    assert rows_of(Log({**log.lines, **still}, log.end_us)) == rows_of(log)


def test_a_missed_first_move_belongs_to_the_hole_of_the_rest():
    moves = moves_of(log_of(Planted(misses=(0,))))
    assert np.isnan(moves.error_us[0])
    assert set(moves.hole.tolist()) == {3}


def test_too_few_moves_are_not_judged():
    with pytest.raises(RigLogError, match=f"at least {LEAST} moves"):
        measure([log_of(Planted(moves=2 * LEAST - 2))])
    silent = log_of(Planted())
    with pytest.raises(RigLogError, match="never does"):
        measure([Log({**silent.lines, "contact": Line(False, np.array([], dtype=np.int64))}, silent.end_us)])


@pytest.mark.parametrize("free", [8, 20, 100, 1_000])
def test_quantiles_are_those_of_the_tables(free):
    assert student(free) == pytest.approx(scipy.stats.t.ppf(0.975, free), rel=2e-4)
    for share in (0.025, 0.975):
        assert chi_square(share, free) == pytest.approx(scipy.stats.chi2.ppf(share, free), rel=2e-2)


def test_the_json_has_what_the_notes_say():
    found = as_dict(measure([log_of(Planted())]))
    assert found["schema"] == "fingerlead-rig-1"
    assert list(found["rows"][0]) == [
        "finger", "motion", "travel_class_us", "travel_us", "moves", "missed", "extra_edges",
        "bias_us", "spread_us", "drift_us_per_minute",
    ]  # fmt: skip
    assert found["rows"][0]["finger"] == "top ring"
    low, high = found["rows"][0]["bias_us"]["interval"]
    assert low < found["rows"][0]["bias_us"]["value"] < high
