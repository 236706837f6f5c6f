"""The program's own tunes, against a written list of what makes a tune one for the pipes.

The list is common practice, no source:
1. the nine notes alone, each as long as its bar has room for; no rest inside a part;
2. parts of eight bars, in phrases of two or four: each fourth bar ends on a longer note, or on a chord note;
3. the last note of every part is of the chord of A (low A, C, E, high A), and that of the tune is low A;
4. a note comes twice in a row only with a grace note between;
5. each embellishment is one of the table, for that note, and can be played after the note before it: its first grace
   note does not sound already, and one that opens with high G follows no high G or high A;
6. every change and embellishment in it is on a rung that is named as opening it.
"""

from __future__ import annotations

from fractions import Fraction
from itertools import pairwise

import pytest

from fingering.families import FAMILIES
from fingering.movements import forms_between
from fingering.notes import HIGH_G, LOW_A, note_index
from fingering.orders import ORDERS, changes_of, opened_by, rungs_in
from fingering.tunes import easy_tunes, melody_in
from fingerlead.music.abc import parse_abc

CHORD_OF_A = {note_index(name) for name in ("low A", "C", "E", "high A")}
TUNES = easy_tunes()


def parts_of(tune):
    """The bars by eights: a part ends at a double bar, a repeat, or after eight bars."""
    parts = [[]]
    for bar in tune.bars:
        parts[-1].append(bar)
        if len(parts[-1]) == 8:
            parts.append([])
    return [part for part in parts if part]


@pytest.fixture(params=TUNES, ids=lambda tune: tune.key)
def tune(request):
    return request.param


@pytest.fixture
def read(tune):
    (found,), warnings = parse_abc(tune.abc)
    assert not warnings
    return found


def test_full_bars_of_the_nine_notes_without_rests(tune, read):
    assert read.key == "HP"
    assert all(bar.length == Fraction(*read.meter) for bar in read.bars)
    assert all(note.note is not None and not note.tie and not note.tuplet for bar in read.bars for note in bar.notes)


def test_parts_of_eight_bars_that_end_on_the_chord_of_a(tune, read):
    parts = parts_of(read)
    assert all(len(part) == 8 for part in parts)
    # A repeat or a double bar stands at the end of a part alone.
    ends = [bar.times > 1 or bar.barline in ("||", "|]") for bar in read.bars]
    assert all(not end or number % 8 == 7 for number, end in enumerate(ends))
    last = [part[-1].notes[-1] for part in parts]
    assert all(note.note in CHORD_OF_A | {0} for note in last)
    assert last[-1].note == LOW_A
    for part in parts:
        # The answer comes to rest longer than the beat it goes by.
        assert part[7].notes[-1].length >= max(note.length for note in part[6].notes) / 2


def test_phrases_of_two_or_four_bars_come_to_rest(tune, read):
    for part in parts_of(read):
        fourth = part[3].notes
        assert len(fourth) <= max(len(bar.notes) for bar in part)
        assert fourth[-1].length >= Fraction(1, 4) or fourth[-1].note in CHORD_OF_A


def test_every_embellishment_can_be_played_from_the_note_before(tune):
    for (_, before), (graces, note) in pairwise(tune.melody):
        assert graces or before != note
        if graces:
            form = forms_between(before, note)[graces]
            assert not form.left_out
            assert form.movement.notes == graces
            assert graces[0] != before
            assert before < HIGH_G or graces[0] != HIGH_G
            assert form.movement.on in (None, note)


def test_the_melody_is_read_as_the_reader_of_abc_reads_it(tune, read):
    notes = [note for bar in read.bars for note in bar.notes]
    assert melody_in(tune.abc) == tuple((note.graces, note.note) for note in notes)


def test_a_repeat_begins_as_playably_as_it_began(tune, read):
    for part in parts_of(read):
        if part[-1].times > 1:
            first, last = part[0].notes[0], part[-1].notes[-1]
            assert first.graces or first.note != last.note


@pytest.mark.parametrize("order", ORDERS)
def test_the_rungs_that_open_it_make_it_playable_and_no_fewer_do(order, tune):
    rungs = rungs_in(order)
    highest, *families = opened_by(tune, rungs)
    upto = rungs[: rungs.index(highest) + 1]
    reached = set().union(*map(changes_of, (rung for rung in upto if not rung.movements)))
    assert tune.changes <= reached
    assert not tune.changes <= set().union(*map(changes_of, upto[:-1]))
    assert set(tune.movements) == {name for rung in families for name in rung.movements}
    assert opened_by(tune, [rung for rung in rungs if rung != highest]) != (highest, *families)


def test_there_is_a_tune_of_each_kind():
    by_kind = {tune.key: parse_abc(tune.abc)[0][0] for tune in TUNES}
    assert {"march", "strathspey", "slow air"} <= {read.rhythm for read in by_kind.values()}
    asked = [set(tune.movements) for tune in TUNES]
    assert set() in asked
    assert {"high G grace note", "D grace note"} in asked
    assert any({"doubling", "throw"} <= names for names in asked)
    known = {family.movement for family in FAMILIES}
    assert set().union(*asked) <= known
    dotted = [
        {before.length / after.length for bar in read.bars for before, after in pairwise(bar.notes)}
        for read in by_kind.values()
    ]
    assert any({Fraction(3), Fraction(1, 3)} <= ratios for ratios in dotted)
    assert len({tune.title for tune in TUNES}) == len(TUNES) == 13
