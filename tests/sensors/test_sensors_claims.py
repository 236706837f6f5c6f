"""What the program says of chanters that the judge made, whose fingers all move at one instant: a sample of the claims.

`python -m tests.sensors` holds all of them.
"""

from __future__ import annotations

import numpy as np
import pytest

from tests.sensors.holes import Kind, draw
from tests.sensors.judged import MIDDLE, Against, against, read_back, sent
from tests.sensors.playing import PLAIN_HAND, Hand, back_and_forth, crossings
from tests.sensors.workshop import calibrated, kept, levels_of


@pytest.mark.parametrize("kind", ["capacitive", "infrared"])
def test_fingers_at_one_instant_are_given_no_lead_and_no_blame(kind: Kind) -> None:
    before, after = Against(), Against()
    for seed in range(3):
        chance = np.random.default_rng(seed)
        sensors, notes = draw(kind, chance), crossings(40, chance)
        reports = calibrated(sensors, chance)
        played, data = sent(sensors, notes, Hand(), seed, levels_of(reports))
        before.add(against(played, read_back(data)))
        with kept(reports):
            after.add(against(played, read_back(data)))
    # Of 120 the chance of more than 10 is below 0.05, where one in twenty is.
    assert before.either <= 10
    assert after.either <= 10
    assert after.stated_us[0] < before.stated_us[0]


def test_levels_about_the_middle_cost_no_pupil_a_lead_or_a_blame() -> None:
    """A chanter that was never calibrated, at 30 ms of travel: lifts are seen late and coverings early."""
    sensors = draw("capacitive", np.random.default_rng(1))
    played, data = sent(sensors, back_and_forth("E", "D", 40), PLAIN_HAND, 1, MIDDLE)
    assert against(played, read_back(data)).either <= 4
