"""Finger strips as they are seen: on screen in Chromium, 6 cm wide in a PDF by poppler, and in a terminal."""

from __future__ import annotations

import re
import shutil
import subprocess
from dataclasses import replace
from html import unescape
from importlib.resources import files

import numpy as np
import pytest

from fingering.holes import FINGERS, HOLES
from fingerlead.faces.cli.passages import text_lines
from fingerlead.faces.strip import Strip, change_strip
from fingerlead.faces.strip_svg import BAND, HINT, LABELS, LED, WIDE, StripPage, lane_top
from fingerlead.faces.strip_text import WIDTH
from fingerlead.store.passage import cut
from tests.faces.playing import STANDARD, SURE, analysed, moved, one_change

# From low G to B the bottom little leads, and a low A sounds until the bottom ring lifts, after so long.
STRAYS_US = (11_000, 13_000, 16_000, 19_000, 22_000, 25_000, 28_000, 31_000, 34_000, 38_000)
LASTING_US = (60_000, 120_000, 185_000)
LITTLE, RING = 7, 6
ASTRAY = [one_change(0, {LITTLE: 0, RING: us}) for us in STRAYS_US]
LED_AND_BEHIND = one_change(2, {RING: 0, LITTLE: 19_000})
OTHERS = [
    LED_AND_BEHIND,
    one_change(0, {LITTLE: 0, RING: 400}),
    one_change(5, {2: 0, 1: 14_000}),
    # Crossings with many short strays, up and down.
    one_change(4, {3: 38_000, 4: 0, 5: 5_000, 6: 17_000, 7: 24_000}),
    one_change(7, {1: 0, 2: 3_000, 3: 6_000, 6: 9_000, 7: 12_000}),
    one_change(8, {0: 12_000, 1: 30_000, 2: 20_000, 6: 0}),
]
DOTS = 300  # an inch
UNIT = 6 / 2.54 * DOTS / WIDE  # of the picture, in dots where it is 6 cm wide


def long_movement() -> Strip:
    """Grace notes that go on for 612 ms."""
    masks = [STANDARD[1] ^ bit for bit in (1, 0, 16, 0, 1)]
    edges = tuple((153_000 * place, mask) for place, mask in enumerate(masks))
    return Strip((1, 2), STANDARD[1], edges, frozenset({0, 4}), 5_000, "A long one.", is_movement=True)


def page_of(strips: list[Strip], style: str = "") -> str:
    """The strips in the style of reports, each in a figure of its own."""
    page = StripPage()
    placed = [page.add(strip) for strip in strips]
    css = (files("fingerlead.faces.report") / "templates" / "style.css").read_text(encoding="utf-8")
    figures = "".join(f"<figure>{one.__html__()}</figure>" for one in placed)
    return f'<!doctype html><html lang="en"><meta charset="utf-8"><style>{css}{style}</style><body>{figures}</body>'


def drawn(*more: Strip) -> list[Strip]:
    return [*(change_strip(change, SURE) for change in (*ASTRAY, *OTHERS)), *more]


def of_all_lengths() -> list[Strip]:
    """The strays, then some that are longer than the smallest scale."""
    first, *more = (change_strip(change, SURE) for change in ASTRAY)
    (begin_us, led), (_, end) = first.edges
    lasting = (replace(first, edges=((begin_us, led), (us, end)), strays=((0, us),)) for us in LASTING_US)
    return [first, *more, *lasting]


@pytest.fixture(scope="module")
def shown(browser):
    contexts = []

    def at(html, width, scheme="light"):
        contexts.append(browser.new_context(viewport={"width": width, "height": 800}, color_scheme=scheme))
        page = contexts[-1].new_page()
        page.set_content(html)
        return page

    yield at
    for context in contexts:
        context.close()


