"""The teacher's desk in a real browser: behind its guard, by axe's rules, at every width, and a session replayed."""

from __future__ import annotations

import re
import shutil
import subprocess
from datetime import date
from urllib.parse import urlsplit

import pytest

from fingerlead.faces.pages.desk.routes import opened as desk_opened
from fingerlead.faces.pages.kit.place import WebPlace
from fingerlead.studio.invented import invented, play_sessions, write_session
from fingerlead.studio.studio import Studio

playwright = pytest.importorskip("playwright.sync_api", reason="needs the Python package playwright")

TODAY = date(2026, 11, 20)


@pytest.fixture(scope="module")
def desk(tmp_path_factory):
    """A studio of three invented pupils, served as `fingerlead studio` serves it."""
    folder, scratch = tmp_path_factory.mktemp("studio"), tmp_path_factory.mktemp("scratch")
    with Studio(folder) as studio:
        for person in invented():
            if person.name in ("Brodie", "Fen", "Jory"):
                key = studio.add(person.name, person.hand_on_top, note=person.note).key
                for sitting in play_sessions(person, TODAY)[-14:]:
                    studio.take_in(key, write_session(scratch / "one.session", sitting, person.rungs))
                    (scratch / "one.session").unlink()
                studio.change(key, lesson="2026-11-06")
    with desk_opened(folder, None, WebPlace(), lambda: TODAY) as desk:
        yield desk.url


@pytest.fixture
def page(browser, desk):
    context = browser.new_context(viewport={"width": 1280, "height": 900})
    page = context.new_page()
    complaints = []
    page.on("pageerror", lambda error: complaints.append(str(error)))
    page.on("console", lambda message: complaints.append(message.text) if message.type == "error" else None)
    page.goto(desk)
    playwright.expect(page.locator("footer")).to_be_visible()
    yield page
    context.close()
    assert [told for told in complaints if "favicon" not in told and "404" not in told] == []


def pages(page) -> list[str]:
    """The addresses of each kind of page, below the studio's own."""
    pupil = path_of(page.locator(".pupils a").first)
    go_to(page, pupil)
    session = path_of(page.locator(".sessions a").first)
    go_to(page, "/")
    jory = path_of(page.get_by_role("link", name="Jory"))
    go_to(page, jory)
    return [
        "/",
        "/?by=fault",
        pupil,
        session,
        "/message",
        f"{pupil}/report?for=teacher",
        jory,
        path_of(page.locator(".sessions a").first),
    ]


def path_of(link) -> str:
    return link.get_attribute("href").partition("#")[0]


def go_to(page, path: str) -> None:
    """Write another address of this studio into the browser, and wait for its page."""
    address = urlsplit(page.url)
    page.goto(f"{address.scheme}://{address.netloc}{path}#{address.fragment.partition('&')[0]}")
    playwright.expect(page.locator("footer")).to_be_visible()


def test_without_the_token_nothing_is_given_out(desk):
    httpx = pytest.importorskip("httpx", reason="needs httpx")
    bare, _, token = desk.partition("/#")
    ours = {"origin": bare}
    assert httpx.get(f"{bare}/", headers={"host": "studio.example"}).status_code == 403
    secret = httpx.post(f"{bare}/enter", content=token, headers=ours).text
    known = {"authorization": f"Bearer {secret}"}
    pupil = re.search(r'href="(/pupil/\w+)"', httpx.get(f"{bare}/", headers=known).text)[1]
    for path in ("/", "/?by=fault", pupil, "/message"):
        shell = httpx.get(bare + path)
        assert shell.status_code == 200
        assert "Brodie" not in shell.text
        assert shell.text == httpx.get(f"{bare}/").text
    for path in ("/round.json", f"{pupil}/all.zip", f"{pupil}/homework.pdf", "/session/abc.wav", "/nothing"):
        assert httpx.get(bare + path).status_code == 401
    assert httpx.get(f"{bare}/round.json", headers=known).status_code == 200
    for headers, status in (
        ({}, 403), (known, 403), (ours, 401), ({"origin": "http://studio.example", **known}, 403),
        ({**ours, "authorization": f"Bearer {token}"}, 401),
    ):  # fmt: skip
        assert httpx.post(f"{bare}/pupil", data={"name": "X"}, headers=headers).status_code == status
    assert ">X<" not in httpx.get(f"{bare}/", headers=known).text


