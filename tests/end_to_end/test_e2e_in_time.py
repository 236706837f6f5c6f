"""A tune played in time at the real host, by the beat that the page itself lets be heard: what it says is what
`analyse` says of the session.
"""

from __future__ import annotations

import json
import signal

import pytest

pytest.importorskip("httpx", reason="needs the Python package httpx")
pytest.importorskip("websockets", reason="needs the Python package websockets")

from fingering.table import standard_table
from tests.end_to_end.test_e2e_practice import fingerlead, opened, practice, to_mask
from tests.waiting import PATIENCE_S

__all__ = ["opened", "practice"]
STANDARD = standard_table().standard
BPM = 140
MINE = "X:1\nT:Rowan Gate\nM:4/4\nL:1/4\nK:HP\nG A G A | G2 A G | A G A2 |]\n"
NOTES = [0, 1, 0, 1, 0, 1, 0, 1, 0, 1]


def test_what_the_page_says_of_a_tune_in_time_is_what_analyse_says(practice, opened, tmp_path):
    from playwright.sync_api import expect

    path = tmp_path / "mine.abc"
    path.write_text(MINE)
    running = practice("--rung", path)
    page = opened(running.address)
    page.click("[data-to=keys]")
    page.click("#keys-go")
    page.click("#more-button")
    page.get_by_label("Beats a minute").fill(str(BPM))
    page.get_by_label("Beats a minute").press("Enter")
    page.click("#in-time-button")
    expect(page.locator("#sentence")).to_have_text("1")
    mask = to_mask(page, STANDARD[0], 0)
    # The notes that were lit, as a busy computer shows them; they are played by a time of their own.
    page.evaluate(
        "(window.lit = [], new MutationObserver(() => lit.push(document.querySelector('#names .next').textContent))"
        ".observe(document.querySelector('#names'), {subtree: true, childList: true, characterData: true}))"
    )
    page.wait_for_timeout(8 * 60_000 / BPM)
    for note in NOTES[1:]:
        page.wait_for_timeout(60_000 / BPM)
        mask = to_mask(page, STANDARD[note], mask)
    sentence = page.locator("#sentence")
    expect(sentence).to_contain_text("came with the beat")
    said = sentence.text_content()
    assert {"low G", "low A"} <= set(page.evaluate("lit"))
    expect(page.locator("#next-button")).to_have_text(
        "Work on low G, low A and B" if ";" in said else "Play it in time again"
    )
    page.close()
    running.ended(signal.SIGINT)
    (session,) = running.sessions()
    out, _ = fingerlead("analyse", session, "--format", "json").communicate(timeout=PATIENCE_S)
    (played,) = [music["in_time"] for music in json.loads(out)["music"] if "in_time" in music]
    assert played["words"] == said
    assert played["notes"] == len(NOTES)
    out, _ = fingerlead("analyse", session).communicate(timeout=PATIENCE_S)
    assert said[1:] in out
