"""The replay of a session in a real browser: what is heard and what is seen, measured from the sound itself."""

from __future__ import annotations

from base64 import b64decode
from datetime import date

import numpy as np
import pytest

from fingering.notes import NOTES
from fingerlead.faces.pages.desk.routes import opened
from fingerlead.faces.pages.kit.place import WebPlace
from fingerlead.studio import pupils as folders
from fingerlead.studio.index import analysed
from fingerlead.studio.studio import Studio
from fingerlead.timing.summary import heard_stray_us
from tests.end_to_end.test_desk_page import go_to
from tests.sound.harmonics import loudness_of
from tests.studio.studios import playing, write
from tests.waiting import wait_for

playwright = pytest.importorskip("playwright.sync_api", reason="needs the Python package playwright")
expect = playwright.expect

LEAD_IN_US = 700_000
BLOCK = 128  # samples
SCREENS = {"phone": (390, 844), "tablet": (820, 1180), "desk": (1280, 800)}
# All that goes to the loudspeaker is kept, each block with its time on the sound's clock; and each note that is shown,
# with the time on the same clock at which it came, and each frame's.
EAR = """registerProcessor('ear', class extends AudioWorkletProcessor {
  process([[sound]]) { if (sound?.some(Boolean)) this.port.postMessage([currentTime, sound.slice()]); return true; }
});"""
LISTEN = (
    f"const EAR = URL.createObjectURL(new Blob([`{EAR}`], {{ type: 'text/javascript' }}));"
    + """
  window.heard = []; window.shown = []; window.frames = []; window.ready = false;
  const now = () => beat.currentTime - (beat.outputLatency || 0);
  const frame = () => { frames.push(now()); requestAnimationFrame(frame); };
  const connect = AudioNode.prototype.connect;
  AudioNode.prototype.connect = function (to, ...rest) {
    if (to === this.context.destination && !window.beat) {
      window.beat = this.context;
      frame();
      this.context.audioWorklet.addModule(EAR).then(() => {
        const ear = new AudioWorkletNode(this.context, 'ear', { numberOfOutputs: 0 });
        ear.port.onmessage = ({ data }) => heard.push(data);
        connect.call(this, ear);
        window.ready = true;
      });
    }
    return connect.call(this, to, ...rest);
  };
  const text = Object.getOwnPropertyDescriptor(Node.prototype, 'textContent');
  Object.defineProperty(Node.prototype, 'textContent', { ...text, set(value) {
    if (this.className === 'sounding' && window.beat) shown.push([now(), value]);
    text.set.call(this, value);
  } });
"""
)


@pytest.fixture(scope="module")
def studio(tmp_path_factory):
    """A studio of one pupil with one session; its folder, the session's digest and what it is analysed to."""
    folder = tmp_path_factory.mktemp("studio")
    with Studio(folder) as studio:
        key = studio.add("Ailsa").key
        digest = studio.take_in(key, write(tmp_path_factory.mktemp("scratch") / "a.session", playing(1, 200))).digest
        _, analysis = analysed(studio.session_path(digest))
        with opened(folder, None, WebPlace(), lambda: date(2026, 9, 20)) as desk:
            yield desk.url, digest, analysis, studio.of(key)


@pytest.fixture
def session(browser, studio):
    """The session's page, and an ear at its loudspeaker."""
    url, digest, *_ = studio
    context = browser.new_context(viewport={"width": 1280, "height": 800}, bypass_csp=True)
    context.add_init_script(LISTEN)
    page = context.new_page()
    complaints = []
    page.on("pageerror", lambda error: complaints.append(str(error)))
    page.on("console", lambda message: complaints.append(message.text) if message.type == "error" else None)
    page.goto(url)
    go_to(page, f"/session/{digest}")
    expect(page.locator("#play")).to_be_enabled()
    yield page
    context.close()
    assert [told for told in complaints if "favicon" not in told] == []


def worst_of(analysis):
    """The longest stray of the session, 33 ms of a low A."""
    return max((change for change in analysis.changes if change.verdict == "stray"), key=heard_stray_us)


def choose(page, analysis):
    """Open all that is folded, and begin to hear the longest stray."""
    page.evaluate("document.querySelectorAll('details').forEach((one) => { one.open = true; })")
    page.locator(f"[data-what='change={worst_of(analysis).number}']").last.click()


def be_heard(page):
    """Sound once, so that the ear is there, and forget it."""
    page.keyboard.press(" ")
    wait_for(lambda: page.evaluate("ready"))
    be_still(page)


def be_still(page):
    """Stop what plays."""
    if page.locator("#play").inner_text() == "Stop":
        page.locator("#play").click()
    expect(page.locator("#play")).to_have_text("Play")


