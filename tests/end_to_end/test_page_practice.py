"""The practice page in a browser, against a small host that speaks its messages: fingers, sound, words, reach."""

from __future__ import annotations

import re
from itertools import pairwise

import numpy as np
import pytest

from tests.end_to_end import page_host
from tests.end_to_end.page_host import HERE, NOTES, OWN, TABLE, PageHost, change_message, everything, rung_message
from tests.faces.sheet_tools import needs_lilypond
from tests.waiting import PATIENCE_S, wait_for

playwright = pytest.importorskip("playwright.sync_api", reason="needs the Python package playwright")

expect = playwright.expect
SIZES = {"phone": (320, 640), "large phone": (390, 844), "tablet": (820, 1180), "desk": (1440, 900)}
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


def to_note(page, mask, before=0):
    for hole, key in enumerate(KEYS):
        if (mask ^ before) >> hole & 1:
            (page.keyboard.down if mask >> hole & 1 else page.keyboard.up)(key)


COVERED = (
    "[...document.querySelectorAll('#chanter .hole:not(.small)')].sort((a, b) =>"
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
        lit = page.locator(f"#{one['id']}")
        expect(lit).to_have_class("lit")
        mask = TABLE.standard[one["note"]]
        to_note(page, mask, before)
        before = mask
        after = page.locator(".staff .lit")
        expect(after).to_have_count(1 if index + 1 < len(notes) else 0)
        sees(page, mask)
    until(page, "document.querySelector('.one-name .now').textContent.includes('A')")


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
    page.locator("#ladder-button").focus()
    page.keyboard.press("Space")
    assert host.wait_for("holes")["covered_mask"] == 1
    assert not page.locator("#ladder-dialog").is_visible()
    page.keyboard.press("Enter")
    expect(page.locator("#ladder-dialog")).to_be_visible()
    page.keyboard.press("Escape")
    expect(page.locator("#ladder-dialog")).to_be_hidden()
    assert page.evaluate("document.querySelector('#chanter').hasAttribute('tabindex')")
    page.locator("#ladder-button").focus()
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.id") == "tonight-button"
    # Escape leaves; then the letters are only letters.
    page.keyboard.press("Escape")
    expect(page.locator("#play-mode-button")).to_have_text("Play with the keys")
    expect(page.locator("#play-mode-button")).to_be_focused()
    while not host.heard.empty():
        host.heard.get()
    page.keyboard.press("KeyF")
    page.keyboard.press("Enter")
    expect(page.locator("#chanter")).to_be_focused()
    assert all(message["kind"] != "holes" for message in list(host.heard.queue))


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
    keys = page.locator("#chanter .hole text").all_text_contents()
    assert keys == ["␣", "J", "K", "L", "F", "D", "S", "A"]
    thumb = page.locator("#chanter .thumb circle").evaluate("e => e.cx.baseVal.value")
    index = page.locator("#chanter .hole:not(.thumb) circle").first.evaluate("e => e.cx.baseVal.value")
    assert thumb > index
    assert page.locator("#chanter .hand text").all_text_contents() == ["right hand", "left hand"]
    page.click("#settings-button")
    page.get_by_label("Hand on top").select_option("left")
    assert host.wait_for("hand")["on_top"] == "left"


def test_how_sure_the_times_are_is_shown(opened, host):
    page = opened()
    with_keys(page, host)
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
    page.locator("#restart-button").scroll_into_view_if_needed()
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
    expect(page.locator(".pad")).to_have_count(8)
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


@pytest.mark.parametrize("size", ["phone", "tablet"])
def test_pads_lie_apart_and_are_large(opened, host, size):
    page = opened(size, has_touch=True)
    page.click("[data-to=touch]")
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
    pad = page.locator(".pad[data-hole='3']")
    pad.click()
    assert host.wait_for("holes")["covered_mask"] == 0b1000
    expect(pad).to_have_attribute("aria-pressed", "true")
    pad.focus()
    page.keyboard.press("Enter")
    assert host.wait_for("holes")["covered_mask"] == 0


# --- what the learner sees


def test_the_lit_note_the_holes_and_what_is_to_do(opened, host):
    practising(host)
    page = opened()
    lit = page.locator("#n0-1-1")
    expect(lit).to_have_class("lit")
    accent = page.evaluate("getComputedStyle(document.querySelector('.note.next')).color")
    assert lit.evaluate("e => getComputedStyle(e).color") == accent
    # Not by colour alone: a pointer above it, and the name in words.
    expect(page.locator(".staff .pointer")).to_be_visible()
    expect(page.locator("#staff")).to_have_attribute("aria-label", "The music. To play: E.")
    sees(page, LOW_A)
    arrows = page.locator("#chanter .arrow").evaluate_all("all => all.map(a => !a.classList.contains('gone'))")
    assert arrows == [bool((LOW_A ^ E) >> hole & 1) for hole in range(8)]
    label = page.locator(".chanter-svg").get_attribute("aria-label")
    assert "low A" in label
    assert "Open: bottom little." in label
    host.tell({**HOLES, "covered_mask": E, "note": 5}, {"kind": "lit", "id": "n0-2-0", "note": 1, "index": 4})
    expect(page.locator("#n0-2-0")).to_have_class("lit")
    expect(page.locator(".staff .lit")).to_have_count(1)
    sees(page, E)


def test_a_false_fingering_is_said(opened, host):
    practising(host)
    page = opened()
    host.tell({**HOLES, "covered_mask": 0b11110011, "note": 5 + 1, "fingering": "false"})
    expect(page.locator(".names .false")).to_have_text(f"{NOTES[6]}, but with false fingering")


def test_letters_and_pictures_fade_as_reading_gets_surer(opened, host):
    letters = "[...document.querySelectorAll('.staff-letter')].filter(l => l.textContent.trim() === '{}')"
    practising(host, rung=rung_message(help_=[2, 2, 2, 2, 2, 2, 2, 2, 2]))
    page = opened()
    expect(page.locator("#chanter .small:not(.gone)")).to_have_count(8)
    count = page.evaluate(letters.format("E") + ".length")
    assert count > 4
    assert page.evaluate(letters.format("E") + ".every(l => !l.classList.contains('gone'))")
    # Of E only the letter is left, of low A nothing; B keeps both.
    host.tell(rung_message(help_=[2, 0, 2, 2, 2, 1, 2, 2, 2]), {"kind": "lit", "id": "n0-1-1", "note": 5, "index": 3})
    expect(page.locator("#chanter .small.gone")).to_have_count(8)
    expect(page.locator(".note.next")).to_have_text("E")
    assert page.evaluate(letters.format("E") + ".every(l => !l.classList.contains('gone'))")
    assert page.evaluate(letters.format("A") + ".every(l => l.classList.contains('gone'))")
    assert page.evaluate(letters.format("B") + ".every(l => !l.classList.contains('gone'))")
    host.tell({"kind": "lit", "id": "n0-2-0", "note": 1, "index": 4})
    expect(page.locator(".note.next")).to_have_text("")


def test_without_an_engraved_staff_the_letters_stand_in(opened, host):
    practising(host, rung={**rung_message(), "staff_svg": None}, lit={"id": None, "note": 5, "index": 1})
    page = opened()
    expect(page.locator(".letters .lit")).to_have_text("E")
    assert page.locator(".letters span").count() == len(host.snapshot["rung"]["notes"])


def test_after_each_change_one_sentence_its_strip_and_the_live_region(opened, host):
    practising(host, changes=[])
    page = opened()
    expect(page.locator("#sentence")).to_contain_text("Play the lit note")
    told = change_message(7, 0, {7: 0, 6: 18_000})
    host.tell(told)
    expect(page.locator("#change-name")).to_have_text("Low G to B")
    expect(page.locator("#sentence")).to_have_text(told["sentence"].removeprefix("Low G to B: "))
    expect(page.locator("#strip svg.strip")).to_be_visible()
    expect(page.locator("#live")).to_have_text(told["sentence"])
    assert page.locator("[aria-live]").count() == 1
    # The same once more is said once more.
    host.tell({**told, "number": 8, "take": 8})
    until(page, "document.querySelector('#live').textContent.endsWith('\\u00a0')")
    host.tell(*(change_message(n, 1, {3: 0}) for n in range(9, 20)))
    expect(page.locator("#change-name")).to_have_text("Low A to E")
    page.click("#earlier summary")
    expect(page.locator("#earlier li")).to_have_count(7)


def test_a_change_that_is_another_after_all_takes_its_place_and_one_that_is_none_goes(opened, host):
    practising(host, changes=[])
    page = opened()
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
    expect(page.locator("#sentence")).to_contain_text("This is what it was after all.")
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
    page.click("#passes summary")
    expect(page.locator("#passes p")).to_contain_text("Ten clean changes in a row")
    page.click("#due button")
    assert host.wait_for("rung")["key"] == host.snapshot["due"][0]
    page.click("#tonight-button")
    host.wait_for("tonight")
    expect(page.locator("#tonight")).to_contain_text("10 minutes left")
    page.click("#finish-button")
    host.wait_for("finish")
    expect(page.locator("#summary")).to_contain_text("went astray in 2 of 14")
    page.click("#summary-again")
    expect(page.locator("#practice")).to_be_visible()


def test_a_try_at_a_note_alone_is_told_large(opened, host):
    alone = {"kind": "progress", "out": {"name": "low G alone", "in_a_row": 0, "needed": 10}, "back": None}
    alone |= {"again": False, "unclean": False, "next": None, "passed": False, "sentence": "Low G alone: 0 of 10."}
    practising(host, rung=rung_message(0), progress=alone, changes=[])
    page = opened()
    expect(page.locator("#sentence")).to_contain_text("Play the lit note")
    host.tell({**alone, "sentence": "Low G did not sound at once: the top ring stood wrong."})
    expect(page.locator("#sentence")).to_contain_text("the top ring stood wrong")
    expect(page.locator("#live")).to_contain_text("the top ring stood wrong")


def test_the_ladder_is_a_list_to_choose_from(opened, host):
    practising(host)
    page = opened()
    page.click("#ladder-button")
    assert page.locator("#ladder .rung").count() == len(host.snapshot["ladder"])
    expect(page.locator("#ladder [aria-current]")).to_contain_text("you are here")
    expect(page.locator("#ladder .due")).to_contain_text("comes back today")
    page.click("#ladder [data-key=d-e]")
    expect(page.locator("#rung-name")).to_have_text("D and E")
    expect(page.locator("#ladder-dialog")).to_be_hidden()
    expect(page.locator("#n0-0-0")).to_have_class("lit")


# --- hearing


def test_hear_it_slowly_and_mended_with_the_holes_moving_along(opened, host):
    practising(host)
    page = opened()
    page.get_by_role("button", name="Mended, at a tenth of the speed").click()
    expect(page.locator(".name-label").last).to_have_text("Played back")
    # 900 ms at a tenth last nine seconds: the first four of them low A, whatever the chanter does.
    host.tell({**HOLES, "covered_mask": 0, "note": 8})
    sees(page, LOW_A)
    page.get_by_role("button", name="Slowly, at a quarter of the speed").click()
    expect(page.locator("#hear .stop")).to_be_visible()
    until(page, f"document.querySelectorAll('#chanter .hole:not(.small).covered').length === {E.bit_count()}")
    # It ends by itself, and the chanter is seen again as it is.
    expect(page.locator("#hear .stop")).to_be_hidden()
    sees(page, 0)
    assert host.asked == ["/take/2.wav?speed=0.1&mended=1", "/take/2.wav?speed=0.25"]


def test_a_take_that_is_gone_is_said_not_silent(opened, host):
    practising(host, changes=[change_message(3, 1, {3: 0})])
    page = opened()
    page.route("**/take/**", lambda route: route.fulfill(body="gone"))
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
    expect(page.locator("#chanter-sentence")).to_have_text(gone)
    expect(page.locator("#chanter.away")).to_be_visible()
    sees(page, 0)


def test_what_the_host_sends_can_neither_act_nor_style(opened, host):
    practising(host)
    page = opened()
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
        {"kind": "lit", "id": "'] , *", "note": 5, "index": 1},
    )
    expect(page.locator("#sentence")).to_have_text("<img src=x onerror=window.hit=1>")
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
    told = [change_message(n, 0, {7: 0, 6: 18_000}) for n in (1, 2)]
    count = "document.getElementsByTagName('*').length"

    def play(times):
        for number in range(times):
            change = {**told[number % 2], "number": number, "take": number}
            host.tell(change, {**HOLES, "covered_mask": number % 256, "note": number % 9})
        host.tell({**told[0], "sentence": f"Number {times}."})
        expect(page.locator("#sentence")).to_have_text(f"Number {times}.")

    play(20)
    before = page.evaluate(count)
    play(1_000)
    assert page.evaluate(count) <= before + 2


