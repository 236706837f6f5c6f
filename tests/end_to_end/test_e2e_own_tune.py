"""A tune of one's own at the real host: named on the command line, pasted into the page, heard, and refused."""

from __future__ import annotations

import json
import signal

import pytest

pytest.importorskip("httpx", reason="needs the Python package httpx")
pytest.importorskip("websockets", reason="needs the Python package websockets")

from tests.end_to_end.test_e2e_practice import fingerlead, opened, practice
from tests.waiting import PATIENCE_S

__all__ = ["opened", "practice"]
MINE = "X:1\nT:Rowan Gate\nM:4/4\nL:1/4\nQ:1/4=240\nK:HP\nG B G B | A e A e |]\n"


def test_a_file_of_abc_is_practised_and_another_pasted(practice, opened, tmp_path):
    from playwright.sync_api import expect

    path = tmp_path / "mine.abc"
    path.write_text(MINE)
    running = practice("--rung", path)
    model = running.get("/music.json").json()
    assert [note["start_us"] for note in model["notes"]] == [250_000 * place for place in range(8)]
    page = opened(running.address)
    page.click("[data-to=keys]")
    page.click("#keys-go")
    expect(page.locator("#rung-name")).to_have_text("Rowan Gate")
    page.click("#more-button")
    page.click("#ladder-button")
    page.fill("#own-abc", "no tune at all")
    page.get_by_role("button", name="Practise it").click()
    expect(page.locator("#own-told")).to_contain_text("expected a tune")
    page.fill("#own-abc", MINE.replace("Rowan", "Alder"))
    page.get_by_role("button", name="Practise it").click()
    expect(page.locator("#rung-name")).to_have_text("Alder Gate")
    expect(page.locator("#ladder-dialog")).to_be_hidden()
    page.click("#more-button")
    page.click("#ladder-button")
    expect(page.locator("#tunes [aria-current]")).to_contain_text("Alder Gate")
    page.click("#tunes [data-key='own: Rowan Gate']")
    expect(page.locator("#rung-name")).to_have_text("Rowan Gate")
    page.click("#more-button")
    page.click("#ladder-button")
    page.click("#hear-music")
    expect(page.locator("#sentence")).to_have_text("This is how it goes.")
    page.click("#more-button")
    page.click("#ladder-button")
    # A double click takes one off; it is undone by the key that is at hand then, or by its button.
    for name, undo in (("Rowan Gate", "key"), ("Alder Gate", "button")):
        take_off = page.get_by_role("button", name=f"Take {name} off the page")
        take_off.press("Enter") if undo == "key" else take_off.dblclick()
        expect(page.locator("#taken-off")).to_contain_text(f"{name} is off the page.")
        expect(page.locator("#tunes li", has_text="your own")).to_have_count(1)
        page.keyboard.press("Enter") if undo == "key" else page.click("#taken-off button")
        expect(page.locator("#tunes li", has_text="your own")).to_have_count(2)
        expect(page.locator("#taken-off")).to_be_hidden()
    page.close()
    running.ended(signal.SIGINT)
    # Both are there the next time.
    again = opened(practice().address)
    again.click("[data-to=keys]")
    again.click("#keys-go")
    again.click("#more-button")
    again.click("#ladder-button")
    expect(again.locator("#tunes li", has_text="your own")).to_have_count(2)


@pytest.mark.parametrize("text", [MINE + "G B|" * 6_000])
def test_a_file_that_cannot_be_practised_is_refused_in_a_sentence(tmp_path, text):
    path = tmp_path / "mine.abc"
    path.write_text(text)
    process = fingerlead("practice", "--no-browser", "--no-sound", "--folder", tmp_path / "data", "--rung", path)
    _, err = process.communicate(timeout=PATIENCE_S)
    assert process.returncode == 1
    assert err.startswith("fingerlead: ")
    assert "expected" in json.dumps(err)
    assert "Traceback" not in err
