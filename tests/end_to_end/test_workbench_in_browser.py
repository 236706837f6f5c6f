"""The workbench page in a browser: sent by hand what a workbench sends, and once whole with the program."""

from __future__ import annotations

import contextlib
import os
import re
import signal
import subprocess
import sys
from dataclasses import replace
from itertools import pairwise

import pytest

from fingerlead.faces.pages.kit.hub import Hub
from fingerlead.faces.pages.kit.page import served
from fingerlead.faces.pages.kit.place import WebPlace
from fingerlead.faces.pages.workbench.page import message_of, workbench_app
from fingerlead.workbench.actor import Samples, Stage, StageStep, WorkbenchRequest
from fingerlead.workbench.guidance import ask_words
from fingerlead.workbench.levels import HoleReport
from fingerlead.workbench.measurement import BAR_WORDS, SEAL_WORDS
from fingerlead.workbench.samples import PLAN
from tests.waiting import PATIENCE_S, wait_for

playwright = pytest.importorskip("playwright.sync_api", reason="needs the Python package playwright")
expect = playwright.expect
SIZES = {"phone": (320, 640), "large phone": (390, 844), "tablet": (820, 1180), "desk": (1280, 800)}
LEVELS = tuple((600 + hole, 400 + hole) for hole in range(8))
HEARD = Stage(chanter="a chanter, firmware 1.2.3", last="calibrate", run=4, levels=LEVELS, full_scale=1_000)
SAMPLES = Samples((100,) * 7 + (900,), (90,) * 8, (900,) * 8, (12,) * 8)


def report(hole, verdict="good"):
    words = f"The finger {hole}: {verdict}. Do something about it."
    return HoleReport(
        hole, 100.0, 900.0, 0.5, 20.0, 800.0, 40.0, 8.0, 0.02, verdict, None if verdict == "good" else "dead", words,
        560, 440,
    )  # fmt: skip


NOT_JUDGED = "The top ring is not judged: it was not seen covered. Calibrate again, and cover it when it is asked for."
AGAIN = "The top index still covers its whole hole: move it aside until half of the hole is open."
MISSING = (
    "Not seen covered alone: the top ring.",
    "Not seen half covered: the thumb. How it reads then is not known.",
    "The top ring keeps its old levels.",
)


def a_step(number):
    kind, hole = PLAN[number - 1]
    return StageStep(number, len(PLAN), kind, hole, ask_words(kind, hole))


GOOD = replace(HEARD, reports=tuple(report(hole) for hole in range(8)))
BAD = replace(
    HEARD,
    reports=tuple(report(hole, {1: "doubtful", 6: "bad"}.get(hole, "good")) for hole in range(8)),
    kept=(6,),
)
UNJUDGED = replace(
    GOOD,
    reports=tuple(
        replace(one, verdict="not judged", fault=None, words=NOT_JUDGED) if one.hole == 3 else one
        for one in GOOD.reports
    ),
    kept=(3,),
    sentences=MISSING,
)
STAGES = {
    "begin": Stage(),
    "trouble": replace(HEARD, sentences=("The chanter is gone.",), trouble=True),
    "step": replace(HEARD, job="calibrate", step=replace(a_step(7), holding=True)),
    "again": replace(HEARD, job="calibrate", step=replace(a_step(5), words=AGAIN)),
    "unjudged": UNJUDGED,
    "bar": replace(HEARD, job="bar", last="bar", step=StageStep(0, 0, "bar", None, BAR_WORDS), counts=(3, 4)),
    "seal": replace(HEARD, job="seal", last="seal", levels=(), step=StageStep(0, 0, "seal", None, SEAL_WORDS)),
    "good": GOOD,
    "bad": BAD,
    "given": replace(GOOD, last="give", given=True, sentences=("The chanter has its levels and keeps them.",)),
}


