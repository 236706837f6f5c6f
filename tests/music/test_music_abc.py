"""Reading and writing ABC."""

from __future__ import annotations

import time
from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fingerlead.music.abc import SIZE_LIMIT, parse_abc
from fingerlead.music.abc_body import MOST_NOTES
from fingerlead.music.abc_text import AbcError
from fingerlead.music.tune import Tuplet
from tests.music.abc_writer import to_abc
from tests.music.tunes import SCRAPS, lines_of, tunes

HEAD = "X:1\nL:1/8\nK:HP\n"


def music(text, head=HEAD):
    found, warnings = parse_abc(head + text)
    assert warnings == []
    return found[0]


def notes(tune):
    return [note for bar in tune.bars for note in bar.notes]


def lengths(text):
    return [note.length * 8 for note in notes(music(text))]


def attempt(text):
    try:
        return parse_abc(text), None
    except AbcError as error:
        return ([], []), error


def refused(text):
    with pytest.raises(AbcError) as caught:
        parse_abc(text)
    return caught.value


@given(tunes())
@settings(max_examples=200, deadline=None)
def test_what_is_written_reads_back_the_same(tune):
    text = to_abc(tune)
    found, _ = parse_abc(text)
    assert found == [tune]
    assert to_abc(found[0]) == text


@given(st.lists(tunes(), min_size=2, max_size=4))
@settings(max_examples=20, deadline=None)
def test_several_tunes_in_a_text(several):
    for end in ("\n", "\r\n", "\r"):
        text = "\n".join(map(to_abc, several)).replace("\n", end)
        assert parse_abc(text)[0] == several
    assert parse_abc("\n".join(map(to_abc, several)).encode())[0] == several


@given(st.one_of(SCRAPS, SCRAPS.map("X:1\nK:HP\n".__add__), st.text()))
@settings(max_examples=600, deadline=None)
def test_nonsense_is_read_or_refused_with_a_place_in_the_text(text):
    lines = lines_of(text)
    (found, warnings), error = attempt(text)
    if error is not None:
        assert 1 <= error.line <= len(lines)
        assert 1 <= error.column <= len(lines[error.line - 1]) + 1
        assert error.expected
        assert error.got
        assert str(error).startswith(f"line {error.line}, column {error.column}: expected ")
        assert "\n" not in str(error)
        return
    for warning in warnings:
        assert 1 <= warning.line <= len(lines)
        assert 1 <= warning.column <= len(lines[warning.line - 1]) + 2
    for tune in found:
        assert parse_abc(to_abc(tune))[0] == [tune]
        tune.played()


@given(st.binary(max_size=200))
@settings(deadline=None)
def test_any_bytes_are_read_or_refused(data):
    (found, _), error = attempt(b"X:1\nT:" + data)
    assert found or error is not None


@given(tunes(), st.data())
@settings(max_examples=100, deadline=None)
def test_a_tune_cut_off_anywhere_is_read_or_refused(tune, data):
    text = to_abc(tune)
    cut = text[: data.draw(st.integers(0, len(text)))]
    (found, _), error = attempt(cut)
    assert len(found) == 1 if error is None else error.line <= len(lines_of(cut))


# --- the standard's own examples: "The abc music standard 2.1", December 2011 ---


def test_grace_notes_as_the_standard_has_them():
    # Section 4.12: {GdGe} for a taorluath, {ge4d} for a cadence with a long e, {/g} for an acciaccatura.
    taorluath, cadence, stroke = notes(music("{GdGe}A {ge4d}A {/g}C".replace("C", "c")))
    assert (taorluath.note, taorluath.graces, taorluath.grace_lengths) == (1, (0, 4, 0, 5), ())
    assert (cadence.graces, cadence.grace_lengths) == ((7, 5, 4), (1, 4, 1))
    assert (stroke.graces, stroke.slashed) == ((7,), True)


def test_grace_notes_do_not_disturb_broken_rhythm():
    # Section 4.12: "A{g}<A" is legal and equivalent to "A<{g}A", and the graces are the second note's.
    assert music("A{g}<A").bars == music("A<{g}A").bars
    assert lengths("A<{g}A") == [Fraction(1, 2), Fraction(3, 2)]


