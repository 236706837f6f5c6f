"""The judge of finger times, judged: its truth is the seal, and its sensors do as their laws say."""

from __future__ import annotations

import ast
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from tests.sensors.bad import BADS, healthy, look
from tests.sensors.carried import states_of
from tests.sensors.fingers import EVEN_SWING, MINIMUM_JERK, STRIKE, Moves
from tests.sensors.holes import HOLES, Sensors, low_pass
from tests.sensors.judged import raw_of
from tests.sensors.playing import PERIOD_US, PLAIN_HAND, back_and_forth, crossings, is_crossing, play

FLUSH = Sensors(seal_mm=np.zeros(HOLES), noise=0.0)


def drawn(chance, count=200) -> Moves:
    top = chance.uniform(6.0, 12.0, count)
    return Moves(
        hole=chance.integers(0, HOLES, count),
        lift=chance.random(count) < 0.5,
        truth_us=np.full(count, 400_000.0),
        seal_mm=chance.uniform(0.0, 0.5, count),
        travel_us=chance.uniform(12_000, 250_000, count),
        top_mm=top,
        press_mm=chance.uniform(0.0, 0.4, count),
        press_us=chance.uniform(8_000, 30_000, count),
        roll_us=chance.uniform(0, 5_000, count),
        way=chance.choice((MINIMUM_JERK, EVEN_SWING, STRIKE), count),
        water_mm=np.zeros(count),
        pause_us=np.zeros(count),
        pause_mm=np.ones(count),
    )


def test_a_hole_seals_at_its_height_and_at_no_other_time():
    moves = drawn(np.random.default_rng(1))
    at, before, after = (moves.deciding_mm(moves.truth_us[:, None] + d)[:, 0] for d in (0.0, -300.0, 300.0))
    assert np.abs(at - moves.seal_mm).max() < 0.002
    rising = np.where(moves.lift, 1, -1)
    assert (rising * (after - at) >= 0).all()
    assert (rising * (at - before) >= 0).all()
    # Where the way is not flat there, the side moves on at once.
    steep = moves.seal_mm > 0.05
    assert (rising * (after - before) > 0)[steep].all()


def test_a_hesitating_finger_seals_when_it_would_have_and_stands_still_meanwhile():
    moves = drawn(np.random.default_rng(4))
    pausing = replace(moves, pause_us=np.full(200, 40_000.0), pause_mm=moves.seal_mm + 0.5)
    t_us = moves.truth_us[:, None]
    assert np.abs(pausing.deciding_mm(t_us)[:, 0] - moves.seal_mm).max() < 0.002
    way = np.where(moves.lift, 1, -1)[:, None] * np.arange(0, 400_000.0, 500.0)
    heights = pausing.deciding_mm(t_us + way)
    on_its_way = (heights > moves.seal_mm[:, None] + 0.3) & (heights < 0.9 * moves.top_mm[:, None])
    paces = np.where(on_its_way[:, 1:], np.abs(np.diff(heights)), np.inf)
    assert (paces.min(axis=1) < 0.002).all()
    # What lies beyond the pause comes as much later, or has been as much earlier.
    for late_us in (60_000.0, 90_000.0):
        beyond = pausing.deciding_mm(t_us + np.where(moves.lift, 1, -1)[:, None] * (late_us + 40_000.0))
        plain = moves.deciding_mm(t_us + np.where(moves.lift, 1, -1)[:, None] * late_us)
        quick = moves.travel_us < 60_000
        assert beyond[quick, 0] == pytest.approx(plain[quick, 0], abs=0.01)


def test_a_finger_rests_pressed_in_or_at_its_top():
    moves = drawn(np.random.default_rng(2))
    early, late = (moves.heights_mm(np.full((200, 1), at))[:, 0] for at in (-400_000.0, 1_200_000.0))
    down, up = np.where(moves.lift, early, late), np.where(moves.lift, late, early)
    assert up == pytest.approx(moves.top_mm)
    assert down == pytest.approx(-moves.press_mm, abs=1e-3)


def test_a_rolling_pad_opens_one_side_first_and_closes_one_side_last():
    moves = replace(drawn(np.random.default_rng(3)), roll_us=np.full(200, 4_000.0), press_mm=np.zeros(200))
    t_us = moves.truth_us[:, None] + np.array([-1_000.0, 0.0, 1_000.0])
    mean, deciding = moves.heights_mm(t_us), moves.deciding_mm(t_us)
    # The mean is lower: the other side of a lift still lies, and that of a covering already does.
    assert (mean <= deciding + 1e-9).all()


def test_a_capacitive_signal_is_half_at_its_reach_and_an_infrared_one_a_quarter():
    for kind, share in (("capacitive", 0.5), ("infrared", 0.25)):
        sensors = Sensors(kind=kind)
        assert sensors.signal(np.array([[0.0, 0.8]]), np.array([0]))[0] == pytest.approx([1.0, share])
    pressure = Sensors(kind="pressure").signal(np.array([[0.5, 0.0, -0.15]]), np.array([0]))[0]
    assert pressure == pytest.approx([0.0, 0.0, 0.5])


