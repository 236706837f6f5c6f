"""Played against written on the report: what is marked where, and what is said when no staff can be engraved."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest

from fingering.notes import note_index
from fingering.table import standard_table
from fingerlead.faces.report import against as room
from fingerlead.faces.sheet.piece import SheetError
from fingerlead.music.abc import parse_abc
from fingerlead.music.compare import compare_analysis
from fingerlead.timing.analysis import analyse
from fingerlead.timing.results import Timing
from fingerlead.wire.events import Record

TUNE = parse_abc("X:1\nT:Two bars\nM:2/4\nL:1/4\nK:HP\nG A | B c |]\n")[0][0]
STANDARD = standard_table().standard


def played(letters: str):
    masks = [STANDARD[note_index(letter)] for letter in letters]
    t_us = np.arange(len(masks), dtype=np.int64) * 500_000
    record = Record(t_us, np.array(masks, dtype=np.uint8), int(t_us[-1]) + 500_000)
    return analyse(record, standard_table(), Timing("chanter", 1_000, 0, 1_000, "given"))


@pytest.mark.parametrize(
    ("letters", "marks"),
    [
        ("GABc", {}),
        ("GAec", {(1, 0): ("square", "was E")}),
        ("GAc", {(1, 0): ("cross", "missed")}),
        ("GAfBc", {(1, 0): ("triangle", "extra F")}),
    ],
)
def test_each_note_that_was_not_as_written_is_marked_by_shape_and_word(letters, marks):
    found = room.marks(compare_analysis(played(letters), TUNE))
    assert {place: (mark.shape, mark.word) for place, mark in found.items()} == marks


def test_the_marks_are_said_for_those_who_cannot_see_them():
    said = room.marked_words(compare_analysis(played("GAec"), TUNE))
    assert said == "bar 2, note 1: was E"
    assert room.marked_words(compare_analysis(played("GABc"), TUNE)) == "every note was as written"


def test_without_an_engraver_the_words_stand_alone(monkeypatch):
    def refuses(*_):
        raise SheetError("LilyPond is missing")

    monkeypatch.setattr("fingerlead.faces.report.against.staff_svg", refuses)
    found = room.against(played("GAec"), TUNE)
    assert found["staff"] == ""
    assert "LilyPond is missing" in found["missing"]
    assert found["words"] == ["E instead of B."]


def test_tune_is_what_this_test_takes_it_for():
    assert [expected.length for expected in TUNE.played()] == [Fraction(1, 4)] * 4
