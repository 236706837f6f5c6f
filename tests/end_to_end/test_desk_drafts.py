"""What a teacher types at the desk is never lost, in a real browser: reloads, other forms, two tabs, a stopped host."""

from __future__ import annotations

from datetime import date

import pytest

from fingerlead.faces.pages.desk.routes import opened as desk_opened
from fingerlead.faces.pages.kit.place import WebPlace
from fingerlead.studio import lessons, pupils
from fingerlead.studio.studio import Studio
from tests.studio.studios import playing, put, write

playwright = pytest.importorskip("playwright.sync_api", reason="needs the Python package playwright")
expect = playwright.expect

TODAY = date(2026, 9, 20)
REMARK, LINE = "A remark on this moment", "A line to go with it"


class TeachersDesk:
    """A studio of one pupil with one session, served as `fingerlead studio` serves it, and a browser at it."""

    def __init__(self, folder, browser, scratch):
        self.folder, self._browser = folder, browser
        with Studio(folder) as studio:
            self.key = studio.add("Ailsa").key
            self.digest = studio.take_in(self.key, write(scratch / "a.session", playing())).digest
        self.pupil, self.session = f"/pupil/{self.key}", f"/session/{self.digest}"
        self.context = browser.new_context()
        self.start()

    def start(self, port=None):
        self._served = desk_opened(self.folder, None, WebPlace(port=port), lambda: TODAY)
        self.url = self._served.__enter__().url
        self.bare, _, self.token = self.url.partition("/#")

    def stop(self):
        self._served.__exit__(None, None, None)

    def tab(self, path, tab=None):
        """A page of the desk, in a new tab unless one is given."""
        tab = tab or self.context.new_page()
        tab.goto(f"{self.bare}{path}#{self.token}")
        expect(tab.locator("footer")).to_be_visible()
        return tab

    def reload(self, tab):
        tab.reload()
        expect(tab.locator("footer")).to_be_visible()

    def kept(self):
        """How many drafts the browser keeps."""
        tab = self.context.pages[0]
        return tab.evaluate("Object.keys(localStorage).filter((key) => key.startsWith('fingerlead-draft ')).length")

    def read(self):
        return pupils.read_pupil(self.folder / "pupils" / self.key)


@pytest.fixture
def desk(browser, tmp_path):
    desk = TeachersDesk(tmp_path / "studio", browser, tmp_path)
    yield desk
    desk.context.close()
    desk.stop()


def note(tab):
    """The teacher's note in the form about the pupil."""
    return tab.locator("section[aria-labelledby=about-h] textarea")


def save(tab):
    tab.locator("section[aria-labelledby=about-h]").get_by_role("button", name="Keep", exact=True).click()


def test_a_note_outlives_homework_reload_and_a_tab_that_is_closed_and_goes_when_it_is_saved(desk):
    tab = desk.tab(desk.pupil)
    note(tab).fill("Small hands.")
    tab.get_by_label(LINE).fill("slowly")
    tab.get_by_text("Rungs of the ladder").click()
    tab.locator("input[name=pieces]:visible").first.check()
    tab.get_by_role("button", name="Give as homework").click()
    expect(tab.locator("section[aria-labelledby=homework-h]")).to_contain_text("slowly")
    expect(note(tab)).to_have_value("Small hands.")
    expect(tab.get_by_label(LINE)).to_have_value("")
    expect(tab.get_by_text("This was typed before, and is not saved yet.")).to_be_visible()
    desk.reload(tab)
    expect(note(tab)).to_have_value("Small hands.")
    tab.close()
    tab = desk.tab(desk.pupil)
    expect(note(tab)).to_have_value("Small hands.")
    assert desk.read().note == ""
    save(tab)
    expect(tab.locator("header p.note")).to_have_text("Small hands.")
    assert desk.read().note == "Small hands."
    assert desk.kept() == 0
    expect(tab.get_by_text("not saved yet")).to_have_count(0)


