"""The command line as its users meet it: what it prints, where, and how it ends."""

from __future__ import annotations

import csv
import inspect
import json
import os
import re
import subprocess
import sys
from importlib import import_module
from pathlib import Path

import pytest

from fingering.notes import NOTES
from fingerlead.faces.cli.main import COMMANDS
from fingerlead.library import read
from tests.faces.command_line import ran
from tests.waiting import PATIENCE_S

PROGRAM = Path(sys.executable).with_name("fingerlead")
ROOT = Path(__file__).parents[2]
LISTED = """time_us,holes
0,xxxxxxxx
500000,xxxxxxxo
515000,xxxxxxoo
1000000,xxxxxxoo
1500000,xxxoxxxo
1600000,xxxoxxxo
2000000,xxxoxxxo
"""


def run(*words, **more):
    """As a program of its own; `ran` calls the command in this process, which is sooner done."""
    return subprocess.run([PROGRAM, *map(str, words)], capture_output=True, text=True, timeout=PATIENCE_S, **more)


@pytest.fixture
def listed(tmp_path):
    path = tmp_path / "listed.csv"
    path.write_text(LISTED)
    return path


def test_json_is_as_it_was_published(listed):
    done = run("analyse", listed, "--format", "json")
    assert (done.returncode, done.stderr) == (0, "")
    found = json.loads(done.stdout)
    assert list(found) == [
        "schema", "source", "timing", "intake", "settings", "music", "passes", "off", "notes", "changes", "movements",
        "misread", "pulse", "findings",
    ]  # fmt: skip
    assert found["schema"] == "fingerlead-analysis-2"
    assert found["source"] == {"kind": "csv", "path": str(listed)}
    assert found["timing"] == {
        "clock": "chanter", "uncertainty_us": 1_000, "scan_us": 0, "skew_us": 1_000, "skew": "assumed",
        "corrected": {"edges": "none", "moves": 0, "of": 4, "calibrated": None, "heights": "none"},
    }  # fmt: skip
    assert found["intake"] == {"frames": 7, "bad_frames": 0, "lost_frames": 0, "restarts": 0, "skipped_bytes": 0}
    assert found["settings"] == {
        "steady_us": 40_000, "heard_us": 10_000, "bounce_us": 5_000, "stage_us": 25_000, "correction_us": 250_000,
        "gap_us": 250_000, "table": "standard",
    }  # fmt: skip
    assert (
        found["music"]
        == found["passes"]
        == found["off"]
        == found["movements"]
        == found["misread"]
        == found["findings"]
        == []
    )
    assert found["notes"][0] == {
        "note": "low G", "holes": "xxxxxxxx", "start_us": 0, "end_us": 500_000, "fingering": "standard",
        "wrong_fingers": [], "written": None,
    }  # fmt: skip
    assert found["changes"][0] == {
        "from": "low G", "to": "B", "start_us": 500_000, "end_us": 515_000, "way": "one-way", "lead": "bottom little",
        "spread_us": 15_000,
        "fingers": [
            {"finger": "bottom little", "motion": "lift", "after_start_us": 0, "uncertainty_us": 1_000},
            {"finger": "bottom ring", "motion": "lift", "after_start_us": 15_000, "uncertainty_us": 1_000},
        ],
        "strays": [
            {"note": "low A", "holes": "xxxxxxxo", "start_us": 500_000, "duration_us": 15_000, "heard": True}
        ],
        "slips": [], "verdict": "stray", "stage_us": 25_000, "judged": True, "movement": None, "written": None,
        "because": None,
    }  # fmt: skip
    assert found["changes"][1]["way"] == "crossing"
    assert found["changes"][1]["lead"] is None
    assert found["changes"][1]["because"].startswith("too close to call")


def test_json_says_what_music_was_asked_for_and_where_its_notes_were_played(listed):
    # Low G, B, an E where low G is written, and B again.
    listed.write_text(LISTED + "2500000,xxxxxxoo\n3000000,xxxxxxoo\n")
    done = ran("analyse", listed, "--expect", "low-g-b", "--format", "json")
    assert (done.returncode, done.stderr) == (0, "")
    found = json.loads(done.stdout)
    (music,) = found["music"]
    assert list(music) == ["start_us", "end_us", "kind", "name", "abc", "beat_us", "stage_us", "judged"]
    assert (music["start_us"], music["end_us"], music["kind"], music["judged"]) == (0, 3_000_000, "rung", True)
    (went,) = found["passes"]
    assert (went["music"], went["pass"], went["start_us"], went["reached"]) == (0, 1, 0, 4)
    assert went["right"] == 3
    assert [note["written"] for note in found["notes"]][:2] == [
        {"music": 0, "pass": 1, "index": 0, "bar": 1},
        {"music": 0, "pass": 1, "index": 1, "bar": 1},
    ]
    assert [change["written"] for change in found["changes"]] == [
        {"music": 0, "pass": 1, "index": index} for index in (1, 2, 3)
    ]
    (wrong,) = found["misread"]
    assert wrong == {
        "kind": "wrong", "written": "low G", "note": "E", "start_us": 1_500_000,
        "words": "Bar 2: E instead of low G.",
    }  # fmt: skip


