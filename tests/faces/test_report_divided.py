"""The report over sessions and pupils: two dates compared, the numbers as CSV and JSON, and the page as PDF."""

from __future__ import annotations

import csv
import io
import json
import re
import shutil
import subprocess
from datetime import date

import pytest
from typer.testing import CliRunner

from fingerlead.faces.cli.main import app
from fingerlead.faces.report.numbers import COLUMNS, Player, as_csv, as_json, rows
from fingerlead.studio.index import analysed
from fingerlead.studio.invented import invented, play_sessions, write_session
from fingerlead.studio.studio import Studio
from fingerlead.timing.progress import Tally
from fingerlead.timing.summary import summarise
from tests.studio.studios import playing, write

pytestmark = pytest.mark.usefixtures("no_staves")
TODAY = date(2026, 11, 20)
DIVIDE = "2026-11-06"


def report(*args):
    return CliRunner().invoke(app, ["report", *map(str, args)])


@pytest.fixture(scope="module")
def sessions(tmp_path_factory):
    """The last weeks of an invented pupil who got better."""
    folder = tmp_path_factory.mktemp("sessions")
    person = next(each for each in invented() if each.name == "Orla")
    return [
        write_session(folder / f"{sitting.start:%Y-%m-%d}.session", sitting)
        for sitting in play_sessions(person, TODAY)
        if sitting.start.date() >= date(2026, 10, 9)
    ]


def test_two_dates_are_compared_with_their_counts(sessions, tmp_path):
    page = tmp_path / "page.html"
    done = report(*sessions, "-o", page, "--since", DIVIDE)
    assert done.exit_code == 0, done.output
    html = page.read_text(encoding="utf-8")
    table = html[html.index('id="divided-h"') :]
    first = re.search(r"<tbody><tr>(.*?)</tr>", table, re.S).group(1)
    cells = [re.sub(r"<[^>]*>", "", cell) for cell in re.findall(r"<t[hd].*?</t[hd]>", first)]
    assert cells[0] == "Low G to B"
    assert cells[4] == "better"
    assert report(*sessions, "-o", tmp_path / "x.json", "--since", DIVIDE).exit_code == 0
    told = json.loads((tmp_path / "x.json").read_text(encoding="utf-8"))["progress"][0]
    assert (told["from"], told["to"], told["movement"], told["verdict"]) == ("low G", "B", None, "better")
    assert told["p"] <= 0.05
    for cell, side, since in zip(cells[1:3], ("before", "since"), (False, True), strict=True):
        mine = [summarise([analysed(path)[1]]) for path in sessions if (path.stem >= DIVIDE) is since]
        of = [own.by_change[0, 2] for own in mine if (0, 2) in own.by_change and own.by_change[0, 2].count]
        tried, astray = sum(one.count for one in of), sum(len(one.astray) for one in of)
        assert cell == f"{astray} of {tried} on {len(of)} evenings"
        assert told[side] == {"sessions": len(of), "tried": tried, "astray": astray}


def test_the_json_says_how_each_change_and_movement_went_since(tmp_path):
    person = next(each for each in invented() if each.name == "Jory")
    files = [write_session(tmp_path / f"{n}.session", one) for n, one in enumerate(play_sessions(person, TODAY)[-3:])]
    day = play_sessions(person, TODAY)[-1].start.date().isoformat()
    assert report(*files, "-o", tmp_path / "x.json", "--since", day).exit_code == 0
    told = json.loads((tmp_path / "x.json").read_text(encoding="utf-8"))
    taorluaths = [each for each in told["progress"] if each["movement"] == "taorluath"]
    assert {each["from"] for each in taorluaths} == {None}
    tried = {(one["movement"], one["on"]): 0 for one in told["movements"]}
    for one in told["movements"]:
        tried[one["movement"], one["on"]] += one["asked"]
    for each in told["progress"]:
        # One evening since, or three a side, decide nothing.
        assert each["verdict"] == "not enough yet"
        assert each["evenings_needed"] >= 4
        if each["movement"]:
            assert each["before"]["tried"] + each["since"]["tried"] == tried[each["movement"], each["to"]]
    assert report(*files, "-o", tmp_path / "all.json").exit_code == 0
    assert json.loads((tmp_path / "all.json").read_text(encoding="utf-8"))["progress"] == []
    done = report(*files, "-o", tmp_path / "x.csv", "--since", day)
    assert "in .json" in str(done.exception)