def test_a_draft_is_dropped_and_brought_back(desk):
    tab = desk.tab(desk.pupil)
    note(tab).fill("Small hands.")
    tab.get_by_role("button", name="Drop the draft").click()
    expect(note(tab)).to_have_value("")
    assert desk.kept() == 0
    tab.get_by_role("button", name="Bring it back").click()
    expect(note(tab)).to_have_value("Small hands.")
    desk.reload(tab)
    expect(note(tab)).to_have_value("Small hands.")


def test_two_tabs_keep_a_draft_each_and_the_later_save_is_shown_beside_what_is_stored(desk):
    one = desk.tab(desk.pupil)
    note(one).fill("first tab")
    two = desk.tab(desk.pupil)
    expect(note(two)).to_have_value("first tab")
    note(two).fill("second tab")
    two.get_by_label("Chanter").fill("blue")
    note(one).press_sequentially(", more")
    save(two)
    expect(two.locator("header p.note")).to_have_text("second tab")
    save(one)
    beside = one.get_by_role("region", name="What clashes")
    expect(beside).to_contain_text("first tab, more")
    expect(beside).to_contain_text("second tab")
    assert desk.read().note == "second tab"
    # Until it is chosen, it is a draft.
    desk.reload(one)
    expect(note(one)).to_have_value("first tab, more")
    save(one)
    beside.get_by_label("Both, one below the other").check()
    one.get_by_role("button", name="Keep what is chosen").click()
    expect(one.locator("header p.note")).to_contain_text("first tab, more")
    assert (desk.read().note, desk.read().chanter) == ("second tab\n\nfirst tab, more", "blue")
    assert desk.kept() == 0


def test_what_is_typed_when_the_host_has_stopped_is_there_when_it_is_back(desk):
    tab = desk.tab(desk.session)
    desk.stop()
    tab.get_by_label(REMARK).fill("Hear the ring here.")
    tab.get_by_role("button", name="Pin it").click()
    expect(tab.locator("#notice")).to_contain_text("no longer answers")
    expect(tab.get_by_label(REMARK)).to_have_value("Hear the ring here.")
    desk.start(port=int(desk.bare.rpartition(":")[2]))
    tab = desk.tab(desk.session)
    expect(tab.get_by_label(REMARK)).to_have_value("Hear the ring here.")
    tab.get_by_role("button", name="Pin it").click()
    expect(tab.locator(".remarks")).to_contain_text("Hear the ring here.")
    assert desk.kept() == 0


def test_a_remark_of_a_hundred_thousand_letters_is_refused_and_can_be_shortened(desk):
    tab = desk.tab(desk.session)
    tab.get_by_label(REMARK).fill("x" * 100_000)
    tab.get_by_role("button", name="Pin it").click()
    expect(tab.locator("#notice")).to_contain_text("at most 1000 letters; this one has 100000")
    desk.reload(tab)
    assert len(tab.get_by_label(REMARK).input_value()) == 100_000
    tab.get_by_label(REMARK).fill("x" * 1_000)
    tab.get_by_role("button", name="Pin it").click()
    expect(tab.locator(".remarks")).to_contain_text("x" * 1_000)


def test_of_a_pupil_who_is_deleted_no_draft_is_left(desk):
    tab = desk.tab(desk.session)
    tab.get_by_label(REMARK).fill("Hear the ring here.")
    desk.tab(desk.pupil, tab)
    note(tab).fill("Small hands.")
    assert desk.kept() == 2
    tab.get_by_text("Delete this pupil").click()
    tab.get_by_label("To be sure").fill("Ailsa")
    tab.get_by_role("button", name="Delete for good").click()
    expect(tab.get_by_text("No pupils yet")).to_be_visible()
    assert desk.kept() == 0