class Host:
    """The page without a chanter: `requests` is what pages asked for."""

    def __init__(self):
        self.hub, self.requests = Hub(), []

    @contextlib.contextmanager
    def running(self):
        with served(workbench_app(self.hub, self, "sim", "Ann <b>"), WebPlace()) as page:
            self.entry = page.url
            self.address = page.url.partition("#")[0]
            yield self

    def ask(self, request):
        self.requests.append(request)
        return True

    def tell(self, *whats):
        for what in whats:
            self.hub.publish(message_of(what))


@pytest.fixture(scope="module")
def running():
    with Host().running() as host:
        yield host


@pytest.fixture
def host(running):
    running.requests.clear()
    running.tell(Stage())
    return running


@pytest.fixture
def opened(browser, host):
    """Open the page; at the end nothing came from elsewhere, and nothing complained, the strict policy least of all."""
    contexts, asked, complaints = [], [], []

    def at(size="desk", **context):
        width, height = SIZES[size]
        contexts.append(browser.new_context(viewport={"width": width, "height": height}, **context))
        page = contexts[-1].new_page()
        page.set_default_timeout(1_000 * PATIENCE_S)
        page.on("request", lambda request: asked.append(request.url))
        page.on("console", lambda message: complaints.append(message.text))
        page.on("pageerror", lambda error: complaints.append(str(error)))
        page.goto(host.entry)
        expect(page.locator("body")).to_have_attribute("data-view", re.compile("begin|lead|result"))
        return page

    yield at
    for context in contexts:
        context.close()
    assert all(url.startswith(host.address) for url in asked)
    assert complaints == []


def shows(page, host, name):
    """Have a stage shown."""
    host.tell(STAGES[name])
    if STAGES[name].job in ("calibrate", "seal"):
        # Samples are for pages that have joined: one that shows the stage has.
        expect(page.locator(".bar-row").first).to_be_visible()
        host.tell(SAMPLES)
        expect(page.locator(".bar-row .noise").first).to_have_text("12")
    view = {"begin": "begin", "trouble": "begin", "step": "lead", "again": "lead", "bar": "lead", "seal": "lead"}.get(
        name, "result"
    )
    expect(page.locator(f"#{view}")).to_be_visible()


def requested(host, *requests):
    """Wait until these, and no others, were asked for."""
    wait_for(lambda: len(host.requests) >= len(requests), "the request")
    assert host.requests == list(requests)


def test_the_picture_names_no_left_or_right_and_simulated_hands_are_told(opened, host):
    page = opened()
    assert page.locator("#picture .hand text").all_text_contents() == ["top hand", "bottom hand"]
    expect(page.locator("#begin")).to_contain_text("Simulated hands do all this")


def test_it_says_whose_levels_they_are_and_where_the_chanter_is(opened, host):
    page = opened()
    expect(page.locator("#pupil")).to_have_text("Levels for Ann <b>")
    expect(page.locator("#chanter-sentence")).to_have_text("A chanter at sim")


def test_by_keyboard_alone_it_begins_and_stops(opened, host):
    host.page = page = opened()
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.className") == "skip"
    page.keyboard.press("Tab")
    expect(page.locator("#go")).to_be_focused()
    page.keyboard.press("Enter")
    requested(host, WorkbenchRequest("calibrate"))
    shows(page, host, "step")
    expect(page.locator("#instruction")).to_be_focused()
    page.keyboard.press("Shift+Tab")
    expect(page.locator("#stop")).to_be_focused()
    page.keyboard.press("Enter")
    requested(host, WorkbenchRequest("calibrate"), WorkbenchRequest("stop"))


