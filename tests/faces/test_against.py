"""Played against written on the report: what is marked where, and what is said when no staff can be engraved."""

from __future__ import annotations

from fractions import Fraction
from itertools import pairwise

import numpy as np
import pytest

from fingering.notes import note_index
from fingering.table import standard_table
from fingerlead.faces.report import against as room
from fingerlead.faces.report.numbers import movement_rows
from fingerlead.faces.sheet.piece import SheetError
from fingerlead.music.abc import parse_abc
from fingerlead.reading.asked import SessionMusic
from fingerlead.store.session_music import MusicAt, musics_of
from fingerlead.timing.analysis import analyse
from fingerlead.timing.results import Timing
from fingerlead.timing.summary import summarise
from fingerlead.wire.events import Record

ABC = "X:1\nT:Three bars\nM:2/4\nL:1/4\nK:HP\nG A | B c | d e |]\n"
TUNE = parse_abc(ABC)[0][0]
STANDARD = standard_table().standard


def played(letters: str, *, early_us: int = 0, asked=(MusicAt(0, SessionMusic("tune", "Three bars", ABC)),)):
    """Half a second a note; the bottom index moves so much ahead of the others."""
    states = [(0, STANDARD[note_index(letters[0])])]
    for place, (before, letter) in enumerate(pairwise(letters), 1):
        from_mask, to_mask = (STANDARD[note_index(one)] for one in (before, letter))
        index = (from_mask ^ to_mask) & 1 << 4
        if early_us and index and from_mask ^ to_mask != index:
            states.append((place * 500_000 - early_us, from_mask ^ index))
        states.append((place * 500_000, to_mask))
    t_us, masks = np.array([t for t, _ in states], dtype=np.int64), np.array([m for _, m in states], dtype=np.uint8)
    record = Record(t_us, masks, int(t_us[-1]) + 500_000)
    return analyse(record, standard_table(), Timing("chanter", 1_000, 0, 1_000, "given"), musics=musics_of(asked))


@pytest.mark.parametrize(
    ("letters", "marks"),
    [
        ("GABcde", {}),
        ("GAecde", {(1, 0): ("square", "was E")}),
        ("GAcde", {(1, 0): ("cross", "missed")}),
        ("GAfBcde", {(1, 0): ("triangle", "extra F")}),
    ],
)
def test_each_note_that_was_not_as_written_is_marked_by_shape_and_word(letters, marks):
    found = room.marks(played(letters), TUNE, {0})
    assert {place: (mark.shape, mark.word) for place, mark in found.items()} == marks


def test_the_marks_are_said_for_those_who_cannot_see_them():
    said = room.marked_words(room.marks(played("GAec"), TUNE, {0}))
    assert said == "bar 2, note 1: was E"
    assert room.marked_words(room.marks(played("GABc"), TUNE, {0})) == "every note was as written"


@pytest.mark.parametrize("early_us", [30_000, 120_000])
def test_a_stray_is_marked_at_the_note_that_it_leads_to(early_us):
    found = room.marks(played("GABcde", early_us=early_us), TUNE, {0})
    assert {place: mark.word for place, mark in found.items()} == {(2, 1): "stray C"}


def test_grace_notes_left_out_are_marked_and_counted():
    abc = ABC.replace("G A | B", "G {g}A | {GdG}B")
    analysis = played("GABcde", asked=[MusicAt(0, SessionMusic("tune", "Three bars", abc))])
    found = room.marks(analysis, parse_abc(abc)[0][0], {0})
    assert {place: (mark.shape, mark.word) for place, mark in found.items()} == {
        (0, 1): ("cross", "no grace note"),
        (1, 0): ("cross", "no grip"),
    }
    nothing = {"asked": 1, "right": 0, "faulty": 0, "other": 1, "faults": "it was left out, 1×"}
    assert movement_rows(summarise([analysis]).by_movement.values()) == [
        {"name": "Grip on B", **nothing},
        {"name": "High G grace note on low A", **nothing},
    ]


def test_without_an_engraver_the_words_stand_alone(monkeypatch):
    def refuses(*_):
        raise SheetError("LilyPond is missing")

    monkeypatch.setattr("fingerlead.faces.report.against.staff_svg", refuses)
    (found,) = room.against(played("GAec"), 1)
    assert found["staff"] == ""
    assert "LilyPond is missing" in found["missing"]
    assert found["words"] == ["E instead of B."]
    assert (found["name"], found["right"], found["played"]) == ("Three bars", 3, 4)
    assert room.against(played("GABc"), 1)[0]["words"] == ["No note was wrong, missed or extra."]


def test_each_music_of_a_session_has_its_own_marks_and_staff(monkeypatch):
    monkeypatch.setattr(room, "staff_svg", lambda tune, made, **_: f"{tune.title}: {room.marked_words(made)}")
    asked = [
        MusicAt(0, SessionMusic("tune", "Three bars", ABC)),
        MusicAt(2_900_000, SessionMusic("rung", "low-g-low-a", ABC.replace("Three bars", "A rung"))),
        MusicAt(5_900_000, SessionMusic("tune", "Again", ABC.replace("Three bars", "Again"))),
    ]
    analysis = played("GAecdeGABcdeGABcfe", asked=asked)
    assert [(one["staff"], one["right"], one["played"]) for one in room.against(analysis, 9)] == [
        ("Three bars: bar 2, note 1: was E", 5, 6),
        ("Again: bar 3, note 1: was F", 5, 6),
    ]
    first, again = room.against(analysis, 1)
    assert first["staff"]
    assert not again["staff"]
    assert "at most 6" in again["missing"]


def test_tune_is_what_this_test_takes_it_for():
    assert [expected.length for expected in TUNE.played()] == [Fraction(1, 4)] * 6
