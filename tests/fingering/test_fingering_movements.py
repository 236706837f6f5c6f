"""The table of movements, and the naming of what was played by its sounding notes."""

from __future__ import annotations

import itertools
from collections import Counter

import pytest

from fingering.movements import MovementError, forms_between, movements, own_repertoire
from fingering.notes import ABC_LETTERS, NOTES

ALL = movements()


def spelled(letters):
    return tuple(map(ABC_LETTERS.index, letters))


def named(letters, before, after):
    found = forms_between(*spelled(before + after)).get(spelled(letters))
    return None if found is None else (found.movement.name, found.movement.opening)


def test_every_form_is_one_a_chanter_can_sound():
    for movement in ALL:
        assert movement.source
        assert movement.opening in ("high G", "high A", "none")
        notes = movement.notes + (() if movement.on is None else (movement.on,))
        assert all(a != b for a, b in itertools.pairwise(notes))
        assert movement.opening == "none" or NOTES[movement.notes[0]] == movement.opening


def test_forms_that_sound_alike_are_known_and_settled_by_order():
    alike = [
        ("".join(ABC_LETTERS[note] for note in a.notes), a.name, b.name)
        for a, b in itertools.combinations(ALL, 2)
        if a.notes == b.notes
        and (a.on == b.on or None in (a.on, b.on))
        and (a.after == b.after or None in (a.after, b.after))
    ]
    assert sorted(alike) == [
        ("GAG", "birl", "double strike"),
        ("GBG", "grip", "double strike"),
        ("GdG", "grip", "double strike"),
        ("agf", "thumb strike", "thumb doubling"),
        ("dc", "throw", "half strike"),
        ("gf", "doubling", "half strike"),
    ]


@pytest.mark.parametrize("from_note", range(9))
def test_every_form_is_named_as_itself_unless_another_sounds_alike(from_note):
    for movement in ALL:
        if movement.after not in (None, from_note):
            continue
        for to_note in range(9) if movement.on is None else [movement.on]:
            found, left_out = forms_between(from_note, to_note)[movement.notes]
            assert (found.notes, left_out) == (movement.notes, 0)
            assert ALL.index(found) <= ALL.index(movement)


# Sounding notes of the movements as three public tables of pipe embellishments agree on them, one of them LilyPond's
# bagpipe.ly; ABC 2.1's own example of a taorluath is {GdGe}.
@pytest.mark.parametrize(
    ("letters", "before", "after", "name", "opening"),
    [
        ("gAd", "B", "A", "doubling", "high G"),
        ("gBd", "A", "B", "doubling", "high G"),
        ("gcd", "A", "c", "doubling", "high G"),
        ("gde", "A", "d", "doubling", "high G"),
        ("gef", "A", "e", "doubling", "high G"),
        ("gfg", "A", "f", "doubling", "high G"),
        ("gf", "A", "g", "doubling", "none"),
        ("ag", "e", "a", "doubling", "high A"),
        ("Bd", "g", "B", "half doubling", "none"),
        ("aBd", "g", "B", "thumb doubling", "high A"),
        ("G", "B", "B", "strike", "none"),
        ("gBG", "A", "B", "high G strike", "high G"),
        ("gBeBG", "A", "B", "shake", "high G"),
        ("GdG", "A", "e", "grip", "none"),
        ("GBG", "d", "e", "grip", "none"),
        ("GdGe", "e", "A", "taorluath", "none"),
        ("GdGe", "A", "A", "taorluath", "none"),
        ("GBGe", "d", "A", "taorluath", "none"),
        ("Gdc", "A", "d", "throw", "none"),
        ("GdGc", "A", "d", "heavy throw", "none"),
        ("GdGeAfA", "A", "e", "crunluath", "none"),
        ("GAG", "A", "A", "birl", "none"),
        ("gAGAG", "e", "A", "high G birl", "high G"),
        ("GdGcG", "A", "B", "darodo", "none"),
        ("ged", "A", "B", "cadence", "high G"),
    ],
)
def test_the_movements_of_the_trade(letters, before, after, name, opening):
    assert named(letters, before, after) == (name, opening)


@pytest.mark.parametrize(
    ("letters", "after", "name"),
    [("dG", "e", "grip"), ("dGe", "A", "taorluath"), ("dc", "d", "throw"), ("dGc", "d", "heavy throw"),
     ("dGeAfA", "e", "crunluath"), ("dGcG", "B", "darodo"), ("AGAG", "A", "birl")],
)  # fmt: skip
def test_from_low_g_only_the_second_half_is_heard(letters, after, name):
    assert named(letters, "G", after)[0] == name


