"""What a page has to bear, at the real host: double clicks, wishes for what is gone, two pages, a line that flickers,
a tune without end, and a day on which nobody closed it.
"""

from __future__ import annotations

import re
import signal
import socket
import sys
from collections.abc import Iterator
from contextlib import suppress
from datetime import date
from threading import Thread
from typing import Any

import pytest

pytest.importorskip("httpx", reason="needs the Python package httpx")
pytest.importorskip("websockets", reason="needs the Python package websockets")

from fingerlead.store.practice_log import open_progress
from fingerlead.store.session_reading import read_session
from tests.end_to_end.test_e2e_play_on import plays
from tests.end_to_end.test_e2e_practice import LOW_A, LOW_G, opened, practice, to_mask
from tests.first_week.played_chanter import PlayedChanter

__all__ = ["opened", "practice"]
MINE = "X:1\nT:Rowan Gate\nM:4/4\nL:1/4\nK:HP\nG B G B | A e A e |]\n"
# The program itself, by a clock that a file sets on by so many hours.
LATER = """
import sys
from datetime import datetime, timedelta
from functools import partial
from pathlib import Path
from fingerlead.faces.cli.main import run
from fingerlead.faces.pages.practice import page
hours = Path(sys.argv.pop(1))
page.opened = partial(page.opened, wall_clock=lambda: datetime.now() + timedelta(hours=float(hours.read_text())))
run()
"""
FLICKERS = 4
FLICKER_S = 0.3


def choose(page: Any, key: str) -> None:
    page.click("#more-button")
    page.dblclick("#ladder-button")
    page.dblclick(f"[data-key='{key}']")


def test_double_clicks_on_two_pages_and_wishes_for_what_is_gone(practice, opened, tmp_path):
    from playwright.sync_api import expect

    path = tmp_path / "mine.abc"
    path.write_text(MINE)
    running = practice("--rung", path)
    page = opened(running.address)
    page.dblclick("[data-to=keys]")
    expect(page.locator("#keys-check")).to_be_visible()
    page.dblclick("#keys-go")
    expect(page.locator("#chanter")).to_be_focused()
    other = opened(running.address)
    # Whichever page chose last: both show the one rung that is practised.
    for chooses, key, name in (
        (other, "low-g-c-d", "Low G, C and D"),
        (page, "low-a-top-hand", "Low A to the top hand"),
    ):
        choose(chooses, key)
        for each in (page, other):
            expect(each.locator("#rung-name")).to_have_text(name)
            expect(each.locator("dialog[open]")).to_have_count(0)
    choose(other, "own: Rowan Gate")
    expect(page.locator("#rung-name")).to_have_text("Rowan Gate")
    # It is taken off the page while it is on the staff of both, and stays to be played.
    page.click("#more-button")
    page.click("#ladder-button")
    page.dblclick(".take-off")
    expect(page.locator("#taken-off")).to_be_visible()
    expect(page.locator("#tunes .take-off")).to_have_count(0)
    page.fill("#own-abc", "X:1\nT:Long\nL:1/4\nK:HP\n" + "A B c d|" * 2_500)
    page.get_by_role("button", name="Practise it").dblclick()
    expect(page.locator("#own-told")).to_contain_text("cut it up")
    page.locator("#ladder-dialog .close").dblclick()
    for each in (page, other):
        expect(each.locator("#rung-name")).to_have_text("Rowan Gate")
    # Another chanter asks for it again, and it is gone: there is a rung to play all the same.
    other.click("#more-button")
    other.dblclick("#to-start")
    other.dblclick("[data-to=sim]")
    for each in (page, other):
        expect(each.locator("#rung-name")).not_to_have_text("Rowan Gate")
        expect(each.locator("#next-button")).to_be_visible()
    page.locator("#more-dialog .close").dblclick()
    for finishes in (other, page):
        # The page with the keys leaves them; until something is played an end has no summary.
        expect(page.locator("#practice")).to_have_attribute("data-phase", "playing")
        finishes.click("#more-button")
        finishes.dblclick("#finish-button")
        for each in (page, other):
            expect(each.locator("#summary-again")).to_be_visible()
            expect(each.locator("dialog[open]")).to_have_count(0)
        page.reload()
        expect(page.locator("#summary")).to_contain_text("The simulated pupil played")
        page.dblclick("#summary-again")
        for each in (page, other):
            expect(each.locator("#practice")).to_be_visible()
    page.close()
    other.close()
    assert running.ended(signal.SIGINT)[1] == ""


