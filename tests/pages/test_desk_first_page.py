"""The desk's first page: searched, filtered and paged, and homework for many, whatever an address or a form says."""

from __future__ import annotations

import re
from datetime import date, timedelta
from html import unescape

import pytest

from fingerlead.studio.homework import all_set, pieces
from fingerlead.studio.index import IndexedSession
from fingerlead.studio.studio import Studio
from fingerlead.timing.progress import Tally
from tests.pages.test_desk import client_of

TODAY = date(2026, 9, 20)
HOSTILE = '<script>alert("x")</script>'


@pytest.fixture
def desk(tmp_path):
    """A studio of sixty: thirty with something to work on, twenty who do well, ten who have not played."""
    with Studio(tmp_path / "studio") as studio:
        for number in range(60):
            key = studio.add(f"Pupil {number:02}").key
            for evening in range(4 if number < 50 else 0):
                begun = f"{TODAY - timedelta(days=evening)}T18:00:00+00:00"
                session = IndexedSession(f"{key}{evening:020}", key, begun, 60_000_000)
                strays = (30_000,) * (15 if number < 30 else 0)
                studio.index.put(session, [Tally(0, 2, plain=20, strays_us=strays)])
                # What is entered stays as long as its file is there.
                (studio.of(key) / "sessions" / f"{session.digest}.session").touch()
        client = client_of(studio, lambda: TODAY)
        client.studio = studio
        yield client


def names(desk, address: str) -> list[str]:
    answer = desk.get(address)
    assert answer.status_code == 200, answer.text
    return [unescape(name) for name in re.findall(r'<h3 class="name"><a [^>]*><bdi>(.*?)</bdi>', answer.text)]


def test_all_are_reached_page_by_page_and_each_once(desk):
    found, address = [], "/"
    while address:
        page = desk.get(address).text
        shown = names(desk, address)
        assert 0 < len(shown) <= 24
        found += shown
        after = re.search(r'<a href="([^"]*)" rel="next"', page)
        address = unescape(after[1]) if after else ""
    assert sorted(found) == [f"Pupil {number:02}" for number in range(60)]
    assert {name < "Pupil 30" for name in found[:30]} == {True}
    assert found[50:] == [f"Pupil {number}" for number in range(50, 60)]


def test_a_filter_shows_one_group_and_how_many_are_in_each(desk):
    page = desk.get("/").text
    counts = re.findall(r'<a href="([^"]*)"[^>]*>([^<]*) <span class="count">(\d+)', page)
    assert counts == [("/", "All", "60"), ("/?show=needs", "Needs you", "30"), ("/?show=well", "Doing well", "20"),
                      ("/?show=away", "Did not play", "10")]  # fmt: skip
    assert names(desk, "/?show=away") == [f"Pupil {number}" for number in range(50, 60)]
    assert "Has not played yet." in desk.get("/?show=away").text
    assert len(names(desk, "/?show=well")) == 20


def test_a_search_finds_among_all_pupils_and_not_the_shown_page_alone(desk):
    assert names(desk, "/?find=pupil+57") == ["Pupil 57"]
    assert "1 of 60 pupils found" in desk.get("/?find=PUPIL 57").text
    assert names(desk, "/?find=nobody") == []
    answer = desk.get("/", params={"find": HOSTILE}).text
    assert HOSTILE not in answer
    assert "&lt;script&gt;" in answer


@pytest.mark.parametrize(
    "query",
    ["page=0", "page=-1", "page=99", "page=1e9", "page=" + "9" * 4_000, "page=²", "show=x&by=y", "find=" + "x" * 5_000,
     "find=%00%FF", "page=2&page=3", "show=needs&by=fault&page=2", "find=a&find=b", "page="],
)  # fmt: skip
def test_whatever_an_address_asks_for_is_a_page(desk, query):
    assert "Find a pupil" in desk.get(f"/?{query}").text


def test_grouped_by_fault_is_paged_and_searched_too(desk):
    assert len(names(desk, "/?by=fault")) == 24
    assert names(desk, "/?by=fault&find=pupil+03") == ["Pupil 03"]
    assert "by=fault&amp;page=2" in desk.get("/?by=fault").text


def test_pupils_of_one_name_are_told_apart_on_the_page(desk):
    for hand in ("left", "right"):
        desk.studio.add("Bea", hand)
    page = desk.get("/?find=bea").text
    assert "left hand on top" in page
    assert 'aria-label="Tick Bea, right hand on top, for homework"' in page


def test_homework_is_set_for_many_at_once_and_beside_what_stands(desk):
    keys = [pupil.key for pupil in desk.studio.pupils()][:12]
    form = desk.get("/homework", params={"for": keys}).text
    assert form.count(" checked") == 12
    told = {"for": keys, "pieces": ["low-g-b", "heron"], "due": "2026-09-27", "note": "slowly"}
    answer = desk.post("/homework", data=told)
    said = "Set for Pupil 00, Pupil 01, Pupil 02, Pupil 03, Pupil 04, Pupil 05, Pupil 06, Pupil 07 and 4 more pupils: "
    assert said + "low G and B; The Heron Stands Still, until 27 September 2026." in answer.text
    desk.post("/homework", data={"for": keys[0], "pieces": "c-d"})
    standing = [
        [piece.key for piece in pieces(desk.studio.of(key))[0]] for key in (*keys, desk.studio.pupils()[12].key)
    ]
    assert standing == [["c-d", "low-g-b", "heron"], *[["low-g-b", "heron"]] * 11, []]


@pytest.mark.parametrize(
    "told",
    [
        {"pieces": "low-g-b"},
        {"for": "KEY"},
        {"for": ["KEY", "0123456789ab"], "pieces": "low-g-b"},
        {"for": ["KEY", "../../etc"], "pieces": "low-g-b"},
        {"for": "KEY", "pieces": ["low-g-b", HOSTILE]},
        {"for": "KEY", "pieces": "low-g-b", "due": "2026-09-01"},
        {"for": "KEY", "pieces": "low-g-b", "note": "x" * 5_000},
        {"for": ["KEY"] * 1_100, "pieces": "low-g-b"},
    ],
)
def test_homework_for_many_that_is_none_is_refused_whole(desk, told):
    key = desk.studio.pupils()[0].key
    whom = told.get("for", [])
    told["for"] = [key if each == "KEY" else each for each in ([whom] if isinstance(whom, str) else whom)]
    answer = desk.post("/homework", data=told)
    assert (answer.status_code, "Traceback" in answer.text) == (400, False)
    assert [all_set(desk.studio.of(pupil.key)) for pupil in desk.studio.pupils()] == [[]] * 60


def test_a_disk_that_is_full_half_way_says_for_whom_it_is_set(desk, monkeypatch):
    keys = [pupil.key for pupil in desk.studio.pupils()][:3]
    last = desk.studio.of(keys[2])
    (last / "homework.jsonl").mkdir()
    answer = desk.post("/homework", data={"for": keys, "pieces": "low-g-b"})
    assert answer.status_code == 400
    assert answer.text.startswith("set for Pupil 00 and Pupil 01, and not for Pupil 02 and those after: ")


def test_ticks_for_no_pupil_are_passed_over(desk):
    answer = desk.get("/homework", params={"for": ["x", HOSTILE, "0123456789ab"]})
    assert (answer.status_code, HOSTILE in answer.text) == (200, False)
