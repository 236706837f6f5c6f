from __future__ import annotations

import re
from dataclasses import replace
from fractions import Fraction
from itertools import permutations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fingering.families import family_rung
from fingering.ladder import ladder
from fingering.moves import move
from fingering.notes import NOTES, SOUNDING
from fingering.table import standard_table
from fingerlead.faces.sheet.piece import SheetError, SheetPiece, StaffMark, rung_piece, tune_piece
from fingerlead.faces.sheet.sheets import homework, weakest
from fingerlead.faces.sheet.source import holes, letters_row, marks_row, moved, pictures_row, words_row
from fingerlead.music.abc import parse_abc
from fingerlead.timing.movement_sums import MovementSummary
from fingerlead.timing.summary import ChangeSummary, Summary
from fingerlead.timing.worth import WorthWork, WrittenSummary
from tests.faces.sheet_tools import tunes


def piece(text: str, **more) -> SheetPiece:
    return SheetPiece("x", parse_abc(f"X:1\nT:x\nM:4/4\nL:1/4\nK:HP\n{text}\n")[0][0], **more)


def marked(row: str) -> list[list[tuple[int, int, bool]]]:
    """The moves of each mark between notes: (finger, step, covers)."""
    return [
        [(int(f), int(s), c == "t") for f, s, c in re.findall(r"\((\d) (\d) #([tf])\)", moves)]
        for moves in re.findall(r"\\moved #[\d.]+ #'\(((?:\([^)]*\) ?)*)\)", row)
    ]


@given(tunes, st.sampled_from(["first", "all"]), st.sampled_from(["full", "short"]))
def test_every_row_is_as_long_as_the_tune(tune, pictures, letters):
    one = SheetPiece("x", tune)
    total = sum((bar.length for bar in tune.bars), Fraction(0))
    for row in (pictures_row(one, pictures), letters_row(one, letters), words_row(one)):
        if row:
            assert sum(Fraction(part) for part in re.findall(r"(?<= 1\*)\d+/\d+", row)) == total


@pytest.mark.parametrize("to_note", range(9))
@pytest.mark.parametrize("from_note", range(9))
def test_the_numbered_order_sounds_clean_however_fingers_of_one_number_go(from_note, to_note):
    # The sounding rule itself judges: every order that the numbers allow, one finger after another.
    if from_note == to_note:
        return
    (moves,) = marked(moved(from_note, to_note))
    start, end = standard_table().standard[from_note], standard_table().standard[to_note]
    assert {finger for finger, _, _ in moves} == {hole for hole in range(8) if (start ^ end) >> hole & 1}
    assert all(covers == bool(end >> finger & 1) for finger, _, covers in moves)
    steps: dict[int, list[int]] = {}
    for finger, step, _ in moves:
        steps.setdefault(step, []).append(finger)
    masks = {start}
    for step in sorted(steps):
        after = 0
        for order in permutations(steps[step]):
            for mask in masks:
                for finger in order:
                    mask ^= 1 << finger
                    assert SOUNDING[mask] in (from_note, to_note)
                after = mask
        masks = {after}
    assert masks == {end}


def test_out_and_back_differ():
    out, back = (marked(moved(*change))[0] for change in ((0, 2), (2, 0)))
    assert out == [(6, 1, False), (7, 2, False)]
    assert sorted(back) == [(6, 2, True), (7, 1, True)]


def test_pictures_stand_at_first_appearances():
    row = pictures_row(piece("G B G B|G B G A|]"), "first")
    assert re.findall(r"\\holes #[\d.]+ #(\d+)", row) == [str(standard_table().standard[note]) for note in (0, 2, 1)]
    assert len(marked(row)) == 3  # G to B, B to G, G to A
    row = pictures_row(piece("G B G B|G B G A|]"), "all")
    assert row.count("\\holes") == 8
    assert len(marked(row)) == 7
    assert pictures_row(piece("G B G B|G B G A|]"), "none") == ""


def test_only_what_is_taught_has_pictures():
    row = pictures_row(piece("G B G A|]", taught=(0, 2)), "first")
    assert row.count("\\holes") == 2
    assert len(marked(row)) == 2


def test_no_fingers_are_marked_across_a_grace_note_a_rest_or_a_tie():
    assert not marked(pictures_row(piece("A2 {g}B2|z2 A2-|A2 z2|B4|]"), "all"))


def test_letters_with_and_without_their_height():
    full, short = (letters_row(piece("G A B c|d e f g|a4|]"), letters) for letters in ("full", "short"))
    assert re.findall(r'\\bold "(.)"', full) == list("GABCDEFGA")
    assert re.findall(r'"(low|high)"', full) == ["low", "low", "high", "high"]
    assert re.findall(r'\\bold "(.)"', short) == list("GABCDEFGA")
    assert "low" not in short
    assert letters_row(piece("G4|]"), "none") == ""


def test_letters_fade_along_the_piece():
    text = "G A B c|d e f g|a4|a4|]"
    assert letters_row(piece(text, letters_until=Fraction(1, 2)), "full").count("bold") == 8
    assert letters_row(piece(text, letters_until=Fraction(0)), "full").count("bold") == 0
    tune = piece(text).tune
    assert tune_piece(tune).letters_until == 1
    assert tune_piece(tune, fade=True).letters_until == Fraction(1, 2)


