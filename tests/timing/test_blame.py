"""The blamed finger: mending it takes the stray away, and a planted early or late finger is the one that is named."""

from __future__ import annotations

import random

import numpy as np
import pytest

from fingering.holes import fingers_of
from fingering.table import standard_table
from fingerlead.timing.analysis import analyse
from fingerlead.timing.mended import blame, third_note_us
from fingerlead.timing.results import Timing
from fingerlead.wire.events import Record

STANDARD = standard_table().standard
PAIRS = [(a, b) for a in range(9) for b in range(9) if a != b]
SURE = Timing("chanter", 1_000, 0, 1_000, "given")


def played(from_note, to_note, times):
    states, mask = [(0, STANDARD[from_note])], STANDARD[from_note]
    for at_us, finger in sorted((t, f) for f, t in times.items()):
        mask ^= 1 << finger
        states.append((500_000 + at_us, mask))
    t_us = np.array([t for t, _ in states], dtype=np.int64)
    record = Record(t_us, np.array([m for _, m in states], dtype=np.uint8), 1_500_000)
    return list(analyse(record, standard_table(), SURE).changes)


@pytest.mark.parametrize(("from_note", "to_note"), PAIRS)
def test_obeying_the_advice_takes_the_stray_away(from_note, to_note):
    chance = random.Random(from_note * 9 + to_note)
    fingers = fingers_of(STANDARD[from_note] ^ STANDARD[to_note])
    for _ in range(30):
        times = dict(zip(fingers, chance.sample(range(0, 60_000, 500), len(fingers)), strict=True))
        found = played(from_note, to_note, times)
        if len(found) != 1:
            continue  # a stray long enough to be held
        (change,) = found
        blamed = blame(change)
        if blamed is None:
            continue
        exact = {f.finger: f.after_start_us for f in change.fingers}
        before = third_note_us(change.from_mask, change.to_mask, exact)
        assert before == sum(stray.duration_us for stray in change.strays)
        mended = dict(exact)
        mended[blamed.finger] = exact[blamed.first] if blamed.early else exact[blamed.second]
        after = third_note_us(change.from_mask, change.to_mask, mended)
        assert after == 0 < before
        assert exact[blamed.first] - exact[blamed.second] == blamed.apart_us >= 0


@pytest.mark.parametrize(("from_note", "to_note"), PAIRS)
def test_one_finger_far_from_the_others_is_the_one_that_is_blamed(from_note, to_note):
    fingers = fingers_of(STANDARD[from_note] ^ STANDARD[to_note])
    if len(fingers) < 3:
        return
    for culprit in fingers:
        for by_us in (-25_000, 25_000):
            times = dict.fromkeys(fingers, 30_000) | {culprit: 30_000 + by_us}
            (change,) = played(from_note, to_note, times)
            blamed = blame(change)
            if blamed is not None:
                assert (blamed.finger, blamed.early) == (culprit, by_us < 0)


def test_two_fingers_cannot_be_told_apart_so_the_early_one_is_named():
    (change,) = played(0, 2, {7: 0, 6: 20_000})
    blamed = blame(change)
    assert blamed is not None
    assert (blamed.finger, blamed.early, blamed.first, blamed.second, blamed.apart_us) == (7, True, 6, 7, 20_000)


def test_a_clean_change_blames_nobody():
    (change,) = played(0, 2, {6: 0, 7: 20_000})
    assert blame(change) is None