def test_broken_rhythm():
    # Section 4.4: a>b is a3/2b/2, >> double dotted, >>> triple dotted.
    for signs, long in (">", Fraction(3, 2)), (">>", Fraction(7, 4)), (">>>", Fraction(15, 8)):
        assert lengths(f"a{signs}c") == [long, 2 - long]
        assert lengths(f"a{signs.replace('>', '<')}c") == [2 - long, long]


def test_pipe_keys():
    # Section 4.6 (3.1.14): HP prints no signature, Hp F sharp, C sharp and G natural; both are the chanter's scale.
    for key in ("HP", "Hp"):
        tune = music("GABcdefga", f"X:1\nK:{key}\n")
        assert tune.key == key
        assert [note.note for note in notes(tune)] == list(range(9))
        assert [note.note for note in notes(music("^c ^f =g", f"X:1\nK:{key}\n"))] == [3, 6, 7]


def test_note_lengths():
    # Section 4.3: A, A2, A/2, A/ for a half, A// for a quarter, A3/2; section 3.1.7: the unit where no L: stands.
    assert (
        lengths("A A2 A/2 A/ A// A3/2 A3/")
        == [1, 2, Fraction(1, 2), Fraction(1, 2), Fraction(1, 4)] + [Fraction(3, 2)] * 2
    )
    for meter, unit in ("2/4", 16), ("3/4", 8), ("6/8", 8), ("C", 8), ("C|", 8), ("none", 8), ("5/8", 16):
        assert notes(music("A", f"X:1\nM:{meter}\nK:HP\n"))[0].length == Fraction(1, unit)


def test_tuplets():
    # Section 4.13: (2 (3 (4 (6 (8 by the table, (5 (7 (9 by the meter; (p:q:r with the usual ones left out.
    three = notes(music("(3ABc"))
    assert [note.length * 8 for note in three] == [Fraction(2, 3)] * 3
    assert [note.written * 8 for note in three] == [1] * 3
    assert [note.tuplet for note in three] == [Tuplet(3, 2, 3, place) for place in range(3)]
    for sign, ratio in {"(2": (2, 3), "(4": (4, 3), "(6": (6, 2), "(8": (8, 3), "(5": (5, 2), "(3::2": (3, 2)}.items():
        first = notes(music(sign + "A" * 9 + "|", "X:1\nL:1/8\nM:4/4\nK:HP\n"))[0]
        assert (first.tuplet.p, first.tuplet.q) == ratio
    assert notes(music("(5AAAAA", "X:1\nM:6/8\nK:HP\n"))[0].tuplet.q == 3


def test_repeats_and_endings():
    # Section 4.8 and 4.9.
    def order(text):
        tune = music(text)
        return "".join("GABcdefga"[note.note] for note in tune.played())

    assert order("|:A:|") == "AA"
    assert order("A|B:|c|]") == "ABABc"
    assert order("A||B:|") == "ABB"
    assert order("|:A::B:|") == "AABB"
    assert order("|:A|1B:|2c|]d") == "ABAcd"
    assert order("|:A|[1 B:|[2 c||d|e:|") == "ABAcdede"
    assert order("|:A|1,3B:|2c:|") == "ABAcAB"
    assert order("|::A::|") == "AAA"
    assert order("|:A|B|\n|:c|d:|") == "ABcdcd"


def test_ties_join_equal_notes_also_over_the_bar_line():
    played = music("A2-|A B-|{g}B c").played()
    assert [(note.note, note.length * 8) for note in played] == [(1, 3), (2, 1), (2, 1), (3, 1)]
    assert [note.starts_at * 8 for note in played] == [0, 3, 4, 5]
    _, warnings = parse_abc(HEAD + "A-B|c-")
    assert [(warning.line, warning.column) for warning in warnings] == [(4, 1), (4, 5)]


def test_words():
    # Section 5.1.
    def words(text, below):
        return [note.word for note in notes(music(f"{text}\nw:{below}\n"))]

    assert words("A B c d", "one two-three four") == ["one", "two-", "three", "four"]
    assert words("A {g}B c d", "of~the * a\\-b _") == ["of the", None, "a-b", "_"]
    assert words("A B|c d|e", "one | two | three") == ["one", None, "two", None, "three"]
    assert words("A z B", "one two") == ["one", None, "two"]
    assert words("A B", "100\\% sure % what") == ["100%", "sure"]


