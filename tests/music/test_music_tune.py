"""What a tune, or a row of notes, asks a chanter to hold."""

from __future__ import annotations

import pytest

from fingerlead.music.abc import parse_abc
from fingerlead.music.tune import ExpectationError, expect


def test_equal_notes_with_nothing_between_are_one():
    (tune,), _ = parse_abc("X:1\nL:1/4\nK:HP\nAA B-|B z B {g}B|]\n")
    assert [want.note for want in expect(tune).notes] == [1, 2, 2, 2]
    assert [want.bar for want in expect(tune).notes] == [0 + 1, 1, 2, 2]


@pytest.mark.parametrize("nothing", [[], parse_abc("X:1\nT:Silence\nK:HP\nz4|\n")[0][0]])
def test_an_exercise_with_no_notes_is_refused(nothing):
    with pytest.raises(ExpectationError, match="expected an exercise with notes to play"):
        expect(nothing)


def test_notes_that_are_none_are_refused():
    with pytest.raises(ExpectationError, match="from 0 to 8"):
        expect([0, 9])
