"""Holding an analysis against the truth: it agrees where it should, and every kind of error is found."""

from __future__ import annotations

import copy
from dataclasses import replace

import numpy as np
import pytest

from fingering.holes import FINGERS
from fingering.table import standard_table
from fingerlead.simulated.performance import Performance
from fingerlead.simulated.play import perform
from fingerlead.simulated.scenario import load_scenario
from fingerlead.simulated.script import write_script
from fingerlead.simulated.sensing import sensors
from fingerlead.timing.analysis import analyse
from fingerlead.timing.published import as_dict
from fingerlead.timing.results import KnownSkew
from fingerlead.timing.timeline import timing_of
from fingerlead.wire.events import Record
from tests.firmware.against_truth import Disagrees, compare, counts
from tests.simulated.known import sense

SCAN_US = 500


def published(performance, kind="usual"):
    states = sense(performance, sensors(kind), scan_us=SCAN_US)
    times, masks = zip(*states, strict=True)
    record = Record(np.array(times), np.array(masks, np.uint8), performance.end_us, scan_us=SCAN_US)
    return as_dict(analyse(record, standard_table(), timing_of(record, "wire", KnownSkew(3_000))), "wire", "it")


@pytest.fixture(scope="module")
def performance() -> Performance:
    pupil = replace(load_scenario("early-little-finger").pupil, slow=0.05, slips=0.1)
    return perform(pupil, write_script(pupil, 6, changes=60), 6)


@pytest.fixture(scope="module")
def found(performance):
    return published(performance)


@pytest.mark.parametrize("kind", ["ideal", "usual"])
def test_what_sensors_within_their_uncertainty_see_agrees(performance, kind):
    found = published(performance, kind)
    agreement = compare(found, performance, 0)
    assert (agreement.notes, agreement.changes) == (len(found["notes"]), len(found["changes"]))
    assert agreement.changes > 50
    assert min(agreement.leads, agreement.too_close, agreement.strays) > 0
    assert agreement.worst_us <= found["timing"]["uncertainty_us"]


def named(found):
    return next(change for change in found["changes"] if change["lead"] and len(change["fingers"]) > 1)


def stray(found):
    return next(change for change in found["changes"] if change["verdict"] == "stray")


def too_late(found):
    named(found)["fingers"][-1]["after_start_us"] += 2 * found["timing"]["uncertainty_us"]


def another_lead(found):
    change = named(found)
    change["lead"] = next(finger for finger in FINGERS if finger != change["lead"])


def no_lead_though_far_ahead(found):
    apart_us = 2 * found["timing"]["uncertainty_us"] + 2 * SCAN_US + found["timing"]["skew_us"]
    for change in found["changes"]:
        if change["lead"] and len(change["fingers"]) > 1 and change["fingers"][1]["after_start_us"] > apart_us:
            change["lead"] = None
            return


def clean_after_all(found):
    stray(found)["verdict"] = "clean"


def another_stray(found):
    stray(found)["strays"][0]["note"] = "high A"


def a_longer_stray(found):
    stray(found)["strays"][0]["duration_us"] += 2 * found["timing"]["uncertainty_us"]


def one_note_less(found):
    found["notes"].pop()


def another_fingering(found):
    found["notes"][3]["holes"] = "xxxxoooo"


def a_frame_lost(found):
    found["intake"]["lost_frames"] = 1


@pytest.mark.parametrize(
    "wrong",
    [
        too_late, another_lead, no_lead_though_far_ahead, clean_after_all, another_stray, a_longer_stray, one_note_less,
        another_fingering, a_frame_lost,
    ],
)  # fmt: skip
def test_what_is_wrong_disagrees(performance, found, wrong):
    tampered = copy.deepcopy(found)
    wrong(tampered)
    assert tampered != found
    with pytest.raises(Disagrees):
        compare(tampered, performance, 0)


def test_counts_are_those_of_the_changes(performance, found):
    told = counts(found, performance, 0)
    assert sum(many for many, _, _ in told.values()) == len(found["changes"])
    assert all(least <= most <= many for many, least, most in told.values())
    strays = sum(change["verdict"] == "stray" for change in found["changes"])
    assert sum(least for _, least, _ in told.values()) <= strays <= sum(most for _, _, most in told.values())
