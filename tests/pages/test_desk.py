from __future__ import annotations

import io
import json
import re
import sqlite3
import sys
import wave
import zipfile
from contextlib import closing
from datetime import UTC, date, datetime, timedelta
from html import unescape

import pytest

from fingering.notes import NOTES
from fingering.orders import rungs_in
from fingering.tunes import easy_tunes
from fingerlead.faces.pages.desk.charts import progress_svg, week_rows
from fingerlead.faces.pages.desk.pages import furthest_rung
from fingerlead.faces.pages.desk.routes import Desk
from fingerlead.faces.pages.desk.words import tally_sentence
from fingerlead.faces.strip import change_strip, shared_scale
from fingerlead.faces.strip_svg import strip_svg
from fingerlead.library import read
from fingerlead.music.abc import parse_abc
from fingerlead.reading.asked import SessionMusic
from fingerlead.simulated import chanter, play, sensing
from fingerlead.simulated import serve as whole
from fingerlead.simulated.pupil import SimulatedPupil
from fingerlead.simulated.script import Written, tune_script
from fingerlead.store.practice_log import open_progress
from fingerlead.studio.homework import all_set, give
from fingerlead.studio.index import analysed
from fingerlead.studio.invented import Sitting, invented, play_sessions, write_session
from fingerlead.studio.lessons import lessons
from fingerlead.studio.pupils import unread_files
from fingerlead.studio.round import PlayedNow
from fingerlead.studio.studio import Studio
from fingerlead.timing.progress import Tally
from fingerlead.timing.pulse_words import pulse_told
from fingerlead.timing.summary import median_interval, wilson
from tests.full_disk import full_disk
from tests.reading.players import run_player, together_player
from tests.store.playing import music_of, write_playing
from tests.studio.studios import playing, put, rebuild, write

TODAY = date(2026, 9, 20)
HOSTILE = '<script>alert("x")</script> =2+2'


NOTICE = re.compile(r'<p class="notice" role="status">[^<]*</p>')


def words_of_page(page):
    """A page without what differs each time it is made."""
    return re.sub(r'name="(id|sent)" value="\w+"', "", page).split()


def client_of(*desk):
    """A browser at a desk: where a form's answer says where to go next, it goes there."""
    testclient = pytest.importorskip("starlette.testclient", reason="needs httpx")

    class Client(testclient.TestClient):
        def post(self, *told, **named):
            answer = super().post(*told, **named)
            goes_on = answer.status_code == 200 and answer.headers["content-type"] == "application/json"
            return self.get(answer.json()["next"]) if goes_on else answer

    return Client(Desk(*desk).app().inside)


@pytest.fixture
def desk(tmp_path):
    with Studio(tmp_path / "studio") as studio:
        client = client_of(studio, lambda: TODAY)
        client.studio = studio
        yield client


@pytest.fixture
def pupil(desk, tmp_path):
    key = desk.studio.add("Ailsa").key
    for day in range(4):
        path = write(tmp_path / f"{day}.session", playing(day, 60), 4 * day, {"rungs": ["low-g-b"]})
        desk.studio.take_in(key, path)
    return key


def filled_from(desk, key):
    """What the form on a pupil's page says it was filled from."""
    return unescape(re.search(r'name="was" value="([^"]*)"', desk.get(f"/pupil/{key}").text)[1])


def test_a_pupil_is_added_changed_and_deleted_by_forms(desk):
    answer = desk.post("/pupil", data={"name": "Ailsa", "hand_on_top": "right"})
    assert "Ailsa" in answer.text
    (pupil,) = desk.studio.pupils()
    told = {"name": "Ailsa B.", "hand_on_top": "left", "chanter": "the blue one", "note": "a"}
    told["was"] = filled_from(desk, pupil.key)
    assert "the blue one" in desk.post(f"/pupil/{pupil.key}", data=told).text
    wrong = desk.post(f"/pupil/{pupil.key}/delete", data={"name": "Ailsa"})
    assert wrong.status_code == 400
    assert "nothing was deleted" in wrong.text
    desk.post(f"/pupil/{pupil.key}/delete", data={"name": "Ailsa B."})
    assert desk.studio.pupils() == []


def test_a_save_older_than_what_is_stored_is_answered_with_both(desk, pupil):
    was = filled_from(desk, pupil)
    fields = {"name": "Ailsa", "hand_on_top": "left", "chanter": "", "note": ""}
    first = {**fields, "was": was, "note": "first", "chanter": "blue"}
    assert desk.post(f"/pupil/{pupil}", data=first).status_code == 200
    answer = desk.post(f"/pupil/{pupil}", data={**fields, "was": was, "note": "second"})
    assert answer.status_code == 409
    told = answer.json()
    assert told["clashes"] == ["note"]
    assert (told["fields"]["note"], told["stored"]["note"]) == ("second", "first")
    assert told["fields"]["chanter"] == "blue"
    assert desk.studio.pupil(pupil).note == "first"
    both = {**told["fields"], "note": "first\nsecond", **told["hidden"]}
    assert desk.post(f"/pupil/{pupil}", data=both).status_code == 200
    assert desk.studio.pupil(pupil).note == "first\nsecond"
    # A form that does not say what it was filled from is written over nothing.
    assert desk.post(f"/pupil/{pupil}", data={**fields, "note": "third", "was": "["}).status_code == 409
    assert desk.studio.pupil(pupil).note == "first\nsecond"


