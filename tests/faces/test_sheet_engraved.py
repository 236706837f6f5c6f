"""Sheets as LilyPond engraves them, read back from the SVG (xml.etree) and the PDF (pdftotext of poppler-utils)."""

from __future__ import annotations

import re
import shutil
import struct
import subprocess
from dataclasses import replace
from fractions import Fraction
from itertools import pairwise

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from fingering.ladder import ladder
from fingerlead.faces.sheet.lilypond import engrave
from fingerlead.faces.sheet.piece import (
    Sheet,
    SheetError,
    SheetPiece,
    StaffMark,
    Style,
    note_id,
    rung_piece,
    tune_piece,
)
from fingerlead.faces.sheet.sheets import chart_source, homework, pages, staff_svg
from fingerlead.faces.sheet.source import fitting_size, sheet_source
from fingerlead.music.abc import parse_abc
from tests.faces.sheet_tools import LILYPOND_S, SVG, elements, ids, needs_lilypond, place, tunes, words

MARCH = """X:7
T:The Invented March
C:a test
M:2/4
L:1/8
Q:1/4=72
K:HP
A|{g}A>B {d}c2|{gcd}c>d {e}e>f|{g}a2 {GdG}g>f|1 {gef}e2 {GdGe}A:|2 {g}A3||
|:{g}c2 (3def|{g}B2 A2-|A2 z2::g2 G2|c4|]
"""

NASTY = (
    '#(system "touch pwned")',
    '\\include "sheet.ly"',
    '" } \\markup { #(exit 3) "',
    "%{ no comment %} 100%",
    "<script>alert('x')</script> & </tspan> ]]>",
    "\x00\x07\x1b[31mred\r\nnew\tline",
    "$(display 1) ~tie~ under_score \\",
    "\ud800 \uffff \ue0f0 \u202eleft",
    "Céol Mór — “quoted” ½",
)


@pytest.fixture(scope="module", autouse=True)
def lilypond():
    needs_lilypond()


def march():
    return parse_abc(MARCH)[0][0]


def pdf_text(pdf: bytes) -> str:
    if shutil.which("pdftotext") is None:
        pytest.skip("needs pdftotext: the package poppler-utils")
    done = subprocess.run(["pdftotext", "-layout", "-", "-"], input=pdf, capture_output=True, check=True)
    return " ".join(done.stdout.decode("utf-8").split())


def test_the_pdf_says_what_is_on_it():
    rungs = ladder()
    one = rung_piece(rungs[9], 10, len(rungs))
    (pdf,) = pages(Sheet((one,)), Style(), "pdf")
    text = pdf_text(pdf)
    for part in (one.title, one.trains, *one.advice, one.after, "covered", "put down", "low"):
        assert part in text
    assert text.endswith(" 1")


def test_every_note_has_its_id_in_the_svg():
    tune = march()
    (svg,) = pages(Sheet((tune_piece(tune),)), Style(), "svg")
    expected = [
        note_id(index, at)
        for index, bar in enumerate(tune.bars)
        for at, note in enumerate(bar.notes)
        if note.note is not None
    ]
    assert sorted(ids(svg)) == sorted(expected)


def test_noteheads_stand_where_a_treble_staff_has_them():
    # The treble clef's line, the second from below, is G above middle C; a step is half a staff space (any primer).
    tune = parse_abc("X:1\nM:9/4\nL:1/4\nK:HP\nGABcdefga|]\n")[0][0]
    every = elements(staff_svg(tune))
    heads = {element.attrib["id"]: place(element[0])[1] for element in every if "id" in element.attrib}
    lines = sorted(
        place(element)[1]
        for element in every
        if len(element) == 1 and element[0].tag == f"{SVG}line" and float(element[0].attrib["x2"]) > 20
    )
    assert [below - above for above, below in pairwise(lines)] == pytest.approx([1] * 4, abs=0.01)
    ladder_of_heads = [heads[note_id(0, at)] for at in range(9)]
    assert ladder_of_heads[0] == pytest.approx(lines[3], abs=0.01)
    assert [low - high for low, high in pairwise(ladder_of_heads)] == pytest.approx([0.5] * 8, abs=0.01)