def test_single_graces_lead_to_lower_notes():
    for letter, on in [("g", "GABcdef"), ("a", "GABcdefg"), ("d", "GABc"), ("e", "GABcd"), ("f", "GABcde")]:
        grace = ABC_LETTERS.index(letter)
        assert {m.on for m in ALL if m.family == "grace note" and m.notes == (grace,)} == set(spelled(on))
    assert named("g", "A", "e") == ("high G grace note", "high G")
    assert named("d", "B", "A") == ("D grace note", "none")


def test_a_last_note_that_is_the_melody_note_merges_with_it():
    assert named("Ge", "A", "G") == ("E grip", "none")
    assert forms_between(*spelled("AG"))[spelled("Ge")].left_out == 0


def test_the_melody_note_inside_may_be_too_short_to_be_heard():
    assert named("gd", "A", "B") == ("doubling", "high G")
    assert forms_between(*spelled("AB"))[spelled("gd")].left_out == 1


@pytest.mark.parametrize("from_note", range(9))
@pytest.mark.parametrize("to_note", range(9))
def test_what_is_heard_is_the_movement_or_what_is_left_of_it(from_note, to_note):
    for heard, (movement, left_out) in forms_between(from_note, to_note).items():
        assert heard
        assert movement.on in (None, to_note)
        assert movement.after in (None, from_note)
        assert left_out >= 0
        notes = movement.notes
        first, last = notes[0] == from_note, notes[-1] == to_note
        if left_out:
            # The notes that are not heard are some of those around the movement; nothing else is lost.
            assert heard == tuple(note for note in notes if note not in (from_note, to_note))
            assert left_out == len(notes) - len(heard)
        else:
            assert heard in {notes, notes[first:], notes[: len(notes) - last], notes[first : len(notes) - last]}


def test_every_family_of_the_trade_is_there():
    families = Counter(movement.family for movement in ALL)
    trade = [
        "grace note",
        "strike",
        "doubling",
        "shake",
        "grip",
        "throw",
        "taorluath",
        "crunluath",
        "birl",
        "darodo",
        "cadence",
    ]
    assert set(families) == set(trade)


def test_every_note_of_every_form_has_a_range_with_its_source():
    roles = {role for movement in ALL for role in movement.roles}
    assert {role.name for role in roles} == {"grace", "strike", "inner", "catch", "turn", "opening", "held"}
    for role in roles:
        assert role.source.startswith("from memory")
        assert 0 < role.skilled[0] < role.skilled[1]
        assert role.skilled[0] < role.learner[0] < role.learner[1] > role.skilled[1]
    assert all(len(movement.roles) == len(movement.notes) for movement in ALL)


# What a piper remembers of whole movements, in ms: facts of the trade, from memory. Their notes can come to both ends.
@pytest.mark.parametrize(
    ("name", "letters", "skilled", "learner"),
    [
        ("throw", "Gdc", (110, 180), (250, 500)),
        ("grip", "GdG", (90, 150), (250, 400)),
        ("birl", "AGAG", (110, 170), (250, 450)),
        ("taorluath", "GdGe", (130, 220), (300, 600)),
        ("crunluath", "GdGeAfA", (260, 400), (600, 900)),
    ],
)
def test_the_notes_of_a_movement_add_up_to_the_whole(name, letters, skilled, learner):
    movement = next(one for one in ALL if (one.name, one.notes) == (name, spelled(letters)))
    for pace, (least, most) in (("skilled", skilled), ("learner", learner)):
        ends = [sum(getattr(role, pace)[end] for role in movement.roles) for end in (0, 1)]
        assert ends[0] <= 1.2 * least
        assert most <= ends[1]


def test_inner_notes_and_catches_are_named_as_such():
    def roles(name, letters):
        return [role.name for role in next(m for m in ALL if (m.name, m.notes) == (name, spelled(letters))).roles]

    assert roles("doubling", "gAd") == ["grace", "inner", "grace"]
    assert roles("taorluath", "GdGe") == ["catch", "grace", "catch", "grace"]
    assert roles("heavy throw", "GdGc") == ["opening", "grace", "catch", "turn"]
    assert roles("half grip", "dGdG") == ["inner", "catch", "grace", "catch"]
    assert roles("cadence", "ged") == ["grace", "held", "grace"]


OWN = """
[[movement]]
name = "taorluath"
notes = { A = "GBGe" }
roles = { G = "catch", other = "grace" }
source = "my teacher"
"""


