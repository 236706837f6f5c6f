"""The report as a teacher meets it: in a browser at every width, by keyboard, by a screen reader's rules, printed."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
from itertools import pairwise
from pathlib import Path

import pytest

from fingerlead.simulated import chanter, play, script, sensing
from fingerlead.simulated import scenario as pupil_file
from fingerlead.simulated import serve as whole

playwright = pytest.importorskip("playwright.sync_api", reason="needs the Python package playwright")

WIDTHS = [320, 360, 820, 1280]


def wire_file(path: Path, pupil: str, seed: int, changes: int) -> Path:
    scenario = pupil_file.load_scenario(pupil)
    performance = play.perform(scenario.pupil, script.write_script(scenario.pupil, seed, changes=changes), seed)

    def lose(frames):
        return [frame for number, frame in enumerate(frames) if number % 211 != 7]

    path.write_bytes(whole.wire_bytes(performance, chanter.setup_for(seed), sensing.sensors("usual"), damage=lose))
    return path


@pytest.fixture(scope="module")
def page_file(tmp_path_factory):
    folder = tmp_path_factory.mktemp("report")
    # A long name without a break is what pushes a narrow page wide.
    files = [
        wire_file(folder / f"{'evening' * 12}.bytes", "mixed", 3, 400),
        wire_file(folder / "crossing & <more>.bytes", "heavy-crossing", 2, 300),
    ]
    page = folder / "page.html"
    command = [sys.executable, "-m", "fingerlead.faces.cli.main", "report", *files, "-o", page]
    done = subprocess.run(list(map(str, command)), capture_output=True, text=True, check=True)
    assert str(page) in done.stdout
    return page


@pytest.fixture
def opened(browser, page_file):
    """Open the page at a width; at the end nothing was fetched but the page, and nothing complained."""
    contexts, asked, complaints = [], [], []

    def at(width, scheme="light", height=900):
        context = browser.new_context(viewport={"width": width, "height": height}, color_scheme=scheme)
        contexts.append(context)
        page = context.new_page()
        page.on("request", lambda request: asked.append(request.url))
        page.on("console", lambda message: complaints.append(message.text))
        page.on("pageerror", lambda error: complaints.append(str(error)))
        page.goto(page_file.as_uri())
        return page

    yield at
    for context in contexts:
        context.close()
    assert {url.split("#")[0] for url in asked} == {page_file.as_uri()}
    assert complaints == []


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [320, 1280])
def test_the_rules_of_axe_pass(opened, width, scheme):
    axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="needs axe-playwright-python")
    page = opened(width, scheme)
    page.evaluate("document.querySelectorAll('details').forEach((one, i) => one.open = i < 8)")
    # axe-core's own rules, those of WCAG 2 A and AA and its best practices.
    found = axe.Axe().run(page)
    assert found.violations_count == 0, found.generate_report()


@pytest.mark.parametrize("width", WIDTHS)
def test_the_page_never_scrolls_sideways(opened, width):
    page = opened(width)
    page.evaluate("document.querySelectorAll('details').forEach(one => one.open = true)")
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    wide = page.evaluate(
        "[...document.querySelectorAll('main *')].filter(e => !e.closest('.scroll') && !e.closest('.unseen')"
        " && e.getBoundingClientRect().right > innerWidth + 0.5).map(e => e.outerHTML.slice(0, 80))"
    )
    assert wide == []


@pytest.mark.parametrize("width", [320, 390])
def test_every_table_and_picture_can_be_read_on_a_phone_without_scrolling(opened, width):
    page = opened(width)
    page.evaluate("document.querySelectorAll('details').forEach(one => one.open = true)")
    assert page.locator(".scroll").count() == 0
    cut = page.evaluate(
        "[...document.querySelectorAll('.grid td a, .rows td, .rows th')]"
        ".filter(e => e.scrollWidth > e.clientWidth + 1).map(e => e.textContent)"
    )
    assert cut == []
    assert page.locator(".grid .count").first.inner_text().strip()
    small = page.evaluate(
        "[...document.querySelectorAll('.strip, .pulse')].filter(e =>"
        " 12 * e.getBoundingClientRect().width / e.viewBox.baseVal.width < 9).length"
    )
    assert small == 0


def test_by_keyboard_from_the_top_to_a_change(opened):
    page = opened(1280)
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.className") == "skip"
    assert page.locator(".skip").bounding_box()["x"] >= 0
    page.keyboard.press("Enter")
    page.wait_for_url("**#first")
    page.locator(".all > summary").focus()
    page.keyboard.press("Enter")
    # The last box of the grid leads to a change that is folded away: it opens and comes into view.
    link = page.locator(".grid a").last
    target = page.locator(link.get_attribute("href"))
    assert not target.is_visible()
    link.focus()
    assert page.evaluate("getComputedStyle(document.activeElement).outlineStyle") == "solid"
    page.keyboard.press("Enter")
    playwright.expect(target).to_be_visible()
    playwright.expect(target).to_be_in_viewport()
    summary = page.locator("summary").last
    summary.focus()
    was_open = page.evaluate("document.activeElement.parentElement.open")
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.parentElement.open") != was_open


def test_landmarks_and_headings_in_order(opened):
    page = opened(820)
    assert page.locator("header, main, footer").count() == 3
    assert page.locator("h1").count() == 1
    levels = page.evaluate("[...document.querySelectorAll('h1,h2,h3,h4')].map(e => +e.tagName[1])")
    assert levels[0] == 1
    assert all(after - before <= 1 for before, after in pairwise(levels))
    tables = page.locator("table")
    assert tables.count() == page.locator("table > caption").count()
    assert page.locator("th:not([scope])").count() == 0


def test_no_meaning_by_colour_alone(opened):
    page = opened(1280)
    page.locator(".all > summary").click()
    for cell in page.locator(".grid td.often, .grid td.some").all():
        assert re.search("[▲△]", cell.inner_text())
    for kind, filled in (("lead", True), ("ahead", False)):
        fill = page.locator(f".strip .{kind}").first.evaluate("e => getComputedStyle(e).fill")
        assert (fill != "none") == filled


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_print_is_two_pages_or_all_of_it_with_date_and_settings_on_each(opened, paper, tmp_path):
    if shutil.which("pdftotext") is None:
        pytest.skip("needs the Debian package poppler-utils")
    page = opened(1280, "dark")
    assert len(printed(page, paper, tmp_path)) == 2
    page.locator(".all > summary").click()
    sheets = printed(page, paper, tmp_path)
    assert 4 < len(sheets) < 14
    rows = ("low G", "low A", "high G", "high A")
    # No table is cut: all rows of the changes are on one sheet.
    grid = next(sheet for sheet in sheets if "All changes" in sheet)
    assert all(re.search(rf"^\s*{row}\s+.*\d", grid, re.M) for row in rows)


def printed(page, paper, folder) -> list[str]:
    """The text of each sheet as the browser prints the page; the foot of each says when, and with which settings."""
    pdf = folder / "page.pdf"
    page.pdf(path=pdf, format=paper, prefer_css_page_size=True)
    text = subprocess.run(["pdftotext", "-layout", pdf, "-"], capture_output=True, text=True, check=True).stdout
    sheets = text.split("\f")[:-1]
    for number, sheet in enumerate(sheets, 1):
        assert re.search(r"fingerlead, \d+ \w+ \d{4}; strays heard from 10 ms, together within 25 ms", sheet)
        assert f"{number}/{len(sheets)}" in sheet.replace(" ", "")
    return sheets


def test_print_is_black_on_white_though_the_screen_is_dark(opened):
    page = opened(1280, "dark")
    assert page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(22, 22, 22)"
    page.emulate_media(media="print")
    style = "(e => [getComputedStyle(e).color, getComputedStyle(e).backgroundColor])(document.body)"
    assert page.evaluate(style) == ["rgb(0, 0, 0)", "rgb(255, 255, 255)"]
    assert page.locator(".strip .lead").first.evaluate("e => getComputedStyle(e).fill") == "rgb(0, 0, 0)"


@pytest.mark.parametrize("width", [390, 1280])
def test_all_strays_of_a_page_are_as_long_as_they_sounded(opened, width):
    page = opened(width)
    page.evaluate("document.querySelectorAll('details').forEach(one => one.open = true)")
    strips = page.evaluate(
        "() => [...document.querySelectorAll('svg.strip')].map(svg => {"
        " const wide = what => [...svg.querySelectorAll(what)].map(e => e.getBoundingClientRect());"
        " const ticks = wide('.tick').map(r => r.left);"
        " return [svg.querySelector('desc').textContent, Math.max(...ticks) - Math.min(...ticks),"
        " wide('.sound[fill^=url]').map(r => r.width)] })"
    )
    (scale_ms,) = set(map(int, re.findall(r"All strips: (\d+) ms wide", page.content())))
    (px_a_ms,) = {round(scale_px / scale_ms, 2) for _, scale_px, _ in strips}
    told = [re.findall(r"from (\d+) to (\d+) ms", words) for words, _, _ in strips]
    assert sum(map(len, told)) > 40
    for pairs, (_, _, lengths_px) in zip(told, strips, strict=True):
        for (begin_ms, end_ms), length_px in zip(pairs, lengths_px, strict=True):
            # Where times are uncertain they are told in tens.
            assert abs(int(end_ms) - int(begin_ms) - length_px / px_a_ms) <= 10 + 1 / px_a_ms


def test_strips_type_is_legible_on_a_phone_and_their_labels_stay_inside(opened):
    page = opened(320)
    page.evaluate("document.querySelectorAll('details').forEach(one => one.open = true)")
    strip = page.locator(".strip").first
    scale = strip.evaluate("e => e.getBoundingClientRect().width / e.viewBox.baseVal.width")
    assert 12 * scale >= 9
    outside = page.evaluate(
        "[...document.querySelectorAll('.strip')].flatMap(svg => { const box = svg.getBoundingClientRect();"
        " return [...svg.querySelectorAll('text')].filter(t => { const r = t.getBoundingClientRect();"
        " return r.left < box.left - 0.5 || r.right > box.right + 0.5 || r.top < box.top - 0.5"
        " || r.bottom > box.bottom + 0.5 }).map(t => t.textContent) })"
    )
    assert outside == []
    overlapping = page.evaluate(
        "[...document.querySelectorAll('.strip')].flatMap(svg => {"
        " const names = [...svg.querySelectorAll('.note, .letter')].map("
        "t => t.getBoundingClientRect()).sort((a, b) => a.left - b.left);"
        " return names.slice(1).filter((r, i) => r.left < names[i].right - 1.5).map(r => svg.id) }).length"
    )
    assert overlapping == 0