def test_what_is_typed_while_a_save_is_under_way_stays(desk):
    tab = desk.tab(desk.pupil)
    held = []

    def hold_the_first(route, asked):
        if asked.method == "POST" and not held:
            held.append(route)
        else:
            route.fallback()

    tab.route(f"**{desk.pupil}", hold_the_first)
    note(tab).fill("Small hands.")
    with tab.expect_request(lambda asked: asked.method == "POST"):
        save(tab)
    note(tab).press_sequentially(" Cold ones.")
    held[0].continue_()
    expect(tab.locator("header p.note")).to_have_text("Small hands.")
    expect(note(tab)).to_have_value("Small hands. Cold ones.")
    save(tab)
    expect(tab.locator("header p.note")).to_have_text("Small hands. Cold ones.")
    assert desk.kept() == 0


def test_another_version_that_a_sync_program_left_is_shown_beside_and_both_notes_are_kept(desk):
    folder = desk.folder / "pupils" / desk.key
    other = (folder / "pupil.json").read_text().replace('"note": ""', '"note": "from the laptop"')
    put(folder / "pupil (conflicted copy).json", other.encode())
    tab = desk.tab(desk.pupil)
    note(tab).fill("from here")
    save(tab)
    version = tab.get_by_role("region", name="Another version of this pupil")
    expect(version).to_contain_text("from the laptop")
    version.get_by_label("Both, one below the other").check()
    desk.reload(tab)
    expect(version.get_by_label("Both, one below the other")).to_be_checked()
    version.get_by_role("button", name="Keep what is chosen").click()
    expect(tab.locator("header p.note")).to_contain_text("from the laptop")
    assert desk.read().note == "from here\n\nfrom the laptop"
    assert version.count() == 0
    assert desk.kept() == 0
    assert not (folder / "pupil (conflicted copy).json").exists()


def test_a_lesson_changed_in_two_tabs_is_asked_and_words_without_a_form_are_shown(desk):
    folder = desk.folder / "pupils" / desk.key
    lesson = lessons.write_down(folder, "2026-09-13", "birls", TODAY)
    tab = desk.tab(desk.pupil)
    tab.get_by_text("Change or take back").click()
    form = tab.locator("form[data-draft]").first
    form.locator("textarea").fill("birls, slowly")
    lessons.write_down(folder, "2026-09-13", "grips", TODAY, lesson.id)
    form.get_by_role("button", name="Keep").click()
    beside = tab.get_by_role("region", name="What clashes")
    expect(beside).to_contain_text("grips")
    desk.reload(tab)
    expect(tab.locator("section.beside .version")).to_have_text("birls, slowly")
    tab.get_by_role("button", name="Drop it").click()
    assert desk.kept() == 0
    tab.get_by_text("Change or take back").click()
    form.locator("textarea").fill("grips, slowly")
    (stands,) = lessons.lessons(folder)
    lessons.write_down(folder, "2026-09-13", "throws", TODAY, stands.id)
    form.get_by_role("button", name="Keep").click()
    beside.get_by_label("Both, one below the other").check()
    tab.get_by_role("button", name="Keep what is chosen").click()
    expect(tab.locator("section[aria-labelledby=lessons-h]")).to_contain_text("grips, slowly")
    assert [each.note for each in lessons.lessons(folder)] == ["throws\n\ngrips, slowly"]


def test_a_draft_is_there_when_the_desk_is_started_anew_at_another_address(desk):
    tab = desk.tab(desk.pupil)
    with tab.expect_response("**/drafts"):
        note(tab).fill("Small hands.")
    desk.stop()
    desk.start()
    tab = desk.tab(desk.pupil, tab)
    expect(note(tab)).to_have_value("Small hands.")
    save(tab)
    expect(tab.locator("header p.note")).to_have_text("Small hands.")
    desk.stop()
    desk.start()
    tab = desk.tab(desk.pupil, tab)
    expect(note(tab)).to_have_value("Small hands.")
    assert desk.kept() == 0