def test_a_teacher_s_own_forms_take_the_place_of_those_of_that_name_on_that_note(tmp_path):
    (tmp_path / "own.toml").write_text(OWN)
    mine = own_repertoire(tmp_path / "own.toml").forms
    assert (mine[0].name, mine[0].notes, mine[0].on) == ("taorluath", spelled("GBGe"), 1)
    assert mine[1:] == ALL
    (tmp_path / "any.toml").write_text(OWN.replace("A =", "any ="))
    kept = own_repertoire(tmp_path / "any.toml").forms[1:]
    assert kept == tuple(one for one in ALL if one.name != "taorluath")


ROLE = """
[[role]]
name = "long"
skilled = [100, 200]
learner = [200, 400]
source = "my teacher"
"""


@pytest.mark.parametrize(
    ("was", "becomes", "line", "words"),
    [
        ('A = "GBGe"', 'A = "GBxe"', 10, "letter of GABcdefga; got 'x'"),
        ('A = "GBGe"', 'H = "GBGe"', 10, "letter of GABcdefga; got 'H'"),
        ('A = "GBGe"', '"" = "GBGe"', 10, "letter of GABcdefga; got ''"),
        ('A = "GBGe"', 'A = "GGe"', 10, "has low G twice in a row"),
        ('A = "GBGe"', "A = 3", 10, "expected notes to be a list; got 3"),
        ('A = "GBGe"', 'A = ""', 10, "1 to 12 notes"),
        ("{ A =", "{ A = [1], B =", 10, "letters of GABcdefga; got 1"),
        ("[100, 200]", "[200, 100]", 4, "turn it round"),
        ("[100, 200]", "[-1, 100]", 4, "two lengths in ms"),
        ("[100, 200]", "[nan, 100]", 4, "two lengths in ms"),
        ("[100, 200]", "[true, 100]", 4, "two lengths in ms"),
        ("[200, 400]", "[90, 400]", 5, "a learner to take longer"),
        ('source = "my teacher"\n\n', "\n", 2, "source is missing"),
        ('other = "grace"', 'other = "graces"', 11, "expected a role of"),
        (', other = "grace"', "", 11, "B has none: add other"),
        ('other = "grace"', 'other = "grace", x9 = "grace"', 11, "got 'x9'"),
        ("roles =", "rolls =", 11, "got 'rolls'"),
    ],
)
def test_what_is_wrong_with_a_table_is_said_with_its_line(tmp_path, was, becomes, line, words):
    text = ROLE + OWN
    assert was in text
    (tmp_path / "own.toml").write_text(text.replace(was, becomes, 1))
    with pytest.raises(MovementError) as refused:
        own_repertoire(tmp_path / "own.toml")
    assert words in str(refused.value)
    assert refused.value.line == line


@pytest.mark.parametrize(
    ("was", "becomes", "words"),
    [
        ("A = ", '"' + "A" * 20_000 + '" = ', "expected at most 1000 forms in all; got more: leave some out"),
        ('{ A = "GBGe" }', '{ A = ["GBGe"' + ', "GBGe"' * 1_000 + "] }", "expected at most 1000 forms"),
        ("{ G =", "{ " + "".join(f'd{number} = "catch", ' for number in range(200)) + "G =", "at most 100 roles"),
    ],
)
def test_what_a_table_may_ask_for_has_an_end(tmp_path, was, becomes, words):
    assert was in OWN
    (tmp_path / "own.toml").write_text(OWN.replace(was, becomes))
    with pytest.raises(MovementError, match=words):
        own_repertoire(tmp_path / "own.toml")


def test_of_many_roles_a_sentence_names_some(tmp_path):
    roles = "".join(ROLE.replace("long", f"role number {number}") for number in range(500))
    (tmp_path / "own.toml").write_text(roles + OWN.replace('other = "grace"', 'other = "graces"'))
    with pytest.raises(MovementError, match=r"expected a role of .*…; got 'graces'") as refused:
        own_repertoire(tmp_path / "own.toml")
    assert len(refused.value.reason) < 400


def test_a_table_without_a_movement_is_refused(tmp_path):
    (tmp_path / "own.toml").write_text("")
    with pytest.raises(MovementError, match="there is none"):
        own_repertoire(tmp_path / "own.toml")


def test_a_file_that_is_written_anew_is_read_anew(tmp_path):
    file = tmp_path / "own.toml"
    file.write_text(OWN)
    first = own_repertoire(file)
    assert own_repertoire(file) is first  # so that what was worked out of it is known still
    file.write_text(OWN.replace("GBGe", "GcGe"))
    assert own_repertoire(file).forms[0].notes == spelled("GcGe")
    assert first.between(2, 1)[spelled("GBGe")].movement is first.own[0]
    assert spelled("GcGe") not in forms_between(2, 1)