def test_another_version_of_a_pupil_is_shown_beside_and_one_is_chosen(desk, pupil):
    folder = desk.studio.of(pupil)
    desk.studio.change(pupil, note="here")
    there = (folder / "pupil.json").read_text().replace('"here"', '"<b>there"').replace("Ailsa", "Ailsa B.")
    put(folder / "pupil (conflicted copy).json", there.encode())
    page = desk.get(f"/pupil/{pupil}").text
    assert "&lt;b&gt;there" in page
    section = page[page.index("Another version of this pupil") :]
    shown = {
        name: unescape(re.search(rf'name="{name}" value="([^"]*)"', section)[1]) for name in ("file", "digest", "was")
    }
    chosen = {**shown, "name": "Ailsa B.", "note": "here\r\n\r\nthere"}
    assert "Another version" not in desk.post(f"/pupil/{pupil}/version", data=chosen).text
    assert (desk.studio.pupil(pupil).name, desk.studio.pupil(pupil).note) == ("Ailsa B.", "here\n\nthere")
    assert sorted(path.name for path in folder.glob("*.json")) == ["pupil.json"]
    again = desk.post(f"/pupil/{pupil}/version", data=chosen)
    assert (again.status_code, "has gone" in again.text) == (400, True)


def test_a_folder_that_another_program_changes_is_looked_at_with_each_page(desk, pupil):
    digest = desk.studio.index.sessions(pupil)[0].digest
    path = desk.studio.session_path(digest)
    elsewhere = path.with_name("held apart")
    path.replace(elsewhere)
    elsewhere.replace(desk.studio.folder / "held apart")
    assert digest not in desk.get(f"/pupil/{pupil}").text
    (desk.studio.folder / "held apart").replace(path)
    assert digest in desk.get(f"/pupil/{pupil}").text
    folder = desk.studio.of(pupil)
    folder.replace(folder.with_name("Ailsa <b>"))
    first = desk.get("/").text
    assert "Ailsa &lt;b&gt;: a folder of the pupil Ailsa under another name" in first
    assert f"/pupil/{pupil}" not in first
    gone = desk.post(f"/session/{digest}/remark", data={"at_us": "5", "text": "x"})
    assert (gone.status_code, "expected" in gone.text) == (400, True)


def test_a_remark_sent_twice_because_no_answer_came_is_pinned_once(desk, pupil):
    digest = desk.studio.index.sessions(pupil)[0].digest
    (id,) = re.findall(r'name="id" value="(\w+)"', desk.get(f"/session/{digest}").text)
    for text in ("listen here", "listen here", "and here"):
        page = desk.post(f"/session/{digest}/remark", data={"at_us": "5", "text": text, "id": id}).text
    assert sorted(re.findall(r"<bdi>(listen here|and here)</bdi>", page)) == ["and here", "listen here"]
    assert id not in re.findall(r'name="id" value="(\w+)"', page)


def test_a_remark_too_long_is_refused_in_a_sentence_that_says_the_limit(desk, pupil):
    digest = desk.studio.index.sessions(pupil)[0].digest
    answer = desk.post(f"/session/{digest}/remark", data={"at_us": "5", "text": "\u00e9" * 100_000})
    assert answer.status_code == 400
    assert answer.text == "expected a remark of at most 1000 letters; this one has 100000. Shorten it"


def test_what_a_pupil_went_on_from_unclean_is_told(desk, pupil):
    assert "not yet clean" not in desk.get(f"/pupil/{pupil}").text
    progress = open_progress(desk.studio.of(pupil) / "practice")
    for key in ("low-g-b", "<script>alert", "low-a-b"):
        progress.rung_left(date(2026, 3, 1), key)
    progress.rung_passed(date(2026, 3, 2), "low-a-b")
    progress.keep()
    told = desk.get(f"/pupil/{pupil}").text
    assert "Gone on from, and not yet clean: &lt;script&gt;alert; low G and B." in told


def test_what_people_wrote_stays_text(desk, pupil, tmp_path):
    desk.studio.change(pupil, name=HOSTILE, note=HOSTILE, chanter=HOSTILE)
    digest = desk.studio.index.sessions(pupil)[0].digest
    desk.post(f"/session/{digest}/remark", data={"at_us": "5", "text": HOSTILE})
    desk.post(f"/pupil/{pupil}/homework", data={"pieces": "low-g-b", "note": HOSTILE})
    for page in ("/", "/?by=fault", f"/pupil/{pupil}", f"/session/{digest}"):
        text = desk.get(page).text
        assert "<script>alert" not in text, page
        assert "&lt;script&gt;alert" in text, page


def test_a_pupils_report_is_one_page_for_a_parent_and_more_for_the_teacher(desk, pupil):
    desk.studio.change(pupil, note="For the teacher alone.")
    links = re.findall(rf'href="(/pupil/{pupil}/report[^"]*)"', desk.get(f"/pupil/{pupil}").text)
    assert len(links) == 2
    parent, teacher = (desk.get(unescape(link)).text for link in links)
    for text in (parent, teacher):
        assert "Ailsa" in text
        assert "Since 2" in text
        assert "For the teacher alone." not in text
        assert str(desk.studio.folder) not in text
    assert "went astray, the worst first" not in parent
    assert "went astray, the worst first" in teacher
    for query in ("for=nobody", "for=parent&since=soon"):
        assert desk.get(f"/pupil/{pupil}/report?{query}").status_code == 400
    refused = desk.get(f"/pupil/{pupil}/report.pdf?for=parent&paper=napkin")
    assert refused.status_code == 400
    assert "expected paper a4 or letter" in refused.text


