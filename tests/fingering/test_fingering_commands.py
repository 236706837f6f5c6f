"""The commands `moves` and `fingering`."""

from __future__ import annotations

import json

import pytest
import typer
from typer.testing import CliRunner

from fingering.holes import FINGERS
from fingering.moves import moves as all_moves
from fingering.notes import NOTES
from fingerlead.faces.cli.fingering import fingering, moves
from fingerlead.faces.cli.problem import Problem

app = typer.Typer()
app.command()(moves)
app.command()(fingering)


def run(*arguments):
    done = CliRunner().invoke(app, arguments)
    assert done.exit_code == 0, done.output
    return done.output


def test_moves_as_json_has_the_published_form():
    told = json.loads(run("moves", "--format", "json"))
    assert told["schema"] == "fingerlead-moves-1"
    assert set(told) == {"schema", "moves"}
    assert len(told["moves"]) == 72
    fields = [
        "from",
        "to",
        "way",
        "fingers",
        "orders",
        "stray_free_orders",
        "before",
        "must_lead",
        "must_follow",
        "possible_strays",
        "difficulty",
    ]
    for each, move in zip(told["moves"], all_moves(), strict=True):
        assert list(each) == fields
        assert (each["from"], each["to"]) == (NOTES[move.from_note], NOTES[move.to_note])
        assert each["way"] in ("one-way", "crossing")
        assert len(each["must_lead"]) <= 1
        assert len(each["must_follow"]) <= 1
        assert {
            *each["must_lead"],
            *each["must_follow"],
            *(finger for pair in each["before"] for finger in pair),
        } <= set(FINGERS)
        assert set(each["possible_strays"]) <= set(NOTES)
        if each["fingers"] == 1:
            assert each["must_lead"] == each["must_follow"] == each["before"] == []


def test_moves_as_text_has_a_line_for_each_change():
    lines = run("moves").splitlines()
    assert sum(" to " in line.split("  ")[0] for line in lines) == 72
    assert any("low G to E" in line and "top ring" in line and "low A" in line for line in lines)
    assert max(map(len, lines)) <= 125


@pytest.mark.parametrize(
    ("what", "says"),
    [
        ("xxxxxxxo", "sounds low A: the standard fingering"),
        ("XXXX xxxo", "sounds low A: the standard fingering"),
        ("xoxxxxxo", "the high G grace note on low A"),
        ("xxxxxooo", "by a false fingering: the bottom little should be covered."),
        ("ooxxooxx", "the bottom index and the bottom middle should be covered, the top middle and the bottom little"),
        ("oooooooo", "hands are off"),
        ("high a", "oooxxxxo sounds high A"),
        ("g", "xoooxxxo sounds high G"),
    ],
)
def test_a_mask_or_a_note_is_explained(what, says):
    assert says in run("fingering", what)


def test_the_nine_notes_are_shown_and_alternates_on_request():
    assert sum(line.endswith("standard") for line in run("fingering").splitlines()) == 9
    assert "open C" not in run("fingering")
    assert "alternate: open C" in run("fingering", "--alternates")
    assert "an alternate fingering, open C." in run("fingering", "xxxxxooo", "--alternates")


def test_fingering_as_json():
    told = json.loads(run("fingering", "xxxxxooo", "--format", "json"))
    assert told["schema"] == "fingerlead-fingering-1"
    assert told["fingerings"] == [
        {"note": "C", "holes": "xxxxxooo", "fingering": "false", "name": "false C",
         "wrong_fingers": ["bottom little"], "source": None}
    ]  # fmt: skip
    assert len(json.loads(run("fingering", "--format", "json"))["fingerings"]) == 9


@pytest.mark.parametrize("what", ["", "xxxxxxx", "zzz", "H", "x" * 500, "\x1b[2J"])
def test_what_is_neither_mask_nor_note_is_refused_in_one_sentence(what):
    done = CliRunner().invoke(app, ["fingering", what])
    assert isinstance(done.exception, Problem)
    assert "expected eight letters" in str(done.exception)
    assert "\x1b" not in str(done.exception)
    assert len(str(done.exception)) < 300


def test_a_bad_table_is_refused_and_two_tables_are_wrong_usage(tmp_path):
    path = tmp_path / "mine.toml"
    path.write_text('[[row]]\nnote = "F"\nholes = "xxxxxxxx"\nkind = "standard"\nsource = "me"\n')
    done = CliRunner().invoke(app, ["fingering", "--table", str(path)])
    assert isinstance(done.exception, Problem)
    assert f"{path}, line 3: expected holes that sound F" in str(done.exception)
    assert CliRunner().invoke(app, ["fingering", "--table", str(path), "--alternates"]).exit_code == 2
