"""The claims of finger times on a few of the judge's chanters; `python -m tests.sensors` holds them on many."""

from __future__ import annotations

import numpy as np
import pytest

from tests.sensors.__main__ import KINDS
from tests.sensors.holes import HOLES, Sensors, draw
from tests.sensors.judged import Against, session
from tests.sensors.playing import PLAIN_HAND, Hand, back_and_forth, crossings
from tests.sensors.workshop import flawless, kept, middle_levels

CHANTERS, CHANGES = 12, 10


@pytest.fixture(scope="module", params=KINDS)
def at_one_instant(request):
    """All fingers of every crossing at one instant; travel of 12 to 250 ms, uneven holes."""
    out = {"never measured": Against(), "calibrated": Against()}
    for seed in range(CHANTERS):
        chance = np.random.default_rng(seed)
        sensors, notes = draw(request.param, chance), crossings(CHANGES, chance)
        out["never measured"].add(session(sensors, notes, Hand(), seed, middle_levels(sensors)))
        calibration = flawless(sensors)
        with kept(calibration):
            out["calibrated"].add(session(sensors, notes, Hand(), seed, calibration.levels))
    return out


def test_fingers_that_seal_at_one_instant_get_neither_lead_nor_blame(at_one_instant):
    for told in at_one_instant.values():
        assert told.changes == CHANTERS * CHANGES
        assert told.told_share <= 0.05


def test_the_stated_uncertainty_covers_lifts_and_coverings_apart(at_one_instant):
    for told in at_one_instant.values():
        for lift in (True, False):
            errors, stated = told.of(lift)
            assert len(errors) > 150
            assert (np.abs(errors) <= stated).mean() >= 0.93


def test_a_calibration_makes_what_is_stated_smaller(at_one_instant):
    stated = {what: np.median(told.stated_us) for what, told in at_one_instant.items()}
    assert stated["calibrated"] < stated["never measured"] / 2


@pytest.mark.parametrize("kind", KINDS)
def test_at_30_ms_of_travel_a_calibrated_time_is_within_1500_us_of_the_seal(kind):
    told = Against()
    for seed in range(CHANTERS):
        chance = np.random.default_rng(500 + seed)
        sensors, notes = draw(kind, chance), crossings(30, chance)
        calibration = flawless(sensors)
        with kept(calibration):
            told.add(session(sensors, notes, Hand((30_000, 30_000), apart_us=40_000), seed, calibration.levels))
    for lift in (True, False):
        errors, _ = told.of(lift)
        assert len(errors) > 600
        assert np.sqrt((errors**2).mean()) <= 1_500


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