def test_words_name_the_finger_and_the_stray(listed):
    done = ran("analyse", listed)
    assert done.returncode == 0
    assert "The bottom little lifted 15 ms before the bottom ring, so a low A sounded for 15 ms." in done.stdout
    assert "Together, the bottom ring a hair ahead." in done.stdout


def test_words_name_an_embellishment(listed):
    listed.write_text(
        "time_us,holes\n0,xxxxxxxo\n500000,xoxxxxxo\n530000,xoxxxxoo\n540000,xxxxxxoo\n1000000,xxxxxxoo\n"
    )
    done = ran("analyse", listed)
    assert done.returncode == 0
    *_, heading, line = done.stdout.splitlines()
    assert heading == "What was not plain and clean, by the time in the recording:"
    assert line == "  0:00.5  High G grace note on B, 40 ms."


def test_csv_has_a_row_for_each_change(listed):
    rows = ran("analyse", listed, "--format", "csv").stdout.splitlines()
    assert rows[0].split(",")[:4] == ["number", "from", "to", "start_us"]
    assert rows[0] == "number,from,to,start_us,spread_us,way,lead,verdict,stage_us,fingers,strays"
    assert rows[1].startswith("1,low G,B,500000,15000,one-way,bottom little,stray,25000,")
    assert len(rows) == 3


def test_csv_of_movements_says_of_each_what_json_says_of_it(tmp_path):
    table = tmp_path / "own.toml"
    table.write_text(
        '[[movement]]\nname = "=grip, mine"\nsource = "us"\n'
        'notes = { A = "GdG" }\nroles = { d = "grace", other = "catch" }\n'
    )
    tune, played = tmp_path / "tune.abc", tmp_path / "played.csv"
    tune.write_text("X:1\nK:HP\nL:1/4\n{g}A {GdG}A {GdGe}A B|\n")
    low_g, d = "xxxxxxxx", "xxxxoxxx"
    steps = [("xxxxxxxo", 600), ("xoxxxxxo", 11), ("xxxxxxxo", 600)]
    steps += [(low_g, 50), (d, 40), (low_g, 50), ("xxxxxxxo", 600), (low_g, 50), ("xxxxxxxo", 600), ("xxxxxxoo", 600)]
    t_us, lines = 0, ["time_us,holes"]
    for holes, lasts_ms in steps:
        lines.append(f"{t_us},{holes}")
        t_us += 1_000 * lasts_ms
    played.write_text("\n".join([*lines, f"{t_us},{steps[-1][0]}"]) + "\n")
    words = ("analyse", played, "--expect", tune, "--own", table, "--format")
    told = json.loads(ran(*words, "json").stdout)["movements"]
    rows = list(csv.DictReader(ran(*words, "movements-csv").stdout.splitlines()))
    assert any(one["faults"] for one in told)
    assert any(one["name"] == "'=grip, mine" for one in rows)
    for number, (row, one) in enumerate(zip(rows, told, strict=True), 1):
        assert row["number"] == str(number)
        for name in ("name", "written", "verdict", "variant", "start_us", "end_us", "tempo_ratio"):
            assert row[name].removeprefix("'") == str(one[name] if one[name] is not None else "")
        assert [row["from"], row["to"]] == one["between"]
        assert row["notes"] == ";".join(f"{note['note']} {note['duration_us']}" for note in one["notes"])
        faults = [cell.split(":") for cell in row["faults"].split(";") if cell]
        of_json = [(f["kind"], f["note"] + 1, f["finger"], f["size_us"], f["sounded"]) for f in one["faults"]]
        assert faults == [["" if value is None else str(value) for value in fault] for fault in of_json]


def test_a_pipe_gets_plain_text(listed, tmp_path):
    for words in (
        ("analyse", listed),
        ("moves",),
        ("fingering",),
        ("--help",),
        ("report", listed, "-o", tmp_path / "p"),
    ):
        done = run(*words, env={**os.environ, "TERM": "xterm-256color"})
        assert done.returncode == 0
        assert "\x1b" not in done.stdout + done.stderr


