"""How a browser comes in to each page, by its address alone; and what of the way in is ever sent, kept or logged."""

from __future__ import annotations

import contextlib
import ipaddress
import logging
import re
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Any

import pytest

pytest.importorskip("httpx", reason="needs the Python package httpx")

import httpx

from fingerlead.faces.pages.desk.routes import opened as desk_opened
from fingerlead.faces.pages.kit.guard import MOST_PAGES, Guard
from fingerlead.faces.pages.kit.page import ServedPage
from fingerlead.faces.pages.kit.place import WebPlace, shown
from fingerlead.faces.pages.practice.page import opened as practice_opened
from fingerlead.faces.pages.workbench.page import opened as workbench_opened
from fingerlead.studio.invented import invented, play_sessions, write_session
from fingerlead.studio.studio import Studio
from tests.pages.page_tools import TABLE
from tests.waiting import PATIENCE_S, wait_for

playwright = pytest.importorskip("playwright.sync_api", reason="needs the Python package playwright")
expect = playwright.expect
TODAY = date(2026, 11, 20)
# What shows that a page is in: it has what only the host could tell it.
IN = {"practice": "#start", "workbench": "#begin", "desk": "footer"}
WHAT_LETS_IN = "the part after # lets"


def opened(kind: str, folder: Path, at: WebPlace = WebPlace()) -> AbstractContextManager[ServedPage]:
    """A page as its command serves it."""
    if kind == "practice":
        return practice_opened(None, TABLE, at=at, folder=folder, sound=False)
    if kind == "workbench":
        return workbench_opened("sim", folder, "Ann", at)
    with Studio(folder) as studio:
        (person,) = [each for each in invented() if each.name == "Brodie"]
        key = studio.add(person.name).key
        sitting = play_sessions(person, TODAY)[-1]
        studio.take_in(key, write_session(folder.parent / "one.session", sitting, person.rungs))
    return desk_opened(folder, None, at, lambda: TODAY)


@dataclass
class Seen:
    """What reached the guard of a page, and what it answered."""

    asked: list[str] = field(default_factory=list)
    headers: list[tuple[str, str]] = field(default_factory=list)
    secrets: set[str] = field(default_factory=set)
    answered: list[str] = field(default_factory=list)


@pytest.fixture
def seen(monkeypatch) -> Seen:
    """Everything that is asked of a page and answered, from its beginning on."""
    notes, guarded = Seen(), Guard.__call__

    async def note(guard: Any, scope: Any, receive: Any, send: Any) -> None:
        notes.asked.append(f"{scope['path']} {scope['raw_path']!r} {scope['query_string']!r}")
        notes.headers += [(name.decode(), value.decode("latin-1")) for name, value in scope["headers"]]

        async def noting(message: Any) -> None:
            notes.answered.append(str(message.get("headers", "")))
            if scope["path"] == "/enter" and message["type"] == "http.response.body":
                notes.secrets.add(message["body"].decode())
            await send(message)

        await guarded(guard, scope, receive, noting)

    monkeypatch.setattr(Guard, "__call__", note)
    return notes


@pytest.fixture
def tab(browser) -> Iterator[Callable[..., Any]]:
    contexts = []

    def open_tab(**setting: Any) -> Any:
        contexts.append(browser.new_context(viewport={"width": 1280, "height": 900}, **setting))
        page = contexts[-1].new_page()
        page.set_default_timeout(1_000 * PATIENCE_S)
        return page

    yield open_tab
    for context in contexts:
        context.close()


