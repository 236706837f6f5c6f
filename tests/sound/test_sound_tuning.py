from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fingering.notes import SCALES
from fingerlead.sound.tuning import Tuning
from tests.sound.ears import TABLE


@given(st.floats(220, 490), st.sampled_from([scale.name for scale in SCALES]), st.floats(-100, 100))
def test_every_mask_has_a_pitch(low_a_hz: float, scale: str, false_cents: float) -> None:
    hz = Tuning(low_a_hz, scale, false_cents).hz(TABLE)
    assert hz.shape == (256,)
    assert hz.dtype == np.float64
    assert (hz > 0.8 * low_a_hz).all()
    assert (hz < 2.2 * low_a_hz).all()
    assert hz[TABLE.standard[1]] == low_a_hz


@pytest.mark.parametrize("low_a_hz", [219.9, 490.1, 0, -240, math.nan, math.inf, "240", None, True])
def test_a_low_a_out_of_range_is_refused_in_a_sentence(low_a_hz: object) -> None:
    with pytest.raises(ValueError, match=r"^expected low A between 220 and 490 Hz; got .*; a practice chanter is near"):
        Tuning(low_a_hz)  # type: ignore[arg-type]


@pytest.mark.parametrize("false_cents", [100.1, -101, math.nan, math.inf])
def test_false_cents_out_of_range_are_refused(false_cents: float) -> None:
    with pytest.raises(ValueError, match=r"^expected false fingerings between -100 and 100 cents off; got"):
        Tuning(false_cents=false_cents)


def test_an_unknown_scale_is_refused_and_the_known_are_told() -> None:
    with pytest.raises(ValueError, match=r"expected one of harmonic; Lenihan and MacNeill 1954; .*got 'equal'"):
        Tuning(scale="equal")
