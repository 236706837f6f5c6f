"""The practice page in a browser, against a small host that speaks its messages: fingers, sound, words, reach."""

from __future__ import annotations

import re
from itertools import pairwise

import numpy as np
import pytest

from fingering.orders import every_rung
from tests.end_to_end import page_host
from tests.end_to_end.page_host import HERE, NOTES, OWN, TABLE, PageHost, change_message, everything, rung_message
from tests.end_to_end.page_states import (
    ALONE,
    FAULT,
    FIRST,
    FULL,
    IN_TIME,
    NO_FAULT,
    PASSED,
    PLUGGED,
    STATES,
    TURNED,
    holes,
    rows,
)
from tests.faces.sheet_tools import needs_lilypond
from tests.waiting import PATIENCE_S, wait_for

playwright = pytest.importorskip("playwright.sync_api", reason="needs the Python package playwright")

expect = playwright.expect
SIZES = {
    "phone": (320, 640), "large phone": (390, 844), "tablet": (820, 1180), "laptop": (1280, 800), "desk": (1440, 900),
}  # fmt: skip
# The middle row, thumb first, as the hands lie with the left on top.
KEYS = ["Space", "KeyF", "KeyD", "KeyS", "KeyJ", "KeyK", "KeyL", "Semicolon"]
LOW_A, E = TABLE.standard[1], TABLE.standard[5]
HOLES = {"kind": "holes", "covered_mask": LOW_A, "note": 1, "fingering": "standard", "t_us": 0}


@pytest.fixture(scope="module")
def running():
    needs_lilypond()
    host = PageHost()
    yield host
    host.close()


@pytest.fixture
def host(running):
    running.begin_anew()
    return running


@pytest.fixture
def opened(browser, host):
    """Open the page; at the end nothing came from elsewhere, and nothing complained, the strict policy least of all."""
    contexts, asked, complaints = [], [], []

    def at(size="desk", path="", script="", **context):
        width, height = SIZES[size]
        made = browser.new_context(viewport={"width": width, "height": height}, **context)
        contexts.append(made)
        page = made.new_page()
        page.set_default_timeout(1_000 * PATIENCE_S)
        page.on("request", lambda request: asked.append(request.url))
        page.on("console", lambda message: complaints.append(message.text))
        page.on("pageerror", lambda error: complaints.append(str(error)))
        if script:
            page.add_init_script(script)
        page.goto(host.way_to(path))
        if not path and "WebSocket" not in script:
            # From here on it hears what the host tells.
            expect(page.locator("body")).to_have_attribute("data-view", re.compile("start|practice"))
        return page

    at.complaints = complaints
    yield at
    for context in contexts:
        context.close()
    assert all(url.startswith((host.address, "blob:" + host.address)) for url in asked)
    assert complaints == []


def practising(host, **over):
    """The host hears a chanter, and three changes were played."""
    told = {"chanter": HERE, "holes": HOLES, "lit": {"id": "n0-1-1", "note": 5, "index": 3}, **over}
    told.setdefault("changes", [change_message(1, 1, {3: 0}), change_message(2, 0, {7: 0, 6: 18_000})])
    host.snapshot = everything(**told)


def with_keys(page, host):
    """From the start to playing with the keys."""
    page.click("[data-to=keys]")
    page.click("#keys-go")
    expect(page.locator("#chanter")).to_be_focused()
    host.wait_for("listen", to="page")
    # That nothing is covered is said first: a note alone begins with the hands off.
    assert host.wait_for("holes")["covered_mask"] == 0


def more(page):
    """Open what is behind the one key."""
    page.click("#more-button")
    expect(page.locator("#more-dialog")).to_be_visible()


def to_note(page, mask, before=0):
    for hole, key in enumerate(KEYS):
        if (mask ^ before) >> hole & 1:
            (page.keyboard.down if mask >> hole & 1 else page.keyboard.up)(key)


COVERED = (
    "[...document.querySelectorAll('#chanter .hole')].sort((a, b) =>"
    " a.querySelector('circle').cy.baseVal.value - b.querySelector('circle').cy.baseVal.value)"
    ".reduce((mask, hole, i) => mask | hole.classList.contains('covered') << i, 0)"
)


def until(page, expression):
    """Wait until an expression holds. (Playwright's own way asks for `eval`, which the page's policy forbids.)"""
    wait_for(lambda: page.evaluate(expression), expression)


def sees(page, covered_mask):
    """Wait until the chanter's picture shows a mask."""
    until(page, f"{COVERED} === {covered_mask}")


# --- beginning


def test_the_teachers_homework_is_there_with_its_day_and_is_chosen_by_one_key(opened, host):
    items = [
        {"key": "low-a-c", "name": "low A and C", "due": "20 November 2026"},
        {"key": "heron", "name": "Heron", "due": ""},
    ]
    remark = {"day": "12 November 2026", "at": "0:07.5", "text": "<b>here"}
    practising(
        host, teacher={"day": "2026-11-13", "note": "Slowly.\nStop for breath.", "items": items, "remarks": [remark]}
    )
    page = opened()
    more(page)
    expect(page.locator("#teacher-items li")).to_have_text(["Low A and C until 20 November 2026", "Heron"])
    expect(page.locator("#teacher-note")).to_have_text("Slowly. Stop for breath.")
    expect(page.locator("#teacher-remarks")).to_have_text("12 November 2026, at 0:07.5: <b>here")
    page.get_by_role("button", name="Low A and C").press("Enter")
    assert host.wait_for("rung")["key"] == "low-a-c"


def test_with_nothing_plugged_in_it_offers_keys_screen_and_pupil(opened, host):
    page = opened()
    expect(page.locator("h1:visible")).to_have_text("What will you play on?")
    choices = page.locator(".choice").evaluate_all("all => all.map(one => one.dataset.to)")
    assert choices == ["keys", "touch", "sim"]
    expect(page.locator("#choices .none")).to_contain_text("None is plugged in")
    found = [{"spec": "/dev/ttyACM0", "description": "a chanter on USB"}]
    host.tell({**page_host.NONE, "found": found})
    page.click("[data-to='/dev/ttyACM0']")
    assert host.wait_for("listen")["to"] == "/dev/ttyACM0"


def test_a_refused_chanter_is_told_and_another_can_be_chosen(opened, host):
    host.snapshot = everything(chanter={**page_host.NONE, "state": "refused", "sentence": "Another program has it."})
    page = opened()
    expect(page.locator("#notice")).to_have_text("Another program has it.")
    page.click("[data-to=sim]")
    expect(page.locator("#practice")).to_be_visible()


# --- playing with the keys


def test_real_keys_climb_a_whole_rung(opened, host):
    page = opened()
    with_keys(page, host)
    notes = host.snapshot["rung"]["notes"]
    before = 0
    for index, one in enumerate(notes):
        asked = f"The music. To play: {NOTES[one['note']]}."
        expect(page.locator("#score")).to_have_attribute("aria-label", asked)
        mask = TABLE.standard[one["note"]]
        to_note(page, mask, before)
        before = mask
        expect(page.locator("#score .lit")).to_have_count(1 if index + 1 < len(notes) else 0)
        sees(page, mask)
    expect(page.locator("#score")).to_have_attribute("aria-label", "The music.")


def test_every_key_is_told_at_once_and_let_go_when_the_window_is_left(opened, host):
    page = opened()
    with_keys(page, host)
    mask = 0
    for hole, key in enumerate(KEYS):
        page.keyboard.down(key)
        mask |= 1 << hole
        assert host.wait_for("holes")["covered_mask"] == mask
    page.keyboard.down("KeyF")  # a key that repeats says nothing new
    page.evaluate("dispatchEvent(new Event('blur'))")
    assert host.wait_for("holes")["covered_mask"] == 0
    sees(page, 0)