def use(kind: str, page: Any) -> None:
    """Do on a page what only one that is in can do."""
    if kind == "practice":
        page.get_by_role("link", name="Never held a chanter").click()
        page.get_by_role("link", name="Back").first.click()
        page.click("[data-to=keys]")
        page.click("#keys-go")
        page.keyboard.down("KeyF")
        expect(page.locator(".hole.covered").first).to_be_visible()
        page.keyboard.up("KeyF")
    elif kind == "workbench":
        page.click("#go")
        expect(page.locator("#step")).to_have_text(re.compile("Step 2 of"))
        page.click("#stop")
        expect(page.locator("#begin")).to_be_visible()
    else:
        page.get_by_label("Name or nickname").fill("Jory")
        page.get_by_role("button", name="Add").click()
        expect(page.locator("h1")).to_have_text("Jory")
        with page.expect_download() as kept:
            page.get_by_role("link", name="Everything kept of this pupil").click()
        assert kept.value.suggested_filename.endswith(".zip")
        page.get_by_role("link", name="All pupils").click()
        page.get_by_role("link", name="Brodie").click()
        page.locator(".sessions a").first.click()
        page.locator("#play").click()
        expect(page.locator("#play")).to_have_text("Stop")
        page.get_by_role("link", name="All pupils").click()
        expect(page.get_by_role("link", name="Jory")).to_be_visible()


@pytest.mark.parametrize("kind", IN)
def test_neither_token_nor_secret_is_sent_elsewhere_kept_or_logged(tab, kind, tmp_path, seen, caplog):
    caplog.set_level(logging.DEBUG, "fingerlead")
    with opened(kind, tmp_path / "it") as there:
        page = tab()
        page.goto(there.url)
        expect(page.locator(IN[kind])).to_be_visible()
        use(kind, page)
        page.reload()
        expect(page.locator("body")).not_to_be_empty()
        kept = page.evaluate("JSON.stringify([document.cookie, document.referrer, localStorage, sessionStorage])")
        cookies = page.context.cookies()
    token = there.url.partition("#")[2]
    assert seen.secrets
    assert len(seen.asked) > 8
    for word in (token, *seen.secrets):
        assert word not in kept
        assert word not in caplog.text
        assert not any(word in asked for asked in seen.asked)
        assert {name for name, value in seen.headers if word in value} <= {"authorization"}
    assert not any(token in value for _, value in seen.headers)
    assert not any("set-cookie" in answer.lower() for answer in seen.answered)
    assert not any(name == "cookie" for name, _ in seen.headers)
    assert cookies == []


@pytest.mark.parametrize("kind", IN)
def test_another_device_comes_in_by_the_address_that_listen_prints(tab, kind, tmp_path):
    with opened(kind, tmp_path / "it", WebPlace("0.0.0.0")) as there:
        # A machine without a network has other addresses of its own all the same.
        outward = shown("0.0.0.0")
        is_address = outward.replace(".", "").isdigit() and not ipaddress.ip_address(outward).is_loopback
        url = there.url if is_address else there.url.replace(outward, "127.0.0.2")
        page = tab()
        page.goto(url)
        expect(page.locator(IN[kind])).to_be_visible()
        use(kind, page)
        stranger = tab()
        stranger.goto(url.partition("#")[0])
        expect(stranger.locator("#notice")).to_contain_text(WHAT_LETS_IN)


@pytest.mark.parametrize("kind", IN)
def test_the_address_alone_opens_it_again_in_any_tab(tab, kind, tmp_path):
    with opened(kind, tmp_path / "it") as there:
        page = tab()
        page.goto(there.url)
        expect(page.locator(IN[kind])).to_be_visible()
        assert page.url == there.url
        page.keyboard.press("Tab")
        page.keyboard.press("Enter")
        expect(page.locator("#main")).to_be_focused()
        assert page.url == there.url
        page.reload()
        expect(page.locator(IN[kind])).to_be_visible()
        bookmarked = tab()
        bookmarked.goto(page.url)
        expect(bookmarked.locator(IN[kind])).to_be_visible()


@pytest.mark.parametrize("kind", IN)
def test_an_address_for_once_becomes_the_one_that_lasts_and_opens_no_second_page(tab, kind, tmp_path):
    with opened(kind, tmp_path / "it") as there:
        once = there.address_once()
        page = tab()
        page.goto(once)
        expect(page.locator(IN[kind])).to_be_visible()
        assert page.url == there.url
        page.reload()
        expect(page.locator(IN[kind])).to_be_visible()
        stranger = tab()
        stranger.goto(once)
        expect(stranger.locator("#notice")).to_contain_text(WHAT_LETS_IN)


