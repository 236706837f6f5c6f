"""The claims of finger times on a few of the judge's chanters; `python -m tests.sensors` holds them on many."""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import numpy as np
import pytest

from fingerlead.workbench.skew import fit
from tests.sensors.__main__ import KINDS
from tests.sensors.bad import HESITANT
from tests.sensors.holes import HOLES, Sensors, draw, elsewhere
from tests.sensors.judged import Against, session
from tests.sensors.playing import DAMP_MM, PLAIN_HAND, Hand, back_and_forth, crossings
from tests.sensors.workshop import Bar, bar_test, flawless, kept, middle_levels

CHANTERS, CHANGES = 24, 4


@pytest.fixture(scope="module")
def at_one_instant():
    """All fingers of every crossing at one instant; travel of 12 to 250 ms, uneven holes, damp fingers, warmth."""
    out = {"never measured": Against(), "calibrated": Against()}
    for kind, seed in product(KINDS, range(CHANTERS)):
        chance = np.random.default_rng(seed)
        sensors, notes = draw(kind, chance), crossings(CHANGES, chance)
        calibration, later, hand = flawless(sensors), elsewhere(sensors, chance), Hand(damp_mm=DAMP_MM)
        out["never measured"].add(session(later, notes, hand, seed, middle_levels(sensors)))
        with kept(calibration):
            out["calibrated"].add(session(later, notes, hand, seed, calibration.levels))
    return out


def test_fingers_that_seal_at_one_instant_get_neither_lead_nor_blame(at_one_instant):
    for told in at_one_instant.values():
        assert told.changes == len(KINDS) * CHANTERS * CHANGES
        assert told.told_share <= 0.05


def test_the_stated_uncertainty_covers_lifts_and_coverings_apart_and_not_all_of_them(at_one_instant):
    for told in at_one_instant.values():
        for lift in (True, False):
            errors, stated = told.of(lift)
            assert len(errors) > 250
            assert 0.93 <= (np.abs(errors) <= stated).mean() < 1


def test_a_calibration_makes_errors_and_what_is_stated_of_them_smaller(at_one_instant):
    stated, errors = (
        {what: size(getattr(told, name)) for what, told in at_one_instant.items()}
        for name, size in (("stated_us", np.median), ("errors_us", lambda us: np.sqrt(np.square(us).mean())))
    )
    assert errors["calibrated"] < errors["never measured"] / 2
    assert stated["calibrated"] < 0.6 * stated["never measured"]


@pytest.mark.parametrize("kind", KINDS)
def test_at_30_ms_of_travel_a_calibrated_time_is_within_1500_us_of_the_seal(kind):
    told = Against()
    for seed in range(12):
        chance = np.random.default_rng(500 + seed)
        sensors, notes = draw(kind, chance), crossings(30, chance)
        calibration = flawless(sensors)
        with kept(calibration):
            told.add(session(sensors, notes, Hand((30_000, 30_000), apart_us=40_000), seed, calibration.levels))
    for lift in (True, False):
        errors, _ = told.of(lift)
        assert len(errors) > 600
        assert np.sqrt((errors**2).mean()) <= 1_500


def test_a_finger_that_stands_still_half_up_is_within_what_is_stated_of_it():
    """Every finger does, for 5 to 60 ms, on a chanter whose levels are near the seal."""
    told = Against()
    for kind, seed in product(KINDS, range(12)):
        chance = np.random.default_rng(900 + seed)
        sensors, notes = draw(kind, chance), crossings(6, chance)
        calibration = flawless(sensors)
        with kept(calibration):
            told.add(session(sensors, notes, HESITANT, seed, calibration.levels))
    assert told.led > 40
    assert told.wrong <= 0.05 * told.led
    for lift in (True, False):
        errors, stated = told.of(lift)
        assert len(errors) > 250
        assert (np.abs(errors) <= stated).mean() >= 0.93


UNEVEN_MM = np.array([0.6, 0.0, 0.5, 0.1, 0.6, 0.0, 0.4, 0.1])


@pytest.fixture(scope="module", params=KINDS)
def uneven(request):
    """A chanter whose rims stand 0 to 0.6 mm over their sensors."""
    reach_mm = {"capacitive": 0.8, "infrared": 2.0}[request.param]
    return Sensors(request.param, np.full(HOLES, reach_mm), UNEVEN_MM, np.full(HOLES, 0.1), noise=0.001)


def heights_by(sensors, travel_us, *, thumb):
    calibration = flawless(sensors)
    bar = Bar(travel_us, 20, thumb=thumb)
    return calibration, fit(bar_test(sensors, calibration.levels, bar, np.random.default_rng(3)), calibration)


def test_a_brisk_bar_and_a_slow_one_show_the_same_heights_at_quite_different_times(uneven):
    brisk, slow = (heights_by(uneven, travel_us, thumb=True)[1] for travel_us in (30_000.0, 120_000.0))
    assert slow.apart_us > 2.5 * brisk.apart_us
    for one, other in ((brisk.heights.lift, slow.heights.lift), (brisk.heights.cover, slow.heights.cover)):
        assert np.abs(np.subtract(one, other)).max() < 0.4 * np.ptp(other)
        assert np.corrcoef(one, other)[0, 1] > 0.95


@pytest.mark.parametrize("travel_us", [30_000.0, 100_000.0])
def test_heights_of_a_brisk_bar_bring_the_holes_together_at_any_pace(uneven, travel_us):
    hand, notes = replace(PLAIN_HAND, travel_us=(travel_us, travel_us)), crossings(100, np.random.default_rng(1))
    spread_us = []
    for thumb in (None, False, True):
        calibration, skew = heights_by(uneven, 30_000.0, thumb=bool(thumb))
        with kept(calibration, None if thumb is None else skew):
            told = session(uneven, notes, hand, 1, calibration.levels)
        errors, holes, lifts = np.array(told.errors_us), np.array(told.hole), np.array(told.lift)
        spread_us.append(
            np.sqrt(
                np.mean([np.var([errors[(holes == h) & (lifts == w)].mean() for h in range(HOLES)]) for w in (0, 1)])
            )
        )
    before, front, whole = spread_us
    assert front < 0.7 * before
    assert whole < 0.6 * before


def test_no_finger_is_blamed_for_levels_in_the_middle_of_the_swing():
    """E and D in turn, 30 ms of travel: lifts are seen late, coverings early, and the masks show a third note."""
    flush = Sensors(seal_mm=np.zeros(HOLES), noise=0.001)
    told = session(flush, back_and_forth("E", "D", 28), PLAIN_HAND, 1, middle_levels(flush))
    late, _ = told.of(True)
    early, _ = told.of(False)
    assert late.mean() > 6_000
    assert early.mean() < -4_000
    assert (told.led, told.blamed) == (0, 0)


def test_a_finger_that_truly_leads_is_named_and_no_other():
    """Brisk fingers up to 36 ms apart, nothing measured: some leads are beyond doubt all the same."""
    chance = np.random.default_rng(5)
    sensors, notes = draw("capacitive", chance), crossings(60, chance)
    told = session(sensors, notes, Hand((12_000, 20_000), apart_us=36_000), 5, middle_levels(sensors))
    assert told.wrong == 0
    assert told.led >= 5