def test_the_keys_do_not_clash_with_the_page(opened, host):
    page = opened()
    with_keys(page, host)
    # Space is the thumb, even on a button; Enter still presses it, and Tab still walks on.
    page.locator("#more-button").focus()
    page.keyboard.press("Space")
    assert host.wait_for("holes")["covered_mask"] == 1
    assert not page.locator("#more-dialog").is_visible()
    page.keyboard.press("Enter")
    expect(page.locator("#more-dialog")).to_be_visible()
    page.keyboard.press("Escape")
    expect(page.locator("#more-dialog")).to_be_hidden()
    assert page.evaluate("document.querySelector('#chanter').hasAttribute('tabindex')")
    page.locator("#more-button").focus()
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.id") == "chanter"
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.id") == "next-button"
    # Escape leaves; then the letters are only letters.
    page.keyboard.press("Escape")
    expect(page.locator("#next-button")).to_have_text("Play with the keys")
    expect(page.locator("#next-button")).to_be_focused()
    while not host.heard.empty():
        host.heard.get()
    page.keyboard.press("KeyF")
    page.keyboard.press("Enter")
    expect(page.locator("#chanter")).to_be_focused()
    assert not any(message.get("covered_mask") for message in list(host.heard.queue))


def test_other_music_that_comes_while_all_is_covered_asks_for_the_hands_to_come_off(opened, host):
    practising(host)
    page = opened()
    host.tell(holes(0xFF, 0), rung_message(0), ALONE, {"kind": "lit", **FIRST})
    expect(page.locator("#sentence")).to_have_text("Now take your hands off.")
    host.tell(holes(0, None))
    expect(page.locator("#sentence")).to_have_text("Pick it up and cover all eight holes. You need not blow.")
    host.tell(holes(0xFF, 0))
    expect(page.locator("#sentence")).to_have_text("All sealed. Hold it.")
    # A chanter that seems upside down is the one thing then.
    host.tell(holes(0xFE, 8), TURNED)
    expect(page.locator("#sentence")).to_contain_text("Is the chanter upside down?")
    host.tell({**TURNED, "sentence": ""})
    expect(page.locator("#sentence")).to_have_text("Still open: thumb.")


def test_a_keyboard_that_holds_too_few_is_told_kindly_and_other_keys_offered(opened, host):
    page = opened()
    page.click("[data-to=keys]")
    for key in KEYS[:6]:
        page.keyboard.down(key)
    expect(page.locator("#keys-count")).to_have_text("Held together: 6 of 8")
    assert host.wait_for("keyboard", holds=6)
    for key in KEYS[:6]:
        page.keyboard.up(key)
    expect(page.locator("#keys-told")).to_contain_text("it is not your fingers")
    expect(page.locator("#keys-check .main")).to_have_text("Try other keys")
    expect(page.locator("#keys-go")).to_have_text("Play all the same")
    page.click("#keys-other")
    expect(page.locator("#key-caps")).to_contain_text("R")
    for key in ("Space", "KeyR", "KeyE", "KeyW", "KeyU", "KeyI", "KeyO", "KeyP"):
        page.keyboard.down(key)
    expect(page.locator("#keys-told")).to_contain_text("All eight at once")
    assert host.wait_for("keyboard", holds=8)
    expect(page.locator("#keys-go")).to_have_text("Play")
    page.keyboard.press("Escape")
    expect(page.locator("#start")).to_be_visible()


def test_with_the_right_hand_on_top_keys_thumb_and_hands_change_sides(opened, host):
    host.snapshot = everything(hand_on_top="right")
    page = opened()
    page.click("[data-to=keys]")
    page.click("#keys-go")
    keys = page.locator("#chanter .key").all_text_contents()
    assert keys == ["␣", "J", "K", "L", "F", "D", "S", "A"]
    thumb = page.locator("#chanter .thumb circle").evaluate("e => e.cx.baseVal.value")
    index = page.locator("#chanter .hole:not(.thumb) circle").first.evaluate("e => e.cx.baseVal.value")
    assert thumb > index
    assert page.locator("#chanter .hand text").all_text_contents() == ["right hand", "left hand"]
    more(page)
    page.click("#more-settings")
    page.get_by_label("Hand on top").select_option("left")
    assert host.wait_for("hand")["on_top"] == "left"


def test_how_sure_the_times_are_is_shown(opened, host):
    page = opened()
    with_keys(page, host)
    more(page)
    expect(page.locator("#uncertainty")).to_contain_text(f"±{OWN['uncertainty_us'] // 1000} ms")


# --- playing on the screen


KEEPING = {
    "kind": "keeping", "sentence": "Not saved yet: the disk is full.", "advice": "Ask someone to make room:",
    "where": "/home/ailsa" + "/folder" * 40,
}  # fmt: skip
KEPT = {"kind": "keeping", "sentence": "", "advice": "", "where": ""}


@pytest.mark.parametrize("size", ["phone", "large phone", "desk"])
def test_what_cannot_be_saved_stands_on_the_page_until_it_is(opened, host, size):
    practising(host)
    page = opened(size)
    line = page.locator("#keeping")
    expect(line).to_be_hidden()
    host.tell(KEEPING)
    status = page.get_by_role("status").filter(has_text="Not saved yet: the disk is full.")
    expect(status).to_have_text("Not saved yet: the disk is full. Ask someone to make room: " + KEEPING["where"])
    # No other notice takes its place, and it is not scrolled away.
    host.tell({"kind": "say", "sentence": "Something else."}, {"kind": "say", "sentence": ""})
    host.tell(HOLES, change_message(3, 1, {3: 0}))
    expect(line).to_be_in_viewport(ratio=1)
    assert page.evaluate("document.documentElement.scrollWidth") <= SIZES[size][0]
    host.tell({"kind": "summary", "lines": ["You played for 1 minute."], "session_file": None})
    expect(page.locator("#summary")).to_be_visible()
    expect(line).to_be_visible()
    host.tell(KEPT)
    expect(line).to_be_hidden()
    expect(page.get_by_role("status").filter(has_text="Not saved")).to_have_count(0)


def test_a_page_that_joins_later_shows_what_cannot_be_saved(opened, host):
    practising(host, keeping=KEEPING)
    expect(opened().locator("#keeping")).to_contain_text("Not saved yet: the disk is full.")


