"""The budget of a finger time: held against the GUM's own example, against Monte Carlo, and against bad files."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import product

import numpy as np
import pytest
import scipy
from hypothesis import given, settings
from hypothesis import strategies as st

from fingerlead.timing.budget import (
    COVERAGE,
    LEVELS_ANYWHERE,
    LOWEST_SEAL_MM,
    NAMES,
    SCHEMA,
    STEEP_ANYWHERE,
    SWING,
    Budget,
    BudgetError,
    assumed,
    combined,
    furthest,
    read_budget,
)
from fingerlead.timing.edge_errors import apart_us
from fingerlead.timing.results import KnownSeal
from fingerlead.timing.timeline import timing_for
from tests.sensors.fingers import minimum_jerk

SOUND = f"""schema = "{SCHEMA}"
[us]
scan = 290
filter = 0
link = 0
[mm]
"slope and level" = 0.05
"lift against cover" = 0.1
"rim to rim" = 0.06
seal = 0.15
temperature = 0.03
light = 0.02
film = 0.03
"""


def test_the_end_gauge_of_the_gum_comes_to_its_own_figures():
    """JCGM 100:2008, H.1, its figures from memory: 32 nm, 16 degrees of freedom, 93 nm at 99 %."""
    length_nm = 50e6
    repeated, systematic, random = 5.8, 3.9, 6.7
    compared = combined([repeated, systematic, random])
    assert compared == pytest.approx(9.7, abs=0.05)
    expansion = length_nm * 0.1 * 0.58e-6  # the expansion coefficients differ
    temperature = length_nm * 11.5e-6 * 0.029  # the gauges' temperatures differ
    parts = [25.0, compared, expansion, temperature]
    assert combined(parts) == pytest.approx(32, abs=0.5)
    freedom = combined(parts) ** 4 / sum(u**4 / v for u, v in zip(parts, (18, 25.6, 50, 2), strict=True))
    assert int(freedom) == 16
    assert scipy.stats.t.ppf(0.995, 16) * 32 == pytest.approx(93, abs=1)


def test_fully_correlated_contributions_add_as_they_are():
    """JCGM 100:2008, 5.2.2, note 1: ten resistors of one calibration."""
    assert combined([0.1] * 10, np.ones((10, 10))) == pytest.approx(1.0)
    assert combined([0.1] * 10, np.eye(10)) == pytest.approx(combined([0.1] * 10)) == pytest.approx(0.1 * 10**0.5)


def drawn_errors(
    budget: Budget, lift: bool, slowness: np.ndarray, chance: np.random.Generator, common: dict
) -> np.ndarray:
    """Errors of edges after the model, share by share."""
    out = np.zeros(len(slowness))
    for share in budget.shares:
        if share.lifts and not lift:
            continue
        if share.common:
            size = common.setdefault(share.name, chance.normal(0, share.size, len(slowness)))
            out += (1 if lift else -1) * size * slowness
        else:
            out += chance.normal(0, share.size, len(slowness)) * (slowness if share.unit == "mm" else 1)
    return out


@pytest.mark.parametrize(("one", "other"), list(product((True, False), repeat=2)))
def test_what_is_combined_is_what_monte_carlo_finds(one, other):
    """After JCGM 101:2008, 200 000 trials: single edges, and the time between two of one chanter at one pace."""
    chance, slowness = np.random.default_rng(7), np.full(200_000, 5_000.0)
    budget, common = replace(assumed(1_000.0), between=(1.0, 1.0)), {}
    errors = [drawn_errors(budget, lift, slowness, chance, common) for lift in (one, other)]
    sizes = [(budget.own_us(lift, 5_000.0), budget.common_us(lift, 5_000.0)) for lift in (one, other)]
    # The paces of the two differ here by nothing, which own_us allows for.
    for error, size in zip(errors, sizes, strict=True):
        assert error.std() == pytest.approx(float(budget.expanded_us(*size)) / COVERAGE, rel=0.03)
        assert np.mean(np.abs(error) <= budget.expanded_us(*size)) == pytest.approx(0.955, abs=0.008)
    between = float(apart_us(*sizes[0], *sizes[1])) / COVERAGE
    found = (errors[0] - errors[1]).std()
    assert found <= between
    assert found == pytest.approx(between, rel=0.02 if one != other else 0.25)


@given(st.sampled_from([True, False]), st.floats(100, 60_000), st.floats(1.01, 3))
def test_a_slower_finger_is_less_certain(lift, slowness, times):
    budget = assumed(1_000.0)
    sizes = [
        float(budget.expanded_us(budget.own_us(lift, each), budget.common_us(lift, each)))
        for each in (slowness, times * slowness)
    ]
    assert sizes[0] < sizes[1]


def test_the_bias_counts_between_a_lift_and_a_covering_alone():
    budget = assumed(1_000.0)
    lift, lower = ((budget.own_us(way, 5_000.0), budget.common_us(way, 5_000.0)) for way in (True, False))
    assert apart_us(*lift, *lower) > 3 * apart_us(*lift, *lift)


def test_what_was_not_measured_shrinks_nothing():
    unknown, known = assumed(1_000.0), assumed(1_000.0, calibrated=True)
    for before, after in zip(unknown.shares, known.shares, strict=True):
        assert (before.size == after.size) == (after.how == "assumed")


def test_levels_of_which_nothing_is_known_lie_anywhere_from_the_seal_to_the_middle():
    """A capacitive sample is 1 / (1 + z / 0.8 mm): the middle's two levels, and a seal of 0.2 mm."""
    uncover_mm, cover_mm = (0.8 * (1 / share - 1) - 0.2 for share in (0.45, 0.55))
    size_mm = math.sqrt((uncover_mm**2 + cover_mm**2) / 2 / 3)
    [share] = [share for share in assumed(1_000).shares if share.name == "lift against cover"]
    assert share.size == pytest.approx(size_mm, abs=0.005)