@pytest.mark.parametrize("number", [1, 6, 7, 18, 19])
def test_each_step_is_one_large_sentence_and_its_hole_is_marked(opened, host, number):
    page = opened()
    step = a_step(number)
    host.tell(replace(HEARD, job="calibrate", step=step))
    expect(page.locator("#instruction")).to_have_text(step.words)
    expect(page.locator("#step")).to_have_text(f"Step {number} of {len(PLAN)}")
    expect(page.locator("#hold")).to_have_text("")
    expect(page.locator("#live")).to_have_text(re.compile(re.escape(step.words)))
    marked = page.locator("#picture .hole").evaluate_all(
        "all => all.map(one => (one.classList.contains('asked') ? 'a' : '')"
        " + (one.classList.contains('covered') ? 'c' : '') + (one.querySelector('path') ? 'h' : ''))"
    )
    one = {"covered": "ac", "half": "ah"}.get(step.kind, "")
    rest = {"all": "ac", "scale": "a"}.get(step.kind, "")
    assert marked == [one if hole == step.hole else rest for hole in range(8)]
    host.tell(replace(HEARD, job="calibrate", step=replace(step, holding=True)))
    expect(page.locator("#hold")).to_have_text("Hold still.")


def test_eight_bars_follow_the_samples_with_the_levels_on_them(opened, host):
    page = opened()
    shows(page, host, "step")
    rows = page.locator(".bar-row:not(.head)")
    expect(rows).to_have_count(8)
    expect(rows.nth(7).locator(".now")).to_have_text("900")
    look = page.evaluate(
        "[...document.querySelectorAll('.bar-row:not(.head) .bar svg')].map(svg => {"
        " const whole = svg.getBoundingClientRect(), edge = (name, side) =>"
        " (svg.querySelector(name).getBoundingClientRect()[side] - whole.left) / whole.width;"
        " return [edge('.value', 'right'), edge('.open', 'left'), edge('.cover', 'left')]; })"
    )
    for hole, (value, uncover_at, cover_at) in enumerate(look):
        assert value == pytest.approx(SAMPLES.latest[hole] / 1_000, abs=0.01)
        assert uncover_at == pytest.approx(LEVELS[hole][1] / 1_000, abs=0.01)
        assert cover_at == pytest.approx(LEVELS[hole][0] / 1_000, abs=0.01)
    points = "document.querySelector('.past .trace').points.numberOfItems"
    before = page.evaluate(points)
    host.tell(replace(SAMPLES, latest=(555,) * 8))
    expect(rows.nth(0).locator(".now")).to_have_text("555")
    assert page.evaluate(points) == before + 1


def test_good_levels_are_given_by_a_click_and_not_before(opened, host):
    host.page = page = opened()
    shows(page, host, "good")
    expect(page.locator("#result-title")).to_have_text("All eight holes are good.")
    expect(page.locator("#not-sent")).to_contain_text("Nothing has been sent")
    assert page.locator("tbody tr").count() == 8
    assert page.locator("thead th").nth(2).inner_text() == "Levels"
    assert host.requests == []
    page.click("#actions .main")
    requested(host, WorkbenchRequest("give", 4, False))
    host.tell(replace(GOOD, job="give", last="give"))
    expect(page.locator("#actions button").first).to_be_disabled()
    expect(page.locator("#result-title")).to_be_focused()
    shows(page, host, "given")
    expect(page.locator("#result .sentences")).to_contain_text("keeps them")
    expect(page.locator("#not-sent")).to_be_hidden()
    page.get_by_role("button", name="Take the earlier levels back").click()
    requested(host, WorkbenchRequest("give", 4, False), WorkbenchRequest("undo"))


def test_going_back_leaves_the_keyboard_at_what_is_said(opened, host):
    host.page = page = opened()
    shows(page, host, "given")
    page.get_by_role("button", name="Take the earlier levels back").press("Enter")
    requested(host, WorkbenchRequest("undo"))
    host.tell(replace(STAGES["given"], given=False, last="undo", sentences=("They are back.",)))
    expect(page.locator("#result .sentences")).to_have_text("They are back.")
    expect(page.locator("#result-title")).to_be_focused()
    shows(page, host, "begin")
    page.locator("[data-request=undo]").press("Enter")
    host.tell(Stage(job="undo", last="undo"))
    expect(page.locator("#begin-title")).to_be_focused()


