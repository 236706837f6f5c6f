"""The page: whole, self-contained, escaped, and with the numbers of the analysis."""

from __future__ import annotations

import os
import re
import time
from collections import Counter
from datetime import date
from html.parser import HTMLParser
from pathlib import Path

import pytest

from fingering.notes import NOTES
from fingerlead.faces.report.learner import Learner, Played, learner_of_files
from fingerlead.faces.report.page import render
from fingerlead.faces.report.whole import MOST_MOMENTS
from fingerlead.faces.words import ms
from fingerlead.timing.results import Timing
from fingerlead.timing.summary import summarise
from tests.faces.playing import STANDARD, analysed, moved, random_playing, session
from tests.timing.test_pulse import EVEN_TUNE, play_plain

DAY = date(2026, 3, 7)
VOID = {"meta", "br", "link", "img", "input", "hr"}


class Page(HTMLParser):
    """The elements of a page; fails where one is not closed in its order."""

    def __init__(self, html):
        super().__init__()
        self.elements, self._open, self.text = [], [], ""
        self.feed(html)
        self.close()
        assert self._open == []

    def handle_starttag(self, tag, attrs):
        self.elements.append((tag, dict(attrs)))
        if tag not in VOID:
            self._open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.elements.append((tag, dict(attrs)))

    def handle_endtag(self, tag):
        assert self._open.pop() == tag

    def handle_data(self, data):
        if self._open and self._open[-1] not in ("style", "title", "desc"):
            self.text += data


def page_of(*played, **asked):
    return render(Learner(played), DAY, **asked)


def lose(frames):
    return [frame for number, frame in enumerate(frames) if number % 97 != 5]


@pytest.fixture(scope="module")
def mixed():
    return session("mixed", 5, 400, damage=lose)


@pytest.fixture(scope="module")
def html(mixed):
    return page_of(Played("evening.session", mixed))


def plain_text(html):
    return " ".join(Page(html).text.split())


def test_elements_are_closed_ids_are_unique_and_links_lead_somewhere(html):
    elements = Page(html).elements
    ids = Counter(attrs["id"] for _, attrs in elements if "id" in attrs)
    assert max(ids.values()) == 1
    for tag, attrs in elements:
        if tag == "a":
            assert attrs["href"][0] == "#"
            assert attrs["href"][1:] in ids
        for name in ("aria-labelledby", "aria-describedby"):
            assert set(attrs.get(name, "").split()) <= set(ids)


def test_nothing_is_fetched_and_nothing_runs(html):
    elements = Page(html).elements
    assert not {tag for tag, _ in elements} & {"script", "link", "img", "iframe", "object", "base", "form"}
    assert not [attrs for _, attrs in elements if any(name.startswith("on") or name == "src" for name in attrs)]
    assert "http:" not in html
    assert "https:" not in html
    assert "@import" not in html
    assert set(re.findall(r"url\((.)", html)) == {"#"}


def test_every_name_is_escaped_and_kept_apart_from_the_text_around_it():
    name = "<script>alert('&\"')</script>\u202e\n.csv"
    analysis = session("mixed", 5, 60)
    html = page_of(Played(name, analysis), Played("b", analysis))
    assert "<script>" not in html
    assert "&lt;script&gt;" in html
    assert html.count("\u202e") == len(re.findall("<bdi>[^<]*\u202e", html))
    Page(html)
    Page(page_of(Played(name, analysis)))


def test_a_table_of_a_strange_name_is_escaped_too(mixed, monkeypatch):
    monkeypatch.setattr(mixed, "table", type("Table", (), {"name": "</style><b>"})())
    html = page_of(Played("x", mixed))
    assert "</style><b>" not in html


@pytest.mark.skipif(os.name == "nt", reason="file names are no bytes there")
def test_a_file_name_that_is_no_utf_8_is_written_all_the_same(mixed):
    page = render(learner_of_files([(Path(os.fsdecode(b"\xff\xfe.wire")), mixed)], DAY), DAY)
    assert "\ufffd\ufffd.wire" in page


def test_the_grid_has_each_change_with_its_numbers(html, mixed):
    summary = summarise([mixed])
    grid = html[html.index('<table class="grid"') :]
    grid = grid[: grid.index("</table>")]
    rows = re.findall(r"<tr>(.*?)</tr>", grid, re.S)[1:]
    assert len(rows) == len(NOTES)
    for from_note, row in enumerate(rows):
        cells = re.findall(r'<td class="(\w+)">(.*?)</td>', row, re.S)
        assert len(cells) == len(NOTES)
        for to_note, (kind, cell) in enumerate(cells):
            of = summary.by_change.get((from_note, to_note))
            if from_note == to_note:
                assert kind == "same"
            elif of is None or not of.count:
                assert kind == "empty"
            else:
                text = " ".join(re.sub(r"<[^>]*>", "", cell).split())
                often = {"often": ", strays often", "some": ", strays now and then", "none": ""}[kind]
                mark = {"often": "▲ ", "some": "△ ", "none": ""}[kind]
                stray = f", {ms(of.typical_stray_us, mixed.timing.uncertainty_us)} of stray" if of.astray else ""
                share = round(100 * of.clean_share)
                name = f"{NOTES[from_note]} to {NOTES[to_note]}"
                assert text == f"{name}{often}: {mark}{of.count} times, {share} % clean{stray}"
                assert kind == ("often" if of.stands_out else "some" if of.astray else "none")


