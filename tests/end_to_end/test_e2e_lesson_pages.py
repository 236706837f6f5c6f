"""A live lesson through both real pages: two hosts in processes of their own, two browser windows, and a relay."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
from contextlib import ExitStack, contextmanager
from datetime import date

import pytest

pytest.importorskip("nacl", reason="needs the Python package pynacl")
pytest.importorskip("nats", reason="needs the Python package nats-py")
pytest.importorskip("spake2", reason="needs the Python package spake2")
pytest.importorskip("playwright.sync_api", reason="needs the Python package playwright")

from playwright.sync_api import expect

from fingerlead.lesson.relay import Relay
from fingerlead.store.session_reading import read_session
from fingerlead.studio.pupils import remarks
from fingerlead.studio.studio import Studio
from tests.end_to_end.test_e2e_lesson import free_port
from tests.lesson.lessons import digest
from tests.lesson.test_lesson_lines import server
from tests.waiting import PATIENCE_S

PROGRAM = [sys.executable, "-m", "fingerlead.faces.cli.main"]
ADDRESS = re.compile(r"http://127\.0\.0\.1:\d+/#\S+")


@contextmanager
def program(*words):
    """A program in a process of its own, and the first line that it says."""
    environment = {**os.environ, "PYTHONUNBUFFERED": "1"}
    pipes = {"stdout": subprocess.PIPE, "stderr": subprocess.STDOUT}
    with subprocess.Popen([*PROGRAM, *map(str, words)], text=True, env=environment, **pipes) as started:
        try:
            yield started.stdout.readline()
        finally:
            started.send_signal(signal.SIGINT)
            started.communicate(timeout=PATIENCE_S)


@pytest.fixture
def ends(browser, tmp_path):
    """The desk at a pupil's page, the practice page, and the folders of both; a chanter plays by itself."""
    server()
    with Studio(tmp_path / "studio") as studio:
        key = studio.add("Ailsa").key
    with ExitStack() as stack:
        relay = stack.enter_context(Relay(tmp_path / "relay", port=int(free_port())))
        said = stack.enter_context(program("simulate", "--on", "pty", "--pupil", "mixed", "--seed", 7))
        chanter = re.search(r"/dev/\S+", said)[0].rstrip(".,")
        desk = stack.enter_context(program("studio", tmp_path / "studio", "--no-browser"))
        home = ("--folder", tmp_path / "home", "--no-browser", "--no-sound")
        practice = stack.enter_context(program("practice", chanter, *home))
        pages = []
        for address in (desk, practice):
            context = stack.enter_context(browser.new_context())
            context.set_default_timeout(1_000 * PATIENCE_S)
            page = context.new_page()
            page.goto(ADDRESS.search(address)[0])
            pages.append(page)
        yield *pages, relay, tmp_path, key


def begun(desk, relay):
    """Begin a lesson at the desk; its code."""
    desk.get_by_role("link", name="Ailsa").first.click()
    desk.get_by_role("link", name="Begin a live lesson").click()
    desk.get_by_label("The relay’s ticket for teachers").set_input_files(relay.tickets["teacher"])
    desk.get_by_label("Your name, for the pupil to see").fill("Mr Bell")
    desk.get_by_role("button", name="Begin a lesson").click()
    return desk.locator("#lesson-code b").inner_text()


def join(pupil, relay, code):
    """Join by a code at the practice page."""
    pupil.get_by_role("button", name="More").click()
    pupil.get_by_text("Join a lesson").click()
    pupil.get_by_label("The four words").fill(code)
    pupil.get_by_label("The ticket, a file").set_input_files(relay.tickets["pupil"])
    pupil.get_by_role("button", name="Join", exact=True).click()


def test_a_lesson_is_held_through_both_pages(ends):
    desk, pupil, relay, folder, key = ends
    code = begun(desk, relay)
    join(pupil, relay, "pencil " * 4)
    expect(pupil.locator("#lesson-told")).to_contain_text("No lesson has begun at these words")
    pupil.get_by_label("The four words").fill(code)
    pupil.get_by_role("button", name="Join", exact=True).click()
    expect(pupil.get_by_role("heading", name="Mr Bell is there")).to_be_visible()
    expect(desk.locator("#lesson-told")).to_have_text("Your pupil has joined, and is asked to agree.")
    pupil.get_by_role("button", name="I agree").click()
    expect(pupil.locator("#lesson-who")).to_have_text("Mr Bell listens to your fingers.")
    expect(desk.locator("#lesson-told")).to_contain_text("Your pupil ")  # no name was given

    expect(desk.locator("#lesson-sentence")).to_contain_text(" to ")
    expect(desk.locator("#lesson-strip svg")).to_be_visible()
    expect(desk.locator("#lesson-delay")).to_contain_text("ms old")
    desk.get_by_role("button", name="Slowly").click()
    expect(pupil.locator("#lesson-act")).to_have_text("Slowly.")
    expect(desk.locator("#lesson-acts")).to_contain_text("Slowly ✓ arrived")
    desk.get_by_label("A remark on this moment").fill("Your little finger is late here")
    desk.get_by_role("button", name="Pin it").click()
    expect(pupil.locator("#lesson-act")).to_contain_text("Your little finger is late here")

    desk.get_by_role("button", name="End the lesson").click()
    expect(desk.get_by_role("heading", name="Remarks")).to_be_visible()
    expect(desk.locator(".remarks")).to_contain_text("Your little finger is late here")
    expect(pupil.locator("#notice")).to_contain_text("The lesson is over.")
    expect(pupil.locator("#lesson-bar")).to_be_hidden()

    with Studio(folder / "studio") as studio:
        (filed,) = studio.index.sessions(key)
        theirs = studio.session_path(filed.digest)
        (remark,) = remarks(studio.of(key))
        assert (remark.session, remark.day) == (filed.digest, date.today().isoformat())
        assert remark.at_us > 0
        played = [digest(path) for path in (folder / "home" / "sessions").glob("*.session")]
        assert len(read_session(theirs).data) > 100
        assert digest(theirs) in played