def test_a_pupil_who_played_nothing_has_a_report_that_says_so(desk):
    key = desk.studio.add("Bea").key
    sheet = desk.get(f"/pupil/{key}/report?for=parent").text
    assert "Nothing was played since" in sheet
    assert "Too little was played" in sheet
    desk.post(f"/pupil/{key}/homework", data={"pieces": "low-g", "note": "Cover all eight."})
    sheet = desk.get(f"/pupil/{key}/report?for=parent").text
    assert "Low G alone" in sheet
    assert "Too little was played" not in sheet
    assert "compared" not in sheet


def test_the_report_as_pdf_and_without_weasyprint_a_sentence(desk, pupil, monkeypatch):
    pytest.importorskip("weasyprint", reason="needs weasyprint")
    address = f"/pupil/{pupil}/report.pdf?for=parent&paper=letter"
    answer = desk.get(address)
    assert answer.headers["content-type"] == "application/pdf"
    assert answer.content.startswith(b"%PDF")
    monkeypatch.setitem(sys.modules, "weasyprint", None)
    refused = desk.get(address)
    assert refused.status_code == 400
    assert "pip install 'fingerlead[pdf]'" in refused.text


def test_sessions_are_sent_in_and_refused_by_name(desk, pupil, tmp_path):
    good = write(tmp_path / "sent.session", playing(9, 20), 9)
    again = ("files", ("again.session", good.read_bytes()))
    bad = ("files", ("<b>bad", b"nothing"))
    answer = desk.post(f"/pupil/{pupil}/take-in", files=[("files", ("good.session", good.read_bytes())), again, bad])
    assert "good.session: taken in" in answer.text
    assert "again.session: this session is in the studio already" in answer.text
    assert "&lt;b&gt;bad: expected a session" in answer.text
    assert len(desk.studio.index.sessions(pupil)) == 5


@pytest.mark.parametrize(
    ("statement", "told"),
    [("UPDATE music SET body = '{}'", "a damaged one"), ("UPDATE music SET format = 9", "use a newer fingerlead")],
)
def test_a_session_whose_music_cannot_be_read_says_so_though_it_is_kept_without(desk, tmp_path, statement, told):
    path = write(tmp_path / "sent.session", playing(9, 20), 9)
    at_once = write_playing(tmp_path / "music.session", run_player(0, 3, 20_000, 1), (0, music_of([0, 3])))
    with closing(sqlite3.connect(at_once)) as db, db:
        db.execute(statement)
    key = desk.studio.add("Ailsa").key
    for file in (path, at_once):
        assert desk.studio.take_in(key, file).outcome == "new"
    problem = read(at_once).music_problem
    assert told in problem
    pages = [desk.get(f"/session/{each.digest}").text for each in desk.studio.index.sessions(key)]
    assert [problem in unescape(page) for page in pages].count(True) == 1
    # Sent in again whole, its music counts and there is nothing to say.
    whole = write_playing(tmp_path / "whole.session", run_player(0, 3, 20_000, 1), (0, music_of([0, 3])))
    assert desk.studio.take_in(key, whole).outcome == "new"
    pages = [desk.get(f"/session/{each.digest}").text for each in desk.studio.index.sessions(key)]
    assert len(pages) == 2
    assert not any("cannot be read" in page for page in pages)


def test_a_passage_that_is_opened_says_what_is_not_as_written(desk, tmp_path):
    played = together_player([0, 3, 1, 4, 2, 5] * 2, 10_000, 3)
    path = write_playing(tmp_path / "a.session", played, (0, music_of([0, 3, 1, 8, 2, 5] * 2)))
    key = desk.studio.add("Ailsa").key
    digest = desk.studio.take_in(key, path).digest
    page = desk.get(f"/session/{digest}/message", params={"first": 2, "last": 6}).text
    message = re.search(r"<textarea[^>]*>(.*?)</textarea>", page, re.S).group(1)
    opened = desk.post("/message", data={"text": message}).text
    assert "Not as written" in opened
    assert "Bar 1: D instead of high A." in opened
    whole = re.search(
        r"<textarea[^>]*>(.*?)</textarea>",
        desk.get(f"/session/{digest}/message", params={"first": 5, "last": 6}).text,
        re.S,
    ).group(1)
    assert "Not as written" not in desk.post("/message", data={"text": whole}).text


def test_a_session_that_is_sent_again_with_its_music_is_read_anew(desk, tmp_path):
    played = together_player([0, 3, 1, 4, 2, 5] * 2, 10_000, 3)
    key = desk.studio.add("Ailsa").key

    def message_of(*music):
        sent = write_playing(tmp_path / f"{len(music)}.session", played, *music)
        digest = desk.studio.take_in(key, sent).digest
        return digest, desk.get(f"/session/{digest}/message", params={"first": 2, "last": 6}).text

    (digest, plain), (again, with_music) = message_of(), message_of((0, music_of([0, 3, 1, 8, 2, 5] * 2)))
    assert digest == again
    assert plain != with_music


def test_a_passage_says_of_each_embellishment_how_it_was_played(desk, tmp_path):
    person = next(each for each in invented() if each.movement)
    sitting = next(iter(play_sessions(person, TODAY)))
    digest = desk.studio.take_in(
        desk.studio.add(person.name).key, write_session(tmp_path / "one.session", sitting, person.rungs)
    ).digest
    page = desk.get(f"/session/{digest}/message", params={"first": 1, "last": 16}).text
    message = re.search(r"<textarea[^>]*>(.*?)</textarea>", page, re.S).group(1)
    opened = desk.post("/message", data={"text": message}).text
    spoilt, of_all = map(int, re.search(r"(\d+) of (\d+) \(.*?\) were not as written", opened).groups())
    assert 0 < spoilt < of_all
    assert opened.count("(not quite as written)") == spoilt
    assert opened.count("Taorluath on low A") == of_all
    assert "not counted with the plain changes" not in opened