def test_helps_fade_from_rung_to_rung():
    rungs = ladder()
    pieces = [rung_piece(rung, number, len(rungs)) for number, rung in enumerate(rungs, 1)]
    shares = [one.letters_until for one in pieces]
    assert shares == sorted(shares, reverse=True)
    assert shares[0] == 1
    assert shares[-1] < Fraction(1, 2)
    assert pieces[0].taught is None
    assert pieces[-1].taught == rungs[-1].notes
    assert rung_piece(rungs[-1], 37, 37, fade=False).letters_until == 1


def test_every_rung_has_its_advice_out_and_back():
    for number, rung in enumerate(ladder(), 1):
        one = rung_piece(rung, number, 37)
        assert len(one.advice) == 2 * (len(rung.notes) - 1)
        assert len(set(one.advice)) == len(one.advice)
        assert one.title[0].isupper()
        assert "passed" in one.after


def test_a_tune_is_given_advice_for_its_hardest_change():
    (advice,) = tune_piece(piece("A B e d|e d A4|]").tune).advice
    played = [(1, 2), (2, 5), (5, 4), (4, 5), (4, 1)]
    hardest = max((move(*change) for change in sorted(played)), key=lambda change: change.difficulty)
    assert f"{NOTES[hardest.from_note]} to {NOTES[hardest.to_note]}" in advice
    assert tune_piece(piece("A4|A4|]").tune).advice == ()


def test_words_keep_their_hyphens_and_are_never_read_as_commands():
    row = words_row(piece("A B c d|]\nw: sev-en # _"))
    assert '\\markup \\concat { "sev" } 1*1/4 -- ' in row
    assert '{ "#" }' in row
    assert row.endswith("\\skip 1*1/4")
    assert words_row(piece("A4|]")) == ""


def test_marks_are_shapes_with_words():
    one = piece("A B c d|]", marks={(0, 1): StaffMark("cross", 'wrong "} #(x)')})
    assert "\\shape-sign #'cross" in marks_row(one)
    assert '"wrong \\"} #(x)"' in marks_row(one)
    assert marks_row(piece("A4|]")) == ""
    with pytest.raises(SheetError, match="shape"):
        marks_row(replace(one, marks={(0, 1): StaffMark("cross) #(x", "")}))


def test_homework_is_of_all_that_is_worth_work_and_not_of_strays_alone():
    """Embellishments, wrong notes, fingers apart, strays: the worst first; what no rung trains is none of it."""
    rolled = ChangeSummary(0, 2)
    worth = [
        WorthWork(MovementSummary("my own shake", 3), "movement", 9, 9, 0, 500_000),
        WorthWork(MovementSummary("grip", 3), "movement", 8, 9, 0, 400_000),
        WorthWork(MovementSummary("grip", 1), "movement", 7, 9, 0, 350_000),
        WorthWork(WrittenSummary(3, 4), "wrong", 5, 9, 300_000, 300_000),
        WorthWork(rolled, "apart", 8, 12, 60_000, 200_000),
        WorthWork(ChangeSummary(2, 0), "stray", 7, 11, 20_000, 100_000),
        WorthWork(ChangeSummary(5, 4), "stray", 6, 10, 20_000, 90_000),
    ]

    class Worth(Summary):
        def worth_work(self):
            return worth

    assert weakest(Worth({}, 0)) == {
        ("grip", 3): "not as written in 8 of 9",
        (3, 4): "another note was played in 5 of 9",
        (0, 2): "the fingers were not together in 8 of 12",
    }
    del worth[1:3]
    assert list(weakest(Worth({}, 0))) == [(3, 4), (0, 2), (5, 4)]
    worth.clear()
    assert weakest(Worth({}, 0)) == {}


def test_homework_is_a_rung_for_each_change_with_the_weak_way_first():
    sheet = homework([(2, 0), (5, 4)], "Mairi", "1 May 2031", {(2, 0): "another note sounded in between in 3 of 9"})
    assert (sheet.title, sheet.subtitle) == ("Homework", "For Mairi, 1 May 2031")
    assert [one.title for one in sheet.pieces] == ["Low G and B", "D and E"]
    assert sheet.pieces[0].trains == "To work on: B to low G (another note sounded in between in 3 of 9)."
    assert sheet.pieces[0].advice[0].startswith("B to low G: ")
    assert sheet.pieces[1].advice[0].startswith("E to D: ")
    assert [bool(one.after) for one in sheet.pieces] == [False, True]


def test_homework_is_the_rung_of_an_embellishment_with_the_order_of_its_fingers():
    sheet = homework([("grip", 3), (2, 0)], reasons={("grip", 3): "not as written in 8 of 9"})
    grips, change = sheet.pieces
    assert grips.trains == "To work on: grip on C (not as written in 8 of 9)."
    whole = rung_piece(family_rung("grip"), 1, 1)
    assert [one.to_note for one in whole.strips] == [2, 1, 5, 6]
    # The rung has no grip on C: what is to be worked on stands first all the same.
    assert [(one.movement, one.to_note) for one in grips.strips] == [("grip", 3), ("grip", 2), ("grip", 1), ("grip", 5)]
    assert "4 C: lift" in grips.advice[0]
    assert change.title == "Low G and B"


def test_a_picture_is_the_chart_s_own_mask():
    assert [int(re.search(r"#(\d+)$", holes(note)).group(1)) for note in range(9)] == [*standard_table().standard]