def test_black_and_white_alone():
    (svg,) = engrave(chart_source(Style()), "svg")
    colours = {element.attrib[key] for element in elements(svg) for key in ("fill", "stroke") if key in element.attrib}
    assert colours <= {"currentColor", "white", "none", "rgb(100.0000%, 100.0000%, 100.0000%)"}


@pytest.mark.parametrize(("paper", "size"), [("a4", ("210.00mm", "297.00mm")), ("letter", ("215.90mm", "279.40mm"))])
def test_paper(paper, size):
    # ISO 216 and ANSI/ASME Y14.1 give the sizes.
    (svg,) = pages(Sheet((tune_piece(march()),)), Style(paper=paper), "svg")
    root = elements(svg)[0]
    assert (root.attrib["width"], root.attrib["height"]) == size


def test_the_chart_shows_the_nine_fingerings():
    # The chart that teaching pages agree on: common practice.
    (svg,) = engrave(chart_source(Style()), "svg")
    every = elements(svg)
    parents = {child: parent for parent in every for child in parent}
    circles = [
        element
        for element in every
        if element.tag == f"{SVG}circle"
        and parents[parents[element]].attrib.get("transform", "").startswith("scale(2.9")
    ]
    assert len(circles) == 72
    columns: dict[float, list[tuple[float, bool]]] = {}
    for circle in circles:
        x, y = place(parents[circle])
        columns.setdefault(round(x, 1), []).append((y, circle.attrib["fill"] == "currentColor"))
    shown = ["".join("x" if full else "o" for _, full in sorted(column)) for _, column in sorted(columns.items())]
    assert shown == [
        "xxxxxxxx", "xxxxxxxo", "xxxxxxoo", "xxxxxoox", "xxxxooox", "xxxoxxxo", "xxooxxxo", "xoooxxxo", "oooxxxxo",
    ]  # fmt: skip
    assert len(ids(svg)) == 9
    text = words(svg)
    assert all(word in text for word in ("thumb", "bottom little", "low", "high", "covered"))


@pytest.fixture(scope="module")
def strangers():
    """A page for each stranger's text, and all of them in the sheet's title: the PDF's text, and the SVGs."""
    pieces = []
    for nasty in NASTY:
        first = march().bars[0]
        bar = replace(first, notes=tuple(replace(note, word=nasty) for note in first.notes))
        tune = replace(march(), title=nasty, composer=nasty, rhythm=nasty, bars=(bar,))
        pieces.append(SheetPiece(nasty, tune, nasty, (nasty, nasty), nasty, marks={(0, 0): StaffMark("ring", nasty)}))
    sheet = Sheet(tuple(pieces), " ".join(NASTY), " ".join(NASTY), page_each=True)
    return "".join(pdf_text(pages(sheet, Style(), "pdf")[0]).split()), pages(sheet, Style(), "svg")


@pytest.mark.parametrize("nasty", NASTY)
def test_a_stranger_s_text_only_prints(nasty, strangers):
    text, svgs = strangers
    printed = "".join(sign for sign in nasty if sign.isprintable() and sign not in "\ufffe\uffff\ue0f0\u202e")
    wanted = "".join(printed.split())
    assert text.count(wanted) >= 6
    assert "".join("".join(words(svg).split()) for svg in svgs).count(wanted) >= 6
    assert not any(element.tag.endswith("script") for svg in svgs for element in elements(svg))