@pytest.mark.parametrize("kind", IN)
def test_an_address_without_the_right_token_is_told_in_a_sentence_and_mended_in_the_same_tab(tab, kind, tmp_path):
    with opened(kind, tmp_path / "it") as there:
        bare, _, token = there.url.partition("#")
        for wrong in (bare, f"{bare}#{token[:-1]}", f"{bare}#main"):
            page = tab()
            page.goto(wrong)
            expect(page.locator("#notice")).to_contain_text(WHAT_LETS_IN)
            expect(page.locator(IN[kind])).not_to_be_visible()
            # Only the fragment is another: by itself no browser would load the page anew.
            page.goto(there.url)
            expect(page.locator(IN[kind])).to_be_visible()
            expect(page.locator("#notice")).to_be_hidden()


@pytest.mark.parametrize("kind", IN)
def test_without_javascript_it_says_what_it_needs(tab, kind, tmp_path):
    with opened(kind, tmp_path / "it") as there:
        page = tab(java_script_enabled=False)
        page.goto(there.url)
        expect(page.locator("noscript p")).to_contain_text("This page needs JavaScript")


def let_many_in(address: str, token: str) -> None:
    """So many other loads of a page that each earlier one has fallen out."""
    with httpx.Client(headers={"Origin": address}, timeout=PATIENCE_S) as client:
        for _ in range(MOST_PAGES):
            assert client.post(f"{address}/enter", content=token).status_code == 200


def test_a_page_that_fell_out_comes_in_again_by_itself_and_says_so(tab, tmp_path):
    with opened("desk", tmp_path / "it") as there:
        bare, _, token = there.url.partition("/#")
        page = tab()
        page.goto(there.url)
        page.get_by_label("Name or nickname").fill("Jory")
        expect(page.get_by_role("button", name="Add")).to_be_visible()
        let_many_in(bare, token)
        page.evaluate("import('/kit/entry.js').then(({ ask }) => ask('/round.json'))")
        expect(page.locator("#notice")).to_contain_text("let this one in again")
        let_many_in(bare, token)
        page.get_by_role("button", name="Add").click()
        expect(page.locator("h1")).to_have_text("Jory")


LINES = """window.lines = [];
window.WebSocket = class extends WebSocket { constructor(at) { super(at); lines.push(this); } };"""


def test_a_line_that_fell_out_comes_back_by_itself(tab, tmp_path, seen):
    with opened("practice", tmp_path / "it") as there:
        bare, _, token = there.url.partition("/#")
        page = tab()
        page.add_init_script(LINES)
        page.goto(there.url)
        expect(page.locator("#start")).to_be_visible()
        let_many_in(bare, token)
        page.evaluate("lines[0].close()")
        expect(page.locator("#notice")).to_contain_text("line to fingerlead is back")
        # One that is not known any more, and one with the new secret.
        assert page.evaluate("lines.length") == 3
        assert len(seen.secrets) == MOST_PAGES + 2


def test_links_of_the_desk_open_in_new_tabs_and_its_places_are_found(tab, tmp_path):
    with opened("desk", tmp_path / "it") as there:
        page = tab()
        page.goto(there.url)
        with page.context.expect_page() as beside:
            page.get_by_role("link", name="Brodie").click(modifiers=["Control"])
        other = beside.value
        expect(other.locator("h1")).to_have_text("Brodie")
        homework = other.locator("section[aria-labelledby=homework-h]")
        homework.get_by_text("Two notes alone").click()
        homework.get_by_label("low A and C").last.check()
        other.get_by_role("button", name="Give as homework").click()
        expect(other.locator("#homework-h")).to_be_focused()
        expect(homework.locator(".pieces")).to_contain_text("low A and C")
        other.locator("figcaption a").first.click()
        expect(other.locator("#place")).not_to_have_value("0")
        at_us = re.search(r"&t=(\d+)$", other.url)[1]
        # A moment is heard from a little before it on.
        place = re.compile(str(int(at_us) - 700_000)[:-3])
        expect(other.locator("#place")).to_have_value(place)
        other.reload()
        expect(other.locator("#place")).to_have_value(place)


