"""The end of a session and what comes after it, in a browser with the real host: no page is left dead."""

from __future__ import annotations

import re
import signal
from typing import Any

import pytest

pytest.importorskip("httpx", reason="needs the Python package httpx")
pytest.importorskip("websockets", reason="needs the Python package websockets")

from tests.end_to_end.test_e2e_practice import LOW_A, LOW_G, chanter, opened, practice, to_mask

__all__ = ["chanter", "opened", "practice"]


def finish(page: Any) -> None:
    if page.locator("#more-button").count():
        page.click("#more-button")
    page.click("#finish-button")


def take_up_keys(page: Any) -> None:
    if page.locator("#more-button").count():
        page.click("#more-button")
    page.click("#play-mode-button")


def plays(page: Any) -> None:
    """Own fingers are seen by the host, and told back to the page."""
    from playwright.sync_api import expect

    expect(page.locator("#chanter")).to_be_focused()
    mask = 0
    for wanted in (LOW_G, LOW_A, LOW_G, 0):
        mask = to_mask(page, wanted, mask)
        page.wait_for_timeout(250)
    expect(page.locator("#practice")).to_be_visible()


def test_play_on_goes_on_after_a_reload_too_and_on_every_page(practice, opened):
    from playwright.sync_api import expect

    running = practice("--rung", "low-g-low-a")
    page = opened(running.address)
    page.click("[data-to=keys]")
    page.click("#keys-go")
    plays(page)
    other = opened(running.address)
    expect(other.locator("#practice")).to_be_visible()

    finish(page)
    for each in (page, other):
        expect(each.locator("#summary-lines")).to_contain_text("For tomorrow: ")
    page.click("#summary-again", click_count=2, delay=60)
    for each in (page, other):
        expect(each.locator("#practice")).to_be_visible()
    # The keys are taken up again with it.
    plays(page)

    finish(page)
    page.reload()
    expect(page.locator("#summary-lines")).to_contain_text("For tomorrow: ")
    page.click("#summary-again")
    expect(page.locator("#practice")).to_be_visible()
    take_up_keys(page)
    plays(page)
    finish(other)
    other.close()
    page.click("#summary-again")
    plays(page)
    page.close()
    running.ended(signal.SIGINT)
    assert len(running.sessions()) == 4


def test_the_end_with_a_chanter_that_is_gone_meanwhile(practice, opened, chanter):
    from playwright.sync_api import expect

    running = practice(chanter, "--rung", "low-g-b")
    page = opened(running.address)
    expect(page.locator("#practice")).to_be_visible()
    page.wait_for_timeout(1_500)
    finish(page)
    expect(page.locator("#summary")).to_be_visible()
    page.click("#summary-again")
    expect(page.locator("#practice")).to_be_visible()
    expect(page.locator("#chanter-sentence")).to_contain_text(re.compile("listening", re.IGNORECASE))
    page.close()
    running.ended(signal.SIGINT)
    assert len(running.sessions()) == 2


def test_a_computer_that_slept_and_a_page_that_was_closed_go_on_in_one_session(practice, opened):
    from playwright.sync_api import expect

    running = practice("--rung", "low-g-low-a")
    page = opened(running.address)
    page.click("[data-to=keys]")
    page.click("#keys-go")
    plays(page)
    # Asleep: nothing runs, and time goes by.
    running.process.send_signal(signal.SIGSTOP)
    page.wait_for_timeout(2_000)
    running.process.send_signal(signal.SIGCONT)
    plays(page)
    counted = page.locator(".dots").first.locator(".on")
    expect(counted).not_to_have_count(0)
    page.close()
    again = opened(running.address)
    expect(again.locator("#practice")).to_be_visible()
    take_up_keys(again)
    plays(again)
    again.close()
    running.ended(signal.SIGINT)
    assert len(running.sessions()) == 1