# --- reach

VIEWS = ["start", "check", "keys", "touch", "practice", "ladder", "settings", "summary", "hold"]


def show(opened, host, view, size, **context):
    if view in ("practice", "ladder", "settings", "summary"):
        beat = {"on": True, "bpm": 60, "beats": 4, "subdivision": 1, "loop_ms": 20, "sentence": ""}
        practising(host, metronome=beat, tonight={"minutes_left": 3, "item": {"name": "x"}, "sentence": "Low A and E."})
    page = opened(size, "hold" if view == "hold" else "", **context)
    if view in ("check", "keys"):
        page.click("[data-to=keys]")
    if view == "keys":
        page.click("#keys-go")
    if view == "touch":
        page.click("[data-to=touch]")
    if view in ("ladder", "settings"):
        page.click(f"#{view}-button")
    if view == "summary":
        page.click("#finish-button")
    shown = {"check": "#keys-check", "keys": "#chanter", "touch": "#pads", "ladder": "#ladder-dialog", "hold": "main"}
    shown |= {"settings": "#settings-dialog"}
    expect(page.locator(shown.get(view, f"#{view}"))).to_be_visible()
    if view == "practice":
        page.evaluate("document.querySelectorAll('details').forEach(one => one.open = true)")
    return page


@pytest.mark.parametrize(
    ("view", "size", "scheme"),
    [*((view, "phone", "dark") for view in VIEWS), ("start", "desk", "light"), ("practice", "desk", "light")],
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


@pytest.mark.parametrize(("size", "letter_px", "sentence_px"), [("tablet", 44, 24), ("desk", 60, 30)])
def test_what_matters_is_large_and_in_sight(opened, host, size, letter_px, sentence_px):
    practising(host)
    page = opened(size)
    expect(page.locator("#strip svg")).to_be_in_viewport()
    for selector, at_least in ((".note.next", letter_px), ("#sentence", sentence_px)):
        assert page.locator(selector).evaluate("e => parseFloat(getComputedStyle(e).fontSize)") >= at_least
    for selector in ("#staff .lit", "#sentence", "#hear", ".chanter-svg"):
        expect(page.locator(selector)).to_be_in_viewport()
    line = page.locator("#staff svg").evaluate("e => e.getBoundingClientRect().width / e.viewBox.baseVal.width")
    assert line >= 6  # pixels between the lines of the staff


@pytest.mark.parametrize("size", ["phone", "large phone"])
def test_on_a_phone_the_staff_follows_the_lit_note(opened, host, size):
    practising(host)
    page = opened(size, reduced_motion="reduce")
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
    walk_to("#hear button")
    page.keyboard.press("Enter")
    expect(page.locator("#hear .stop")).to_be_visible()


def test_landmarks_and_headings_in_order(opened, host):
    practising(host)
    page = opened()
    expect(page.locator("#strip svg")).to_be_visible()
    assert page.locator("header, main").count() == 2
    headings = "[...document.querySelectorAll('h1, h2, h3')].filter(e => e.checkVisibility())"
    levels = page.evaluate(f"{headings}.map(e => Number(e.tagName[1]))")
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(after - before <= 1 for before, after in pairwise(levels))


def test_reduced_motion_moves_nothing(opened, host):
    practising(host)
    page = opened(reduced_motion="reduce")
    expect(page.locator("#strip svg")).to_be_visible()
    moving = page.evaluate(
        "[...document.querySelectorAll('*')].filter(e => { const s = getComputedStyle(e);"
        " return s.scrollBehavior === 'smooth' || s.animationName !== 'none'"
        " || (parseFloat(s.transitionDuration) > 0); }).length"
    )
    assert moving == 0


def test_the_hold_page_says_what_it_rests_on_and_what_is_not_seen(opened):
    page = opened(path="hold")
    expect(page.locator("main")).to_contain_text("Common practice among teachers")
    for heading in ("Sit", "Hands", "Cover", "What the sensors cannot see", "Looking after yourself"):
        expect(page.get_by_role("heading", name=heading, exact=True)).to_be_visible()
    page.get_by_role("link", name="Back to practice").first.click()
    expect(page.locator("#start")).to_be_visible()
