"""No page is over-full, wherever its end falls: LilyPond breaks pages by heights that it has only estimated.

The paper's lower margin is narrowed down to where one system fewer goes onto a page. Just before, the page is as full
as LilyPond allows; what it says there (`compressing over-full page`) is the judge.
"""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest

from fingering.ladder import ladder
from fingerlead.faces.sheet.notation import for_paper
from fingerlead.faces.sheet.piece import Sheet, Style, rung_piece, tune_piece
from fingerlead.faces.sheet.source import sheet_source
from fingerlead.music.abc import parse_abc
from tests.faces.sheet_tools import LILYPOND_S, needs_lilypond

MARGIN = "bottom-margin = 10\\mm"
HEAD = "X:1\nT:Full\nM:4/4\nL:1/4\nQ:1/4=70\nK:HP\n"
PLAIN = HEAD + "G4 B4|\nG4 B4|\nG4 B4|]\n"  # low notes: the clef and the bar number stand out above them
ENDINGS = HEAD + "A {gaf}f {g}a c|1 {gef}e {g}A G a:|\n[2 {g}g {aga}g B A|]\n"
FINE_MM = 0.07


def engraved(source: str, folder: Path) -> tuple[int, str]:
    """How many pages there are, and what LilyPond complains of."""
    (folder / "one.ly").write_text(source, encoding="utf-8")
    command = [needs_lilypond(), "--loglevel=WARNING", "--svg", "-dno-point-and-click", "-o", "one", "one.ly"]
    done = subprocess.run(command, cwd=folder, capture_output=True, text=True, timeout=LILYPOND_S, check=True)
    made = list(folder.glob("one*.svg"))
    for page in made:
        page.unlink()
    return len(made), done.stderr


# About where one system fewer goes onto the page; where it is elsewhere now, it takes more steps to find.
@pytest.mark.parametrize(("abc", "about_mm"), [(PLAIN, 30.4), (ENDINGS, 61.5)], ids=["plain", "endings"])
def test_the_fullest_page_is_not_over_full(abc, about_mm, tmp_path):
    source = sheet_source(Sheet((tune_piece(parse_abc(abc)[0][0]),)), Style(pictures="all"))
    assert MARGIN in source
    fits_mm, too_much_mm = 10.0, 150.0
    pages, told = engraved(source, tmp_path)
    while too_much_mm - fits_mm > FINE_MM:
        assert "over-full" not in told, f"with a lower margin of {fits_mm} mm"
        near_mm = [mm for mm in (about_mm - 0.25, about_mm + 0.25) if fits_mm < mm < too_much_mm]
        try_mm = near_mm[0] if near_mm else (fits_mm + too_much_mm) / 2
        now, told_now = engraved(source.replace(MARGIN, f"bottom-margin = {try_mm}\\mm"), tmp_path)
        if now == pages:
            fits_mm, told = try_mm, told_now
        else:
            too_much_mm = try_mm
    assert too_much_mm < 150.0
    assert "over-full" not in told, f"with a lower margin of {fits_mm} mm"


def test_of_the_whole_ladder_in_a_row_no_page_is_over_full(tmp_path):
    rungs = ladder()
    whole = Sheet(tuple(rung_piece(rung, number, len(rungs)) for number, rung in enumerate(rungs, 1)))
    pages, told = engraved(for_paper(sheet_source(whole, Style(paper="letter"))), tmp_path)
    assert pages > 30
    assert told == ""