def test_who_needs_help_with_what_is_read_at_once(page):
    first = page.locator(".pupils li").first
    assert first.locator(".name").inner_text() == "Brodie"
    assert "Low A to C has got worse; work on it first" in first.inner_text()
    page.get_by_role("link", name="Grouped by fault").click()
    playwright.expect(page.get_by_role("heading", name="Bottom little too early")).to_be_visible()


def test_a_pupil_is_found_and_ticked_for_homework_by_keyboard_alone(page):
    expect = playwright.expect
    page.get_by_label("Find a pupil").press_sequentially("fen\n")
    expect(page.locator(".pupils .name")).to_have_text(["Fen"])
    expect(page.get_by_role("status").filter(has_text="pupils found")).to_contain_text("1 of 3")
    page.get_by_label("Tick Fen, for homework").press("Space")
    page.get_by_role("button", name="Set homework for those ticked").press("Enter")
    expect(page.get_by_label("Fen")).to_be_checked()
    axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="needs axe-playwright-python")
    found = axe.Axe().run(page)
    assert found.violations_count == 0, found.generate_report()
    page.get_by_text("Tunes").press("Enter")
    page.get_by_label("The Heron Stands Still").press("Space")
    page.get_by_role("button", name="Set homework").press("Enter")
    expect(page.locator("#page .notice")).to_have_text("Set for Fen: The Heron Stands Still.")
    expect(page.locator("input:checked")).to_have_count(0)


def test_ticks_go_along_through_the_list_until_homework_is_set(page):
    expect = playwright.expect
    page.get_by_label("Tick Jory, for homework").check()
    expect(page.locator("#ticks")).to_have_text("1 ticked")
    page.get_by_label("Find a pupil").fill("fen")
    page.get_by_role("button", name="Find").click()
    expect(page.locator("#ticks")).to_have_text("1 ticked, 1 of them not on this page")
    page.get_by_label("Tick Fen, for homework").check()
    page.get_by_role("button", name="Set homework for those ticked").click()
    for name, ticked in (("Fen", True), ("Jory", True)):
        expect(page.get_by_label(name)).to_be_checked(checked=ticked)
    page.get_by_text("Tunes").click()
    page.get_by_label("The Heron Stands Still").check()
    page.get_by_role("button", name="Set homework").click()
    expect(page.locator("#page .notice")).to_have_text("Set for Fen and Jory: The Heron Stands Still.")
    page.get_by_role("link", name="Back to all pupils").click()
    expect(page.get_by_label("Tick Jory, for homework")).not_to_be_checked()
    page.get_by_label("Tick Jory, for homework").check()
    page.get_by_role("button", name="Untick all").click()
    expect(page.get_by_label("Tick Jory, for homework")).not_to_be_checked()
    expect(page.locator("#ticks")).to_be_empty()


def test_on_a_phone_what_is_secondary_folds_and_no_table_scrolls(page):
    page.set_viewport_size({"width": 390, "height": 844})
    go_to(page, pages(page)[2])
    expect = playwright.expect
    table = page.locator("table.compared").first
    expect(table).to_be_hidden()
    page.locator("nav.parts").get_by_role("link", name="Before and since").click()
    expect(table).to_be_visible()
    assert table.evaluate("it => it.scrollWidth <= it.parentElement.clientWidth")
    assert "difference in points" in table.locator("td").last.evaluate("it => getComputedStyle(it, '::before').content")