def test_rims_matter_by_as_much_as_a_level_of_the_holes_own_swing_lies_above_them():
    """A level at a share s lies (1 / s - 1) times reach and rim up; rims are even over 0.3 mm, reaches over 15 %."""
    differs_mm = math.hypot(0.3 / 12**0.5, 0.8 * 0.15 / 3**0.5)
    anywhere = np.linspace(0.5, 0.8, 1_000)
    [unknown], [known] = (
        [share for share in assumed(1_000, calibrated=calibrated).shares if share.name == "rim to rim"]
        for calibrated in (False, True)
    )
    assert unknown.size == pytest.approx(differs_mm * math.sqrt(np.mean((1 / anywhere - 1) ** 2)), abs=0.005)
    assert known.size == pytest.approx(differs_mm * (1 / 0.8 - 1), abs=0.005)


def test_rims_that_were_measured_shrink_their_share_alone():
    known, measured = assumed(1_000.0, calibrated=True), assumed(1_000.0, calibrated=True, rims_mm=0.016)
    assert measured == known.with_size("rim to rim", 0.016, "measured")


@pytest.mark.parametrize("heights", ["none", "front holes", "all holes"])
@pytest.mark.parametrize("slopes", [True, False])
def test_heights_count_where_all_holes_were_measured_and_slopes_turn_them_into_time(heights, slopes):
    seal = KnownSeal((20,) * 8, (20,) * 8, "", heights, 0.016)
    budget = timing_for("chanter", 1_000, slopes=slopes, seal=seal).budget
    [share] = [share for share in budget.shares if share.name == "rim to rim"]
    assert share.size == (0.016 if slopes and heights == "all holes" else 0.03)


@given(st.booleans(), st.booleans(), st.floats(0, 50_000))
def test_an_edges_own_part_is_found_again_in_what_is_stated_of_it(calibrated, lift, slowness):
    budget = assumed(1_000.0, calibrated=calibrated)
    own_us, common_us = float(budget.own_us(lift, slowness)), float(budget.common_us(lift, slowness))
    stated_us = float(budget.expanded_us(own_us, common_us))
    assert budget.own_of_us(stated_us, common_us) == pytest.approx(own_us, rel=1e-6)