def test_what_went_astray_once_is_not_called_typical():
    assert "1 of 4 astray, for 30 ms" in tally_sentence(Tally(0, 2, plain=4, strays_us=(30_000,)))
    assert "2 of 4 astray, typically for 30 ms" in tally_sentence(Tally(0, 2, plain=4, strays_us=(30_000,) * 2))


def test_the_furthest_rung_has_a_number_where_it_is_that_of_the_list_beside_it():
    taught, derived = rungs_in(), rungs_in("derived")
    assert furthest_rung({rung.key for rung in taught[:2]}) == f"2, {taught[1].name}"
    assert furthest_rung({rung.key for rung in derived[:6]}) == derived[5].name
    assert furthest_rung(set()) == ""


def test_remarks_are_pinned_and_taken_back(desk, pupil):
    digest = desk.studio.index.sessions(pupil)[0].digest
    page = desk.post(f"/session/{digest}/remark", data={"at_us": "2500000", "text": "listen here"}).text
    assert "listen here" in page
    (back,) = re.findall(rf"/session/{digest}/remark/(\w+)/back", page)
    assert "listen here" not in desk.post(f"/session/{digest}/remark/{back}/back").text
    assert desk.post(f"/session/{digest}/remark", data={"at_us": "soon", "text": "x"}).status_code == 400


def test_a_stretch_is_heard_at_a_speed(desk, pupil):
    digest = desk.studio.index.sessions(pupil)[0].digest
    told = desk.get(f"/session/{digest}.json").json()
    assert told["edges"][0][0] == 0
    for speed, seconds in ((1, 2), (0.25, 8)):
        asked = {"from_us": 1_000_000, "until_us": 3_000_000, "speed": speed}
        answer = desk.get(f"/session/{digest}.wav", params=asked)
        with wave.open(io.BytesIO(answer.content)) as sound:
            assert sound.getnframes() / sound.getframerate() == pytest.approx(seconds, abs=0.1)


def test_a_passage_travels_from_one_studio_to_another_as_text(desk, pupil, tmp_path):
    digest = desk.studio.index.sessions(pupil)[0].digest
    page = desk.get(f"/session/{digest}/message", params={"first": 3, "last": 12}).text
    message = re.search(r"<textarea[^>]*>(.*?)</textarea>", page, re.S).group(1)
    with Studio(tmp_path / "other") as other:
        there = client_of(other, lambda: TODAY)
        quoted = "Ann: look here\n" + "\n".join(f"> {line}" for line in message.splitlines()) + "\nthanks"
        opened = there.post("/message", data={"text": quoted})
        assert opened.status_code == 200
        strips = re.compile(r'<svg class="strip".*?</svg>', re.S)
        mine = strips.findall(opened.text)
        analysis = analysed(desk.studio.session_path(digest))[1]
        drawn = [change_strip(analysis.changes[n], analysis.timing) for n in range(2, 12)]
        wanted = [strip_svg(strip, shared_scale(drawn), f"strip-{n}") for n, strip in enumerate(drawn, 1)]
        assert mine == wanted
        source = str(opened.url.path)
        told = there.get(f"{source}.json").json()
        heard = there.get(f"{source}.wav", params={"from_us": 0, "until_us": told["edges"][-1][0], "speed": 0.5})
        assert heard.content.startswith(b"RIFF")
        other_letter = "A" if message[-30] != "A" else "B"
        spoilt = there.post("/message", data={"text": message[:-30] + other_letter + message[-29:]})
        assert spoilt.status_code == 400
        assert "expected" in spoilt.text


@pytest.mark.parametrize("query", ["first=x&last=2", "first=0&last=2", "first=5&last=2", "first=1&last=99999"])
def test_a_passage_that_is_none_is_refused(desk, pupil, query):
    digest = desk.studio.index.sessions(pupil)[0].digest
    answer = desk.get(f"/session/{digest}/message?{query}")
    assert answer.status_code == 400
    assert "expected" in answer.text


@pytest.mark.parametrize(
    "query",
    [
        "from_us=x",
        "from_us=5&until_us=5",
        "from_us=0&until_us=99000000000",
        "until_us=60000000&speed=0.05",
        "until_us=1" + "0" * 400,
        "until_us=1000000&speed=7",
        "speed=nan",
    ],
)
def test_a_stretch_that_is_none_is_refused(desk, pupil, query):
    digest = desk.studio.index.sessions(pupil)[0].digest
    answer = desk.get(f"/session/{digest}.wav?{query}")
    assert answer.status_code == 400
    assert "expected" in answer.text


@pytest.mark.parametrize(
    "path",
    ["/pupil/%2e%2e", "/pupil/0123456789ab", "/session/abc", "/session/abc.wav", "/static/routes.py", "/message/abc"],
)
def test_what_is_not_there_is_a_sentence(desk, path):
    answer = desk.get(path)
    assert answer.status_code in (400, 404)
    assert "Traceback" not in answer.text


def test_everything_of_a_pupil_goes_out(desk, pupil):
    with zipfile.ZipFile(io.BytesIO(desk.get(f"/pupil/{pupil}/all.zip").content)) as bundle:
        assert sum(name.endswith(".session") for name in bundle.namelist()) == 4