def test_eight_fingers_on_the_screen_cover_eight_holes(opened, host):
    page = opened("tablet", has_touch=True)
    page.click("[data-to=touch]")
    page.click("#try-go")
    expect(page.locator(".pad")).to_have_count(8)
    assert host.wait_for("holes")["covered_mask"] == 0
    touch = page.context.new_cdp_session(page)
    points, mask = [], 0
    for hole in range(8):
        box = page.locator(f".pad[data-hole='{hole}']").bounding_box()
        points.append({"x": box["x"] + box["width"] / 2, "y": box["y"] + box["height"] / 2, "id": hole})
        touch.send("Input.dispatchTouchEvent", {"type": "touchStart", "touchPoints": points})
        mask |= 1 << hole
        assert host.wait_for("holes")["covered_mask"] == mask
    expect(page.locator(".pad.covered")).to_have_count(8)
    touch.send("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})
    assert host.wait_for("holes", covered_mask=0)


@pytest.mark.parametrize(("fingers", "said"), [(8, "This screen will do."), (5, "It felt 5 at once")])
def test_how_many_fingers_a_screen_feels_is_tried_first(opened, fingers, said):
    page = opened("tablet", has_touch=True)
    page.click("[data-to=touch]")
    expect(page.locator("#try-go")).to_have_text("Play without trying")
    box = page.locator("#try-area").bounding_box()
    touch = page.context.new_cdp_session(page)
    points = []
    for finger in range(fingers):
        points.append({"x": box["x"] + 60 + 70 * finger, "y": box["y"] + 80, "id": finger})
        touch.send("Input.dispatchTouchEvent", {"type": "touchStart", "touchPoints": points})
    expect(page.locator("#try-count")).to_have_text(f"Felt at once: {fingers} of 8")
    expect(page.locator(".spot")).to_have_count(fingers)
    touch.send("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})
    expect(page.locator("#try-told")).to_contain_text(said)
    expect(page.locator(".spot")).to_have_count(0)
    page.click("#try-back")
    expect(page.locator("[data-to=touch]")).to_contain_text(
        "Put eight fingers" if fingers == 8 else "It feels 5 fingers"
    )
    page.click("[data-to=touch]")
    page.click("#try-go")
    expect(page.locator(".pad")).to_have_count(8)


def test_a_chanter_is_tried_hole_by_hole_and_practice_begins_by_itself(opened, host):
    host.snapshot = everything(chanter=PLUGGED)
    page = opened()
    page.click("[data-to='/dev/ttyACM0']")
    assert host.wait_for("listen", to="/dev/ttyACM0")
    expect(page.locator(".answer")).to_have_count(8)
    for mask, count in ((0b00111111, 6), (0b10000000, 7)):
        host.tell(holes(mask, None))
        expect(page.locator("#try-count")).to_have_text(f"Holes that answered: {count} of 8")
    expect(page.locator("#try-told")).to_have_text("Not yet: bottom ring.")
    expect(page.locator(".answer.covered")).to_have_count(1)
    host.tell(holes(0b01000000, None))
    expect(page.locator("#try-told")).to_have_text("All eight answer.")
    host.tell(holes(0xFF, 0))
    expect(page.locator("#practice")).to_be_visible()


@pytest.mark.parametrize("size", ["phone", "tablet"])
def test_pads_lie_apart_and_are_large(opened, host, size):
    page = opened(size, has_touch=True)
    page.click("[data-to=touch]")
    page.click("#try-go")
    expect(page.locator(".pad")).to_have_count(8)
    boxes = [pad.bounding_box() for pad in page.locator(".pad").all()]
    assert all(box["width"] >= 60 and box["height"] >= 60 for box in boxes)
    for i, one in enumerate(boxes):
        for other in boxes[i + 1 :]:
            assert (
                one["x"] + one["width"] <= other["x"]
                or other["x"] + other["width"] <= one["x"]
                or one["y"] + one["height"] <= other["y"]
                or other["y"] + other["height"] <= one["y"]
            )


def test_a_mouse_or_a_switch_covers_and_opens_in_turn(opened, host):
    page = opened()
    page.click("[data-to=touch]")
    page.click("#try-go")
    assert host.wait_for("holes")["covered_mask"] == 0
    pad = page.locator(".pad[data-hole='3']")
    pad.click()
    assert host.wait_for("holes")["covered_mask"] == 0b1000
    expect(pad).to_have_attribute("aria-pressed", "true")
    pad.focus()
    page.keyboard.press("Enter")
    assert host.wait_for("holes")["covered_mask"] == 0


# --- what the learner sees


def marks(page):
    """What stands beside each finger that something is said of, from the thumb down."""
    said = (
        "[...document.querySelectorAll('#chanter .mark:not(.gone)')].map(one => [one.classList[1] ?? '',"
        " [...one.querySelectorAll('text')].map(text => text.textContent).filter(Boolean).join(', ')])"
    )
    return [tuple(one) for one in page.evaluate(said)]


def test_before_playing_the_two_notes_who_leads_and_one_key_to_hear_and_see_it(opened, host):
    host.snapshot = everything(chanter=HERE, rung=rung_message(9), lit={"id": "n0-0-0", "note": 0, "index": 0})
    page = opened("laptop")
    expect(page.locator("#practice")).to_have_attribute("data-phase", "before")
    assert [re.sub(r"\s+", " ", text) for text in page.locator("#score .letter").all_text_contents()] == ["low G", "B"]
    assert page.locator("#score .fingering circle").count() == 16
    assert page.locator("#score .fingering .on").count() == 8 + 6
    expect(page.locator("#sentence")).to_have_text("Together, lift the bottom ring (a hair ahead) and little.")
    # The hands lie as for the first note; who moves and who leads is drawn, by shape and word.
    assert page.locator("#chanter .finger-part.up").count() == 0
    assert marks(page) == [("lift", "lift, a hair ahead"), ("lift", "lift")]
    expect(page.locator("#chanter .leads")).to_have_count(1)
    expect(page.locator("#chanter .ahead")).to_have_count(1)
    page.keyboard.press("Enter")
    expect(page.locator("#next-button")).to_have_text("Stop")
    expect(page.locator("#sentence")).to_have_text("It goes like this.")
    expect(page.locator("#live")).to_have_text("It goes like this.")
    assert host.asked == ["/model.wav?notes=0,2&speed=1", "/model.wav?notes=0,2&speed=0.1"]
    page.keyboard.press("Enter")
    expect(page.locator("#next-button")).to_have_text("Hear and see it")


def test_the_lit_note_the_holes_and_what_is_to_do(opened, host):
    practising(host)
    page = opened()
    expect(page.locator("#practice")).to_have_attribute("data-phase", "playing")
    lit = page.locator("#score .lit")
    expect(lit).to_have_count(1)
    # Not by colour alone: a pointer above it, and the name in words.
    expect(lit.locator(".pointer")).to_be_visible()
    accent = page.evaluate("getComputedStyle(document.querySelector('.note.next')).color")
    assert lit.locator("ellipse").evaluate("e => getComputedStyle(e).fill") == accent
    expect(page.locator("#score")).to_have_attribute("aria-label", "The music. To play: E.")
    expect(page.locator(".note.next")).to_have_text("E")
    sees(page, LOW_A)
    assert marks(page) == [("lift", "lift")]  # the top ring alone
    label = page.locator(".chanter-svg").get_attribute("aria-label")
    assert "low A" in label
    assert "Open: bottom little." in label
    host.tell({**HOLES, "covered_mask": E, "note": 5}, {"kind": "lit", "id": "n0-2-0", "note": 1, "index": 4})
    expect(page.locator("#score")).to_have_attribute("aria-label", "The music. To play: low A.")
    expect(page.locator("#score .lit")).to_have_count(1)
    sees(page, E)
    assert marks(page) == [("cover", "cover")]


def test_lift_and_cover_differ_by_shape(opened, host):
    practising(host)
    page = opened()
    host.tell({**HOLES, "covered_mask": 0b11110011, "note": 6})  # to E: the middle down, the little finger off
    until(page, "document.querySelectorAll('#chanter .mark:not(.gone)').length === 2")
    assert marks(page) == [("cover", "cover"), ("lift", "lift")]
    icon = "document.querySelector('#chanter .mark.{} .icon').getAttribute('d')"
    assert page.evaluate(icon.format("lift")) != page.evaluate(icon.format("cover"))
    # A finger that is off its hole lies elsewhere, and its hole is seen.
    off, on = (page.locator(f"#chanter .finger-part{one}").first for one in (".up", ":not(.up)"))
    assert off.evaluate("e => getComputedStyle(e).transform") != on.evaluate("e => getComputedStyle(e).transform")


def test_a_false_fingering_is_said(opened, host):
    practising(host)
    page = opened()
    host.tell({**HOLES, "covered_mask": 0b11110011, "note": 5 + 1, "fingering": "false"})
    expect(page.locator(".names .false")).to_have_text(f"{NOTES[6]}, but with false fingering")


def test_letters_and_pictures_fade_as_reading_gets_surer(opened, host):
    letters = "[...document.querySelectorAll('.staff-letter')].filter(l => l.textContent.trim() === '{}')"
    practising(host, rung=rung_message(help_=[2, 2, 2, 2, 2, 2, 2, 2, 2]))
    page = opened()
    assert marks(page) == [("lift", "lift")]
    assert "E" in page.locator("#score .letter").all_text_contents()
    # Of E only the letter is left, of low A nothing; B keeps both.
    host.tell(rung_message(help_=[2, 0, 2, 2, 2, 1, 2, 2, 2]), {"kind": "lit", "id": "n0-1-1", "note": 5, "index": 3})
    until(page, "!document.querySelector('#chanter .mark:not(.gone)')")
    expect(page.locator(".note.next")).to_have_text("E")
    assert set(page.locator("#score .letter").all_text_contents()) == {"E"}
    more(page)
    until(page, letters.format("E") + ".length > 4")
    assert page.evaluate(letters.format("E") + ".every(l => !l.classList.contains('gone'))")
    assert page.evaluate(letters.format("A") + ".every(l => l.classList.contains('gone'))")
    assert page.evaluate(letters.format("B") + ".every(l => !l.classList.contains('gone'))")
    host.tell({"kind": "lit", "id": "n0-2-0", "note": 1, "index": 4})
    expect(page.locator(".note.next")).to_have_text("")


def test_without_an_engraved_staff_the_letters_stand_in(opened, host):
    practising(host, rung={**rung_message(), "staff_svg": None}, lit={"id": None, "note": 5, "index": 1})
    page = opened()
    # The notes to come stand there all the same.
    assert page.locator("#score .note").count() == 5
    more(page)
    expect(page.locator(".letters .lit")).to_have_text("E")
    assert page.locator(".letters span").count() == len(host.snapshot["rung"]["notes"])


def test_a_good_change_is_told_by_the_count_alone(opened, host):
    practising(host, changes=[])
    page = opened()
    progress = {"kind": "progress", **host.snapshot["progress"]}
    progress["out"] = {**progress["out"], "in_a_row": 4}
    host.tell(change_message(7, 1, {3: 0}), progress)
    expect(page.locator("#counts .dots").first.locator(".on")).to_have_count(4)
    expect(page.locator("#practice")).to_have_attribute("data-phase", "playing")
    expect(page.locator("#sentence")).to_be_hidden()
    assert page.locator("#live").text_content() == ""
    assert page.locator("[aria-live]").count() == 1


def test_a_fault_is_one_sentence_one_picture_and_one_next_thing(opened, host):
    practising(host, rung=rung_message(9))
    page = opened()
    host.tell(FAULT)
    expect(page.locator("#practice")).to_have_attribute("data-phase", "after")
    expect(page.locator("#sentence")).to_have_text(FAULT["sentence"])
    expect(page.locator("#live")).to_have_text(FAULT["sentence"])
    expect(page.locator("#names")).to_be_hidden()
    assert [re.sub(r"\s+", " ", text) for text in page.locator("#score .letter").all_text_contents()] == ["low G", "B"]
    assert marks(page) == [("hair", "a hair ahead"), ("", "moved first")]
    assert page.locator("#practice button").count() == 1
    page.keyboard.press("Enter")
    # First as it was played, then with the one finger mended, both slowly; and the chanter is seen again.
    expect(page.locator("#sentence")).to_have_text("As you played it, ten times slower.")
    expect(page.locator("#sentence")).to_have_text("As it should go, ten times slower.")
    assert marks(page) == [("hair", "a hair ahead")]
    expect(page.locator("#sentence")).to_have_text(FAULT["sentence"])
    assert host.asked == ["/take/2.wav?speed=0.1", "/take/2.wav?mended=1&speed=0.1"]
    host.tell(NO_FAULT)
    expect(page.locator("#practice")).to_have_attribute("data-phase", "playing")


def test_the_last_change_stands_in_full_behind_the_one_key(opened, host):
    practising(host, changes=[])
    page = opened()
    more(page)
    told = change_message(7, 0, {7: 0, 6: 18_000})
    host.tell(told)
    expect(page.locator("#change-name")).to_have_text("Low G to B")
    expect(page.locator("#change-sentence")).to_have_text(told["sentence"].removeprefix("Low G to B: "))
    expect(page.locator("#strip svg.strip")).to_be_visible()
    expect(page.locator("#strip p")).to_have_text("This strip: 100 ms wide, a tenth of a second.")
    host.tell(*(change_message(n, 1, {3: 0}) for n in range(9, 20)))
    expect(page.locator("#change-name")).to_have_text("Low A to E")
    page.click("#earlier summary")
    expect(page.locator("#earlier li")).to_have_count(7)


def test_a_change_that_is_another_after_all_takes_its_place_and_one_that_is_none_goes(opened, host):
    practising(host, changes=[])
    page = opened()
    more(page)
    host.tell(*(change_message(number, 1, {3: 0}) for number in (1, 2, 3)))
    expect(page.locator("#earlier li")).to_have_count(2)
    # Told too early as low A to E, the second was low G to B, with a run: the last is the last still.
    host.tell({**change_message(2, 0, {7: 0, 6: 18_000}), "again": True})
    page.click("#earlier summary")
    expect(page.locator("#earlier li").first).to_contain_text("Low G to B")
    expect(page.locator("#earlier li")).to_have_count(2)
    expect(page.locator("#change-name")).to_have_text("Low A to E")
    page.click("#earlier li:first-child button")
    expect(page.locator("#change-name")).to_have_text("Low G to B")
    expect(page.locator("#change-sentence")).to_contain_text("This is what it was after all.")
    # It is looked at while it turns out to be none.
    host.tell({"kind": "change", "number": 2, "take": 2, "again": True, "gone": True})
    expect(page.locator("#change-name")).to_have_text("Low A to E")
    expect(page.locator("#earlier li")).to_have_count(1)
    # Of what is not shown any more, nothing is said.
    host.tell({**change_message(9, 0, {7: 0, 6: 18_000}), "again": True}, change_message(4, 1, {3: 0}))
    expect(page.locator("#earlier li")).to_have_count(2)
    expect(page.locator("#earlier")).not_to_contain_text("Low G to B")


def test_counts_what_passes_what_is_due_and_tonight(opened, host):
    practising(host)
    page = opened()
    assert page.locator(".count-number").all_inner_texts() == ["3 of 10", "6 of 10"]
    assert page.locator(".dots i.on").count() == 9
    more(page)
    expect(page.locator("#passes")).to_contain_text("Ten clean changes in a row")
    page.click("#due button")
    assert host.wait_for("rung")["key"] == host.snapshot["due"][0]
    expect(page.locator("#more-dialog")).to_be_hidden()
    more(page)
    page.click("#tonight-button")
    host.wait_for("tonight")
    expect(page.locator("#tonight")).to_contain_text("10 minutes left")
    more(page)
    page.click("#leave-tonight")
    assert host.wait_for("rung")["key"] == host.snapshot["due"][0]
    more(page)
    page.click("#finish-button")
    host.wait_for("finish")
    expect(page.locator("#summary")).to_contain_text("went astray in 2 of 14")
    page.click("#summary-again")
    expect(page.locator("#practice")).to_be_visible()


def test_the_first_minute_picking_up_sealing_holding_and_letting_go(opened, host):
    off, sealed = {**HOLES, "covered_mask": 0, "note": None}, {**HOLES, "covered_mask": 0xFF, "note": 0}
    practising(
        host, rung=rung_message(0), progress=ALONE, changes=[], holes=off, lit={"id": "n0-0-0", "note": 0, "index": 0}
    )
    page = opened("laptop")
    sentence = page.locator("#sentence")
    expect(sentence).to_have_text("Pick it up and cover all eight holes. You need not blow.")
    assert marks(page) == [("cover", "cover")] * 8
    host.tell({**HOLES, "covered_mask": 0b111, "note": 6})
    expect(sentence).to_have_text("5 holes are still open.")
    # Each hole that leaks is shown on the hand.
    host.tell({**HOLES, "covered_mask": 0b10111111, "note": 0})
    expect(sentence).to_have_text("Still open: bottom ring.")
    assert marks(page) == [("cover", "cover")]
    held = "[...document.querySelectorAll('.holding b')].map(b => new DOMMatrix(getComputedStyle(b).transform).a)"
    assert page.evaluate(held) == [0, 0, 0, 0]
    host.tell(sealed, {"kind": "held", "held_us": 10_000, "needed_us": 1_500_000})
    expect(sentence).to_have_text("All sealed. Hold it.")
    # The count is seen as it grows, from the first of the four counts to the last.
    until(page, f"{held}[0] > 0.2")
    until(page, f"{held}.every(one => one === 1)")
    expect(sentence).to_have_text("Now take your hands off.")
    host.tell({**ALONE, "out": {**ALONE["out"], "in_a_row": 1}}, {"kind": "held", "held_us": 0, "needed_us": 1}, off)
    expect(sentence).to_have_text("Cover all eight holes again.")
    expect(page.locator(".dots .on")).to_have_count(1)
    # Hands off is no fault: nothing is told of it, and the counts are empty again.
    until(page, f"{held}.every(one => one === 0)")
    expect(page.locator("#practice")).to_have_attribute("data-phase", re.compile("before|playing"))


def test_a_count_that_the_host_ends_first_asks_for_hands_off_too(opened, host):
    off, sealed = {**HOLES, "covered_mask": 0, "note": None}, {**HOLES, "covered_mask": 0xFF, "note": 0}
    practising(host, rung=rung_message(0), progress=ALONE, changes=[], holes=off)
    page = opened()
    # By this page's clock there would be hours to go.
    host.tell(sealed, {"kind": "held", "held_us": 10_000, "needed_us": 10**10})
    expect(page.locator("#sentence")).to_have_text("All sealed. Hold it.")
    host.tell({"kind": "held", "held_us": 0, "needed_us": 10**10})
    expect(page.locator("#sentence")).to_have_text("Now take your hands off.")
    host.tell(off)
    expect(page.locator("#sentence")).to_have_text("Cover all eight holes again.")
    host.tell(sealed)
    expect(page.locator("#sentence")).to_have_text("All sealed. Hold it.")


def test_a_try_at_a_note_alone_that_failed_is_told_until_the_next(opened, host):
    practising(host, rung=rung_message(0), progress=ALONE, changes=[], holes={**HOLES, "covered_mask": 0, "note": None})
    page = opened()
    fault = {
        **NO_FAULT,
        "what": "fault",
        "sentence": "Still open: the top ring.",
        "fingers": [3],
    }
    host.tell(fault)
    expect(page.locator("#sentence")).to_have_text(fault["sentence"])
    expect(page.locator("#live")).to_have_text(fault["sentence"])
    assert marks(page) == [("", "top ring")]
    host.tell({**HOLES, "covered_mask": 0xFF, "note": 0})
    expect(page.locator("#sentence")).to_have_text("All sealed. Hold it.")


def test_the_ladder_is_a_list_to_choose_from(opened, host):
    practising(host)
    page = opened()
    more(page)
    page.click("#ladder-button")
    assert page.locator("#ladder .rung").count() == len(host.snapshot["ladder"])
    expect(page.locator("#ladder [aria-current]")).to_contain_text("you are here")
    expect(page.locator("#ladder .due")).to_contain_text("comes back today")
    page.click("#ladder [data-key=d-e]")
    expect(page.locator("#rung-name")).to_have_text("D and E")
    expect(page.locator("dialog[open]")).to_have_count(0)
    expect(page.locator("#score")).to_have_attribute("aria-label", "The music. To play: D.")


# --- hearing


def test_hear_it_slowly_and_mended_with_the_holes_moving_along(opened, host):
    practising(host)
    page = opened()
    more(page)
    page.get_by_role("button", name="Mended, at a tenth of the speed").click()
    expect(page.locator("#hear .stop")).to_be_visible()
    # 900 ms at a tenth last nine seconds: the first four of them low A, whatever the chanter does.
    host.tell({**HOLES, "covered_mask": 0, "note": 8})
    sees(page, LOW_A)
    page.get_by_role("button", name="Slowly, at a quarter of the speed").click()
    until(page, f"document.querySelectorAll('#chanter .hole.covered').length === {E.bit_count()}")
    # It ends by itself, and the chanter is seen again as it is.
    expect(page.locator("#hear .stop")).to_be_hidden()
    sees(page, 0)
    assert host.asked == ["/take/2.wav?mended=1&speed=0.1", "/take/2.wav?speed=0.25"]


def test_a_take_that_is_gone_is_said_not_silent(opened, host):
    practising(host, changes=[change_message(3, 1, {3: 0})])
    page = opened()
    page.route("**/take/**", lambda route: route.fulfill(body="gone"))
    more(page)
    page.get_by_role("button", name="Slowly, at a quarter of the speed").click()
    expect(page.locator("#live")).to_have_text("This take cannot be heard any more. Play the change again.")


RENDER = """async ([told, seconds]) => {
  const { wavesOf } = await import('/static/waves.js');
  const { ask } = await import('/kit/entry.js');
  const voice = await (await ask('/voice.json')).json();
  const rate = 48000;
  const context = new OfflineAudioContext(1, seconds * rate, rate);
  await context.audioWorklet.addModule('/static/reed-worklet.js');
  const node = new AudioWorkletNode(context, 'reed', { numberOfInputs: 0, outputChannelCount: [1] });
  node.connect(context.destination);
  const wait = () => new Promise(done => setTimeout(done, 60));
  node.port.postMessage({ voice: wavesOf(voice, rate) });
  for (const [at, message] of told) {
    if (at === 0) node.port.postMessage(message);
    else context.suspend(at).then(async () => { node.port.postMessage(message); await wait(); context.resume(); });
  }
  await wait();
  return [...(await context.startRendering()).getChannelData(0)];
}"""


def rendered(page, told, seconds):
    return np.array(page.evaluate(RENDER, [told, seconds]))


def pitch_hz(samples, rate=48_000):
    """The fundamental by the tallest peak near it, interpolated on the logarithm of a windowed spectrum."""
    spectrum = np.abs(np.fft.rfft(samples * np.hanning(len(samples))))
    lowest = int(150 * len(samples) / rate)
    peak = lowest + int(np.argmax(spectrum[lowest : int(600 * len(samples) / rate)]))
    a, b, c = np.log(spectrum[peak - 1 : peak + 2])
    return (peak + (a - c) / (2 * (a - 2 * b + c))) * rate / len(samples)


def test_the_page_sounds_the_note_of_the_mask_without_a_click(opened):
    page = opened()
    # As common practice has it a practice chanter's low A is near 240 Hz here; E is 3/2 of it
    # (Lenihan and MacNeill, Acustica 4, 1954).
    samples = rendered(page, [[0, {"level": 1}], [0, {"mask": LOW_A}], [1.5, {"mask": E}]], 3)
    low_a, e = samples[24_000:72_000], samples[96_000:144_000]
    assert abs(1200 * np.log2(pitch_hz(low_a) / 240)) < 1
    assert abs(1200 * np.log2(pitch_hz(e) / 360)) < 1
    # No jump at the change is steeper than the steepest place of the notes themselves.
    change = samples[71_800:72_800]
    steepest = max(np.abs(np.diff(low_a)).max(), np.abs(np.diff(e)).max())
    assert np.abs(np.diff(change)).max() <= 1.05 * steepest
    # Within 1 ms of the change (and the block it falls into) the new note alone is heard: it repeats by its period.
    after = samples[72_000 + 128 + 48 :][:4_800]
    period = 48_000 / 360
    shifted = np.interp(np.arange(4_000) + period, np.arange(len(after)), after)
    assert np.sqrt(np.mean((shifted - after[:4_000]) ** 2)) < 0.02 * np.sqrt(np.mean(after**2))


def test_the_page_rests_when_hands_are_off_and_falls_silent_when_told(opened):
    page = opened()
    told = [[0, {"level": 1}], [0, {"mask": LOW_A}], [1, {"mask": 0}]]
    samples = rendered(page, told, 3)
    assert np.abs(samples[48_000 + 24_000 : 48_000 + 43_200]).max() > 0.01  # high A, for a second
    assert np.abs(samples[48_000 + 60_000 :]).max() == 0
    samples = rendered(page, [[0, {"level": 1}], [0, {"mask": LOW_A}], [1, {"mask": None}]], 2)
    assert np.abs(samples[48_000 + 4_800 : 48_000 + 5_200]).max() > 0
    assert np.abs(samples[48_000 + 9_600 + 256 :]).max() == 0


def test_sound_starts_only_after_a_button_and_is_quiet_by_itself(opened, host):
    practising(host)
    page = opened(script="window.made = []; const real = AudioContext; window.AudioContext = function (...a)"
                         " { const one = new real(...a); made.push(one); return one; };")  # fmt: skip
    expect(page.locator("#sound-button")).to_have_text("Turn the sound on")
    host.tell(HOLES, {**HOLES, "covered_mask": E, "note": 5})
    assert page.evaluate("made.length") == 0
    page.click("#sound-button")
    expect(page.locator("#sound-button")).to_have_text("Turn the sound off")
    assert page.evaluate("made.map(one => one.state)") == ["running"]
    level = page.evaluate("import('/static/state.js').then(({ state }) => state.levelGain)")
    assert level == pytest.approx(0.1)  # -20 dB


def test_settings_are_told_and_follow_the_host(opened, host):
    page = opened()
    page.click("#settings-button")
    level = page.get_by_label("How loud")
    expect(level).to_have_value("-20")
    level.fill("-30")
    assert host.wait_for("sound", level_db=-30)
    page.get_by_label("Voice").select_option("pipe")
    assert host.wait_for("sound", voice="pipe")
    low_a = page.get_by_label("Low A")
    low_a.fill("500")  # out of the range from 220 to 490 Hz: not sent
    low_a.blur()
    low_a.fill("236.5")
    low_a.blur()
    assert host.wait_for("sound", low_a_hz=236.5)
    expect(page.locator("#settings-dialog")).to_contain_text("not at your ear")
    sent = [message for message in list(host.heard.queue) if message.get("low_a_hz") == 500]
    assert sent == []


def test_the_beat_is_a_choice_and_off_at_first(opened, host):
    practising(host)
    page = opened()
    more(page)
    beat = {"kind": "metronome", "on": False, "bpm": 60, "beats": 4, "subdivision": 1}
    host.tell({**beat, "loop_ms": 41, "sentence": ""})
    page.get_by_role("button", name="Start the beat").click()
    assert host.wait_for("metronome")["on"] is True
    page.get_by_role("button", name="Faster").click()
    assert host.wait_for("metronome")["bpm"] == 64
    expect(page.locator("#beat")).to_contain_text("41 ms")


# --- faults


def test_the_line_comes_back_by_itself_with_all_that_was_missed(opened, host):
    practising(host)
    page = opened()
    expect(page.locator("#rung-name")).to_have_text("Low A and E")
    practising(host, rung=rung_message(27), lit={"id": "n0-0-0", "note": 4, "index": 0})
    host.hang_up()
    expect(page.locator("#rung-name")).to_have_text("D and E")
    expect(page.locator("#notice")).to_have_text("The line to fingerlead is back.")
    # The player comes back to a page that was hidden.
    page.evaluate("document.dispatchEvent(new Event('visibilitychange'))")
    host.wait_for("all")


def test_a_chanter_that_is_gone_leaves_no_holes_behind(opened, host):
    practising(host)
    page = opened()
    sees(page, LOW_A)
    gone = "The chanter is gone. Plug it in again: practice goes on by itself."
    host.tell({**HERE, "source": "port", "state": "away", "sentence": gone})
    # Said once, in the large letters.
    expect(page.locator("#sentence")).to_have_text(gone)
    expect(page.locator("#chanter-sentence")).to_have_text(HERE["name"])
    expect(page.locator("#chanter.away")).to_be_visible()
    sees(page, 0)


def test_what_the_host_sends_can_neither_act_nor_style(opened, host):
    practising(host)
    page = opened()
    more(page)
    bad = (
        '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 9 9" onload="window.hit=1"><script>window.hit=1</script>'
        '<style>*{display:none}</style><a href="javascript:window.hit=1"><circle r="3" onclick="window.hit=1"/></a>'
        '<g id="n0-0-0"><circle r="2"/></g></svg>'
    )
    host.tell(
        {**rung_message(), "staff_svg": bad},
        {"kind": "lit", "id": "n0-0-0", "note": 1, "index": 0},
        {"kind": "never heard of"},
        {**change_message(9, 1, {3: 0}), "sentence": "<img src=x onerror=window.hit=1>", "strip_svg": "<svg"},
        {**FAULT, "sentence": "<img src=x onerror=window.hit=1>"},
        {"kind": "lit", "id": "'] , *", "note": 5, "index": 1},
    )
    for sentence in ("#sentence", "#change-sentence"):
        expect(page.locator(sentence)).to_have_text("<img src=x onerror=window.hit=1>")
    assert page.evaluate("window.hit") is None
    assert page.locator("#staff script, #staff style, #staff a").count() == 0
    # Still alive; and the policy has refused, aloud, what it met before the page had taken it out.
    host.tell(rung_message(27))
    expect(page.locator("#rung-name")).to_have_text("D and E")
    others = [text for text in opened.complaints if "violates the following Content Security Policy" not in text]
    assert others == []
    opened.complaints.clear()


@pytest.mark.parametrize("gone", ["WebSocket", "AudioContext"])
def test_a_browser_without_says_what_is_needed(opened, gone):
    page = opened(script=f"delete window.{gone}")
    shown = page.locator("#needs" if gone == "WebSocket" else "#notice")
    expect(shown).to_be_visible()
    expect(shown).to_contain_text(gone if gone == "WebSocket" else "make sound by itself")


def test_a_thousand_changes_leave_nothing_behind(opened, host):
    practising(host)
    page = opened()
    more(page)
    told = [change_message(n, 0, {7: 0, 6: 18_000}) for n in (1, 2)]
    count = "document.getElementsByTagName('*').length"

    def play(times):
        for number in range(times):
            change = {**told[number % 2], "number": number, "take": number}
            host.tell(change, {**FAULT, "take": number}, {**HOLES, "covered_mask": number % 256, "note": number % 9})
        host.tell({**told[0], "sentence": f"Number {times}."})
        expect(page.locator("#change-sentence")).to_have_text(f"Number {times}.")

    play(20)
    before = page.evaluate(count)
    play(1_000)
    assert page.evaluate(count) <= before + 2


# --- reach

VIEWS = list(STATES)


def show(opened, host, view, size, **context):
    state = STATES[view]
    host.snapshot = state.snapshot()
    page = opened(size, state.path, **context)
    for step in state.steps:
        page.click(step)
    expect(page.locator(state.shows).first).to_be_visible()
    page.evaluate("document.querySelectorAll('dialog[open] details').forEach(one => one.open = true)")
    return page


@pytest.mark.parametrize(
    ("view", "size", "scheme"),
    [*((view, "phone", "dark") for view in VIEWS), *((view, "desk", "light") for view in ("start", "before", "after"))],
)
def test_the_rules_of_axe_pass(opened, host, view, size, scheme):
    axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="needs axe-playwright-python")
    page = show(opened, host, view, size, color_scheme=scheme, reduced_motion="reduce")
    # axe-core's own rules, those of WCAG 2 A and AA and its best practices.
    found = axe.Axe().run(page)
    assert found.violations_count == 0, found.generate_report()


@pytest.mark.parametrize("view", VIEWS)
def test_at_every_width_nothing_scrolls_sideways_and_targets_are_large(opened, host, view):
    page = show(opened, host, view, "phone")
    for width, height in SIZES.values():
        page.set_viewport_size({"width": width, "height": height})
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        small = page.evaluate(
            "[...document.querySelectorAll('button, .button, select, summary, input')].filter(e => e.checkVisibility())"
            ".map(e => [e.closest('.field')?.getBoundingClientRect() ?? e.getBoundingClientRect(), e.outerHTML])"
            ".filter(([r]) => r.width < 44 || r.height < 44).map(([r, html]) => html.slice(0, 90))"
        )
        assert small == []


PLACES = (
    "Object.fromEntries([...document.querySelectorAll('#practice > *, #next-button, #chanter, #counts')].map(one =>"
    " { const { x, y, width, height } = one.getBoundingClientRect();"
    " return [one.id || one.className, [x, y, width, height].map(Math.round)]; }))"
)
WHOLE = (
    "[document.documentElement.scrollHeight <= innerHeight, document.documentElement.scrollWidth <= innerWidth,"
    " [...document.querySelectorAll('#practice > *')].every(one => one.scrollHeight <= one.clientHeight + 1),"
    " document.querySelector('#next-button').getBoundingClientRect().bottom <= innerHeight,"
    " [...document.querySelectorAll('.rung-line > *')].every(one => one.scrollWidth <= one.clientWidth + 1)]"
)
LONGEST = (
    "A low A and a high G sounded, as the bottom middle moved too soon: together, the bottom middle a hair behind."
)


@pytest.mark.parametrize("size", ["large phone", "tablet", "laptop"])
def test_before_while_and_after_playing_all_is_seen_without_scrolling_and_nothing_moves(opened, host, size):
    practising(
        host, rung=rung_message(9), lit={"id": "n0-0-0", "note": 0, "index": 0}, holes={**HOLES, "covered_mask": 0}
    )
    page = opened(size)

    def seen(phase):
        expect(page.locator("#practice")).to_have_attribute("data-phase", phase)
        assert page.evaluate(WHOLE) == [True] * 5, phase
        return page.evaluate(PLACES)

    places = seen("before")
    host.tell(HOLES, {"kind": "lit", "id": "n0-0-1", "note": 2, "index": 1})
    assert seen("playing") == places
    host.tell({**FAULT, "sentence": LONGEST})
    expect(page.locator("#sentence")).to_have_text(LONGEST)
    assert seen("after") == places
    page.keyboard.press("Enter")
    assert seen("replay") == places
    page.keyboard.press("Enter")
    host.tell(rows(10, 4, sentence="Low G to B has its 10 in a row; now B to low G."))
    expect(page.locator("#count-sentence")).to_be_hidden()  # one thing: the fault
    host.tell(NO_FAULT)
    expect(page.locator("#count-sentence")).to_be_visible()
    assert seen("playing") == places
    host.tell(PASSED, FULL)
    assert seen("after") == places
    expect(page.locator("#next-button")).to_have_text("On to low G and C")
    host.tell({"kind": "going", "held_us": 1_000_000, "needed_us": 4_000_000})
    expect(page.locator("#sentence")).to_have_text("Hold low A: on to low G and C.")
    assert seen("after") == places
    # A sentence on the disk, or on tonight, is laid over, or has its place already.
    host.tell(KEEPING, {"kind": "tonight", "minutes_left": 3, "item": {"name": "x"}, "sentence": "Low A and E."})
    expect(page.locator("#keeping")).to_be_visible()
    assert seen("after") == places


@pytest.mark.parametrize("size", ["large phone", "tablet", "laptop"])
def test_the_longest_name_of_what_comes_next_is_seen_whole(opened, host, size):
    name = max((rung.name for rung in every_rung().values()), key=len)
    practising(host, told=PASSED, progress=rows(10, 10, passed=True, next={"key": "x", "name": name, "number": 8}))
    page = opened(size)
    expect(page.locator("#next-button")).to_have_text(f"On to {name}")
    assert page.evaluate(WHOLE) == [True, True, True, True, True]
    assert page.evaluate("document.querySelector('#next-button').offsetHeight") == 56


@pytest.mark.parametrize("size", ["large phone", "tablet", "laptop"])
def test_in_time_too_all_is_seen_without_scrolling_and_nothing_moves(opened, host, size):
    tune = STATES["tune"].snapshot()
    host.snapshot = tune
    page = opened(size)
    expect(page.locator("#next-button")).to_have_text("Play it in time")
    places = page.evaluate(PLACES)
    for view, words in (
        ("in time, counted in", "Stop: it waits for you again"),
        ("in time", "Stop: it waits for you again"),
        ("in time, work to do", "Work on low A and F"),
        ("in time, all of it", "Play it in time again"),
    ):
        host.tell(STATES[view].snapshot())
        expect(page.locator("#next-button")).to_have_text(words)
        assert (view, page.evaluate(PLACES)) == (view, places)
        assert (view, page.evaluate(WHOLE)) == (view, [True, True, True, True, True])


@pytest.mark.parametrize("view", ["start", "refused", "check", "touch, a try", "chanter, a try", "summary"])
def test_what_comes_before_and_after_practice_is_seen_without_scrolling(opened, host, view):
    page = show(opened, host, view, "large phone")
    for width, height in (SIZES[size] for size in ("large phone", "tablet", "laptop")):
        page.set_viewport_size({"width": width, "height": height})
        assert (width, page.evaluate("document.documentElement.scrollHeight <= innerHeight")) == (width, True)


def test_a_tune_goes_by_with_the_lit_note_and_its_end_has_one_next_thing(opened, host):
    host.snapshot = STATES["tune"].snapshot()
    page = opened("laptop")
    page.click("#next-button", click_count=2)
    host.wait_for("in_time", on=True)
    host.tell({"kind": "in_time", "state": "waiting", "count": 0, "of": 4})
    expect(page.locator("#sentence")).to_have_text("Listen: the beat counts you in.")
    host.tell({"kind": "in_time", "state": "counting", "count": 2, "of": 4})
    expect(page.locator("#sentence")).to_have_text("2")
    host.tell(
        {"kind": "in_time", "state": "playing", "count": 0, "of": 4}, {"kind": "lit", "id": None, "note": 5, "index": 1}
    )
    expect(page.locator("#names .next")).to_have_text("E")
    expect(page.locator("#score .lit")).to_have_count(1)
    page.keyboard.press("Enter")  # the one key: it waits again
    host.wait_for("in_time", on=False)
    host.tell({"kind": "in_time", "state": "", "count": 0, "of": 0}, {"kind": "told", **IN_TIME})
    expect(page.locator("#sentence")).to_have_text(IN_TIME["sentence"])
    expect(page.locator("#score")).to_have_attribute(
        "aria-label", "low A: with the beat. F: late. E: early. B: missing."
    )
    expect(page.locator("#score .wrong")).to_have_count(3)
    page.click("#next-button")
    host.wait_for("rung", key="low-a-f")


@pytest.mark.parametrize("size", ["large phone", "tablet", "laptop"])
def test_the_short_rows_of_what_comes_back_are_seen_whole_too(opened, host, size):
    practising(host)
    page = opened(size)
    short = rows(3, 5, sentence="Going back has its 5 in a row; now going through.")
    for way, name in (("out", "going through"), ("back", "going back")):
        short[way] = {**short[way], "name": name, "needed": 5}
    host.tell(short)
    expect(page.locator("#count-sentence")).to_be_visible()
    expect(page.locator(".dots i")).to_have_count(10)
    assert page.evaluate(WHOLE) == [True] * 5


@pytest.mark.parametrize("size", ["large phone", "tablet", "laptop"])
def test_playing_on_the_screen_all_is_seen_without_scrolling(opened, host, size):
    page = opened(size, has_touch=True)
    page.click("[data-to=touch]")
    page.click("#try-go")
    expect(page.locator(".pad")).to_have_count(8)
    assert page.evaluate(WHOLE) == [True] * 5
    # The finger that leads is marked here as well, once the first note is held.
    host.tell(rung_message(9), {"kind": "lit", "id": "n0-0-1", "note": 2, "index": 1})
    for pad in page.locator(".pad").all():
        pad.click()
    expect(page.locator(".pad.leads")).to_have_text("bottom ringlift, a hair ahead")
    assert page.evaluate(WHOLE) == [True] * 5


LARGE = [("large phone", 40, 24), ("tablet", 70, 44), ("laptop", 90, 58)]


@pytest.mark.parametrize(("size", "letter_px", "sentence_px"), LARGE)
def test_what_matters_is_large(opened, host, size, letter_px, sentence_px):
    practising(host, rung=rung_message(9))
    page = opened(size)
    assert page.locator(".note.next").evaluate("e => parseFloat(getComputedStyle(e).fontSize)") >= letter_px
    # What is asked before playing stands in the largest type.
    host.tell({**HOLES, "covered_mask": 0, "note": None}, {"kind": "lit", "id": "n0-0-0", "note": 0, "index": 0})
    expect(page.locator("#practice")).to_have_attribute("data-phase", "before")
    assert page.locator("#sentence").evaluate("e => parseFloat(getComputedStyle(e).fontSize)") >= sentence_px


def test_at_twice_the_size_all_can_be_reached_and_nothing_is_cut(opened, host):
    practising(host, rung=rung_message(9), told={**FAULT, "sentence": LONGEST})
    page = opened("laptop")
    page.set_viewport_size({"width": 640, "height": 400})
    until(page, "document.querySelector('#sentence').checkVisibility()")
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    until(page, "[...document.querySelectorAll('#practice > *')].every(e => e.scrollHeight <= e.clientHeight + 1)")
    page.locator("#next-button").scroll_into_view_if_needed()
    expect(page.locator("#next-button")).to_be_in_viewport()


@pytest.mark.parametrize("size", ["phone", "laptop"])
def test_the_whole_music_follows_the_lit_note(opened, host, size):
    practising(host)
    page = opened(size, reduced_motion="reduce")
    more(page)
    for one in host.snapshot["rung"]["notes"]:
        host.tell({"kind": "lit", "id": one["id"], "note": one["note"], "index": 0})
        expect(page.locator(f"#{one['id']}")).to_have_class("lit")
        until(
            page,
            "(() => { const box = document.querySelector('#staff').getBoundingClientRect(),"
            " note = document.querySelector('#staff .lit').getBoundingClientRect();"
            " return note.left >= box.left && note.right <= box.right && note.bottom <= box.bottom + 1; })()",
        )


def test_by_keyboard_alone_from_the_start_to_hearing_it_slowly(opened, host):
    host.snapshot = everything(changes=[change_message(2, 0, {7: 0, 6: 18_000})])
    page = opened()
    expect(page.locator("#choices button").first).to_be_visible()

    def walk_to(selector, most=40):
        for _ in range(most):
            page.keyboard.press("Tab")
            if page.evaluate("s => document.activeElement.matches(s)", selector):
                style = page.evaluate("getComputedStyle(document.activeElement).outlineStyle")
                assert style == "solid"
                return
        raise AssertionError(selector)

    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.className") == "skip"
    walk_to("[data-to=sim]")
    page.keyboard.press("Enter")
    expect(page.locator("#rung-name")).to_be_focused()
    walk_to("#next-button")
    page.keyboard.press("Enter")
    expect(page.locator("#next-button")).to_have_text("Stop")
    page.keyboard.press("Enter")
    expect(page.locator("#next-button")).to_have_text("Hear and see it")
    page.keyboard.press("Shift+Tab")
    walk_to("#more-button")
    page.keyboard.press("Enter")
    walk_to("#hear button")
    page.keyboard.press("Enter")
    expect(page.locator("#hear .stop")).to_be_visible()


def test_landmarks_and_headings_in_order(opened, host):
    practising(host)
    page = opened()
    expect(page.locator("#chanter svg")).to_be_visible()
    assert page.locator("header, main").count() == 2
    headings = "[...document.querySelectorAll('h1, h2, h3')].filter(e => e.checkVisibility())"
    levels = page.evaluate(f"{headings}.map(e => Number(e.tagName[1]))")
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(after - before <= 1 for before, after in pairwise(levels))


def test_reduced_motion_moves_nothing(opened, host):
    practising(host)
    page = opened(reduced_motion="reduce")
    expect(page.locator("#chanter .finger-part").first).to_be_visible()
    moving = page.evaluate(
        "[...document.querySelectorAll('*')].filter(e => { const s = getComputedStyle(e);"
        " return s.scrollBehavior === 'smooth' || s.animationName !== 'none'"
        " || (parseFloat(s.transitionDuration) > 0); }).length"
    )
    assert moving == 0


def test_the_hold_page_says_what_it_rests_on_and_what_is_not_seen(opened):
    page = opened(path="hold")
    expect(page.locator("main")).to_contain_text("Common practice among teachers")
    # The leading finger goes a little higher, and the wrist helps: not all to the same height.
    expect(page.locator("main")).to_contain_text("a little higher than the others, and for a slight turn of the wrist")
    expect(page.locator("main")).not_to_contain_text("the same height")
    for heading in ("Sit", "Hands", "Cover", "What the sensors cannot see", "Looking after yourself"):
        expect(page.get_by_role("heading", name=heading, exact=True)).to_be_visible()
    page.get_by_role("link", name="Back to practice").first.click()
    expect(page.locator("#start")).to_be_visible()