def test_an_embellishment_that_goes_wrong_is_said_wherever_it_matters(page):
    fault = "the second low G is crushed"
    jory = page.locator(".pupils li", has_text="Jory")
    assert f"Work on the taorluath on low A first: {fault}, in " in jory.inner_text()
    *_, pupil, session = pages(page)
    go_to(page, pupil)
    table = page.get_by_role("region", name="Table of embellishments")
    assert fault in table.inner_text()
    playwright.expect(page.get_by_role("img", name="taorluath on low A, share not as written by week")).to_be_visible()
    listed = page.locator(".sessions li").first.inner_text()
    go_to(page, session)
    (group,) = page.locator("section[aria-labelledby=movements-h] .moment").all()
    group.get_by_text("All ").click()
    times = group.locator(".instances .jump").count()
    assert times == int(table.locator("td").nth(2).inner_text())
    assert f"{times} of 8 embellishments not as written" in listed
    assert fault in group.inner_text()
    group.get_by_role("button", name="Hear a typical one").click()
    playwright.expect(page.locator("#about")).to_contain_text(f"T{fault[1:]}: it sounds for")
    playwright.expect(page.locator("#play")).to_have_text("Stop")


def test_axe_finds_nothing_on_any_page(page):
    axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="needs axe-playwright-python")
    for path in pages(page):
        go_to(page, path)
        found = axe.Axe().run(page)
        assert found.violations_count == 0, (path, found.generate_report())


@pytest.mark.parametrize("width", [320, 820, 1280])
def test_no_page_is_wider_than_the_screen(page, width):
    paths = pages(page)
    page.set_viewport_size({"width": width, "height": 900})
    for path in paths:
        go_to(page, path)
        assert page.evaluate("document.documentElement.scrollWidth") <= width, path


def test_another_day_is_compared(page):
    go_to(page, pages(page)[2])
    page.get_by_label("Another day").fill("2026-11-19")
    page.get_by_role("button", name="Compare").click()
    playwright.expect(page.locator("#compared-h")).to_have_text("Before and since 19 November 2026")
    playwright.expect(page.get_by_label("Another day")).to_have_value("2026-11-19")
    assert "?divide=2026-11-19#" in page.url


def test_homework_is_set_by_keyboard_taken_off_and_put_back(page):
    go_to(page, pages(page)[2])
    homework = page.locator("section[aria-labelledby=homework-h]")
    homework.get_by_text("Two notes alone").press("Enter")
    homework.get_by_label("low A and C").last.press("Space")
    homework.get_by_label("Until").fill("2026-11-27")
    homework.get_by_role("button", name="Give as homework").press("Enter")
    expect = playwright.expect
    expect(homework.get_by_role("heading", name="Set on 20 November 2026, until 27 November 2026")).to_be_visible()
    homework.get_by_role("button", name="Take off low A and C").press("Enter")
    expect(homework).to_contain_text("None is set now.")
    homework.get_by_text("Taken off, to be put back").press("Enter")
    homework.get_by_role("button", name="Put low A and C back").press("Enter")
    expect(homework.locator(".pieces")).to_contain_text("untouched low A and C")


def test_lessons_are_a_history_in_which_nothing_goes_by_one_click(page):
    go_to(page, pages(page)[2])
    lessons = page.locator("section[aria-labelledby=lessons-h]")
    expect = playwright.expect
    # The day that the studio knew already is the first.
    expect(lessons.get_by_role("heading", level=3)).to_have_text(["6 November 2026"])
    lessons.locator("form textarea").first.fill("The birl at last.")
    lessons.get_by_role("button", name="Write it down").click()
    expect(lessons.get_by_role("heading", level=3)).to_have_text(["20 November 2026", "6 November 2026"])
    lessons.get_by_text("Change or take back").first.press("Enter")
    lessons.get_by_role("button", name="Take this lesson back").first.press("Enter")
    expect(lessons.get_by_role("heading", level=3)).to_have_text(["6 November 2026"])
    lessons.get_by_text("Taken back").press("Enter")
    lessons.get_by_role("button", name="Put the lesson of 20 November 2026 back").press("Enter")
    expect(lessons.locator("li").first).to_contain_text("The birl at last.")
    lessons.get_by_text("Change or take back").first.press("Enter")
    lessons.get_by_role("button", name="Take this lesson back").first.press("Enter")
    expect(lessons.get_by_role("heading", level=3)).to_have_text(["6 November 2026"])