def test_the_homework_sheet_is_a_pdf(desk, pupil):
    pytest.importorskip("lilypond", reason="needs the package lilypond")
    assert desk.get(f"/pupil/{pupil}/homework.pdf").status_code == 400
    desk.post(f"/pupil/{pupil}/homework", data={"pieces": ["low-g-b", "heron"], "note": "slowly"})
    answer = desk.get(f"/pupil/{pupil}/homework.pdf")
    assert answer.content.startswith(b"%PDF")


def test_weeks_in_numbers_have_their_intervals():
    strays_us = (10_000, 12_000, 20_000, 22_000, 30_000, 34_000, 40_000)
    by_week = {"2026-09-14": Tally(0, 2, plain=8), "2026-09-07": Tally(0, 2, plain=10, strays_us=strays_us)}
    first, second = week_rows(by_week)
    low, high = median_interval(strays_us)
    assert first["week"] == "7 Sep"
    assert first["share"].startswith("7 of 10 (")
    assert first["length"] == f"22 ms ({low // 1_000} to {high // 1_000})"
    assert second["length"] == "none"
    assert week_rows({"2026-09-07": Tally(0, 2, plain=3, strays_us=(9_000,))})[0]["length"].endswith("interval)")


def test_a_chart_draws_its_numbers():
    weeks = ["2026-09-07", "2026-09-14", "2026-09-21"]
    by_week = {"2026-09-07": Tally(0, 2, plain=10, strays_us=(20_000,) * 7), "2026-09-21": Tally(0, 2, plain=8)}
    svg = progress_svg("low G to B", by_week, weeks, "2026-09-10", "n")
    dots = re.findall(r'cx="([\d.]+)" cy="([\d.]+)" r="3" class="dot" data-week="([\d-]+)" data-share="([\d.]+)"', svg)
    assert [(week, float(share)) for *_, week, share in dots] == [("2026-09-07", 0.7), ("2026-09-21", 0.0)]
    (x0, y0, *_), (x1, y1, *_) = dots
    assert float(x0) < float(x1)
    rules = [float(y) for y in re.findall(r'<path d="M42 ([\d.]+)H', svg)]
    zero, _, whole = rules
    assert float(y1) == zero
    assert float(y0) == pytest.approx(zero + 0.7 * (whole - zero), abs=0.1)
    low, high = wilson(7, 10)
    ends = re.search(rf'M{x0} ([\d.]+)V([\d.]+)" class="interval"', svg)
    assert [float(end) for end in ends.groups()] == pytest.approx(
        [zero + share * (whole - zero) for share in (low, high)], abs=0.1
    )
    assert "7 of 10 astray" in svg


class Passed:
    """A chanter passed round that only remembers who was asked for."""

    def __init__(self):
        self.now = self.sentence = ""
        self.playing = PlayedNow()

    def next(self, key):
        self.now = key


@pytest.fixture
def passed(desk, tmp_path):
    there = client_of(desk.studio, lambda: TODAY, passed := Passed())
    there.studio, there.passed = desk.studio, passed
    return there


def test_the_chanter_goes_round_by_name_and_is_put_down(passed):
    keys = [passed.studio.add(name).key for name in ("Bea", "ailsa", "Catriona")]
    for key in (keys[1], keys[0], keys[2], keys[1]):
        page = passed.get("/").text
        (following,) = re.findall(r'name="key" value="(\w+)"><button data-key="n"', page)
        assert following == key
        answer = passed.post("/next", data={"key": following})
        assert passed.passed.now == key
        assert f"{passed.studio.pupil(key).name} has the chanter." in answer.text
    assert passed.post("/next", data={"by": "fault"}).url.query == b"by=fault"
    assert passed.passed.now == ""
    assert "No pupil has the chanter" in passed.get("/round.json").json()["order"]["who"]


def test_what_is_played_and_who_is_next_go_to_the_page_as_text(passed):
    keys = [passed.studio.add(name).key for name in ("Bea", "ailsa", HOSTILE)]
    names = {each.key: each.name for each in passed.studio.pupils()}
    _, analysis = analysed(write(passed.studio.folder / "a.session", playing(1, 60)))
    stray = next(change for change in analysis.changes if change.verdict == "stray")
    passed.passed.playing = PlayedNow(stray.to_note, (analysis.changes[0], stray))
    passed.passed.now = keys[0]
    told = passed.get("/round.json").json()
    assert told["note"] == NOTES[stray.to_note]
    assert [each["astray"] for each in told["late"]] == [False, True]
    assert told["late"][1]["text"].endswith(" in between")
    order = [names[each["key"]] for each in (told["order"]["before"], told["order"]["next"])]
    assert order == [names[keys[1]], names[keys[2]]] == ["ailsa", HOSTILE]
    assert passed.get("/round.json", params={"known": keys[0]}).json()["order"] is None
    other = passed.studio.add("Bea", "right").key
    order = passed.get("/round.json").json()["order"]
    shown = {each["key"]: each["name"] for each in (order["next"], order["before"], *order["then"])}
    assert order["who"] == "Bea (left hand on top) has the chanter."
    assert shown[other] == "Bea (right hand on top)"
    page = passed.get("/").text
    assert f'<span id="round-note">{told["note"]}<' in page
    assert f'<li class="astray">{told["late"][1]["text"]}</li>' in page
    assert "<script>alert" not in page