def test_finished_before_anything_is_played_the_page_asks_anew_what_to_play_on(practice, opened):
    from playwright.sync_api import expect

    running = practice("--rung", "low-g-low-a-b")
    page = opened(running.address)
    page.click("[data-to=keys]")
    page.click("#keys-go")
    expect(page.locator("#chanter-sentence")).to_have_text(re.compile("^Your own fingers"))
    page.click("#more-button")
    page.dblclick("#finish-button")
    expect(page.locator("#start")).to_be_visible()
    page.click("[data-to=keys]")
    page.click("#keys-go")
    plays(page)
    page.close()
    assert running.ended(signal.SIGINT)[1] == ""


@pytest.fixture
def flickering() -> Iterator[str]:
    """A chanter whose line breaks again and again, and then holds; where it is."""
    chanter = PlayedChanter()
    door = socket.create_server(("127.0.0.1", 0))
    lines: list[socket.socket] = []

    def relay() -> None:
        for number in range(FLICKERS + 1):
            with suppress(OSError):
                near, _ = door.accept()
                far = socket.create_connection(("127.0.0.1", int(chanter.spec.rpartition(":")[2])))
                lines.extend((near, far))
                far.settimeout(FLICKER_S if number < FLICKERS else None)
                with suppress(TimeoutError):
                    while data := far.recv(4_096):
                        near.sendall(data)
                        if number < FLICKERS:
                            break
                near.close()
                far.close()

    Thread(target=relay, daemon=True).start()
    yield f"socket://127.0.0.1:{door.getsockname()[1]}"
    door.close()
    for line in lines:
        line.close()
    chanter.close()


def test_a_chanter_that_flickers_is_taken_up_again_in_one_session(practice, opened, flickering):
    from playwright.sync_api import expect

    running = practice(flickering, "--rung", "low-g-low-a-b")
    page = opened(running.address)
    expect(page.locator("#practice")).to_be_visible()
    expect(page.locator("#chanter-sentence")).to_have_text("Listening to a beginner's.")
    expect(page.locator("#chanter.away")).to_have_count(0)
    expect(page.locator("#next-button")).to_have_text("Hear and see it")
    page.close()
    assert running.ended(signal.SIGINT)[1] == ""
    marks = [mark.kind for path in running.sessions() for mark in read_session(path).marks]
    assert len(running.sessions()) <= 1
    assert marks[: 2 * (len(marks) // 2)] == ["lost", "back"] * (len(marks) // 2)


def test_a_page_left_open_for_a_day_knows_what_comes_back_and_plays_on(practice, opened, tmp_path):
    from playwright.sync_api import expect

    hours = tmp_path / "hours"
    hours.write_text("0")
    (tmp_path / "data").mkdir()
    progress = open_progress(tmp_path / "data")
    progress.rung_passed(date.today(), "low-g")
    progress.keep()
    running = practice("--rung", "low-g-low-a-b", program=[sys.executable, "-c", LATER, str(hours)])
    page = opened(running.address)
    page.click("[data-to=keys]")
    page.click("#keys-go")
    plays(page)
    page.click("#more-button")
    expect(page.locator("#due")).to_be_hidden()
    page.locator("#more-dialog .close").click()
    page.clock.install()
    page.clock.fast_forward("24:00:00")
    hours.write_text("24")
    page.click("#more-button")
    expect(page.locator("#due")).to_contain_text("Low G alone")
    page.locator("#more-dialog .close").click()
    page.locator("#chanter").focus()
    mask = 0
    for wanted in (LOW_G, LOW_A, LOW_G, 0):
        mask = to_mask(page, wanted, mask)
        page.clock.run_for(300)
    expect(page.locator("#practice")).to_be_visible()
    page.close()
    assert running.ended(signal.SIGINT)[1] == ""
    assert len(running.sessions()) == 1