def test_a_double_click_asks_once(opened, host):
    host.page = page = opened()
    shows(page, host, "good")
    page.dblclick("#actions .main")
    shows(page, host, "given")
    page.get_by_role("button", name="Take the earlier levels back").dblclick()
    requested(host, WorkbenchRequest("give", 4, False), WorkbenchRequest("undo"))
    shows(page, host, "begin")
    page.dblclick("[data-request=undo]")
    page.dblclick("#go")
    requested(
        host,
        WorkbenchRequest("give", 4, False),
        WorkbenchRequest("undo"),
        WorkbenchRequest("undo"),
        WorkbenchRequest("calibrate"),
    )


def test_a_bad_hole_comes_first_and_is_only_passed_over_when_it_is_asked(opened, host):
    host.page = page = opened()
    shows(page, host, "bad")
    expect(page.locator("#result-title")).to_contain_text("bottom ring")
    assert [text.strip() for text in page.locator("#findings li").all_inner_texts()] == [
        f"✕\n{BAD.reports[6].words}",
        f"◐\n{BAD.reports[1].words}",
    ]
    expect(page.locator("#not-sent")).to_contain_text("Nothing was changed")
    expect(page.locator("#actions .main")).to_have_text("Begin again")
    expect(page.locator("tbody tr.bad td").nth(1)).to_have_text("–")
    page.get_by_role("button", name="anyway").click()
    requested(host, WorkbenchRequest("give", 4, True))


def test_what_was_not_judged_is_said_with_what_was_not_seen_and_the_rest_is_given(opened, host):
    host.page = page = opened()
    shows(page, host, "unjudged")
    expect(page.locator("#result-title")).to_have_text("Not judged: top ring.")
    assert [text.strip() for text in page.locator("#findings li").all_inner_texts()] == [f"○\n{NOT_JUDGED}"]
    assert page.locator("#result .sentences p").all_text_contents() == list(MISSING)
    # Nothing is to be mended for what was only not seen.
    expect(page.locator("#care")).to_be_hidden()
    expect(page.locator("tbody tr.not_judged .verdict")).to_contain_text("not judged")
    expect(page.locator("tbody tr.not_judged td").nth(1)).to_have_text("–")
    page.click("#actions .main")
    requested(host, WorkbenchRequest("give", 4, False))


def test_where_nothing_was_seen_nothing_can_be_given(opened, host):
    page = opened()
    one = UNJUDGED.reports[3]
    host.tell(replace(UNJUDGED, reports=tuple(replace(one, hole=hole) for hole in range(8)), kept=tuple(range(8))))
    expect(page.locator("#actions .main")).to_have_text("Begin again")
    expect(page.locator("#actions button")).to_have_count(2)


def test_a_step_that_was_not_done_is_asked_again_aloud(opened, host):
    page = opened()
    host.tell(replace(HEARD, job="calibrate", step=a_step(5)))
    expect(page.locator("#instruction")).to_have_text(a_step(5).words)
    shows(page, host, "again")
    expect(page.locator("#instruction")).to_have_text(AGAIN)
    expect(page.locator("#step")).to_have_text(f"Step 5 of {len(PLAN)}")
    expect(page.locator("#live")).to_have_text(re.compile(re.escape(AGAIN)))


def test_trouble_is_one_sentence_and_it_begins_again(opened, host):
    host.page = page = opened()
    shows(page, host, "step")
    shows(page, host, "trouble")
    expect(page.locator("#begin .sentences")).to_have_text("The chanter is gone.")
    expect(page.locator("#begin-title")).to_be_focused()
    expect(page.locator("#live")).to_have_text("The chanter is gone.")
    expect(page.locator("#go")).to_have_text("Begin again")
    page.click("#go")
    requested(host, WorkbenchRequest("calibrate"))