def heard_after(page, act, seconds) -> tuple[np.ndarray, float, float]:
    """What sounds after an act in stillness, for so long: samples, their rate, the time of the first of them."""
    be_still(page)
    # A block that was played before may be told later.
    since, rate = page.evaluate("shown.length = 0, [beat.currentTime + 0.01, beat.sampleRate]")
    blocks = f"heard.filter(([at]) => at > {since})"
    act()
    wait_for(lambda: page.evaluate(f"{blocks}.length") > seconds * rate / BLOCK)
    packed = "btoa(String.fromCharCode(...new Uint8Array(block.buffer)))"
    times, packed = zip(*page.evaluate(f"{blocks}.map(([at, block]) => [at, {packed}])"), strict=True)
    # No block is missing among those that sound.
    assert max(np.diff(times)) < 1.5 * BLOCK / rate
    return np.frombuffer(b"".join(map(b64decode, packed)), "<f4").astype(float), rate, times[0]


def test_a_moment_is_heard_mended_and_as_played_by_turns_with_one_key(session, studio):
    _, _, analysis, _ = studio
    be_heard(session)
    session.keyboard.press("2")
    choose(session, analysis)
    expect(session.locator("#mended")).to_be_enabled()
    change = worst_of(analysis)
    (stray,) = change.strays
    begins_us = stray.start_us - (change.start_us - LEAD_IN_US)
    stray_led = []
    for pressed in ("true", "false", "true"):
        samples, rate, _ = heard_after(session, lambda: session.keyboard.press("m"), 1.7)
        assert session.locator("#mended").get_attribute("aria-pressed") == pressed
        begin, end = (round(at_us / 1e6 / 0.5 * rate) for at_us in (begins_us, begins_us + stray.duration_us))
        loud = [loudness_of(samples[begin:end], note, rate) for note in (stray.note, change.from_note, change.to_note)]
        stray_led.append(loud[0] > max(loud[1:]))
    # Of the three notes the stray is the loudest as it was played, and never mended.
    assert stray_led == [False, True, False]


def test_a_loop_plays_the_same_again_and_again(session, studio):
    _, _, analysis, _ = studio
    be_heard(session)
    choose(session, analysis)
    change = worst_of(analysis)
    seconds = (2 * LEAD_IN_US + change.end_us - change.start_us) / 1e6
    session.keyboard.press("l")
    samples, rate, _ = heard_after(session, lambda: session.keyboard.press(" "), 3.2 * seconds)
    once = round(seconds * rate)
    rounds = [samples[n * once : (n + 1) * once] for n in range(3)]
    assert np.corrcoef(rounds).min() > 0.99
    session.keyboard.press("l")
    expect(session.locator("#play")).to_have_text("Play")