@settings(
    max_examples=2,  # of which the first is the simplest
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
    phases=[Phase.explicit, Phase.reuse, Phase.generate],  # LilyPond is too slow for shrinking
)
@given(st.lists(tunes, min_size=4, max_size=4))
def test_any_tune_is_engraved_without_a_word_of_complaint(tmp_path, several):
    names = [f"{number}.ly" for number, _ in enumerate(several)]
    for name, tune in zip(names, several, strict=True):
        source = sheet_source(Sheet((tune_piece(tune),)), Style(pictures="all"))
        (tmp_path / name).write_text(source.translate({0xE0F0: "<", 0xE0F1: ">", 0xE0F2: "&"}), encoding="utf-8")
    command = [needs_lilypond(), "--loglevel=WARNING", "--svg", "-dno-point-and-click", *names]
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, timeout=LILYPOND_S, check=False)
    assert done.returncode == 0, done.stderr
    assert all(any(tmp_path.glob(f"{number}*.svg")) for number, _ in enumerate(several))
    # What is drawn oddly because the tune is odd is no fault of the source.
    usual = re.compile("beam|stem|tuplet|volta|collision|font|glyph|grace|spanner|fit|overfull")
    complaints = [line for line in done.stderr.splitlines() if re.search("warning|error", line)]
    assert not [line for line in complaints if not usual.search(line.lower())]


def test_marks_of_a_comparison_stand_over_the_staff():
    tune = march()
    plain = staff_svg(tune)
    marked = staff_svg(tune, {(1, 0): StaffMark("cross", "wrong"), (1, 2): StaffMark("square", "missed")})
    assert "wrong" in words(marked)
    assert "missed" in words(marked)
    assert sorted(ids(marked)) == sorted(ids(plain))


def test_homework_has_a_page_for_each_rung():
    sheet = homework([(0, 2), (5, 4), (8, 3)], "Mairi", "1 May 2031")
    svgs = pages(sheet, Style(), "svg")
    assert len(svgs) == 3
    for number, (svg, piece) in enumerate(zip(svgs, sheet.pieces, strict=True), 1):
        assert piece.title.replace(" ", "") in words(svg).replace(" ", "")
        assert words(svg).split()[-1] == str(number) or f" {number} " in f" {words(svg)} "
    assert "Mairi," in words(svgs[0])


@pytest.mark.parametrize("number", [1, 20, 37])
def test_a_rung_is_one_page(number):
    rungs = ladder()
    assert len(pages(Sheet((rung_piece(rungs[number - 1], number, len(rungs)),)), Style(), "svg")) == 1
    if number > 1:
        assert len(pages(homework([rungs[number - 1].notes]), Style(paper="letter"), "svg")) == 1


def test_a_picture_for_the_screen():
    (png,) = pages(Sheet((tune_piece(march()),)), Style(), "png")
    assert png.startswith(b"\x89PNG\r\n\x1a\n")  # ISO/IEC 15948
    assert struct.unpack(">II", png[16:24]) == (1240, 1754)  # A4 at 150 dots an inch


def test_a_long_line_is_set_smaller_and_too_much_is_refused():
    short = parse_abc("X:1\nM:4/4\nL:1/4\nK:HP\nA B c d|\nA4|]\n")[0][0]
    long = parse_abc("X:1\nM:4/4\nL:1/16\nK:HP\n" + "{gde}ABcd{gde}ABcd|" * 5 + "\nA4|]\n")[0][0]
    assert fitting_size(short, "a4") > fitting_size(long, "a4")
    bars = (replace(short.bars[0]),) * 2_001
    with pytest.raises(SheetError, match="at most 8000"):
        sheet_source(Sheet((SheetPiece("x", replace(short, bars=bars)),)), Style())


def test_letters_and_pictures_can_be_left_out():
    full = pages(Sheet((tune_piece(march()),)), Style(), "svg")[0]
    bare = pages(Sheet((tune_piece(march()),)), Style(letters="none", pictures="none"), "svg")[0]
    assert "covered" in words(full)
    assert "covered" not in words(bare)
    assert not [element for element in elements(bare) if element.tag == f"{SVG}circle"]
    faded = pages(Sheet((replace(tune_piece(march()), letters_until=Fraction(1, 3)),)), Style(), "svg")[0]
    assert words(faded).count("low") < words(full).count("low")