def test_what_is_wrong_with_the_chanter_is_told_on_the_page(passed):
    passed.studio.change(passed.studio.add("x").key, name=HOSTILE)
    passed.passed.sentence = "the port <b> is not there"
    page = passed.get("/").text
    assert "The port &lt;b&gt; is not there" in page
    assert "<script>alert" not in page
    assert "is not there" in passed.get("/round.json").json()["trouble"]
    assert passed.post("/next", data={"key": "0123456789ab"}).status_code == 400
    assert passed.passed.now == ""


def test_without_a_chanter_no_pupil_plays_next(desk):
    desk.studio.add("Ailsa")
    assert 'id="round"' not in desk.get("/").text
    assert "no chanter is listened to" in desk.post("/next", data={"key": ""}).text


def test_files_that_cannot_be_read_are_told_at_a_glance(desk, pupil):
    digest = desk.studio.index.sessions(pupil)[0].digest
    path = desk.studio.session_path(digest)
    path.chmod(0o600)
    path.write_bytes(b"rot")
    rebuild(desk.studio)
    assert "1 file cannot be read" in desk.get("/").text
    assert "expected a session" in desk.get(f"/pupil/{pupil}").text
    assert desk.get(f"/session/{digest}").status_code == 400


@pytest.mark.parametrize("day", [-700_000, -4_000, 40, 2_900_000])
def test_a_session_of_another_age_leaves_the_pictures_alone(desk, pupil, tmp_path, day):
    pictures = re.findall(r'<svg class="progress".*?</svg>', desk.get(f"/pupil/{pupil}").text, re.S)
    taken = desk.studio.take_in(pupil, write(tmp_path / "odd.session", playing(9, 60), day))
    page = desk.get(f"/pupil/{pupil}")
    assert re.findall(r'<svg class="progress".*?</svg>', page.text, re.S) == pictures
    assert taken.digest in page.text
    assert desk.get(f"/session/{taken.digest}").status_code == 200


def test_days_that_only_a_wrong_clock_can_say_are_told_and_count_nowhere(desk, pupil, tmp_path):
    def told():
        text = desk.get(f"/pupil/{pupil}").text
        return text[text.index("<header>") : text.index("</header>")], re.findall(r"<table.*?</table>", text, re.S)

    first, (header, tables) = desk.get("/").text, told()
    for number, day in enumerate((365, -20_000)):
        desk.studio.take_in(pupil, write(tmp_path / f"odd{number}.session", playing(9 + number, 60), day))
    header_now, tables_now = told()
    sentence = "2 sessions say 29 November 1971 and 1 September 2027: the clock was wrong. They count in no"
    assert sentence in header_now
    assert re.sub(rf"<p>{sentence}[^<]*</p>", "", header_now).split() == header.split()
    assert tables_now == tables
    assert desk.get("/").text == first


def refuse_to_write(monkeypatch):
    """As where the folder is on a disk that is read-only."""

    def refused(*told, **named):
        raise OSError(30, "Read-only file system")

    for where in ("index_file.open_private", "pupils.write_whole", "pupils.append_line", "lessons.append_line"):
        monkeypatch.setattr(f"fingerlead.studio.{where}", refused)


def test_a_studio_that_cannot_be_written_to_is_looked_at_and_says_so(desk, pupil, monkeypatch):
    pages = ["/", f"/pupil/{pupil}", f"/session/{desk.studio.index.sessions(pupil)[0].digest}"]
    before = [words_of_page(desk.get(page).text) for page in pages]
    desk.studio.close()
    told = "cannot be written to: Read-only file system. All of it can be looked at; what is typed"
    refuse_to_write(monkeypatch)
    with Studio(desk.studio.folder) as studio:
        there = client_of(studio, lambda: TODAY)
        texts = [there.get(page).text for page in pages]
        assert [told in text for text in texts] == [True, True, False]
        assert [words_of_page(NOTICE.sub("", text)) for text in texts] == before
        for address, form in (
            ("/pupil", {"name": "Bea"}),
            (f"/pupil/{pupil}", {"name": "Ailsa", "note": "x"}),
            (f"/pupil/{pupil}/lesson", {"day": "2026-09-13", "note": "x"}),
            (f"{pages[2]}/remark", {"at_us": "5", "text": "x"}),
        ):
            answer = there.post(address, data=form)
            assert (answer.status_code, "Read-only file system" in answer.text) == (500, True), address
        # It can be written to again: nothing need be begun anew.
        monkeypatch.undo()
        assert told not in there.get("/").text
        assert there.post(f"{pages[2]}/remark", data={"at_us": "5", "text": "kept"}).status_code == 200
    with Studio(desk.studio.folder) as studio:
        assert len(studio.index.sessions(pupil)) == 4


def test_a_studio_on_a_full_disk_is_looked_at_and_loses_nothing(desk, pupil):
    desk.studio.close()
    with full_disk(), Studio(desk.studio.folder) as studio:
        there = client_of(studio, lambda: TODAY)
        assert "cannot be written to" in there.get("/").text
        assert there.get(f"/pupil/{pupil}").status_code == 200
        note = {"name": "Ailsa", "note": "x", "was": filled_from(there, pupil)}
        assert there.post(f"/pupil/{pupil}", data=note).status_code == 500
    with Studio(desk.studio.folder) as studio:
        assert studio.pupil(pupil).note == ""
        assert len(studio.index.sessions(pupil)) == 4