def test_what_is_seen_is_what_sounds(session, studio):
    _, _, analysis, _ = studio
    from_us, seconds = 98_000_000, 5
    # Between notes that stand, without a stray, the note changes at one instant.
    plain = [
        change
        for before, change, after in zip(analysis.changes, analysis.changes[1:], analysis.changes[2:], strict=False)
        if from_us + 300_000 < change.start_us < from_us + 1_000_000 * seconds - 300_000
        and change.verdict in ("clean", "apart")
        and not change.strays
        and min(change.start_us - before.end_us, after.start_us - change.end_us) > 150_000
        and abs(change.to_note - change.from_note) < 7  # an octave is not told by its harmonics
    ]
    assert len(plain) >= 5
    be_heard(session)
    session.locator("#place").fill(str(from_us))
    samples, rate, began = heard_after(session, lambda: session.keyboard.press(" "), seconds)
    shown, frames = session.evaluate("[shown, frames]")
    window = round(0.03 * rate)
    for change in plain:
        due = began + (change.start_us - from_us) / 1e6
        at = next(at for at, note in shown if note == NOTES[change.to_note] and abs(at - due) < 0.2)
        places = [round((near - began) * rate) for near in np.arange(due - 0.1, due + 0.1, 0.002)]
        loud = [
            [loudness_of(samples[place - window // 2 :][:window], note, rate) for place in places]
            for note in (change.from_note, change.to_note)
        ]
        heard_at = began + places[int(np.argmax(np.greater(loud[1], loud[0])))] / rate
        # It is seen in the first frame after it sounds; where a note begins is heard to within half of the window.
        assert max(frame for frame in frames if frame < at - 0.004) - 0.015 < heard_at < at + 0.015


def test_a_remark_is_pinned_where_it_was_begun(session, studio):
    *_, folder = studio
    session.set_viewport_size({"width": 390, "height": 844})
    at, text = session.locator("#remark-at"), session.get_by_label("A remark on this moment")
    session.locator("#place").fill("1100000")
    session.keyboard.press("r")
    expect(text).to_be_focused()
    expect(at).to_be_in_viewport()
    text.press_sequentially("Hear ")
    expect(at).to_have_value("0:01.1")
    # The replay goes on while the writer looks for words: neither it nor a key of the page takes any of them.
    session.locator("#place").fill("10700000")
    text.press_sequentially("ml 124")
    expect(at).to_have_value("0:01.1")
    expect(session.locator("#loop")).to_have_attribute("aria-pressed", "false")
    session.get_by_role("button", name="Pin it").click()
    expect(session.locator(".remarks")).to_contain_text("Hear ml 124")
    # The page that was loaded again stands where it stood.
    expect(session.locator("#place")).to_have_value("10700000")
    text.fill("And here")
    at.fill("0:07.25")
    session.get_by_role("button", name="Pin it").click()
    expect(session.locator(".remarks")).to_contain_text("And here")
    text.fill("Or there")
    session.locator("#place").fill("12300000")
    session.get_by_role("button", name="At the replay").click()
    session.get_by_role("button", name="Pin it").click()
    expect(session.locator(".remarks")).to_contain_text("Or there")
    pinned = {remark.text: remark.at_us for remark in folders.remarks(folder)}
    assert pinned == {"Hear ml 124": 1_100_000, "And here": 7_250_000, "Or there": 12_300_000}


@pytest.mark.parametrize("screen", SCREENS)
def test_what_plays_stays_in_view_beside_what_is_chosen(session, screen):
    width, height = SCREENS[screen]
    session.set_viewport_size({"width": width, "height": height})
    session.emulate_media(reduced_motion="reduce", color_scheme="dark")
    last = session.locator(".groups > li").last
    for summary in session.locator("details:not(.small) > summary").all():
        summary.click()
    last.locator(".jump").first.focus()
    session.keyboard.press("Enter")
    expect(session.locator("#picture .strip")).to_be_visible()
    boxes = [
        session.locator(each).bounding_box()
        for each in (".hand-now", "#picture", "#play", "#mended", "#loop", "#speed")
    ]
    assert all(box["y"] >= 0 and box["y"] + box["height"] <= height / 2 for box in boxes)
    # What has the keyboard lies under nothing that stays, and the picture's line goes along inside of its lanes.
    player, chosen = session.locator("#player").bounding_box(), last.locator(".jump").first.bounding_box()
    assert player["y"] + player["height"] <= chosen["y"] <= height - chosen["height"]
    session.locator("#place").fill(last.locator(".jump").first.get_attribute("data-at"))
    expect(session.locator(".playhead")).to_have_attribute("visibility", "visible")
    axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="needs axe-playwright-python")
    found = axe.Axe().run(session)
    assert found.violations_count == 0, found.generate_report()


def test_the_keyboard_alone_goes_from_moment_to_moment(session):
    chosen, place, play = (session.locator(each) for each in (".jump[aria-current=true]", "#place", "#play"))
    for key, told in (("m", "Choose a moment first."), ("l", "Choose a moment to be looped.")):
        session.keyboard.press(key)
        expect(session.locator("#told")).to_have_text(told)
    session.keyboard.press("l")
    session.keyboard.press("ArrowRight")
    first = chosen.first.get_attribute("data-what")
    session.keyboard.press("ArrowRight")
    assert chosen.first.get_attribute("data-what") != first
    expect(play).to_have_text("Stop")
    session.keyboard.press("ArrowLeft")
    assert chosen.first.get_attribute("data-what") == first
    session.keyboard.press("ArrowLeft")
    expect(session.locator("#told")).to_have_text("No moment before this.")
    session.keyboard.press(" ")
    expect(play).to_have_text("Play")
    # An opened group is gone through one by one.
    session.locator(".groups summary").first.focus()
    session.keyboard.press(" ")
    expect(play).to_have_text("Play")
    seen = session.locator(".groups > li").first.locator(".instances .jump")
    session.keyboard.press("ArrowRight")
    expect(seen.first.and_(chosen)).to_be_visible()
    # On the slider the arrows are its own, and where keys are switched off, all are the browser's.
    here = chosen.first.get_attribute("data-what")
    session.keyboard.press(" ")
    expect(play).to_have_text("Play")
    place.fill("2000000")
    place.focus()
    session.keyboard.press("ArrowRight")
    expect(place).to_have_value("2001000")
    assert chosen.first.get_attribute("data-what") == here
    outline = "getComputedStyle(document.activeElement).outlineStyle"
    session.keyboard.press("Tab")
    assert session.evaluate(outline) == "solid"
    session.locator("details.small > summary").click()
    session.get_by_label("Use these keys").uncheck()
    session.keyboard.press("l")
    expect(session.locator("#loop")).to_have_attribute("aria-pressed", "false")


def test_a_passage_has_the_same_player(session, studio):
    _, digest, analysis, _ = studio
    number = worst_of(analysis).number
    session.locator("form[method=get]").get_by_label("From change").fill(str(number))
    session.locator("form[method=get]").get_by_label("To change").fill(str(number + 2))
    session.get_by_role("button", name="Make the message").click()
    message = session.get_by_label("The message").input_value()
    go_to(session, "/message")
    session.get_by_label("The message").fill(message)
    session.get_by_role("button", name="Open").click()
    expect(session.locator("#play")).to_be_enabled()
    be_heard(session)
    asked = []
    session.on("request", lambda request: asked.append(request.url))
    session.locator(".moment .jump").nth(1).click()
    expect(session.locator("#about")).to_contain_text("Low G to B")
    session.keyboard.press("m")
    wait_for(lambda: any("mended=1" in url and "/message/" in url for url in asked))
    expect(session.locator("#mended")).to_have_attribute("aria-pressed", "true")
    assert session.locator("#remark-on").count() == 0
    assert digest not in session.url