BOXES = """() => [...document.querySelectorAll('.strip')].map(svg => {
  const box = svg.getBoundingClientRect();
  const marks = svg.querySelectorAll('text, .unsure, .lead, .ahead, .behind');
  return [...marks].map(e => [e.textContent || e.getAttribute('class'), e.getBoundingClientRect()]).map(([what, r]) =>
    [what, r.left - box.left, r.top - box.top, r.right - box.left, r.bottom - box.top, box.width, box.height]);
})"""


@pytest.mark.parametrize("width", [228, 350, 440])
@pytest.mark.parametrize("more", [(), (long_movement(),)])
def test_on_screen_no_word_or_mark_is_cut_or_covers_another(shown, width, more):
    page = shown(page_of(drawn(*more), f"figure {{ width: {width}px; max-width: none }}"), 800)
    strips = page.evaluate(BOXES)
    assert len(strips) == len(drawn(*more))
    for boxes in strips:
        assert len(boxes) > HOLES
        for place, (what, left, top, right, bottom, wide, high) in enumerate(boxes):
            assert min(left, top, wide - right, high - bottom) >= -0.5, what
            for other, begin, above, end, below, *_ in boxes[:place]:
                apart = right <= begin + 0.5 or end <= left + 0.5 or bottom <= above + 0.5 or below <= top + 0.5
                assert apart, (what, other)


def test_on_screen_all_strays_of_a_page_are_as_long_as_they_sounded(shown):
    page = shown(page_of(of_all_lengths()), 800)
    wide = page.evaluate(
        "() => [...document.querySelectorAll('.strip')].map(svg => [...svg.querySelectorAll('.sound')]"
        ".filter(r => r.getAttribute('fill') !== 'none').map(r => r.getBoundingClientRect().width))"
    )
    assert_in_proportion([one for (one,) in wide])


def assert_in_proportion(lengths):
    told = [*STRAYS_US, *LASTING_US]
    assert np.corrcoef(told, lengths)[0, 1] > 0.999
    assert np.array(lengths) / told == pytest.approx(lengths[-1] / told[-1], rel=0.1)


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_on_screen_the_ink_stands_out_from_the_paper(shown, scheme):
    page = shown(page_of(drawn()), 390, scheme)
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    colours = page.evaluate(
        "() => [getComputedStyle(document.body).backgroundColor, ...[...document.querySelectorAll('.strip text, .ink')]"
        ".map(e => getComputedStyle(e).fill)]"
    )
    paper, *inks = [luminance(colour) for colour in dict.fromkeys(colours)]
    assert len(inks) > 1
    for ink in inks:
        assert (max(paper, ink) + 0.05) / (min(paper, ink) + 0.05) >= 4.5


def luminance(colour):
    """As WCAG 2.2 defines it."""
    parts = np.array([int(part) for part in re.findall(r"\d+", colour)[:3]]) / 255
    return float(np.where(parts <= 0.04045, parts / 12.92, ((parts + 0.055) / 1.055) ** 2.4) @ (0.2126, 0.7152, 0.0722))


def pdf_of(strips, folder):
    """One strip a page, 6 cm wide."""
    weasyprint = pytest.importorskip("weasyprint", reason="needs WeasyPrint")
    if shutil.which("pdftoppm") is None:
        pytest.skip("needs the Debian package poppler-utils")
    path = folder / "strips.pdf"
    style = "@page { size: 6cm 6cm; margin: 0 } figure { width: 6cm; max-width: none; break-after: page }"
    weasyprint.HTML(string=page_of(strips, style + "body { margin: 0 }")).write_pdf(path)
    return path


def sheets_of(pdf):
    """The darkness of each page, from 0 (white) to 1: float[rows, columns]."""
    subprocess.run(["pdftoppm", "-r", str(DOTS), "-gray", pdf, pdf.with_suffix("")], check=True)
    found = []
    for path in sorted(pdf.parent.glob("*.pgm")):
        _, size, _, dots = path.read_bytes().split(b"\n", 3)
        wide, high = map(int, size.split())
        found.append(1 - np.frombuffer(dots, np.uint8).reshape(high, wide) / 255)
    return found