def test_a_low_pass_delays_a_ramp_by_its_lag():
    ramp = np.arange(200.0).reshape(1, -1, 1)
    assert ramp[0, -1, 0] - low_pass(ramp, np.array([3_500.0]), 1_000.0)[0, -1, 0] == pytest.approx(3.5)


def test_samples_saturate_and_are_whole():
    raw = Sensors(noise=0.0).raw(np.array([[-1.0] * HOLES, [9.0] * HOLES]), np.random.default_rng(1))
    assert raw.tolist() == [[0] * HOLES, [1023] * HOLES]


@pytest.mark.parametrize("notes", [crossings(60, np.random.default_rng(1)), back_and_forth("E", "D", 3)])
def test_all_neighbours_of_a_crossing_cross(notes):
    assert all(is_crossing(one, other) for one, other in pairwise(notes))


def lateness_us(sensors, travel_us):
    """Mean lateness of each hole, for lifts and for coverings, as a plain scan sees them."""
    notes = crossings(60, np.random.default_rng(1))
    hand = replace(PLAIN_HAND, travel_us=(travel_us, travel_us))
    chance = np.random.default_rng(1)
    played = play(notes, sensors, hand, chance)
    open_signal, covered = sensors.at_rest()
    # Levels by halves of each hole's own swing.
    swing, low = sensors.high_raw - sensors.low_raw, sensors.low_raw
    levels = tuple(
        (round(low[h] + swing[h] * (o + 0.55 * (c - o))), round(low[h] + swing[h] * (o + 0.45 * (c - o))))
        for h, (o, c) in enumerate(zip(open_signal, covered, strict=True))
    )
    states = states_of(raw_of(played, sensors, chance).astype(np.int64), levels)
    seen = {}
    for (_, before), (t_us, mask) in pairwise(states):
        for hole in range(HOLES):
            if (before ^ mask) >> hole & 1:
                seen[t_us // PERIOD_US, hole] = t_us
    out = {True: {}, False: {}}
    moves = played.moves
    for at, hole, lift, true in zip(played.change, moves.hole, moves.lift, moves.truth_us, strict=True):
        out[bool(lift)].setdefault(int(hole), []).append(seen[int(at), int(hole)] - true)
    return {lift: {hole: float(np.mean(late)) for hole, late in holes.items()} for lift, holes in out.items()}


def test_a_lift_is_seen_long_after_the_rim_and_a_covering_long_before():
    late = lateness_us(replace(FLUSH, lag_us=np.full(HOLES, 1.0)), 30_000.0)
    # Minimum jerk over 10 mm: z = 0.8 mm * (1 / 0.5 - 1) is passed some 7 ms from the rim.
    assert 6_500 < np.mean(list(late[True].values())) < 8_500
    assert -7_000 < np.mean(list(late[False].values())) < -5_000


def test_uneven_rims_are_a_height_and_so_cost_more_time_to_a_slow_hand():
    rims = replace(FLUSH, rim_mm=np.linspace(0.0, 0.3, HOLES))
    apart = {
        travel_us: np.ptp(list(lateness_us(rims, travel_us)[True].values()))
        for travel_us in (12_000.0, 30_000.0, 100_000.0, 250_000.0)
    }
    flush = {travel_us: np.ptp(list(lateness_us(FLUSH, travel_us)[True].values())) for travel_us in apart}
    assert list(apart.values()) == sorted(apart.values())
    assert 4_500 < apart[250_000.0] < 9_000
    assert 400 < apart[30_000.0] < 1_200
    assert max(flush.values()) < 300


@pytest.mark.parametrize("name", [name for name in BADS if name != "drift up"])
def test_a_bad_sensor_spoils_movements_and_a_good_one_none(name):
    seen = look(BADS[name], None, changes=90 if "drift" in name else 12)
    assert len(seen.affected_us) >= 3
    assert healthy(None, changes=6).affected_us == ()


def test_light_of_the_mains_makes_false_edges_on_an_open_hole():
    seen = look(BADS["light at 100 Hz"], None, changes=10)
    # Some 100 a second and way, for half of the seven seconds.
    assert 500 < seen.false_edges < 800


def test_a_film_is_seen_late_at_lifts_alone_until_it_is_dry():
    seen = look(BADS["water film"], None, changes=12)
    assert (len(seen.affected_us), seen.false_edges, seen.missed) == (6, 0, 0)


def test_a_drift_of_half_the_swing_swallows_movements_in_the_end():
    seen = look(BADS["drift up"], None, changes=90)
    assert seen.missed > 10
    assert min(seen.affected_us) > 20e6


def test_the_judge_shares_no_code_with_the_simulation():
    for path in Path(__file__).parent.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            names = [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            names += [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
            assert not any("simulated" in name.split(".") for name in names), path.name
