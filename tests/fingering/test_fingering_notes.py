"""Holes, notes and scale ratios, against the published ones."""

from __future__ import annotations

import math
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fingering.holes import ALL_COVERED, HolesError, fingers_of, from_text, to_text, top_open_hole
from fingering.notes import NOTES, SCALES, SOUNDING, note_index, scale


@given(st.integers(0, 255))
def test_a_mask_written_and_read_is_the_same(mask):
    assert from_text(to_text(mask)) == mask
    assert sum(1 << finger for finger in fingers_of(mask)) == mask


@given(st.text(max_size=12))
def test_text_that_is_no_mask_is_refused_with_what_came(text):
    if len(text) == 8 and set(text) <= {"x", "o"}:
        return
    with pytest.raises(HolesError) as refused:
        from_text(text)
    assert repr(text) in str(refused.value)


@given(st.integers(0, 255), st.integers(0, 255))
def test_only_the_topmost_open_hole_names_the_note(mask, other):
    top = top_open_hole(mask)
    if top is None:
        assert mask == ALL_COVERED
        return
    below = (0xFF << top + 1) & 0xFF
    assert SOUNDING[mask] == SOUNDING[(mask & ~below) | (other & below)]


def test_the_notes_rise_from_the_lowest_hole_to_the_thumb():
    assert [SOUNDING[ALL_COVERED & ~(1 << hole)] for hole in range(8)] == [8, 7, 6, 5, 4, 3, 2, 1]
    assert SOUNDING[ALL_COVERED] == 0


def test_notes_are_known_by_name_and_by_abc_letter():
    # ABC 2.1, K:HP: the scale is G A B c d e f g a.
    assert [note_index(letter) for letter in "GABcdefga"] == list(range(9))
    assert [note_index(name.upper()) for name in NOTES] == list(range(9))
    with pytest.raises(ValueError, match="low G, low A, B"):
        note_index("H")


# Cents as published beside the ratios: Lenihan and MacNeill, Acustica 4 (1954), as reported; E. Macpherson 1998.
PUBLISHED_CENTS = {
    "Lenihan and MacNeill 1954": (-182.4, 0, 203.9, 386.3, 519.6, 702.0, 884.4, 1017.6, 1200),
    "MacNeill, low G 8/9": (-203.9, 0, 203.9, 386.3, 519.6, 702.0, 884.4, 1017.6, 1200),
    "harmonic": (-231.2, 0, 203.9, 386.3, 498.0, 702.0, 884.4, 968.8, 1200),
}


def test_the_scale_ratios_have_their_published_cents():
    assert {known.name for known in SCALES} == set(PUBLISHED_CENTS)
    for known in SCALES:
        assert known.source
        assert list(known.ratios) == sorted(known.ratios)
        assert [round(1200 * math.log2(ratio), 1) for ratio in known.ratios] == list(PUBLISHED_CENTS[known.name])


def test_a_scale_is_found_by_name_or_refused_with_the_names():
    assert scale("Harmonic").ratios[7] == Fraction(7, 4)
    with pytest.raises(ValueError, match="harmonic; Lenihan and MacNeill 1954"):
        scale("equal")
