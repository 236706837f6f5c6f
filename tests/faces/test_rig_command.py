"""`fingerlead rig` as a maker meets it: a table, an object, a page with plots; a bad log is one sentence."""

from __future__ import annotations

import json
import re

import pytest
import typer
from typer.testing import CliRunner

from fingerlead.faces.cli.problem import Problem
from fingerlead.faces.cli.rig import rig
from tests.workbench.rig_logs import Planted, as_csv, as_session, levels_of

PLANTED = Planted(moves=80, lift_us=4_200.0, cover_us=-1_700.0, spread_us=200.0, travels_us=(12_000.0, 40_000.0))


@pytest.fixture
def log(tmp_path):
    path = tmp_path / "top ring.csv"
    path.write_bytes(as_csv(levels_of(PLANTED)))
    return path


def run(*words):
    app = typer.Typer()
    app.command()(rig)
    return CliRunner().invoke(app, [str(word) for word in words])


def problem(*words) -> str:
    found = run(*words).exception
    assert isinstance(found, Problem)
    return str(found)


def test_the_table_has_a_line_for_each_motion_and_speed(log):
    lines = run(log).output.splitlines()
    rows = [re.split(r"  +", line) for line in lines if line.startswith("top ring")]
    assert [row[1:3] for row in rows] == [
        ["lift", "0 to 20 ms"], ["lift", "20 to 60 ms"], ["cover", "0 to 20 ms"], ["cover", "20 to 60 ms"],
    ]  # fmt: skip
    biases = [float(re.search(r"[+-][0-9.]+", line)[0]) for line in lines if line.startswith("top ring")]
    assert biases == pytest.approx([4.2, 4.2, -1.7, -1.7], abs=0.15)
    assert "95 %" in lines[5]
    assert any("`scan`" in line for line in lines)


def test_the_object_is_the_same_in_numbers(log):
    found = json.loads(run(log, "--format", "json").output)
    assert [row["motion"] for row in found["rows"]] == ["lift", "lift", "cover", "cover"]
    assert found["rows"][0]["bias_us"]["value"] == pytest.approx(4_200, abs=150)


def test_the_page_has_plots_and_holds_nothing_from_elsewhere(log, tmp_path):
    page = tmp_path / "rig.html"
    hostile = tmp_path / "<img src=x>.csv"
    hostile.write_bytes(as_csv(levels_of(Planted(hole=0, moves=60), 2)))
    assert run(log, hostile, "-o", page).exit_code == 0
    html = page.read_text()
    assert html.count("<svg") == 4
    assert html.count("<circle") == html.count("<rect") == 2 * (40 + 30)
    # They are hollow, which no style of the page undoes.
    assert all('class="ahead"' in circle and 'fill="none"' in circle for circle in re.findall("<circle[^>]*>", html))
    assert not re.search(r"\.(ahead|behind)\b[^}]*[{; ]fill:", html)
    assert "<img" not in html
    assert "&lt;img src=x&gt;.csv" in html
    assert not re.search(r"(src|href)=", html.replace("&lt;img src=x&gt;", ""))


def test_a_sigrok_session_gives_the_same(log, tmp_path):
    session = tmp_path / "rig.sr"
    session.write_bytes(as_session(levels_of(PLANTED), 81 * 400_000))
    one, other = (json.loads(run(path, "--format", "json").output)["rows"] for path in (log, session))
    for row, same in zip(one, other, strict=True):
        assert row["bias_us"]["value"] == pytest.approx(same["bias_us"]["value"], abs=10)


def test_what_cannot_be_read_is_one_sentence(log, tmp_path):
    bad = tmp_path / "bad.csv"
    bad.write_bytes(b"time_us,hole0\n0,1\n")
    assert problem(bad).startswith(f"{bad}: expected a line `contact`")
    assert "could not be read" in problem(tmp_path / "none.csv")
    assert "could not be read" in problem(tmp_path)
    assert "named twice" in problem(log, log)
    assert "over the log" in problem(log, "-o", log)
    assert "could not be written" in problem(log, "-o", tmp_path / "no" / "rig.html")