def test_a_form_that_only_reads_keeps_the_token_in_the_address(tab, tmp_path):
    with opened("desk", tmp_path / "it") as there:
        page = tab()
        page.goto(there.url)
        page.get_by_role("link", name="Brodie").click()
        page.locator(".sessions a").first.click()
        page.locator("form[method=get]").get_by_label("To change").fill("4")
        page.get_by_role("button", name="Make the message").click()
        expect(page.locator("h1")).to_have_text("Changes 1 to 4")
        page.reload()
        expect(page.locator("h1")).to_have_text("Changes 1 to 4")


def test_going_back_finds_the_page_where_it_stood_with_what_was_written(tab, tmp_path):
    with opened("desk", tmp_path / "it") as there:
        page = tab(reduced_motion="reduce")
        page.goto(there.url)
        page.get_by_role("link", name="Brodie").click()
        page.locator("#page textarea").last.fill("Slowly.")
        pieces = page.locator("input[name=pieces]")
        asked = {pieces.nth(number).get_attribute("value") for number in (0, 5)}
        for number in (0, 5):
            pieces.nth(number).evaluate("box => box.click()")
        page.evaluate("scrollTo(0, 700)")
        page.locator(".sessions a").first.evaluate("link => link.click()")
        expect(page.locator("#player")).to_be_visible()
        page.go_back()
        expect(page.locator("#page textarea").last).to_have_value("Slowly.")
        chosen = pieces.evaluate_all("boxes => boxes.filter((box) => box.checked).map((box) => box.value)")
        assert set(chosen) == asked
        expect(pieces.nth(5)).to_be_visible()
        wait_for(lambda: page.evaluate("scrollY") == 700, "the place on the page")
        page.go_forward()
        expect(page.locator("#player")).to_be_visible()


def test_what_is_refused_is_said_and_nothing_written_is_lost(tab, tmp_path):
    with opened("desk", tmp_path / "it") as there:
        page = tab()
        page.goto(there.url)
        page.get_by_role("link", name="Brodie").click()
        page.locator("#page textarea").last.fill("Slowly.")
        page.get_by_text("Delete this pupil").click()
        page.get_by_label("To be sure").fill("Brody")
        page.get_by_role("button", name="Delete for good").click()
        expect(page.locator("#notice")).to_contain_text("nothing was deleted")
        expect(page.locator("#notice")).to_be_focused()
        expect(page.locator("#page textarea").last).to_have_value("Slowly.")
        sent = tmp_path / "not a session.session"
        sent.write_bytes(b"nothing")
        page.set_input_files("input[name=files]", [sent, tmp_path / "one.session"])
        page.get_by_role("button", name="Take in", exact=True).click()
        expect(page.locator("main .notice")).to_contain_text("not a session.session: expected a session")
        expect(page.locator("main .notice")).to_contain_text("one.session: this session is in the studio already")
        expect(page.locator("#live")).to_contain_text("expected a session")
        page.goto(there.url.replace("/#", "/pupil/0123456789ab#"))
        expect(page.locator("h1")).to_have_text("That did not work")


def test_a_studio_that_is_over_is_said(tab, tmp_path):
    with contextlib.ExitStack() as running:
        there = running.enter_context(opened("desk", tmp_path / "it"))
        page = tab()
        page.goto(there.url)
        page.get_by_label("Name or nickname").fill("Jory")
        expect(page.get_by_role("button", name="Add")).to_be_visible()
        running.close()
        page.get_by_role("button", name="Add").click()
        expect(page.locator("#notice")).to_contain_text("The studio no longer answers")
        expect(page.get_by_label("Name or nickname")).to_have_value("Jory")
