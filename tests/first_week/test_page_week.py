"""The check of a week at the page names what is not as it is to be; `tests.first_week --page` plays one."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.first_week.page_week import FIRST_US, PageEvening, faults_of
from tests.first_week.week import EVENINGS

GOOD = PageEvening(
    passed=["Low G alone"], minutes={"Low A and B to C and D": 1.0}, first_success_us=5_000_000,
    said={"d to e": (3, 4)}, found={"d to e": (3, 4), "e to d": (1, 4)},
)  # fmt: skip


def test_a_good_week_has_no_fault():
    assert faults_of([GOOD] * EVENINGS, improves=True) == []
    assert faults_of([GOOD], improves=False) == []


@pytest.mark.parametrize(
    ("changed", "improves", "said"),
    [
        ({"found": {"d to e": (3, 5)}}, True, "other than in the file"),
        ({"found": {}}, True, "other than in the file"),
        ({"not_whole": {"count"}}, True, "to scroll"),
        ({"first_success_us": FIRST_US}, True, "two minutes"),
        ({"first_success_us": None}, True, "two minutes"),
        ({"minutes": {"Low G, low A and B": 9.0}}, True, "no crossing"),
        ({"passed": ["Low G alone", "Low G, low A and B"]}, False, "never improves"),
    ],
)
def test_each_fault_of_a_week_is_named(changed, improves, said):
    faults = faults_of([replace(GOOD, **changed)] * EVENINGS, improves)
    assert faults
    assert all(said in fault for fault in faults)