def test_what_is_common_counts_by_its_most_between_two_edges_where_nothing_is_known_of_the_levels():
    """It makes no single edge less certain, and where the levels are known it is as the GUM has it."""
    unknown = assumed(1_000.0)
    plain = replace(unknown, between=(1.0, 1.0))
    for lift, level, steep in zip((False, True), LEVELS_ANYWHERE, reversed(STEEP_ANYWHERE), strict=True):
        full_scale_us = 10_000.0
        slowness = full_scale_us * steep
        sizes = [(one.own_us(lift, slowness), one.common_us(lift, slowness)) for one in (unknown, plain)]
        assert unknown.expanded_us(*sizes[0]) == pytest.approx(float(plain.expanded_us(*sizes[1])))
        most_us = SWING * furthest(level) * full_scale_us
        assert COVERAGE * abs(sizes[0][1]) == pytest.approx(most_us)
        assert most_us > COVERAGE * abs(sizes[1][1])
    assert assumed(1_000.0, calibrated=True).between == (1.0, 1.0)


@pytest.mark.parametrize("level", [0.45, 0.55])
@pytest.mark.parametrize("reach_mm", [0.7, 0.8, 0.9])
def test_no_finger_that_moves_with_the_least_jerk_crosses_a_level_further_from_its_seal(level, reach_mm):
    """10 mm in 30 ms over a capacitive sensor: from the lowest seal to the level, in time, times the sample's slope."""
    t_us = np.linspace(0, 30_000, 300_001)
    sample = 1 / (1 + 10 * minimum_jerk(t_us / 30_000) / reach_mm)
    crossed, sealed = (
        np.searchsorted(-sample, -level),
        np.searchsorted(10 * minimum_jerk(t_us / 30_000), LOWEST_SEAL_MM),
    )
    slope = (sample[crossed - 100] - sample[crossed + 100]) / (t_us[crossed + 100] - t_us[crossed - 100])
    share = (t_us[crossed] - t_us[sealed]) * slope
    assert 0.8 * furthest(level) < share <= furthest(level)


def test_steady_light_matters_as_far_as_it_enters_under_a_finger_and_as_half_of_all_sensors_see_it():
    """An infrared sample is (1 + z / 2 mm)^-2, z / (z + 1 mm) of the light comes in: even up to 0.27 of the swing."""

    def size_mm(shares):
        heights = 2 * (np.array(shares) ** -0.5 - 1)
        moved = 0.27 * heights / (heights + 1) / np.array(shares) ** 1.5
        return math.sqrt(np.mean(moved**2) / 3 / 2)

    [unknown], [known] = (
        [share for share in assumed(1_000, calibrated=calibrated).shares if share.name == "light"]
        for calibrated in (False, True)
    )
    assert unknown.size == pytest.approx(size_mm([0.45, 0.55]), abs=0.01)
    assert known.size == pytest.approx(size_mm([0.78, 0.82]), abs=0.005)


def test_a_makers_budget_is_read():
    budget = read_budget(SOUND, "mine.toml")
    assert [share.name for share in budget.shares] == list(NAMES)
    assert budget.how == "given"
    assert budget.total("us", common=False, lift=True) == 290
    assert budget.total("mm", common=True, lift=False) == pytest.approx(math.hypot(0.1, 0.15, 0.03, 0.02))


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        (SOUND.replace("film = 0.03\n", ""), '"film"'),
        (SOUND.replace("seal = 0.15", "seal = -0.15"), '0 or more mm for "seal"; got -0.15'),
        (SOUND.replace("scan = 290", "scan = nan"), '"scan"; got nan'),
        (SOUND.replace("scan = 290", 'scan = "a little"'), "scan"),
        (SOUND.replace("scan = 290", "scan = true"), "scan"),
        (SOUND.replace("seal =", "sael = 1\nseal ="), "sael"),
        (SOUND.replace("light = 0.02\n", ""), 'add what is missing, where nothing was measured: "light" = 0.15'),
        (SOUND.replace("[us]", "[ms]"), "[us]"),
        (SOUND.replace("budget-1", "budget-9"), "schema"),
        ("", "schema"),
        ("garbage \0", "TOML"),
        ("us = 5\n" + SOUND.replace("[us]", "[xs]"), "[us]"),
    ],
)
def test_a_budget_that_cannot_be_used_is_one_sentence(wrong, words):
    with pytest.raises(BudgetError) as refused:
        read_budget(wrong, "mine.toml")
    said = str(refused.value)
    assert said.startswith("mine.toml: expected")
    assert words in said
    assert "\n" not in said


@given(st.text(max_size=200))
@settings(max_examples=100)
def test_any_text_is_a_budget_or_refused(text):
    with pytest.raises(BudgetError):
        read_budget(text, "mine.toml")