def test_tempo_in_quarter_notes():
    tempos = {"1/4=80": 80, "3/8=60": 90, "1/8=101": Fraction(101, 2), "96": 48, '"Slowly" 1/4=40': 40}
    for text, tempo in tempos.items():
        assert parse_abc(f"X:1\nL:1/8\nQ:{text}\nK:HP\nA")[0][0].tempo == tempo
    assert parse_abc('X:1\nQ:"Slowly"\nK:HP\nA')[0][0].tempo is None


def test_header_and_comments():
    tune = music("A % a comment\n% another\nB", "% first\nX:7\nT:The 50\\% % not this\nC:Me\nR:reel\nM:2/4\nK:HP\n")
    assert (tune.number, tune.title, tune.composer, tune.rhythm, tune.meter) == (7, "The 50%", "Me", "reel", (2, 4))
    assert len(notes(tune)) == 2
    titled, _ = parse_abc("X:1\r\nT:Ceòl Mór\r\nK:HP\r\nA\r\n".encode("latin-1"))
    assert titled[0].title == "Ceòl Mór"
    assert parse_abc("\ufeffX:1\nT:Ceòl\nK:HP\nA".encode())[0][0].title == "Ceòl"


def test_lines_and_beams():
    tune = music("AB c|d|\\\ne|\nf|]")
    assert [bar.ends_line for bar in tune.bars] == [False, False, True, False]
    assert [note.beam for note in notes(tune)][:3] == [True, False, False]
    assert notes(tune)[4].line == 5


def test_an_upbeat_is_bar_nought():
    assert music("A|B4|c4|", "X:1\nM:4/4\nL:1/4\nK:HP\n").first_bar_number == 0
    assert "got ^d".removesuffix("^d") in str(refused("X:1\nM:4/4\nL:1/4\nK:HP\nA|B4|^d4|"))
    assert "d sharp in bar 2" in str(refused("X:1\nM:4/4\nL:1/4\nK:HP\nA|B4|^d4|"))


@pytest.mark.parametrize(
    ("text", "what", "line", "column"),
    [
        ('A "Am"B', "chord symbol", 4, 3),
        ("A !trill!B", "decoration", 4, 3),
        ("A (Bc)", "slur", 4, 3),
        ("A ~B", "sign", 4, 3),
        ("A Z4|", "whole bars", 4, 3),
        ("A [ce]B", "one note at a time", 4, 3),
        ("A & B c|", "second voice", 4, 3),
        ("A\nP:B\nB", "field P:", 5, 1),
        ("A {g}|", "no note after", 4, 3),
        ("A\nw:a b", "more words", 5, 3),
        ("%%staves 1", "instruction", 4, 1),
        ("V:1\nA\nV:2\nB\n", "voice '2'", 6, 3),
    ],
)
def test_the_rest_of_the_standard_is_passed_over_with_a_warning(text, what, line, column):
    (tune,), warnings = parse_abc(HEAD + text)
    first = warnings[0]
    assert what in first.sentence
    assert (first.line, first.column) == (line, column)
    assert {note.note for note in notes(tune)} <= {1, 2, 3}