def test_a_full_disk_and_a_damaged_index_are_sentences(desk, pupil, monkeypatch):
    def full(*told, **named):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("fingerlead.studio.homework.append_line", full)
    given = desk.post(f"/pupil/{pupil}/homework", data={"pieces": "low-g-b"})
    assert (given.status_code, "No space left" in given.text) == (500, True)
    monkeypatch.setattr("pathlib.Path.mkdir", full)
    assert "No space left" in desk.post("/pupil", data={"name": "Bea"}).text
    monkeypatch.undo()
    desk.studio.index.db.execute("DROP TABLE result")
    for path in ("/", f"/pupil/{pupil}"):
        answer = desk.get(path)
        assert (answer.status_code, "--rebuild" in answer.text) == (500, True)


@pytest.mark.parametrize("told", ["9" * 4_000, "-5", "9" * 5_000, "1e3", ""])
def test_a_remark_belongs_into_its_session(desk, pupil, told):
    digest = desk.studio.index.sessions(pupil)[0].digest
    assert desk.post(f"/session/{digest}/remark", data={"at_us": told, "text": "x"}).status_code == 400
    assert desk.get(f"/session/{digest}").status_code == 200


def outcomes(desk, pupil) -> dict[str, str]:
    """Of the homework on the pupil's page: what came of each piece, by its name."""
    section = desk.get(f"/pupil/{pupil}").text.partition('id="homework-h"')[2].partition("</section>")[0]
    told = re.findall(r'<b class="came \w+">(\w+)</b> <bdi>(.*?)</bdi>(.*)', section)
    return {name: came + re.sub("<.*", "", rest) for came, name, rest in told}


def test_homework_says_what_came_of_each_piece(desk, pupil, tmp_path):
    desk.post(f"/pupil/{pupil}/homework", data={"pieces": ["low-g-b", "heron"], "due": "2026-09-27"})
    assert outcomes(desk, pupil) == {"low G and B": "untouched", "The Heron Stands Still": "untouched"}
    late = write(tmp_path / "late.session", playing(9, 20), 19, {"rungs": ["low-g-b"]})
    desk.studio.take_in(pupil, late)
    assert outcomes(desk, pupil)["low G and B"] == "tried, practised on 1 day"
    progress = open_progress(desk.studio.of(pupil) / "practice")
    progress.rung_passed(TODAY, "low-g-b")
    progress.keep()
    told = outcomes(desk, pupil)
    assert told["low G and B"] == "done, practised on 1 day, clean on 20 September 2026"
    assert told["The Heron Stands Still"] == "untouched"
    assert "until 27 September 2026" in desk.get(f"/pupil/{pupil}").text


def test_nothing_is_chosen_beforehand_and_what_was_set_stays_until_it_is_taken_off(desk, pupil):
    page = desk.get(f"/pupil/{pupil}").text
    assert 'name="pieces" value="low-g-b"' in page
    assert not re.search(
        r"<(input|option)[^>]* (checked|selected)", page.partition('id="homework-h"')[2].partition("<h2")[0]
    )
    for piece in ("low-g-b", "c-d"):
        desk.post(f"/pupil/{pupil}/homework", data={"pieces": piece})
    assert list(outcomes(desk, pupil)) == ["C and D", "low G and B"]
    page = desk.post(f"/pupil/{pupil}/homework/off", data={"piece": "c-d"}).text
    assert list(outcomes(desk, pupil)) == ["low G and B"]
    assert 'aria-label="Put C and D back"' in page
    desk.post(f"/pupil/{pupil}/homework/on", data={"piece": "c-d"})
    assert sorted(outcomes(desk, pupil)) == ["C and D", "low G and B"]
    for way, piece in (("on", "c-d"), ("off", "heron"), ("off", ""), ("on", "x" * 60_000)):
        assert desk.post(f"/pupil/{pupil}/homework/{way}", data={"piece": piece}).status_code == 400


@pytest.mark.parametrize(
    "told",
    [
        {},
        {"pieces": ["<b>" * 5_000]},
        {"pieces": ["low-g-b", "no such rung"]},
        {"pieces": "low-g-b", "due": "2026-09-19"},
        {"pieces": "low-g-b", "due": "2027-12-31"},
        {"pieces": "low-g-b", "due": "soon"},
        {"pieces": "low-g-b", "note": "x" * 1_001},
    ],
)
def test_homework_that_is_none_is_refused_whole(desk, pupil, told):
    answer = desk.post(f"/pupil/{pupil}/homework", data=told)
    assert (answer.status_code, "expected" in answer.text) == (400, True)
    assert all_set(desk.studio.of(pupil)) == []


def test_a_lesson_is_written_down_changed_and_taken_back(desk, pupil):
    lesson = f"/pupil/{pupil}/lesson"
    desk.post(lesson, data={"day": "2026-09-06", "note": "birls"})
    page = desk.post(lesson, data={"day": "2026-09-13", "note": HOSTILE}).text
    assert "<script>alert" not in page
    assert page.index("<h3>13 September 2026") < page.index("<h3>6 September 2026") < page.rindex(">birls<")
    assert desk.studio.pupil(pupil).lesson == "2026-09-13"
    last, first = lessons(desk.studio.of(pupil))
    desk.post(lesson, data={"day": "2026-09-05", "note": "grips", "instead_of": first.id})
    assert [each.note for each in lessons(desk.studio.of(pupil))] == [last.note, "grips"]
    desk.post(f"{lesson}/{last.id}/back")
    assert desk.studio.pupil(pupil).lesson == "2026-09-05"
    assert "Put the lesson of 13 September 2026 back" in desk.get(f"/pupil/{pupil}").text
    desk.post(f"{lesson}/{last.id}/on")
    assert desk.studio.pupil(pupil).lesson == "2026-09-13"
    for way in (f"{last.id}/back", f"{first.id}/back", f"{first.id}/on", "x/back"):
        assert desk.post(f"{lesson}/{way}").status_code == 400