def test_the_pupils_page_prints_without_its_forms(page, tmp_path):
    if shutil.which("pdftotext") is None:
        pytest.skip("needs pdftotext of the Debian package poppler-utils")
    note = next(person.note for person in invented() if person.name == "Brodie")
    go_to(page, pages(page)[2])
    lessons = page.locator("section[aria-labelledby=lessons-h]")
    lessons.get_by_label("Day of the lesson").fill("2026-11-06")
    lessons.locator("form textarea").first.fill("Told me of the move.")
    lessons.get_by_role("button", name="Write it down").click()
    playwright.expect(page.locator("header .note")).to_have_text([note, re.compile("Told me of the move")])
    playwright.expect(lessons.locator("li .note").first).to_have_text("Told me of the move.")
    pdf = tmp_path / "pupil.pdf"
    page.pdf(path=pdf, format="A4")
    text = subprocess.run(["pdftotext", "-layout", pdf, "-"], capture_output=True, text=True, check=True).stdout
    assert "What to hear first tonight" in text
    assert "Give as homework" not in text
    assert note not in " ".join(text.split())
    assert "Told me" not in text
    lessons.get_by_text("Change or take back").first.press("Enter")
    lessons.get_by_role("button", name="Take this lesson back").first.press("Enter")
    playwright.expect(lessons.locator("li .note")).to_have_count(0)


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_a_pupils_report_prints_one_sheet_for_a_parent_and_two_for_the_teacher(page, paper, tmp_path):
    if shutil.which("pdftotext") is None:
        pytest.skip("needs pdftotext of the Debian package poppler-utils")
    go_to(page, pages(page)[2])
    pdf = tmp_path / "report.pdf"
    for whom, heading, sheets in (("for a parent", "This week", 1), ("for the teacher", "For the teacher", 2)):
        page.get_by_role("link", name=re.compile(whom, re.IGNORECASE)).first.click()
        playwright.expect(page.get_by_role("heading", name=heading)).to_be_visible()
        page.pdf(path=pdf, format=paper)
        text = subprocess.run(["pdftotext", "-layout", pdf, "-"], capture_output=True, text=True, check=True).stdout
        assert text.count("\f") == sheets
        assert "Brodie" in text
        assert "Little time since" not in text
        assert "20 November 2026; strays heard from 10 ms, together within 25 ms" in " ".join(text.split())


def test_who_plays_next_is_one_key(browser, tmp_path):
    folder = tmp_path / "round"
    with Studio(folder) as studio:
        for name in ("Bea", "Ailsa"):
            studio.add(name)
    with desk_opened(folder, "sim", WebPlace(), lambda: TODAY) as desk:
        page = browser.new_page()
        page.goto(desk.url)
        told = page.locator("#round-told")
        expect = playwright.expect
        expect(told).to_be_visible()
        other = browser.new_page()
        other.goto(desk.url)
        for key, name, after in (("n", "Ailsa", "Bea"), ("n", "Bea", "Ailsa"), ("b", "Ailsa", "Bea")):
            page.keyboard.press(key)
            # The page of the one before hears of it too: only the new one has the next pupil's button.
            expect(page.locator("[data-key=n]")).to_contain_text(after)
            expect(told).to_have_text(f"{name} has the chanter.")
            # A page in another window goes along.
            expect(other.locator("[data-key=n]")).to_contain_text(after)
        expect(page.locator("#round-note")).to_have_text(re.compile("^(low|high)? ?[A-G]$"))
        expect(page.locator("#round-late li").first).to_contain_text(" to ")
        other.close()
        axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="needs axe-playwright-python")
        found = axe.Axe().run(page)
        assert found.violations_count == 0, found.generate_report()
        page.get_by_label("Name or nickname").press_sequentially("n0")
        expect(told).to_have_text("Ailsa has the chanter.")
        page.get_by_label("Keys on this page").uncheck()
        page.keyboard.press("0")
        page.reload()
        expect(told).to_have_text("Ailsa has the chanter.")
        page.get_by_label("Keys on this page").check()
        page.keyboard.press("0")
        expect(told).to_contain_text("No pupil has the chanter")
        page.close()