def test_every_change_has_its_section_and_strips_and_the_worst_stand_open(html, mixed):
    summary = summarise([mixed])
    some = [of for of in summary.by_change.values() if of.count]
    elements = Page(html).elements
    details = [attrs for tag, attrs in elements if tag == "details" and attrs.get("class") != "all"]
    assert len(details) == len(some)
    assert ["open" in attrs for attrs in details] == [True] * 3 + [False] * (len(some) - 3)
    below = Page(html[html.index('<details class="all"') : html.index("</main>")]).elements
    strips = [attrs for tag, attrs in below if tag == "svg"]
    faulty = [of for of in some if of.faults]
    assert 0 < len(faulty) < len(some)
    assert len(strips) == sum(1 if of.worst() == of.typical() else 2 for of in faulty)
    names = re.findall(r"<summary><h3>(.*?)</h3>", html)
    assert names[0] == next(f"{NOTES[of.from_note]} to {NOTES[of.to_note]}" for of in summary.ranked())


def test_what_was_lost_and_left_out_is_told(html, mixed):
    text = plain_text(html)
    assert f"{mixed.record.intake.lost_frames} frames were lost" in text
    verdicts = Counter(change.verdict for change in mixed.changes)
    told = {
        "embellished": "with a grace note or an embellishment in it",
        "extra": "with a note too many",
        "perhaps": "with a very short note beside it that may be a stray",
        "unclear": "that can be read in two ways",
        "uncertain": "uncertain, as something was lost",
    }
    kinds = [f"{verdicts[verdict]} {words}" for verdict, words in told.items() if verdicts[verdict]]
    assert len(kinds) > 2
    assert f"Not counted: {', '.join(kinds[:-1])} and {kinds[-1]}. Sensors see" in text
    assert "each with an uncertainty of its own" in text
    assert "assumed" in text
    assert "strays heard from 10 ms, together within 25 ms" in text
    assert "7 March 2026" in text


def test_lists_of_moments_are_cut_and_say_so():
    states, at_us = [(0, STANDARD[0])], 0
    for turn in range(40):
        at_us += 1_000_000
        states += moved(*(((0, {6: 0, 7: 60_000}), (2, {7: 0, 6: 60_000}))[turn % 2]), at_us)
    text = plain_text(page_of(Played("x", analysed(states))))
    assert f"And {40 - MOST_MOMENTS} more" in text


def test_false_fingerings_are_counted():
    # C with the little finger up, twice.
    wrong = STANDARD[3] & ~(1 << 7)
    states = [(0, STANDARD[0]), (500_000, wrong), (1_000_000, STANDARD[0]), (1_500_000, wrong)]
    html = page_of(Played("x", analysed(states, end_us=2_000_000)))
    text = plain_text(html)
    assert "C: the bottom little should be down." in text
    table = html[html.index("False fingerings, the most") :]
    assert re.findall(r'<td class="num".*?>(.*?)</td>', table[: table.index("</table>")]) == ["2", "1.0"]


def test_several_sessions_stand_side_by_side_and_keep_their_own_uncertainty():
    fine = analysed([(0, STANDARD[0]), *moved(0, {7: 0, 6: 18_000})], Timing("chanter", 2_000, 0, 2_000, "given"))
    coarse = analysed([(0, STANDARD[0]), *moved(0, {7: 0, 6: 33_000})], Timing("host", 12_000, 0, 2_000, "given"))
    html = page_of(Played("fine.session", fine), Played("coarse.mid", coarse))
    text = plain_text(html)
    assert "2 sessions" in text
    assert "lifted 30 ms before the bottom ring, so a low A sounded for 30 ms" in text
    assert "Worst, at 0:00.5 in coarse.mid" in text
    table = html[html.index('id="sessions-h"') : html.index('id="grid-h"')]
    assert re.findall(r"<bdi>(.*?)</bdi>", table) == ["fine.session", "coarse.mid"]


def test_no_playing_makes_a_page_too():
    text = plain_text(page_of(Played("silence", analysed([(0, STANDARD[0])]))))
    assert "Too little was played" in text
    assert "No plain change was played." in text


def test_a_clean_session_says_so_without_praise():
    text = plain_text(page_of(Played("x", session("clean", 1, 300))))
    assert "Nothing stands out" in text
    assert "No stray note was heard." in text


def test_a_very_long_session_makes_a_small_page_in_seconds():
    analysis = random_playing(20_000)
    began_s = time.process_time()
    html = page_of(Played("long", analysis))
    assert time.process_time() - began_s < 20  # it takes two
    assert len(html.encode()) < 2_000_000


def test_golden_page(golden):
    states, at_us = [(0, STANDARD[0])], 0
    for turn in range(8):
        at_us += 1_000_000
        states += moved(0, {7: 0, 6: 12_000 + 2_000 * turn}, at_us)
        at_us += 1_000_000
        states += moved(2, {7: 0, 6: 3_000 * turn}, at_us)
    timing = Timing("chanter", 5_000, 1_000, 3_000, "assumed")
    html = page_of(Played("evening.session", analysed(states, timing)))
    golden("page.html", html.replace("><", ">\n<"))


def test_the_pulse_is_drawn_bar_by_bar_and_told_in_words():
    even = play_plain({5: 0.85, 6: 0.85}).analysis(EVEN_TUNE)
    page = page_of(Played("even", even))
    sheet, picture = re.findall(r'<svg class="pulse".*?</svg>', page, re.DOTALL)
    # The teacher's sheet has the first bars, the rest of the page all of them.
    assert re.findall(r">bar (\d)<", sheet) == list("123456")
    assert "The first bars; 2 more." in page
    assert picture.count("<circle") == picture.count('class="written"') == 32
    assert re.findall(r">bar (\d)<", picture) == list("12345678")
    assert re.findall(r">(rushes|drags) \d+ %<", picture) == ["rushes", "rushes"]
    assert "Bars 5 and 6 rush: " in page
    # A rung without a metronome asks for no beat.
    rung = play_plain().analysis(EVEN_TUNE, kind="rung")
    assert "Pulse and pointing" not in page_of(Played("rung", rung))