@pytest.mark.parametrize(
    "told",
    [
        {},
        {"day": "2026-09-21"},
        {"day": "1066-10-14"},
        {"day": "2026-02-30"},
        {"day": "2026-09-09", "note": "x" * 4_001},
        {"day": "2026-09-09", "instead_of": "0" * 12},
    ],
)
def test_a_lesson_that_is_none_is_refused(desk, pupil, told):
    answer = desk.post(f"/pupil/{pupil}/lesson", data=told)
    assert (answer.status_code, "expected" in answer.text) == (400, True)
    assert lessons(desk.studio.of(pupil)) == []


def test_a_lesson_says_what_was_set_and_what_came_of_it_until_the_next(desk, pupil, tmp_path):
    folder = desk.studio.of(pupil)
    give(folder, ("low-g-b", "c-d"), date(2026, 9, 2))
    progress = open_progress(folder / "practice")
    progress.rung_passed(date(2026, 9, 4), "low-a-b")
    progress.rung_passed(date(2026, 9, 12), "c-d")
    progress.keep()
    for day in ("2026-09-02", "2026-09-10"):
        desk.post(f"/pupil/{pupil}/lesson", data={"day": day})
    page = unescape(desk.get(f"/pupil/{pupil}").text).partition('id="lessons-h"')[2]
    later, earlier = page.partition("<h3>10 September")[2].split("<h3>2 September")
    assert "Became clean after this lesson: C and D." in later
    assert "Became clean after this lesson: low A and B." in earlier
    assert '<b class="came tried">tried</b> <bdi>low G and B</bdi>, practised on 2 days' in earlier
    assert '<b class="came untouched">untouched</b> <bdi>C and D</bdi>' in earlier


def test_a_damaged_pupil_has_a_page_on_which_a_name_is_written_anew(desk, pupil):
    (desk.studio.of(pupil) / "pupil.json").write_bytes(b"\x00")
    assert "damaged" in desk.get(f"/pupil/{pupil}").text
    told = {"name": "Ailsa", "hand_on_top": "left", "chanter": "", "note": ""}
    assert desk.post(f"/pupil/{pupil}", data=told).status_code == 200
    assert desk.studio.pupil(pupil).name == "Ailsa"


def test_a_session_with_a_beat_says_its_pulse_in_words(desk, tmp_path):
    key = desk.studio.add("Ailsa").key
    tune = next(tune for tune in easy_tunes() if not tune.movements)
    notes = [Written(note.note, note.length) for note in parse_abc(tune.abc)[0][0].played()]
    performance = play.perform(SimulatedPupil(), tune_script(notes, 2_400_000), 3)
    data = whole.wire_bytes(performance, chanter.setup_for(3), sensing.sensors("usual"))
    asked = SessionMusic("tune", tune.key, tune.abc)
    path = write_session(tmp_path / "a.session", Sitting(datetime(2026, 11, 1, tzinfo=UTC), data, asked))
    digest = desk.studio.take_in(key, path).digest
    page = desk.get(f"/session/{digest}").text
    (told,) = pulse_told(analysed(path)[1])
    assert told[1][0].startswith("The beat, fitted")
    for sentence in told[1]:
        assert f"<li>{sentence}</li>" in page


def test_a_long_history_of_lessons_is_turned_by_pages(desk, pupil):
    folder, many = desk.studio.of(pupil), 60
    lines = [
        json.dumps(
            {"id": f"{n:012x}", "day": f"{date(2020, 1, 1) + timedelta(n)}", "note": f"Note {n}.", "instead_of": []}
        )
        for n in range(many)
    ]
    (folder / "lessons.jsonl").write_text("".join(f"{line}\n" for line in lines))
    page = desk.get(f"/pupil/{pupil}").text
    assert page.count('name="instead_of"') == 6
    assert f'href="/pupil/{pupil}/lessons"' in page
    told = []
    for number in (1, 2, 3):
        shown = desk.get(f"/pupil/{pupil}/lessons?page={number}").text
        told += re.findall(r"private\">(Note \d+\.)", shown)
        assert f"Page {number} of 3" in shown
    assert told == [f"Note {n}." for n in range(many)][::-1]
    # Whatever is asked for, a page there is.
    for odd in ("99", "0", "-1", "x", "9" * 40):
        assert desk.get(f"/pupil/{pupil}/lessons?page={odd}").status_code == 200


@pytest.mark.parametrize("name", ["lessons.jsonl", "homework.jsonl", "remarks.jsonl", "practice/practised.jsonl"])
def test_a_file_of_which_nothing_is_read_is_told_and_left_as_it_is(desk, pupil, name):
    path = desk.studio.of(pupil) / name
    path.parent.mkdir(exist_ok=True)
    with path.open("wb") as file:
        file.truncate((1 << 26) + 1)
    page = unescape(desk.get(f"/pupil/{pupil}").text)
    assert f"{name}: expected a file of at most 64 MB: nothing of it is read. Nothing of it is lost" in page
    assert path.stat().st_size == (1 << 26) + 1


def test_a_file_of_too_many_lines_is_told(tmp_path):
    (tmp_path / "lessons.jsonl").write_bytes(b"1\n" * ((1 << 20) + 1))
    (told,) = unread_files(tmp_path)
    assert "at most 1048576 lines: nothing of it is read" in told