@pytest.mark.parametrize(
    ("text", "line", "column", "expected", "got"),
    [
        ("", 1, 1, "X:1", "no such line"),
        ("only words\n", 1, 1, "X:1", "no such line"),
        ("X:\nK:HP\nA", 1, 3, "number", "nothing"),
        ("X:1\nT:x\nA B c", 3, 1, "K:", "'A B c'"),
        ("X:1\nT:x\n", 2, 3, "K:HP", "no such line"),
        ("X:1\nK:H\nA", 2, 3, "key", "'H'"),
        ("X:1\nM:6/7\nK:HP\nA", 2, 3, "meter", "'6/7'"),
        ("X:1\nM:6/\nK:HP\nA", 2, 5, "meter", "end of the line"),
        ("X:1\nL:1/0\nK:HP\nA", 2, 3, "1/8", "'1/0'"),
        ("X:1\nQ:fast\nK:HP\nA", 2, 3, "1/4=80", "'fast'"),
        (HEAD + "A 3B", 4, 3, "a note", "'3B'"),
        (HEAD + "A {gd", 4, 6, "grace note", "end of the line"),
        (HEAD + "A {g|}", 4, 5, "grace note", "'|}'"),
        (HEAD + "A [c", 4, 5, "note", "end of the line"),
        (HEAD + "A ^", 4, 4, "a note", "end of the line"),
        (HEAD + "A>|B", 4, 2, "same bar", "none in bar 1"),
        (HEAD + ">B", 4, 1, "before", "'>' in bar 1"),
        (HEAD + "A>>>>B", 4, 2, "three", "'>>>>' in bar 1"),
        (HEAD + "A|(3AB|c", 4, 3, "3 notes", "2 in bar 2"),
        (HEAD + "-A", 4, 1, "before the tie", "'-' in bar 1"),
        (HEAD + "A0", 4, 1, "length", "'0' in bar 1"),
        (HEAD + "A/3", 4, 1, "length", "'/3' in bar 1"),
        (HEAD + "A999999999999", 4, 1, "length", "in bar 1"),
        (HEAD + ":|A", 4, 1, "before the end of a repeat", "':|'"),
        (HEAD + "A|b", 4, 3, "nine notes", "b in bar 2"),
        (HEAD + "A|F", 4, 3, "nine notes", "F sharp in bar 2"),
        (HEAD + "A,", 4, 1, "nine notes", "A, in bar 1"),
        (HEAD + "{C}A", 4, 2, "nine notes", "C sharp in bar 1"),
        (HEAD + "=cc|", 4, 1, "nine notes", "c natural in bar 1"),
        ("X:1\nK:C\nA B c", 3, 5, "nine notes", "c natural in bar 1"),
        ("X:1\nK:A\nA B g", 3, 5, "nine notes", "g sharp in bar 1"),
    ],
)
def test_a_true_error_names_its_place_and_what_was_expected(text, line, column, expected, got):
    error = refused(text)
    assert (error.line, error.column) == (line, column)
    assert expected in error.expected
    assert got in error.got


def test_an_error_names_its_file():
    with pytest.raises(AbcError, match=r"^a\.abc, line 1, column 1: expected .*; got "):
        parse_abc("", "a.abc")


def test_other_keys_are_read_where_their_notes_are_the_chanters():
    for key in ("D", "Dmaj", "AMix", "A mixolydian", "Bm", "Edor", "Glyd"):
        (tune,), warnings = parse_abc(f"X:1\nK:{key}\nGABcdefga")
        assert tune.key == "Hp"
        assert len(warnings) == 1
    (tune,), _ = parse_abc("X:1\nK:C\n^cc|^f")
    assert [note.note for note in notes(tune)] == [3, 3, 6]


@pytest.mark.slow
def test_a_tune_has_a_number_of_notes_that_can_be_worked_with():
    longest = "A|" * MOST_NOTES
    assert len(notes(music(longest))) == MOST_NOTES
    error = refused(HEAD + longest + "z|")
    assert error.expected == f"at most {MOST_NOTES} notes in a tune"
    assert (error.line, error.column) == (4, len(longest) + 1)
    several, _ = parse_abc("\n".join((HEAD + "A|" * (MOST_NOTES // 2),) * 3).replace("\nX", "\n\nX"))
    assert len(several) == 3


def test_text_that_is_too_long_is_refused():
    with pytest.raises(AbcError, match=f"at most {SIZE_LIMIT} characters"):
        parse_abc("x" * (SIZE_LIMIT + 1))


@pytest.mark.parametrize(
    "scrap", ["A", "A|", "{g}A>B ", "|:A:|", "[1A", ":", "|", "(", "\\%", "%", "\n", "w:a\n", "A-", '"', "[", "&"]
)
def test_the_work_grows_with_the_text(scrap):
    def took(times):
        text = "X:1\nK:HP\n" + scrap * times
        begin = time.process_time()
        (found, _), _ = attempt(text)
        for tune in found:
            tune.played()
        return time.process_time() - begin

    took(10)
    # The least of three: what the machine does beside it, and the search for cycles, only ever add.
    small, large = (min(took(times) for _ in range(3)) for times in (250, 2_000))
    assert large < 40 * max(small, 0.0005)
