"""Which finger made a slow stray: what teachers report, and the whole table against plain enumeration."""

from __future__ import annotations

from itertools import permutations

import pytest

from fingering.holes import FINGERS
from fingering.moves import possible_strays
from fingering.notes import NOTES, SOUNDING, note_index
from fingering.table import standard_table
from fingerlead.music.findings import blame

STANDARD = standard_table().standard
PAIRS = [(a, b) for a in range(9) for b in range(9) if a != b]


def blamed(from_name, to_name, moved_names):
    """The blame where some fingers have moved and the rest have not."""
    from_note, to_note = note_index(from_name), note_index(to_name)
    mask = STANDARD[from_note]
    for name in moved_names:
        mask ^= 1 << FINGERS.index(name)
    found = blame(from_note, to_note, mask)
    return NOTES[SOUNDING[mask]], FINGERS[found.finger], found.how, tuple(FINGERS[other] for other in found.others)


def test_what_teachers_report():
    # Common practice, no source.
    assert blamed("low G", "E", ["bottom little"]) == ("low A", "bottom little", "early", ("top ring",))
    assert blamed("low G", "B", ["bottom little"]) == ("low A", "bottom little", "early", ("bottom ring",))
    note, finger, how, _ = blamed("C", "low G", ["bottom middle"])
    assert (note, finger, how) == ("B", "bottom middle", "early")


def test_a_single_late_finger_is_late():
    assert blamed("low A", "high G", ["top middle", "top ring"])[1:3] == ("top index", "late")
    assert (
        blamed("D", "high A", ["top index", "top middle", "bottom index", "bottom middle", "bottom ring"])[1] == "thumb"
    )


def test_a_finger_that_takes_no_part_comes_first():
    found = blame(note_index("E"), note_index("F"), STANDARD[5] & ~1)  # the thumb lifts while E goes to F
    assert (found.finger, found.how) == (0, "idle")


@pytest.mark.parametrize(("from_note", "to_note"), PAIRS)
def test_one_finger_out_of_turn_is_named_where_it_alone_is(from_note, to_note):
    """One finger moves before all others, or after all others, and a third note sounds: it is that finger."""
    before, after = STANDARD[from_note], STANDARD[to_note]
    moving = [finger for finger in range(8) if (before ^ after) >> finger & 1]
    for finger in moving:
        early, late = before ^ (1 << finger), after ^ (1 << finger)
        if SOUNDING[early] not in (from_note, to_note) and len(moving) > 1:
            found = blame(from_note, to_note, early)
            assert (found.finger, found.how) == (finger, "early")
        if SOUNDING[late] not in (from_note, to_note) and len(moving) > 2:
            found = blame(from_note, to_note, late)
            assert (found.finger, found.how) == (finger, "late")


@pytest.mark.parametrize(("from_note", "to_note"), PAIRS)
def test_every_stray_of_every_order_has_a_finger_that_moves(from_note, to_note):
    before, after = STANDARD[from_note], STANDARD[to_note]
    moving = [finger for finger in range(8) if (before ^ after) >> finger & 1]
    seen = set()
    for order in permutations(moving) if len(moving) < 6 else [tuple(moving), tuple(moving[::-1])]:
        mask = before
        for finger in order:
            mask ^= 1 << finger
            if SOUNDING[mask] not in (from_note, to_note):
                seen.add(SOUNDING[mask])
                found = blame(from_note, to_note, mask)
                assert found is not None
                assert found.finger in moving
                assert found.others
                assert set(found.others) <= set(moving) - {found.finger}
    assert seen <= possible_strays(from_note, to_note)


def test_no_change_no_blame():
    assert blame(3, 3, 0) is None