def test_one_side_alone_is_not_enough_yet(sessions, tmp_path):
    page = tmp_path / "page.html"
    assert report(*sessions[:2], "-o", page, "--since", "2030-01-01").exit_code == 0
    html = page.read_text(encoding="utf-8")
    assert "not enough yet: about" in html
    assert "better</td>" not in html


def test_a_day_that_is_none_is_refused(sessions, tmp_path):
    done = report(sessions[0], "-o", tmp_path / "x.html", "--since", "yesterday")
    assert "expected a day like" in str(done.exception)


def test_the_numbers_are_those_of_the_summary(sessions, tmp_path):
    for ending in ("csv", "json"):
        assert report(*sessions[:3], "-o", tmp_path / f"n.{ending}").exit_code == 0
    told = json.loads((tmp_path / "n.json").read_text(encoding="utf-8"))["changes"]
    read = list(csv.DictReader(io.StringIO((tmp_path / "n.csv").read_text(encoding="utf-8"))))
    assert len(read) == len(told)
    assert list(read[0]) == list(COLUMNS)
    for row, same in zip(told, read, strict=True):
        assert {name: str(value) for name, value in row.items()} == same
    costs = [row["heard_us_a_minute"] for row in told]
    assert costs == sorted(costs, reverse=True)
    for path in sessions[:3]:
        own = summarise([analysed(path)[1]])
        mine = {(row["from"], row["to"]): row for row in told if row["who"] == path.name}
        assert sum(row["plain"] for row in mine.values()) == own.plain
        assert sum(row["heard_us"] for row in mine.values()) == own.heard_us


def test_names_that_a_spreadsheet_would_evaluate_are_harmless():
    hostile = ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", 'plain, "quoted"\nname']
    found = rows([Player(name, 60_000_000, (Tally(0, 1, plain=3),)) for name in hostile])
    for row in csv.DictReader(io.StringIO(as_csv(found), newline="")):
        assert row["who"][0] not in "=+-@\t"
    assert sorted(row["who"] for row in json.loads(as_json(found))["changes"]) == sorted(hostile)


def test_a_whole_studio_is_one_table_and_one_page(tmp_path):
    with Studio(tmp_path / "studio") as studio:
        for name in ("Ailsa", "=Bea"):
            key = studio.add(name).key
            studio.take_in(key, write(tmp_path / f"{name}.session", playing(len(name), 40)))
    assert report(tmp_path / "studio", "-o", tmp_path / "all.csv").exit_code == 0
    read = list(csv.DictReader(io.StringIO((tmp_path / "all.csv").read_text(encoding="utf-8"))))
    assert {row["who"] for row in read} == {"Ailsa", "'=Bea"}
    assert report(tmp_path / "studio", "-o", tmp_path / "all.json", "--since", "2026-11-06").exit_code == 0
    told = json.loads((tmp_path / "all.json").read_text(encoding="utf-8"))["progress"]
    assert {row["who"] for row in told} <= {"Ailsa", "=Bea"}
    assert report(tmp_path / "studio", "-o", tmp_path / "all.html").exit_code == 0
    assert "=Bea" in (tmp_path / "all.html").read_text(encoding="utf-8")


def test_the_pdf_says_what_the_page_says(sessions, tmp_path):
    pytest.importorskip("weasyprint", reason="needs weasyprint")
    if shutil.which("pdftotext") is None:
        pytest.skip("needs pdftotext of the Debian package poppler-utils")
    pdf = tmp_path / "page.pdf"
    done = report(*sessions[:2], "-o", pdf, "--whole")
    assert done.exit_code == 0, done.output
    text = subprocess.run(["pdftotext", "-layout", pdf, "-"], capture_output=True, text=True, check=True).stdout
    assert "Everything, change by change" in text
    summary = summarise(analysed(path)[1] for path in sessions[:2])
    words = " ".join(text.split())
    assert f"{summary.plain} plain changes" in words
    assert "bottom little" in words
