"""From the ear alone: against every order of the fingers tried one by one."""

from __future__ import annotations

import itertools
import json
import re

import pytest
import typer
from typer.testing import CliRunner

from fingering.diagnosis import changes_with, explain_stray
from fingering.holes import FINGERS, to_text
from fingering.moves import move, moves
from fingering.notes import NOTES
from fingering.orders import rungs_in
from fingering.table import standard_table
from fingering.tunes import easy_tunes
from fingerlead.faces.cli.heard import card_page
from fingerlead.faces.cli.heard import heard as heard_command
from fingerlead.faces.cli.ladder import ladder as ladder_command
from fingerlead.faces.cli.problem import Problem

STANDARD = standard_table().standard
app = typer.Typer()
app.command("heard")(heard_command)
app.command("ladder")(ladder_command)


def run(*arguments):
    done = CliRunner().invoke(app, arguments)
    assert done.exit_code == 0, (done.output, done.exception)
    return done.output


def problem(*arguments):
    done = CliRunner().invoke(app, arguments)
    assert isinstance(done.exception, Problem)
    assert "\n" not in str(done.exception)
    return str(done.exception)


def sounds(text):
    # The rule said again: the topmost open hole names the note.
    names = ("high A", "high G", "F", "E", "D", "C", "B", "low A")
    return names[text.index("o")] if "o" in text else "low G"


def by_brute_force(a, b):
    """The orders that sound each third note, on the written masks."""
    start, end = to_text(STANDARD[a]), to_text(STANDARD[b])
    found = {}
    for order in itertools.permutations([f for f in range(8) if start[f] != end[f]]):
        letters, strays = list(start), set()
        for finger in order:
            letters[finger] = end[finger]
            strays.add(sounds("".join(letters)))
        for stray in strays - {NOTES[a], NOTES[b]}:
            found.setdefault(stray, set()).add(order)
    return found


@pytest.mark.parametrize("change", moves(), ids=lambda m: f"{NOTES[m.from_note]} to {NOTES[m.to_note]}")
def test_all_orders_that_sound_a_stray_and_no_others_are_listed(change):
    a, b = change.from_note, change.to_note
    wanted = by_brute_force(a, b)
    for stray, name in enumerate(NOTES):
        found = explain_stray(a, b, stray)
        if name not in wanted:
            assert found is None
            continue
        listed = [order for way in found.ways for order in way.orders]
        assert set(listed) == wanted[name]
        assert len(listed) == len(set(listed)) == found.orders
        # The sentence says the same orders: each early finger before each late one.
        said = {
            order
            for order in itertools.permutations(change.fingers)
            if all(order.index(e) < order.index(late) for e in found.early for late in found.late)
        }
        assert said == wanted[name]
        assert sorted((*found.early, *found.late, *found.free)) == list(change.fingers)


def test_what_teachers_report():
    # Common practice, no source.
    assert "The bottom little finger went before the bottom ring." in run("heard", "low G", "B", "low A")
    assert "The bottom little finger went before the top ring." in run("heard", "low G", "E", "low A")
    assert "The bottom middle finger went before the bottom ring." in run("heard", "C", "low G", "B")
    bottom_hand = "The bottom index, bottom middle, bottom ring and bottom little fingers"
    assert f"{bottom_hand} all went before the top ring." in run("heard", "D", "E", "low A")
    assert "before the thumb" in run("heard", "low A", "high A", "F")


def test_several_orders_are_listed_by_what_they_sound():
    text = run("heard", "D", "E", "low G")
    assert "12 of the 120 orders" in text
    lines = [line.strip() for line in text.splitlines() if line.startswith("    ")]
    assert len(lines) == len(set(lines)) == 12
    assert all(sorted(line.split(", ")) == sorted(FINGERS[3:]) for line in lines)


def test_json_lists_every_order_of_the_longest():
    told = json.loads(run("heard", "D", "high A", "low A", "--format", "json"))
    assert told["schema"] == "fingerlead-heard-1"
    assert (told["orders"], told["of_orders"]) == (144, 5040)
    assert sum(len(way["orders"]) for way in told["ways"]) == 144


def test_what_cannot_sound_is_said_with_what_can():
    text = problem("heard", "low G", "B", "D")
    assert "D cannot sound between low G and B" in text
    assert "only low A can" in text
    text = problem("heard", "B", "C", "low A")
    assert "no other note can" in text
    assert "B to E" in text
    assert "low A to B" not in text
    assert "third note" in problem("heard", "B", "C", "C")
    assert "two different notes" in problem("heard", "B", "B", "C")
    assert "in quotes" in problem("heard", "low", "G", "B")
    assert len(problem("heard", "x" * 5_000, "B", "C")) < 200


def test_all_strays_are_possible_somewhere_but_d_and_high_a():
    assert {NOTES[note] for note in range(9) if not changes_with(note)} == {"D", "high A"}


@pytest.mark.parametrize("wrong", [[], ["low G"], ["low G", "B"], ["low G", "B", "low A", "--card", "x.html"]])
def test_wrong_usage(wrong):
    assert CliRunner().invoke(app, ["heard", *wrong]).exit_code == 2


