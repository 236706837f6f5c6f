"""What the tests of sheets share: LilyPond or a skip, tunes by chance, and an SVG read back."""

from __future__ import annotations

import re
from fractions import Fraction
from xml.etree import ElementTree

import pytest
from hypothesis import strategies as st

from fingerlead.faces.sheet.lilypond import find_lilypond
from fingerlead.faces.sheet.piece import SheetError
from fingerlead.music.tune import Bar, Note, Tune, Tuplet

# LilyPond takes a second or two; a busy machine may take long over them.
LILYPOND_S = 300


def needs_lilypond():
    try:
        return find_lilypond()
    except SheetError:
        pytest.skip("needs LilyPond: the package lilypond from PyPI")


lengths = st.builds(
    lambda log, dots: Fraction(1, 2**log) * (2 - Fraction(1, 2**dots)), st.integers(0, 5), st.integers(0, 2)
)
notes = st.builds(
    Note,
    st.one_of(st.none(), st.integers(0, 8)),
    st.one_of(lengths, st.sampled_from([Fraction(5, 8), Fraction(9, 16), Fraction(1, 5), Fraction(7, 4), Fraction(3)])),
    graces=st.lists(st.integers(0, 8), max_size=5).map(tuple),
    slashed=st.booleans(),
    beam=st.booleans(),
    word=st.sampled_from([None, "a", "b-", "_"]),
)


@st.composite
def triplets(draw):
    length = Fraction(1, draw(st.sampled_from([4, 8, 16])))
    return [
        Note(draw(st.integers(0, 8)), length * 2 / 3, tuplet=Tuplet(3, 2, 3, place), beam=place < 2)
        for place in range(3)
    ]


@st.composite
def bars(draw):
    some = draw(st.lists(st.one_of(notes.map(lambda note: [note]), triplets()), min_size=1, max_size=4))
    return Bar(
        tuple(note for group in some for note in group),
        draw(st.sampled_from(["|", "||", "|]", "[|"])),
        draw(st.booleans()),
        draw(st.sampled_from([(), (), (1,), (2,), (1, 3)])),
        draw(st.sampled_from([1, 1, 2, 3])),
        draw(st.sampled_from([None, (2, 4), (6, 8)])),
        draw(st.booleans()),
    )


tunes = st.builds(
    Tune,
    st.integers(0, 99),
    st.text(max_size=20),
    st.lists(bars(), min_size=1, max_size=5).map(tuple),
    meter=st.sampled_from([None, (4, 4), (2, 4), (6, 8)]),
    tempo=st.sampled_from([None, Fraction(70), Fraction(81, 2)]),
    key=st.sampled_from(["HP", "Hp"]),
).filter(lambda tune: any(note.note is not None for bar in tune.bars for note in bar.notes))

SVG = "{http://www.w3.org/2000/svg}"


def elements(svg: bytes | str):
    return list(ElementTree.fromstring(svg).iter())


def ids(svg: bytes | str) -> list[str]:
    return [element.attrib["id"] for element in elements(svg) if "id" in element.attrib]


def words(svg: bytes | str) -> str:
    return " ".join("".join(text.itertext()).strip() for text in elements(svg) if text.tag == f"{SVG}text")


def place(element) -> tuple[float, float]:
    x, y = re.fullmatch(r"translate\((-?[\d.]+), (-?[\d.]+)\)", element.attrib["transform"]).groups()
    return float(x), float(y)