def test_on_paper_every_label_is_whole_and_of_6_and_a_half_points(tmp_path):
    pdf = pdf_of(drawn(), tmp_path)
    told = subprocess.run(["pdftotext", "-bbox", pdf, "-"], capture_output=True, text=True, check=True).stdout
    sheets = told.split("<page ")[1:]
    assert len(sheets) == len(drawn())
    for sheet in sheets:
        number = r'"([-\d.]+)"'
        words = re.findall(f"<word xMin={number} yMin={number} xMax={number} yMax={number}>(.*?)</word>", sheet)
        row = {unescape(word[4]): [float(part) for part in word[:4]] for word in words}
        assert set(" ".join(FINGERS).split()) <= set(row)
        assert all(left >= 0 and right <= 6 / 2.54 * 72 + 0.1 for left, _, right, _ in row.values())
        # From a font's ascent to its descent is more than its size.
        assert min(bottom - top for _, top, _, bottom in row.values()) >= 6.5


def test_on_paper_who_led_is_solid_and_who_should_go_first_is_open(tmp_path):
    changes = ASTRAY[0], LED_AND_BEHIND, OTHERS[1]
    sheets = sheets_of(pdf_of([change_strip(change, SURE) for change in changes], tmp_path))

    def mark(change, kind, hole):
        left, top = (LED if kind == "lead" else HINT) * UNIT, (lane_top(hole) - 1) * UNIT
        sheet = sheets[changes.index(change)]
        return sheet[round(top) : round(top + 11 * UNIT), round(left) : round(left + 8 * UNIT)]

    for change, led, hair in ((ASTRAY[0], LITTLE, RING), (LED_AND_BEHIND, RING, RING)):
        solid, open_one = mark(change, "lead", led), mark(change, "hint", hair)
        inside = tuple(slice(size * 4 // 10, size * 6 // 10) for size in solid.shape)
        assert solid[inside].mean() > 0.9
        assert open_one[inside].mean() < 0.1
        assert 0.1 < open_one.mean() < solid.mean() / 1.2
    # Where it is too close to call there is neither.
    assert mark(OTHERS[1], "lead", LITTLE).max() == mark(OTHERS[1], "hint", RING).max() == 0


def test_on_paper_all_strays_are_as_long_as_they_sounded(tmp_path):
    lengths = []
    for sheet in sheets_of(pdf_of(of_all_lengths(), tmp_path)):
        lanes = [
            sheet[round((lane_top(hole) + BAND / 4) * UNIT), round(LABELS * UNIT) :] > 0.5 for hole in (RING, LITTLE)
        ]
        lengths.append(int(lanes[0].sum()) - int(lanes[1].sum()))
    assert_in_proportion(lengths)


def test_in_a_terminal_all_strays_are_as_long_as_they_sounded_and_the_scale_is_named_once():
    states = [(0, STANDARD[0])]
    for number, us in enumerate(STRAYS_US):
        states += moved(0, {LITTLE: 0, RING: us}, 1_000_000 + 2_000_000 * number)
        states += moved(2, {LITTLE: 0, RING: 0}, 2_000_000 + 2_000_000 * number)[-1:]
    passage = cut(analysed(states), 0, 2 * len(STRAYS_US) - 1)
    lines = "\n".join(text_lines(passage, passage.analysis(), True)).split("\n")
    assert [line for line in lines if "All strips" in line] == ["All strips: 100 ms wide, a tenth of a second."]
    lanes = [line[17:] for line in lines if line[2:].startswith(FINGERS)]
    assert {len(lane) for lane in lanes} == {WIDTH}
    assert len(lanes) == HOLES * len(STRAYS_US)
    # A letter stands in the first column of a stray.
    lengths = [line.count("░") + 1 for line in lines if line.startswith("  sounds ")]
    assert np.corrcoef(STRAYS_US, lengths)[0, 1] > 0.99
