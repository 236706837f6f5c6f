"""A teacher's evening at the real desk: `fingerlead studio` as it is started, in Chromium, by what the pages say.

The studio is the demo's, with eight of its invented pupils. The teacher looks who needs her, hears a fault and its
mending, writes lessons down and sets homework; a beginner practises it at the real practice page; a week later she
reads what came of it, who got better, and prints a page for a parent. Each program runs so many days from the first.
"""

from __future__ import annotations

import re
import signal
import subprocess
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import date, timedelta
from pathlib import Path
from typing import Any

from fingerlead.studio.invented import invented, play_sessions, write_session
from fingerlead.studio.studio import Studio
from tests.first_week.beginner import Beginner
from tests.first_week.page_week import PageLearning
from tests.waiting import PATIENCE_S, wait_for

LESSON_BEFORE = timedelta(days=14)
# Who gets better, who gets worse, who stays as they are; one plays embellishments, one is to practise at the page.
PUPILS = ("Orla", "Tam", "Ishbel", "Brodie", "Mrs Halloran", "Fen", "Jory", "Wren")
HOMEWORK, PRACTISES, RESTS, BETTER, WORSE = "low G alone", "Wren", "Tam", "Orla", "Brodie"
NOTE, LINE, REMARK = "Her left shoulder again: ask.", "Slowly, ten times each evening.", "Hear how the low G creeps in."
DESK = """
import sys
from datetime import date, timedelta
from functools import partial
from fingerlead.faces.cli.main import run
from fingerlead.faces.pages.desk import routes
day = date.fromisoformat(sys.argv.pop(1))
routes.opened = partial(routes.opened, today=lambda: day)
run()
"""


@dataclass
class Evening:
    """A studio, a browser, and where pictures go, if anywhere; `complaints` are errors of the pages' scripts."""

    folder: Path
    browser: Any
    pictures: Path | None = None
    size: tuple[int, int] = (1280, 900)
    complaints: list[str] = field(default_factory=list)

    @contextmanager
    def desk(self, day: date) -> Iterator[Any]:
        """The desk's first page on a day; the program must end well."""
        command = [sys.executable, "-u", "-c", DESK, day.isoformat(), "studio", str(self.folder), "--no-browser"]
        host = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
        try:
            assert host.stdout is not None
            address = None
            while address is None and (line := host.stdout.readline()):
                address = re.search(r"http://\S+", line)
            assert address, host.communicate()[1]
            page = self.browser.new_context(viewport={"width": self.size[0], "height": self.size[1]}).new_page()
            page.set_default_timeout(1_000 * PATIENCE_S)
            page.on("pageerror", lambda error: self.complaints.append(str(error)))
            page.goto(address[0])
            page.locator("footer").wait_for()
            yield page
            page.context.close()
        finally:
            host.send_signal(signal.SIGINT)
            _, errors = host.communicate(timeout=PATIENCE_S)
        assert (host.returncode, errors) == (0, "")

    def picture(self, page: Any, name: str) -> None:
        """Keep what is on the screen."""
        if self.pictures is not None:
            page.screenshot(path=self.pictures / f"{name}.png", full_page=True, animations="disabled")


def make_pupils(folder: Path, scratch: Path, today: date, names: Sequence[str] = PUPILS) -> None:
    """Invented pupils with all their sessions, and a lesson two weeks ago."""
    people = {person.name: person for person in invented()}
    with Studio(folder) as studio:
        for name in names:
            person = people[name]
            key = studio.add(name, person.hand_on_top, note=person.note).key
            for sitting in play_sessions(person, today):
                studio.take_in(key, write_session(scratch / "one.session", sitting, person.rungs))
                (scratch / "one.session").unlink()
            studio.change(key, lesson=(today - LESSON_BEFORE).isoformat())


def practise(evening: Evening, minutes: float, speed: float) -> list[str]:
    """One pupil does the homework at the practice page, by what it says; the rungs that were passed."""
    where = ["--studio", str(evening.folder), "--pupil", PRACTISES]
    learning = PageLearning(Beginner(3), evening.folder, speed, rung="low-g", where=where)
    return learning.evening(evening.browser, round(minutes * 60e6)).passed


