"""One sheet for a parent, two for the teacher: what stands on them, and what never does."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
from datetime import UTC, date, datetime, timedelta

import pytest
from typer.testing import CliRunner

from fingerlead.faces.cli.main import app
from fingerlead.faces.cli.problem import Problem
from fingerlead.faces.report.compared import Compared
from fingerlead.faces.report.front import MOST_CLEANER, front
from fingerlead.faces.report.learner import GivenPiece, Learner, Played, learner_in
from fingerlead.faces.report.overleaf import MOST_CHANGES
from fingerlead.faces.report.page import render
from fingerlead.faces.report.paper import to_pdf
from fingerlead.faces.report.staff import staff_of, staff_of_rung
from fingerlead.faces.sheet import sheets
from fingerlead.faces.strip_svg import StripPage
from fingerlead.music.abc import parse_abc
from fingerlead.store import session_reading
from fingerlead.store.practice_log import open_progress
from fingerlead.store.session_file import SessionWriter
from fingerlead.studio.homework import give
from fingerlead.studio.index import analysed as studio_analysed
from fingerlead.studio.invented import invented, play_sessions, write_session
from fingerlead.studio.pupils import LONGEST_NAME, LONGEST_REMARK, add_remark
from fingerlead.studio.studio import Studio
from fingerlead.timing.evenings import Side
from fingerlead.timing.summary import summarise
from tests.faces.playing import random_playing
from tests.faces.sheet_tools import needs_lilypond
from tests.studio.studios import playing
from tests.timing.test_pulse import EVEN_TUNE, play_plain

pytestmark = pytest.mark.usefixtures("no_staves")
TODAY = date(2026, 11, 20)
LESSON = "2026-11-06"
NOTE, REMARK, OTHER = "Cries when it goes wrong.", "A remark that is nobody's business.", "Zebedee"


def report(*args):
    return CliRunner().invoke(app, ["report", *map(str, args)])


def plain(html: str) -> str:
    return " ".join(re.sub(r"<style.*?</style>|<[^>]*>", " ", html, flags=re.S).split())


def sheets_of(pdf: bytes, folder) -> list[str]:
    if shutil.which("pdftotext") is None:
        pytest.skip("needs pdftotext of the Debian package poppler-utils")
    (folder / "x.pdf").write_bytes(pdf)
    command = ["pdftotext", "-layout", folder / "x.pdf", "-"]
    return subprocess.run(command, capture_output=True, text=True, check=True).stdout.split("\f")[:-1]


@pytest.fixture(scope="module")
def studio(tmp_path_factory):
    """Orla, who got better, with all that is private beside her; and another pupil."""
    folder, scratch = tmp_path_factory.mktemp("studio"), tmp_path_factory.mktemp("scratch")
    orla = next(each for each in invented() if each.name == "Orla")
    with Studio(folder) as studio:
        key = studio.add("Orla", note=NOTE).key
        for sitting in play_sessions(orla, TODAY)[-18:]:
            studio.take_in(key, write_session(scratch / "one.session", sitting))
            (scratch / "one.session").unlink()
        studio.change(key, lesson=LESSON)
        studio.add(OTHER)
        give(studio.of(key), ["low-g-b"], date.fromisoformat(LESSON), note="Ten minutes, slowly.")
        add_remark(studio.of(key), studio.index.sessions(key)[0].digest, 5, REMARK, TODAY)
        progress = open_progress(studio.of(key) / "practice")
        progress.rung_passed(date(2026, 11, 5), "low-a-b")
        progress.rung_passed(date(2026, 11, 12), "low-g-low-a")
        progress.keep()
        yield studio, studio.of(key)


@pytest.fixture(scope="module")
def parents(studio, tmp_path_factory):
    page = tmp_path_factory.mktemp("page") / "page.html"
    done = report(studio[1], "--for", "parent", "--since", LESSON, "-o", page)
    assert done.exit_code == 0, done.exception
    return page.read_text(encoding="utf-8")


def test_a_parents_page_says_whose_when_and_what_is_cleaner(parents):
    text = plain(parents)
    assert '<h1 id="front-h"><bdi>Orla</bdi></h1>' in parents
    assert re.search(
        r"Since 6 November 2026: \d sessions with \d+ minutes? of playing, on [\d, and]+ November 2026", text
    )
    assert re.search(r"Low G to B: a stray note in \w+ of \d+; before, \d+ of \d+\.", text)
    assert "Passed on the ladder: low G and low A." in text
    assert "Homework : Low G and B." in text
    assert "Ten minutes, slowly." in text
    assert [name.strip() for name in re.findall(r'<p class="kind">(.*?)</p>', parents)] == [
        "Before 6 November 2026",
        "Since then",
    ]


def test_a_parents_page_holds_nothing_private(parents, studio):
    opened, folder = studio
    digests = [session.digest for session in opened.index.sessions()]
    for private in (NOTE, REMARK, OTHER, str(opened.folder), folder.name, *digests):
        assert private not in parents
    assert not re.search("[0-9a-f]{32}", parents)


def test_a_teachers_page_has_the_same_sheet_then_changes_the_worst_first_and_all_folded(studio, parents, tmp_path):
    assert report(studio[1], "--since", LESSON, "-o", tmp_path / "t.html").exit_code == 0
    page = (tmp_path / "t.html").read_text(encoding="utf-8")
    assert plain(parents[parents.index("<main>") : parents.index("</main>")]) in plain(page)
    table = page[page.index("How many changes went astray") :]
    rows = [re.findall(r"<t[hd].*?>(.*?)</t[hd]>", row) for row in re.findall("<tr>(.*?)</tr>", table)][1:]
    assert rows[0][0] == "Low G to B"
    assert rows[0][3] == "better"
    strayed = [int(row[2].partition(" ")[0]) for row in rows if len(row) == 5 and " of " in row[2]]
    assert strayed == sorted(strayed, reverse=True)
    assert '<details class="all">' in page
    assert 'class="grid"' in page[page.index('<details class="all">') :]
    assert not re.search("[0-9a-f]{32}", plain(page))


def test_of_a_studio_a_pupil_is_named_and_a_parent_gets_no_page_of_all(studio, tmp_path):
    folder, page = studio[0].folder, tmp_path / "page.html"
    assert report(folder, "--pupil", "orla", "--for", "parent", "-o", page).exit_code == 0
    text = page.read_text(encoding="utf-8")
    assert "<bdi>Orla</bdi>" in text
    assert OTHER not in text
    for asked, words in ((("--for", "parent"), "of one pupil"), (("--pupil", "Tam"), "there is no Tam")):
        done = report(folder, *asked, "-o", page)
        assert isinstance(done.exception, Problem)
        assert words in str(done.exception)


def test_the_numbers_of_a_pupil_are_of_everything_unless_a_day_divides_them(studio, tmp_path):
    counted = []
    for since in ((), ("--since", LESSON)):
        assert report(studio[1], *since, "-o", tmp_path / "n.json").exit_code == 0
        told = json.loads((tmp_path / "n.json").read_text(encoding="utf-8"))
        counted.append(sum(row["plain"] for row in told["changes"]))
        assert bool(told["progress"]) is bool(since)
    kept = sum(tally.plain for *_, tally in studio[0].index.tallies(studio[1].name))
    assert counted[0] == kept > 0
    assert 0 < counted[1] <= kept


def test_a_pupils_last_lesson_is_the_day_unless_another_is_given(studio, tmp_path):
    page = tmp_path / "page.html"
    assert report(studio[1], "--for", "parent", "-o", page).exit_code == 0
    assert "Since 6 November 2026:" in page.read_text(encoding="utf-8")
    assert report(studio[1], "--for", "parent", "--since", "2026-11-25", "-o", page).exit_code == 0
    text = plain(page.read_text(encoding="utf-8"))
    assert "Nothing was played since 25 November 2026." in text
    assert "Before that: " in text


def test_a_span_before_which_nothing_was_played_is_said(studio, tmp_path):
    page = tmp_path / "page.html"
    assert report(studio[1], "--for", "parent", "--since", "2026-01-01", "-o", page).exit_code == 0
    text = plain(page.read_text(encoding="utf-8"))
    assert "No playing from before that is known here, so nothing can be compared with it yet." in text
    assert "What is cleaner" in text  # rungs are passed since then all the same
    assert "; before, " not in text


def at(path, begun: datetime, seed: int = 3):
    data = playing(seed, 20)
    with SessionWriter(path, "stream", "sim", None, begun) as writer, writer.at_once():
        for start in range(0, len(data), 60):
            writer.append(data[start : start + 60], start * 500)
    return path


def test_a_clock_that_is_wrong_is_said_and_puts_a_session_in_neither_span(tmp_path):
    now = datetime.now(UTC)
    folder = tmp_path / "mine"
    folder.mkdir()
    at(folder / "good.session", now - timedelta(days=2))
    at(folder / "ahead.session", now.replace(year=now.year + 1, day=1))
    at(folder / "lost.session", datetime(1970, 1, 1, 5, tzinfo=UTC))
    page = tmp_path / "page.html"
    for named in ([folder], sorted(folder.glob("*.session"))):
        assert report(*named, "-o", page, "--since", (now - timedelta(days=9)).date().isoformat()).exit_code == 0
        text = plain(page.read_text(encoding="utf-8"))
        assert f"ahead.session is dated 1 {now:%B} {now.year + 1}, which is still to come: look at the clock" in text
        assert "lost.session is dated 1 January 1970, where a clock begins that has lost the time" in text
        assert "1 session with" in text


def test_a_file_that_cannot_be_read_keeps_the_others_of_its_folder_not_away(tmp_path):
    folder = tmp_path / "mine"
    folder.mkdir()
    at(folder / "good.session", datetime.now(UTC) - timedelta(days=2))
    (folder / "bad.session").write_bytes(b"nothing")
    assert report(folder, "-o", tmp_path / "page.html").exit_code == 0
    text = plain((tmp_path / "page.html").read_text(encoding="utf-8"))
    assert "1 of the files cannot be read, or say no day, and are left out." in text
    assert "1 session with" in text


def test_folders_that_cannot_be_reported_on_are_refused_in_a_sentence(tmp_path):
    (tmp_path / "empty").mkdir()
    file = at(tmp_path / "one.session", datetime(2026, 11, 1, tzinfo=UTC))
    for named, words in (([tmp_path / "empty"], "expected sessions"), ([file, tmp_path / "empty"], "is a folder")):
        done = report(*named, "-o", tmp_path / "page.html")
        assert isinstance(done.exception, Problem)
        assert words in str(done.exception)
        assert not (tmp_path / "page.html").exists()


def test_two_pupils_of_one_name_are_told_apart_in_the_numbers(tmp_path):
    with Studio(tmp_path / "studio") as studio:
        for seed, name in enumerate(("Ailsa", "Ailsa", "Bea")):
            studio.take_in(
                studio.add(name).key, at(tmp_path / f"{seed}.session", datetime(2026, 11, 1 + seed, tzinfo=UTC), seed)
            )
    assert report(tmp_path / "studio", "-o", tmp_path / "n.json").exit_code == 0
    who = {row["who"] for row in json.loads((tmp_path / "n.json").read_text(encoding="utf-8"))["changes"]}
    assert len(who) == 3
    assert "Bea" in who
    assert "Ailsa" not in who


def test_a_report_changes_nothing_in_the_folder_so_that_it_may_be_read_only(studio, tmp_path):
    def kept():
        return {path: path.stat().st_mtime_ns for path in studio[1].rglob("*")}

    before = kept()
    assert report(studio[1], "-o", tmp_path / "page.html").exit_code == 0
    assert kept() == before
    refused = report(studio[1], "-o", tmp_path / "nowhere" / "page.html")
    assert "name another file" in str(refused.exception)


def test_a_learners_own_folder_has_its_sessions_and_what_was_passed(tmp_path):
    sessions = tmp_path / "mine" / "sessions"
    sessions.mkdir(parents=True)
    now = datetime.now(UTC)
    for days in (2, 9, 40):
        at(sessions / f"{days}.session", now - timedelta(days=days))
    progress = open_progress(tmp_path / "mine")
    progress.rung_passed(now.date(), "low-g-b")
    progress.keep()
    page = tmp_path / "page.html"
    since = (now - timedelta(days=5)).date().isoformat()
    done = report(tmp_path / "mine", "--for", "parent", "--pupil", "Nuala", "--since", since, "-o", page)
    assert done.exit_code == 0, done.exception
    text = plain(page.read_text(encoding="utf-8"))
    assert "Nuala" in text
    assert text.count("1 session with") == 2
    assert "Passed on the ladder: low G and B." in text


@pytest.fixture(scope="module")
def fullest(tmp_path_factory):
    """More than fits of all that a report may hold: changes, movements, pulse, names, notes and remarks."""
    folder = tmp_path_factory.mktemp("jory")
    jory = next(each for each in invented() if each.name == "Jory")
    sittings = play_sessions(jory, TODAY)
    days = [sittings[number].start.date() for number in (0, -1)]
    grips = [
        Played(f"{day}", studio_analysed(write_session(folder / f"{day}.session", sittings[number]))[1], f"{day}")
        for day, number in zip(days, (0, -1), strict=True)
    ]
    pulse = play_plain({5: 0.85, 6: 0.85}).analysis(EVEN_TUNE)
    before = [Played(f"b{n}", random_playing(700, n), f"2026-10-{n + 1:02}") for n in range(8)]
    since = [Played(f"s{n}", random_playing(700, n, 2_500), f"2026-11-{n + 1:02}") for n in range(1, 16, 2)]
    since += [Played("s", random_playing(700, 20), "2026-11-18"), Played("p", pulse, "2026-11-19")]
    note = " ".join(["slowly and with the bottom hand relaxed"] * 30)[:LONGEST_REMARK]
    keys = [
        "low-g-low-a-b",
        "low-a-top-hand",
        "high-a-top-hand",
        "b-top-hand",
        "taorluaths",
        "crunluaths-slow",
        "birls",
    ]
    return Learner(
        (*before, grips[0], *since, grips[1]),
        "Wilhelmina Montgomery-Featherstonehaugh of the Third Practice Band, the younger"[:LONGEST_NAME],
        "2026-11-01",
        tuple(GivenPiece(key, "2026-11-27", note) for key in keys),
        tuple(keys),
        tuple(keys),
        ("A session is dated 1 January 1970, where a clock begins that has lost the time: look at the clock.",) * 2,
    )


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_a_parent_has_one_sheet_and_a_teacher_two_whatever_is_on_them(fullest, paper, tmp_path):
    pytest.importorskip("weasyprint", reason="needs weasyprint")
    (parents,) = sheets_of(to_pdf(render(fullest, TODAY, "parent"), paper), tmp_path)
    assert parents.count("a stray note in ") == MOST_CLEANER
    assert "And " in parents
    front, over = sheets_of(to_pdf(render(fullest, TODAY, "teacher", "none"), paper), tmp_path)
    assert re.sub(r"1\s*/\s*2\s*$", "", front) == re.sub(r"1\s*/\s*1\s*$", "", parents)
    assert len(re.findall(r"\d+ of \d+ +\d+ of \d+", over)) > MOST_CHANGES
    assert "aorluath on low A" in over
    assert "rush" in over
    size = subprocess.run(["pdfinfo", tmp_path / "x.pdf"], capture_output=True, text=True, check=True).stdout
    assert ("(A4)" if paper == "a4" else "(letter)") in size
    for sheet in (parents, front, over):
        assert "fingerlead, 20 November 2026; strays heard from 10 ms, together within 25 ms" in sheet


def test_the_little_staff_is_engraved_and_named(monkeypatch):
    needs_lilypond()
    monkeypatch.setattr("fingerlead.faces.report.staff.staff_svg", sheets.staff_svg)
    staff_of.__globals__["_engraved"].cache_clear()
    change = staff_of((0, 2))
    assert change.words == "low G, B, low G, B"
    assert "<style" not in change.svg
    assert ' id="' not in change.svg
    assert staff_of(("taorluath", 1)).svg.startswith("<svg")
    assert staff_of(("a movement of a teacher's own", 1)).words == ""
    assert staff_of_rung("low-g").words == ""
    assert staff_of_rung("low-a-top-hand").words.count(",") == 5


def test_a_tunes_staff_is_as_wide_as_a_phone_there_and_as_paper_on_paper():
    needs_lilypond()
    tune = parse_abc(EVEN_TUNE)[0][0]
    wide, narrow = (float(re.search(r'width="([\d.]+)mm"', sheets.staff_svg(tune, width_mm=mm))[1]) for mm in (0, 90))
    assert narrow < 95 < 150 < wide


def test_nothing_is_called_cleaner_but_what_is_told_better(fullest):
    def rows(*verdicts):
        sides = Side(30, 20, 8), Side(30, 2, 8)
        return [Compared((0, note), *sides, verdict, 34, 9) for note, verdict in enumerate(verdicts, 1)]

    def sentences(*verdicts):
        shown = front(fullest, summarise([]), rows(*verdicts), StripPage())
        return shown["cleaner"], shown["not_cleaner"]

    assert sentences("better", "worse", "not enough yet") == (
        ["Low G to low A: a stray note in 2 of 30; before, 20 of 30."],
        [],
    )
    assert sentences("no clear change", "not enough yet")[1] == [
        "No change is clearly cleaner, or less clean, than before."
    ]
    assert sentences("worse", "no clear change")[1] == [
        "Less clean than before: Low G to low A. Nothing is clearly cleaner."
    ]
    assert sentences("not enough yet", "not enough yet")[1] == [
        "It is too early to tell what has changed: for low G to low A, that takes about 40 evenings of playing before "
        "1 November 2026 and as many since."
    ]


def test_of_a_folder_of_years_only_the_span_is_read_and_each_session_once(tmp_path, monkeypatch):
    now = datetime.now(UTC)
    for days in (2, 9, 400, 800):
        at(tmp_path / f"{days}.session", now - timedelta(days=days))
    whole, read = [], session_reading._read
    monkeypatch.setattr(session_reading, "_read", lambda db, path: (whole.append(path.stem), read(db, path))[1])
    learner = learner_in(tmp_path, now.date(), "", lambda path: studio_analysed(path)[1])
    assert len(learner.played) == 2
    assert sorted(whole) == ["2", "9"]