def test_the_card_has_every_stray_of_every_change_and_needs_no_network(tmp_path):
    run("heard", "--card", str(tmp_path / "card.html"))
    page = (tmp_path / "card.html").read_text(encoding="utf-8")
    assert page == card_page()
    assert not re.search(r"https?:|<script|<link|url\(", page)
    assert page.count("<i>before</i>") == 1 + sum(len(m.possible_strays) for m in moves())
    assert page.count("<tbody>") == sum(bool(m.possible_strays) for m in moves()) == 56
    assert "bottom little <i>before</i> bottom ring" in page


# --- the command ladder ---


def test_the_ladder_is_listed_and_fits_a_terminal():
    text = run("ladder", "--order", "derived")
    assert sum(bool(re.match(r" ?\d+  [a-z]", line)) for line in text.splitlines()) == len(rungs_in("derived"))
    assert "assumed" in text
    assert "typical" not in text.lower()
    assert max(map(len, text.splitlines())) <= 125
    # The scatter decides the derived order alone, so naming it means that one.
    assert run("ladder", "--scatter", "usual") == text != run("ladder", "--scatter", "calm")


def test_one_rung_whole_and_its_music_alone():
    text = run("ladder", "d-e", "--order", "derived")
    assert "Out, D to E:\n  Together, lift the top ring (a hair ahead) and bottom little and put down" in text
    assert "Back, E to D:\n  Together, lift the bottom index, middle and ring and put down" in text
    assert run("ladder", "28", "--order", "derived") == text
    abc = run("ladder", "d-e", "--abc")
    assert abc.startswith("X:28\nT:D and E\n")
    assert text.rstrip().endswith(abc.rstrip())
    assert run("ladder", "heron", "--abc").startswith("X:101\nT:The Heron")


def test_the_whole_ladder_exports_as_one_book_of_abc():
    from fingerlead.music.abc import parse_abc

    tunes, warnings = parse_abc(run("ladder", "--abc"))
    assert len(tunes) == len(rungs_in()) + len(easy_tunes())
    assert not warnings
    numbers = [tune.number for tune in tunes]
    assert len(numbers) == len(set(numbers))


def test_the_ladder_as_json():
    told = json.loads(run("ladder", "--order", "derived", "--format", "json"))
    assert told["schema"] == "fingerlead-ladder-1"
    assert told["scatter"] == {"level": "usual", "scatter_us": 12_000, "source": "assumed"}
    assert [rung["key"] for rung in told["rungs"]] == [rung.key for rung in rungs_in("derived")]
    rung = next(rung for rung in told["rungs"] if rung["key"] == "low-g-b")
    assert rung["out"] == [
        {
            "from": "low G",
            "to": "B",
            "order": [["bottom ring"], ["bottom little"]],
            "advice": "Together, lift the bottom ring (a hair ahead) and little.",
        }
    ]
    assert rung["back"][0]["order"] == [["bottom little"], ["bottom ring"]]
    assert set(rung["places"]) == {"calm", "usual", "shaky"}


def test_the_taught_order_and_a_rung_of_embellishments():
    text = run("ladder", "--order", "taught")
    assert run("ladder") == text
    assert re.findall(r"^ ?\d+  (\S+)", text, re.MULTILINE) == [rung.key for rung in rungs_in("taught")]
    assert "common practice, no source" in text
    # A key means the same in whatever order.
    assert run("ladder", "low-g-c-d") == f"3. {run('ladder', 'low-g-c-d', '--order', 'derived')}"
    told = json.loads(run("ladder", "doublings-slow", "--order", "taught", "--format", "json"))
    assert (told["order"], told["rungs"][0]["number"]) == ("taught", 20)
    assert told["rungs"][0]["movements"] == ["doubling"]
    text = run("ladder", "doublings-slow", "--order", "derived")
    assert "1 high G: lift the top index and the bottom ring; 2 B: put down the top index; 3 D: lift the" in text
    assert "First: low A and B; high G grace notes; D grace notes." in text


def test_a_teachers_own_rungs_and_what_is_wrong_with_them(tmp_path):
    path = tmp_path / "mine.toml"
    path.write_text('[[rung]]\nnotes = ["low A", "B", "C"]\n')
    assert "low A, B and C" in run("ladder", "1", "--rungs", str(path)).replace("Low", "low")
    assert "places" not in json.loads(run("ladder", "--rungs", str(path), "--format", "json"))["rungs"][0]
    path.write_text('[[rung]]\nnotes = ["low A", "B"]\nnose = 1\n')
    assert f"{path}, line 3: expected only the keys notes" in problem("ladder", "--rungs", str(path))
    path.write_text('[[rung]]\nnotes = ["low A", "B"]\nabc = "X:1\\nK:HP\\nC,"\n')
    assert f"{path}, the music of low-a-b: " in problem("ladder", "--rungs", str(path))
    assert "expected the key of a rung" in problem("ladder", "middle-c")


def test_a_change_to_itself_is_no_change():
    with pytest.raises(ValueError, match="two different notes"):
        explain_stray(3, 3, 1)
    with pytest.raises(ValueError, match="two different notes"):
        move(3, 3)