def test_the_bar_and_the_seal_are_counted(opened, host):
    host.page = page = opened()
    shows(page, host, "bar")
    expect(page.locator("#step")).to_have_text("Lifts: 3 of 40, lays: 4 of 40")
    page.click("#enough")
    requested(host, WorkbenchRequest("enough"))
    shows(page, host, "seal")
    expect(page.locator("#enough")).to_be_hidden()
    host.tell(replace(STAGES["seal"], moved=(True,) * 3 + (False,) * 5))
    expect(page.locator("#step")).to_have_text("Fingers moved: 3 of 8")
    expect(page.locator("#picture .hole.asked")).to_have_count(5)


def test_what_a_chanter_calls_itself_stays_text(opened, host):
    page = opened()
    name = "<img src=x onerror=alert(1)>"
    host.tell(replace(HEARD, chanter=name, sentences=(name,), trouble=True))
    expect(page.locator("#chanter-sentence")).to_have_text(name)
    expect(page.locator("#begin .sentences")).to_have_text(name + ".")
    assert page.locator("img").count() == 0


def test_a_page_that_comes_later_or_comes_back_sees_what_there_is(opened, host):
    host.tell(STAGES["bad"])
    page = opened()
    expect(page.locator("#findings li")).to_have_count(2)
    page.reload()
    expect(page.locator("#findings li")).to_have_count(2)


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", SIZES)
def test_the_rules_of_axe_pass_and_nothing_sticks_out(opened, host, size, scheme):
    axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="needs axe-playwright-python")
    page = opened(size, color_scheme=scheme)
    for name in STAGES:
        shows(page, host, name)
        # axe-core's own rules, those of WCAG 2 A and AA and its best practices.
        found = axe.Axe().run(page)
        assert found.violations_count == 0, f"{name}: {found.generate_report()}"
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), name
        cut = "[...document.querySelectorAll('.table-box')].some(box => box.scrollWidth > box.clientWidth)"
        assert not page.evaluate(cut), name
        headings = "[...document.querySelectorAll('h1, h2, h3')].filter(e => e.checkVisibility())"
        levels = page.evaluate(f"{headings}.map(e => Number(e.tagName[1]))")
        assert levels.count(1) == 1, name
        assert levels[0] == 1
        assert all(after - before <= 1 for before, after in pairwise(levels)), name


def test_where_less_is_to_move_nothing_scrolls_by(opened, host):
    page = opened(reduced_motion="reduce")
    shows(page, host, "step")
    expect(page.locator(".past").nth(1)).to_be_hidden()
    moving = page.evaluate(
        "[...document.querySelectorAll('*')].filter(e => { const s = getComputedStyle(e);"
        " return s.animationName !== 'none' || parseFloat(s.transitionDuration) > 0; }).length"
    )
    assert moving == 0


def test_the_simulated_chanter_from_the_first_step_to_its_levels(browser, tmp_path):
    """The program itself, its simulated hands doing what the page asks."""
    command = (sys.executable, "-m", "fingerlead.faces.cli.main", "calibrate", "sim", "--page", "--no-browser")
    process = subprocess.Popen(
        [*command, "--folder", str(tmp_path)], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        env={**os.environ, "PYTHONUNBUFFERED": "1"},
    )  # fmt: skip
    try:
        found = re.search(r"http://\S+", process.stdout.readline())
        page = browser.new_page()
        page.goto(found[0])
        page.click("#go")
        expect(page.locator("#step")).to_have_text("Step 2 of 20")
        expect(page.locator("#step")).to_have_text("Step 19 of 20", timeout=300_000)
        expect(page.locator("#result-title")).to_have_text("All eight holes are good.")
        assert list(tmp_path.iterdir()) == []
        page.click("#actions .main")
        expect(page.locator("#result .sentences")).to_contain_text("keeps them")
        assert len(list(tmp_path.glob("*/pupil-*.toml"))) == 2
        page.close()
        process.send_signal(signal.SIGINT)
        _, err = process.communicate(timeout=20)
        assert (process.returncode, err) == (0, "")
    finally:
        process.kill()
        process.communicate()
