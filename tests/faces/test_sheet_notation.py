from __future__ import annotations

import re
from dataclasses import replace
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fingerlead.faces.sheet.notation import beams, duration, music
from fingerlead.faces.sheet.piece import SheetError, note_id
from fingerlead.music.abc import parse_abc
from fingerlead.music.tune import Bar, Note, Tune
from tests.faces.sheet_tools import bars, tunes


def written(token: str) -> Fraction:
    """How long a LilyPond duration is: `4.`, `\\breve`, `8*3/5`."""
    base, dots, factor = re.fullmatch(r"(\\breve|\d+)(\.*)(?:\*([\d/]+))?", token).groups()
    length = Fraction(2) if base == "\\breve" else Fraction(1, int(base))
    return length * (2 - Fraction(1, 2 ** len(dots))) * Fraction(factor or 1)


@given(st.fractions(Fraction(1, 512), 16).filter(lambda length: length > 0))
def test_a_length_is_kept_to_the_last_fraction(length):
    assert sum(map(written, duration(length))) == length


@given(st.integers(1, 64 * 16))
def test_lengths_of_notes_are_notes_tied_together(count):
    tokens = duration(Fraction(count, 64))
    assert not any("*" in token for token in tokens)
    assert len(tokens) <= 1 + bin(count).count("1") + count // 128


def abc(text: str, key: str = "HP", meter: str = "4/4") -> str:
    tunes, warnings = parse_abc(f"X:1\nT:x\nM:{meter}\nL:1/8\nK:{key}\n{text}\n")
    assert not warnings
    return music(tunes[0])


def test_pitches_stand_at_their_usual_places():
    # Low G on the second line, high A above the staff; ABC 2.1, section 4.6: HP prints no signature, Hp two sharps.
    heads = re.findall(r"\)\) ([a-gis]+'+)", abc("GABc defg|a8|"))
    assert heads == ["g'", "a'", "b'", "c''", "d''", "e''", "f''", "g''", "a''"]
    heads = re.findall(r"\)\) ([a-gis]+'+)", abc("GABc defg|a8|", "Hp"))
    assert heads == ["g'", "a'", "b'", "cis''", "d''", "e''", "fis''", "g''", "a''"]
    assert "\\key d \\major" in abc("G8|", "Hp")
    assert "\\key" not in abc("G8|")


def test_grace_notes_are_beamed_32nds_before_their_note():
    # ABC 2.1, section 4.12, gives {GdGe} as its example.
    assert "\\grace { g'32[ d''32 g'32 e''32] }" in abc("{GdGe}A8|")
    assert "\\grace { g''32 }" in abc("{g}A8|")
    assert "\\slashedGrace { g''32 }" in abc("{/g}A8|")
    assert "\\grace { g''32[ e''8 d''32] }" in abc("{ge4d}A8|")


def test_repeats_and_endings():
    text = abc("|:A8|1 B8:|2 c8||d8|]")
    assert text.count('\\bar ".|:"') == 1
    assert '(volta "1.")' in text
    assert '(volta #f) (volta "2.")' in text
    assert text.count("(volta #f)") == 2
    assert text.index('(volta "2.")') < text.rindex("(volta #f)") < text.index('\\bar "|."')
    assert '\\bar ":|.|:"' in abc("|:A8::B8:|")


def test_an_upbeat_has_its_own_length_and_the_number_nought():
    text = abc("A2|B8|c8|]")
    assert "currentBarNumber = #0" in text
    assert "ly:make-moment 1/4" in text
    assert "ly:make-moment 1)" in text


@given(bars())
def test_beams_hold_flagged_notes_alone_and_are_closed(bar):
    signs = beams(bar)
    is_open = False
    for note, sign in zip(bar.notes, signs, strict=True):
        is_open = is_open or sign == "["
        if is_open:
            assert note.note is not None
            assert note.written < Fraction(1, 4)
        is_open = is_open and sign != "]"
    assert not is_open
    assert signs.count("[") == signs.count("]")


@given(tunes)
def test_every_sounding_note_has_one_id(tune):
    expected = {
        note_id(index, place, 3)
        for index, bar in enumerate(tune.bars)
        for place, note in enumerate(bar.notes)
        if note.note is not None
    }
    found = re.findall(r'id \. "([^"]+)"', music(tune, 3))
    assert len(found) == len(set(found))
    assert set(found) == expected


def test_what_no_sheet_can_show_is_refused():
    silent = Tune(4, "Silent", (Bar((Note(None, Fraction(1)),)),))
    with pytest.raises(SheetError, match=r"expected notes to print; tune 4 \(Silent\) has none"):
        music(silent)
    with pytest.raises(SheetError, match="tune 4"):
        music(replace(silent, bars=()))
    endless = replace(silent, bars=(Bar((Note(1, Fraction(1)),)), Bar((Note(1, Fraction(17)),))))
    with pytest.raises(SheetError, match=r"at most 16 whole notes; tune 4 \(Silent\) has a longer one in bar 2"):
        music(endless)