def test_moves_are_as_they_were_published():
    found = json.loads(ran("moves", "--format", "json").stdout)
    assert found["schema"] == "fingerlead-moves-1"
    assert len(found["moves"]) == 72
    assert list(found["moves"][0]) == [
        "from", "to", "way", "fingers", "orders", "stray_free_orders", "before", "must_lead", "must_follow",
        "possible_strays", "difficulty",
    ]  # fmt: skip
    by_name = {(move["from"], move["to"]): move for move in found["moves"]}
    up = by_name["low G", "B"]
    assert (up["must_lead"], up["must_follow"]) == (["bottom ring"], ["bottom little"])
    assert (up["before"], up["possible_strays"]) == ([["bottom ring", "bottom little"]], ["low A"])
    assert by_name["B", "C"]["must_lead"] == []


@pytest.mark.parametrize(
    ("runs", "words"),
    [(run, ()), (run, ("juggle",)), (ran, ("analyse",)), (ran, ("analyse", "x", "--format", "xml"))],
)
def test_wrong_usage_ends_with_2(runs, words):
    done = runs(*words)
    assert done.returncode == 2
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize(
    ("runs", "words"),
    [
        (run, ("analyse", "/nowhere/at/all")),
        (ran, ("report", "/nowhere/at/all")),
        (ran, ("live", "/dev/nowhere")),
        (ran, ("record", "/dev/nowhere", "-o", "/tmp/never.session")),
        (ran, ("analyse", "/dev/null")),
        (ran, ("analyse", "/")),
        (ran, ("fingering", "xxxxxxxz")),
        (ran, ("simulate", "--on", "the moon")),
    ],
)
def test_a_problem_is_one_sentence_and_ends_with_1(runs, words):
    done = runs(*words)
    assert done.returncode == 1
    assert "Traceback" not in done.stderr
    assert done.stdout == ""
    assert len(done.stderr.strip().splitlines()) == 1


def test_a_page_that_cannot_be_written_is_named(listed, tmp_path):
    done = ran("report", listed, "-o", tmp_path / "no" / "such" / "page.html")
    assert done.returncode == 1
    assert "page.html" in done.stderr


def test_live_tells_what_the_session_it_keeps_tells_afterwards(tmp_path):
    session, port = tmp_path / "kept.session", None
    simulate = [PROGRAM, "simulate", "--on", "pty", "--pupil", "heavy-crossing", "--changes", "60", "--speed", "20"]
    with subprocess.Popen(simulate, stdout=subprocess.PIPE, text=True) as simulator:
        port = simulator.stdout.readline().removeprefix("listening on ").strip()
        live = subprocess.Popen(
            [PROGRAM, "live", port, "-o", session, "--no-strips"],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        assert simulator.wait(PATIENCE_S) == 0
        live.terminate()
        out, err = live.communicate(timeout=PATIENCE_S)
    assert live.returncode == 0, err
    told = [
        line for line in out.splitlines() if re.match(rf"({'|'.join(n.capitalize() for n in NOTES)}) to ", line, re.I)
    ]
    later = ran("analyse", session, "--format", "csv").stdout.splitlines()[1:]
    assert len(told) == len(later) >= 60
    assert sum("sounded for" in line for line in told) == sum(",stray," in row for row in later) > 5


def test_the_demo_ends_with_a_report(tmp_path):
    done = run("demo", "--folder", tmp_path, "--speed", "60")
    assert done.returncode == 0, done.stderr
    assert "Work on low G to B first" in done.stdout
    page = (tmp_path / "evening.html").read_text()
    assert "Work on low G to B first" in page
    # Its music is known: no short note is left open, as it would be without.
    session = tmp_path / "evening.session"
    assert read(session).asked
    assert "may be meant" not in ran("analyse", session).stdout
    assert "may be meant" in ran("analyse", session, "--expect", "none").stdout
    assert (tmp_path / "evening.truth").exists()


def test_every_command_is_in_the_readme():
    readme = (ROOT / "README.md").read_text()
    for name in COMMANDS:
        assert f"fingerlead {name}" in readme


@pytest.mark.parametrize("name", COMMANDS)
def test_a_line_in_the_list_of_commands_is_the_first_of_its_own_help(name):
    module, line = COMMANDS[name]
    command = getattr(import_module(f"fingerlead.faces.cli.{module}"), name.replace("-", "_"))
    assert inspect.getdoc(command).splitlines()[0] == line


def test_help_imports_nothing_heavy():
    heavy = ("numpy", "serial", "mido", "rich", "jinja2", "lark")
    code = f"import sys, fingerlead.faces.cli.main; print([m for m in {heavy} if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT)
    assert done.stdout.strip() == "[]"
