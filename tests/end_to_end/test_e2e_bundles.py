"""A month of homework to and fro through both real pages: a file each way, and words that are read out once."""

from __future__ import annotations

from datetime import date, timedelta

import pytest

pytest.importorskip("nacl", reason="needs the Python package pynacl")
pytest.importorskip("playwright.sync_api", reason="needs the Python package playwright")
pytest.importorskip("axe_playwright_python", reason="needs the Python package axe-playwright-python")

from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import expect

from fingering.table import standard_table
from fingerlead.faces.pages.desk import routes
from fingerlead.faces.pages.practice import page as practice
from fingerlead.studio import questions
from fingerlead.studio.studio import Studio
from tests.bundle.plain_reader import read_bundle
from tests.bundle.sides import NAME, state
from tests.studio.studios import playing, write
from tests.waiting import PATIENCE_S

WEEKS = ("low G and B", "low A and B", "low A and C", "B and C")


def saved(page, click, path):
    """The file that a page gives when something is clicked."""
    with page.expect_download() as download:
        click()
    download.value.save_as(path)
    return path


class Pupil:
    """The pupil at the practice page."""

    def __init__(self, page) -> None:
        self.page, self.told = page, page.locator("#apart-told")
        page.locator("#more-button").click()
        page.get_by_text("A teacher who is far away").click()

    def ask(self, text):
        self.page.locator("#apart-text").fill(text)
        self.page.get_by_role("button", name="Ask", exact=True).click()
        expect(self.told).to_have_text("Asked. It goes with the next file for your teacher.")

    def make(self, path):
        return saved(self.page, self.page.get_by_role("button", name="Make the file for my teacher").click, path)

    def take_in(self, path, words=""):
        self.page.locator("#apart-file").set_input_files(path)
        if words:
            self.page.locator("#apart-words").fill(words)
        self.page.get_by_role("button", name="Take it in").click()

    def words(self):
        self.page.get_by_role("button", name="My eight words").click()
        expect(self.page.locator("#apart-own-words")).not_to_be_empty()
        return self.page.locator("#apart-own-words").inner_text()


class Teacher:
    """The teacher at the desk, on the pupil's page."""

    def __init__(self, page) -> None:
        self.page, self.apart = page, page.locator("section[aria-labelledby=apart-h]")
        expect(page.locator(".pupils")).to_be_visible()

    def go(self):
        self.page.get_by_role("link", name="All pupils").click()
        self.page.locator(".pupils a", has_text=NAME).click()
        expect(self.apart).to_be_visible()

    def take_in(self, path, words=""):
        self.apart.get_by_label("A bundle from this pupil").set_input_files(path)
        if words:
            self.apart.get_by_label("Their eight words").fill(words)
        self.apart.get_by_role("button", name="Take in the bundle").click()

    def make(self, path):
        return saved(self.page, self.apart.get_by_role("link", name="Make the next bundle").click, path)

    def words(self):
        return self.apart.locator(".words").inner_text()


@pytest.fixture
def sides(browser, tmp_path):
    """Both pages, on two machines; errors of their scripts end the test."""
    home, studio, complaints = tmp_path / "home", tmp_path / "studio", []
    (home / "sessions").mkdir(parents=True)
    with Studio(studio) as there:
        there.add(NAME)

    def loaded(address):
        page = browser.new_context(accept_downloads=True).new_page()
        page.set_default_timeout(1_000 * PATIENCE_S)
        page.on("pageerror", lambda error: complaints.append(str(error)))
        page.goto(address)
        return page

    opened = practice.opened("sim", standard_table(), folder=home, sound=False)
    with opened as pupils, routes.opened(studio, None, practice.WebPlace()) as desk:
        yield Pupil(loaded(pupils.url)), Teacher(loaded(desk.url)), home, studio
    assert complaints == []


def test_a_month_of_homework_goes_to_and_fro_by_the_pages(sides, tmp_path):
    pupil, teacher, home, studio = sides
    (folder,) = (studio / "pupils").iterdir()
    for week, rung in enumerate(WEEKS, 1):
        write(home / "sessions" / f"week-{week}.session", playing(week), week)
        pupil.ask(f"Question {week}?")
        sent = pupil.make(tmp_path / f"{week}.fingerlead")
        manifest, _ = read_bundle(sent.read_bytes())
        assert (manifest["name"], manifest["number"]) == ("", week)
        teacher.go()
        teacher.take_in(sent, pupil.words() if week == 1 else "")
        expect(teacher.page.locator("main .notice")).to_have_text("Taken in: 1 session and 1 question.")
        if week == 2:
            before = state(studio)
            teacher.take_in(sent)
            expect(teacher.page.locator("main .notice")).to_contain_text("was taken in already")
            assert state(studio) == before
        # What was asked comes first, and is answered; homework is set.
        teacher.page.get_by_role("link", name="All pupils").click()
        expect(teacher.page.locator(".pupils")).to_contain_text(f"Asked you something: “Question {week}?”")
        teacher.go()
        teacher.apart.get_by_label("Your answer").fill(f"Answer {week}.")
        teacher.apart.get_by_role("button", name="Answer").click()
        expect(teacher.apart.locator(".answer").first).to_contain_text(f"Answer {week}.")
        homework = teacher.page.locator("section[aria-labelledby=homework-h]")
        homework.get_by_text("Two notes alone").click()
        homework.get_by_label(rung, exact=True).first.check()
        homework.get_by_label("Until").fill((date.today() + timedelta(days=7)).isoformat())
        homework.get_by_role("button", name="Give as homework").click()
        expect(homework.locator(".pieces").first).to_contain_text(rung)
        back = teacher.make(tmp_path / f"back-{week}.fingerlead")
        if week == 3:
            altered = bytearray(back.read_bytes())
            altered[len(altered) // 2] ^= 1
            (tmp_path / "altered").write_bytes(altered)
            before = state(home / "teacher")
            pupil.take_in(tmp_path / "altered")
            expect(pupil.told).to_contain_text("altered or damaged on its way")
            assert state(home / "teacher") == before
        if week == 1:
            pupil.take_in(back, pupil.words())
            expect(pupil.told).to_contain_text("These are not the words of the key that signed this bundle")
        pupil.take_in(back, teacher.words() if week == 1 else "")
        expect(pupil.told).to_have_text("Taken in: 1 sheet of homework and 1 answer.")
        if week == 4:
            before = state(home / "teacher")
            pupil.take_in(back)
            expect(pupil.told).to_contain_text("was taken in already")
            assert state(home / "teacher") == before
        expect(pupil.page.locator("#teacher-items")).to_contain_text(rung[0].upper() + rung[1:])
        expect(pupil.page.locator("#apart-asked li").first).to_contain_text(f"Question {week}?")
        expect(pupil.page.locator("#apart-asked li").first).to_contain_text(f"Answer {week}.")
    for page in (pupil.page, teacher.page):
        found = Axe().run(page)
        assert found.violations_count == 0, found.generate_report()
    assert questions.replies(home / "teacher") == questions.replies(folder)
    with Studio(studio) as there:
        assert len(there.index.sessions()) == len(WEEKS)