def prepare(evening: Evening, day: date) -> list[str]:
    """The evening before the lessons: who needs her, what to hear, what to set; the names in the order of the page."""
    with evening.desk(day) as page:
        evening.picture(page, "1 the studio")
        names = [text.strip() for text in page.locator(".pupils .name").all_inner_texts()]
        hear_the_worst(evening, page, WORSE)
        write_a_lesson(evening, page, PRACTISES)
        page.get_by_role("link", name="All pupils").click()
        for name in (PRACTISES, RESTS):
            page.get_by_label(f"Tick {name}").check()
        page.get_by_role("button", name="Set homework for those ticked").click()
        page.get_by_role("heading", name="Homework for several pupils").wait_for()
        page.get_by_text("Rungs of the ladder").click()
        page.get_by_label(HOMEWORK).check()
        page.get_by_label("Until").fill((day + timedelta(days=5)).isoformat())
        page.get_by_label("A line to go with it").fill(LINE)
        evening.picture(page, "5 homework")
        page.get_by_role("button", name="Set homework").click()
        page.locator(".notice", has_text="Set for ").wait_for()
    return names


def hear_the_worst(evening: Evening, page: Any, name: str) -> None:
    """From the first page to a fault in its session: as played, mended, at a quarter over and over; a remark on it."""
    page.locator(".pupils a", has_text=name).click()
    page.locator("#worst-h").wait_for()
    evening.picture(page, "2 a pupil")
    page.get_by_role("link", name="Hear it in its session").first.click()
    page.locator("#remark-text").wait_for()
    page.locator(".groups .jump").first.click()
    wait_for(lambda: page.locator("#play").inner_text() == "Stop", "the replay")
    page.locator("#mended:enabled").click()
    page.locator("#loop").click()
    page.locator("#speed").select_option("0.25")
    evening.picture(page, "3 a session")
    page.locator("#remark-text").fill(REMARK)
    at = page.locator("#remark-at").input_value()
    page.get_by_role("button", name="Pin it").click()
    page.locator(".remarks bdi", has_text=REMARK).wait_for()
    assert page.locator(".remarks .at").first.inner_text() == at


def write_a_lesson(evening: Evening, page: Any, name: str) -> None:
    """A private note on tonight; a reload in the middle of it loses nothing."""
    page.get_by_role("link", name="All pupils").click()
    page.locator(".pupils a", has_text=name).click()
    lessons = page.locator("section[aria-labelledby=lessons-h]")
    lessons.locator("textarea").first.fill(NOTE)
    page.reload()
    wait_for(lambda: lessons.locator("textarea").first.input_value() == NOTE, "the draft of the note")
    lessons.get_by_role("button", name="Write it down").click()
    lessons.locator("li", has_text=NOTE).first.wait_for()
    evening.picture(page, "4 a lesson written down")


def read_on(evening: Evening, day: date) -> dict[str, str]:
    """A week later: what each pupil's place on the first page says, by name."""
    with evening.desk(day) as page:
        evening.picture(page, "6 a week later")
        places = page.locator(".pupils li")
        told = {place.locator(".name").inner_text().strip(): place.inner_text() for place in places.all()}
        for name, came in ((PRACTISES, "done"), (RESTS, "untouched")):
            page.locator(".pupils a", has_text=name).click()
            homework = page.locator("section[aria-labelledby=homework-h] .pieces li", has_text=HOMEWORK)
            homework.wait_for()
            assert homework.locator(".came").inner_text() == came, (name, homework.inner_text())
            evening.picture(page, f"7 homework {came}")
            page.get_by_role("link", name="All pupils").click()
            page.locator(".pupils").first.wait_for()
    return told


def print_for_a_parent(evening: Evening, day: date, name: str, to: Path) -> Path:
    """The sheet for a parent, from the pupil's page to paper; the program's own PDF can be looked at."""
    with evening.desk(day) as page:
        page.locator(".pupils a", has_text=name).click()
        page.get_by_role("link", name="for a parent, one sheet").click()
        page.locator("#front-h").wait_for()
        evening.picture(page, "8 for a parent")
        path = to / "parent.pdf"
        page.pdf(path=path, format="A4")
        page.get_by_role("link", name="PDF, A4").click()
        page.wait_for_url(re.compile("blob:"), wait_until="commit")
    return path
