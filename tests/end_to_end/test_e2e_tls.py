"""The pages over TLS, in a browser and from the command line, with a certificate that openssl makes."""

from __future__ import annotations

import io
import re
import signal

import pytest

pytest.importorskip("httpx", reason="needs the Python package httpx")

import skimage
from playwright.sync_api import expect

from fingering.table import standard_table
from fingerlead.faces.pages.desk import routes as desk
from fingerlead.faces.pages.kit.place import NoPlaceError, WebPlace, fingerprint_of, network_address, tls_of
from fingerlead.faces.pages.practice import page as practice
from fingerlead.faces.pages.workbench import page as workbench
from tests.end_to_end.test_e2e_practice import fingerlead
from tests.pages.tls_tools import files
from tests.waiting import PATIENCE_S


def of_practice(folder, at):
    return practice.opened("sim", standard_table(), at=at, folder=folder, sound=False)


def of_the_desk(folder, at):
    return desk.opened(folder / "studio", None, at)


def of_the_workbench(folder, at):
    return workbench.opened("sim", folder, "Ann", at)


# What there is once its line is open, or, at the desk, once it is in.
@pytest.mark.parametrize(
    ("opened", "there"),
    [
        (of_practice, "#practice[data-phase=playing]"),
        (of_the_desk, "form[action='/pupil']"),
        (of_the_workbench, "body[data-view=begin]"),
    ],
)
def test_each_page_works_over_tls(browser, tmp_path, opened, there):
    with opened(tmp_path, WebPlace(tls=tls_of(*files(tmp_path)))) as served:
        assert served.url.startswith("https://127.0.0.1:")
        assert not served.in_clear
        context = browser.new_context(ignore_https_errors=True)
        page = context.new_page()
        page.set_default_timeout(1_000 * PATIENCE_S)
        complaints, asked, lines = [], [], []
        page.on("console", lambda message: complaints.append(message.text) if message.type == "error" else None)
        page.on("pageerror", lambda error: complaints.append(str(error)))
        page.on("request", lambda request: asked.append(request.url))
        page.on("websocket", lambda line: lines.append(line.url))
        page.goto(served.url)
        page.wait_for_selector(there)
        context.close()
    assert complaints == []
    assert all(url.startswith("https://127.0.0.1:") for url in asked)
    assert all(url.startswith("wss://127.0.0.1:") for url in lines)
    assert bool(lines) == (opened is not of_the_desk)


def test_a_phone_joins_by_the_picture_on_the_page_and_plays_with_its_own_touch_and_sound(browser, tmp_path):
    read_barcodes = pytest.importorskip("zxingcpp", reason="needs the Python package zxing-cpp").read_barcodes
    axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="needs axe-playwright-python")
    # At this machine's own address, where a browser makes sound by itself only over TLS.
    try:
        address = network_address("0.0.0.0")
    except NoPlaceError:
        pytest.skip("needs a network")
    public, key = files(tmp_path)
    join = WebPlace(address, None, tls_of(public, key), fingerprint_of(public))
    with practice.opened(None, standard_table(), join=join, folder=tmp_path, sound=False) as served:
        page = browser.new_context(viewport={"width": 390, "height": 844}).new_page()
        page.set_default_timeout(1_000 * PATIENCE_S)
        page.goto(served.url)
        page.locator("#start .join-button").click()
        shown = page.locator("#join-picture").screenshot()
        (code,) = read_barcodes(skimage.io.imread(io.BytesIO(shown)))
        assert code.text == served.joining.url
        assert join.fingerprint in page.locator("#join-lines").inner_text()
        found = axe.Axe().run(page)
        assert found.violations_count == 0, found.generate_report()
        context = browser.new_context(ignore_https_errors=True, has_touch=True, viewport={"width": 390, "height": 844})
        phone = context.new_page()
        phone.set_default_timeout(1_000 * PATIENCE_S)
        phone.goto(code.text)
        phone.locator("[data-to=touch]").tap()
        phone.locator("#try-go").tap()
        phone.locator("#pads button").first.wait_for()
        expect(phone.locator("#sound-button")).to_have_text("Turn the sound off")
        # Both pages show one practice.
        expect(page.locator("#chanter-sentence")).to_contain_text("Your own fingers")
        for each in (page.context, context):
            each.close()


@pytest.mark.parametrize("encrypted", [True, False])
def test_the_whole_house_is_told_what_travels_in_clear_and_nothing_where_nothing_does(tmp_path, encrypted):
    options = []
    if encrypted:
        public, key = files(tmp_path)
        options = ["--tls-cert", public, "--tls-key", key]
    process = fingerlead("studio", tmp_path / "studio", "--no-browser", "--listen", "0.0.0.0", *options)
    assert process.stdout is not None
    first = process.stdout.readline()
    process.send_signal(signal.SIGINT)
    # Not `communicate`, which misses what was read beyond the first line.
    said = first + process.stdout.read()
    _, err = process.communicate(timeout=PATIENCE_S)
    assert (process.returncode, err) == (0, "")
    assert re.search(f"at {'https' if encrypted else 'http'}://", said)
    assert ("can be read by others" in said) == (not encrypted)
    assert ("--tls-cert" in said) == (not encrypted)
