"""What teachers report hearing, found again by the analysis from finger times alone.

Common practice, no source: the names of the strays that a finger out of turn sounds. Nothing of it is typed into the
program; it follows from the fingering table and the rule that the topmost open hole names the note.
"""

from __future__ import annotations

import numpy as np
import pytest

from fingering.holes import FINGERS
from fingering.notes import NOTES, note_index
from fingering.table import standard_table
from fingerlead.timing.analysis import analyse
from fingerlead.timing.results import Timing
from fingerlead.wire.events import Record

STANDARD = standard_table().standard
SURE = Timing("chanter", 1_000, 0, 1_000, "given")


def change(first: str, second: str, order: list[str], apart_us: int = 15_000):
    """Play one change with the fingers in an order (those not named move last, as one) and analyse it."""
    before, after = STANDARD[note_index(first)], STANDARD[note_index(second)]
    named = [FINGERS.index(name) for name in order]
    rest = sum(1 << f for f in range(8) if (before ^ after) >> f & 1 and f not in named)
    steps = [1 << f for f in named] + ([rest] if rest else [])
    states, mask = [(0, before)], before
    for step, bits in enumerate(steps):
        mask ^= bits
        states.append((500_000 + step * apart_us, mask))
    assert mask == after
    t_us = np.array([t for t, _ in states], dtype=np.int64)
    record = Record(t_us, np.array([m for _, m in states], dtype=np.uint8), 1_500_000)
    (found,) = analyse(record, standard_table(), SURE).changes
    return found


def stray_names(found):
    return [NOTES[stray.note] for stray in found.strays]


@pytest.mark.parametrize(
    ("first", "second", "order", "strays"),
    [
        ("low G", "E", ["bottom little"], ["low A"]),
        ("E", "low G", ["top ring"], ["low A"]),  # on the way back the little finger is late
        ("C", "low G", ["bottom middle"], ["B"]),
        ("low G", "C", ["bottom ring"], ["B"]),
        ("low G", "B", ["bottom ring"], []),
        ("low G", "B", ["bottom little"], ["low A"]),
        ("B", "low G", ["bottom little"], []),
        ("B", "low G", ["bottom ring"], ["low A"]),
        ("low A", "F", ["top middle"], []),
        ("low A", "F", ["top ring"], ["E"]),
        ("F", "low A", ["top ring"], []),
        ("F", "low A", ["top middle"], ["E"]),
        ("low A", "high G", ["top index"], []),
        ("high G", "low A", ["top middle", "top ring"], []),
        ("high G", "low A", ["top index"], ["F"]),
        ("low A", "high A", ["thumb"], []),
        ("high A", "low A", ["top index", "top middle"], []),
        ("high A", "low A", ["thumb"], ["high G"]),
        ("low A", "high A", ["top index", "top middle"], ["high G"]),  # a late thumb
        ("E", "high A", ["top index", "top middle"], ["high G"]),
        ("low A", "C", ["bottom little"], ["low G"]),
    ],
)
def test_what_sounds_when_fingers_go_out_of_turn(first, second, order, strays):
    found = change(first, second, order)
    assert stray_names(found) == strays
    # Three fingers one after the other are wider than the stage, even where nothing sounds of it.
    assert found.verdict == ("stray" if strays else "apart" if found.spread_us == 30_000 else "clean")
    assert found.lead == FINGERS.index(order[0])


def test_a_bottom_hand_that_closes_before_the_top_ring_opens_ends_on_low_g():
    found = change("D", "E", ["bottom index", "bottom middle", "bottom ring"])
    assert stray_names(found) == ["C", "B", "low G"]


@pytest.mark.parametrize("first", NOTES)
@pytest.mark.parametrize("second", NOTES)
def test_all_lifts_at_once_then_all_lowerings_never_sound_a_third_note(first, second):
    if first == second:
        return
    before, after = STANDARD[note_index(first)], STANDARD[note_index(second)]
    between = before & after
    states = [(0, before)] + [(500_000, between)] * (between not in (before, after)) + [(515_000, after)]
    record = Record(
        np.array([t for t, _ in states], dtype=np.int64), np.array([m for _, m in states], dtype=np.uint8), 1_500_000
    )
    (found,) = analyse(record, standard_table(), SURE).changes
    assert stray_names(found) == []
    assert found.verdict == "clean"
