"""`fingerlead movements`: the list, one movement on its notes, a card, and what is refused."""

from __future__ import annotations

import json

import pytest

from fingering.movements import movements
from fingering.notes import NOTES, SOUNDING, note_index
from fingerlead.faces.cli.movements import fingers, heard
from tests.faces.command_line import ran
from tests.faces.sheet_tools import needs_lilypond

OWN = """
[[movement]]
name = "taorluath"
notes = { A = "GdGBG" }
roles = { G = "catch", other = "grace" }
source = "my teacher"
"""


def test_the_list_has_every_movement_by_family():
    done = ran("movements")
    assert done.returncode == 0
    names = [line.strip().split("  ")[0] for line in done.stdout.splitlines() if line.startswith("  ")]
    assert sorted(names) == sorted({one.name for one in movements()})


def test_one_movement_says_its_notes_its_fingers_its_lengths_and_its_faults():
    said = ran("movements", "Doubling", "--on", "B", "--after", "E").stdout
    assert "{gBd}B        on B: high G, B and D\n" in said
    assert "sounds         E    g    B    D    B\n" in said
    assert "  bottom index   ▄▄▄▄▄▄▄▄▄▄▄▄▄▄▄─────▄▄▄▄▄\n" in said
    assert "inner: B (alike)             30 to 90  70 to 200\n" in said
    assert "Teachers listen for: swallowed and uneven." in said


def test_a_note_that_sounds_already_is_not_heard_again():
    assert "on any note: D, low G and E\n" in ran("movements", "taorluath", "--after", "low G").stdout


def test_of_a_form_for_the_note_before_and_one_for_any_the_first_is_shown():
    said = ran("movements", "grip", "--after", "D").stdout
    assert "{GBG}" in said
    assert "{GdG}" not in said


@pytest.mark.parametrize("form", movements(), ids=lambda one: f"{one.name} on {one.on} after {one.after}")
def test_the_fingers_shown_sound_the_notes(form):
    for on in range(9) if form.on is None else [form.on]:
        masks = fingers(form, on, None)
        assert [SOUNDING[mask] for mask in masks] == [*heard(form, on, None), on]


def test_as_json_it_has_what_the_table_has():
    told = json.loads(ran("movements", "throw", "--on", "D", "--format", "json").stdout)
    assert told["schema"] == "fingerlead-movements-1"
    forms = [one for one in movements() if one.name == "throw" and one.on == note_index("D")]
    assert [[note["note"] for note in one["notes"]] for one in told["movements"]] == [
        [NOTES[note] for note in one.notes] for one in forms
    ]
    assert all(note["skilled_ms"] < note["learner_ms"] for one in told["movements"] for note in one["notes"])


def test_a_teachers_own_form_stands_in_the_place_of_the_tables(tmp_path):
    path = tmp_path / "own.toml"
    path.write_text(OWN, encoding="utf-8")
    said = ran("movements", "taorluath", "--on", "low A", "--own", path).stdout
    assert "{GdGBG}A" in said
    assert "Source: my teacher." in said
    path = tmp_path / "bad.toml"
    path.write_text(OWN.replace('source = "my teacher"\n', ""), encoding="utf-8")
    done = ran("movements", "--own", path)
    assert done.returncode == 1
    assert f"{path}, line 2" in done.stderr
    assert "source is missing" in done.stderr


def test_a_teachers_own_movement_need_not_name_what_goes_wrong(tmp_path):
    path, card = tmp_path / "own.toml", tmp_path / "card.html"
    path.write_text(
        '[[movement]]\nname = "tap"\nfamily = "strike"\nopening = "none"\nnotes = { A = "G" }\n'
        'roles = { other = "strike" }\nsource = "mine"\n'
    )
    assert "Teachers listen for: nothing named for it." in ran("movements", "tap", "--own", path).stdout
    assert ran("movements", "tap", "--own", path, "--card", "-o", card).returncode == 0
    assert "Nothing named for it." in card.read_text()


def test_a_card_is_one_page_with_staff_and_fingers(tmp_path):
    needs_lilypond()
    path = tmp_path / "card.html"
    done = ran("movements", "birl", "--card", "-o", path, "--paper", "letter")
    assert done.returncode == 0, done.stderr
    page = path.read_text(encoding="utf-8")
    assert "@page { size: letter;" in page
    assert page.count("<h3>on low A</h3>") == len([one for one in movements() if one.name == "birl"])
    assert "http" not in page.replace("http://www.w3.org/", "")


@pytest.mark.parametrize(
    ("words", "code", "says"),
    [
        (["taorlath"], 1, "do you mean taorluath"),
        (["no such thing at all"], 1, "lists them"),
        (["birl", "--on", "E"], 1, "leads to (low A); got E"),
        (["birl", "--on", "H"], 1, "expected one of low G"),
        (["birl", "--card", "-o", "card.txt"], 1, ".html or .pdf"),
        (["--card"], 2, "name the movement"),
        (["--own", "missing.toml"], 1, "missing.toml"),
    ],
)
def test_what_cannot_be_shown_is_refused_in_a_sentence(words, code, says):
    done = ran("movements", *words)
    assert done.returncode == code
    assert says in " ".join(done.stderr.replace("│", "").split())
