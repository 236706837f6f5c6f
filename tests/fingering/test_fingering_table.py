"""The fingering table: the nine standard fingerings, the verdict on all masks, and a user's own file."""

from __future__ import annotations

import os
import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fingering.holes import FINGERS, from_text, to_text
from fingering.notes import HIGH_A, HIGH_G, LOW_A, NOTES, SOUNDING, C, D, E, F
from fingering.table import Table, TableError, grace_masks, load_table, read_rows, standard_table
from fingering.toml_file import SIZE_LIMIT

PLAIN = standard_table()
BOTH = standard_table(alternates=True)

# Common practice, teaching pages agree; written by another hand than the table's, top hand then bottom hand.
CHART = {
    "low G": "1111 1111",
    "low A": "1111 1110",
    "B": "1111 1100",
    "C": "1111 1001",
    "D": "1111 0001",
    "E": "1110 1110",
    "F": "1100 1110",
    "high G": "1000 1110",
    "high A": "0001 1110",
}


def code(text):
    return from_text(text.replace(" ", "").replace("1", "x").replace("0", "o"))


def test_the_nine_standard_fingerings_are_the_charts():
    assert [to_text(mask) for mask in PLAIN.standard] == [to_text(code(CHART[name])) for name in NOTES]
    assert [SOUNDING[mask] for mask in PLAIN.standard] == list(range(9))
    assert BOTH.standard == PLAIN.standard


def test_every_row_has_its_source():
    assert len(PLAIN.rows) == 9
    assert len(BOTH.rows) == 9 + len(BOTH.alternates)
    assert all(len(row.source) > 10 and row.line for row in BOTH.rows)


@pytest.mark.parametrize("table", [PLAIN, BOTH])
def test_all_masks_have_a_verdict(table):
    for mask in range(256):
        verdict = table.verdict(mask)
        assert verdict.note == SOUNDING[mask]
        assert verdict.name
        assert (verdict.fingering == "standard") == (mask in table.standard)
        assert (verdict.fingering == "alternate") == (mask in table.alternates)
        assert (verdict.fingering == "false") == bool(verdict.wrong_fingers)


@pytest.mark.parametrize("table", [PLAIN, BOTH])
def test_putting_the_wrong_fingers_right_gives_the_nearest_fingering_of_the_note(table):
    for mask in range(256):
        verdict = table.verdict(mask, ())
        own = [table.standard[verdict.note], *(m for m, row in table.alternates.items() if row.note == verdict.note)]
        mended = mask ^ sum(1 << finger for finger in verdict.wrong_fingers)
        assert mended in own
        assert len(verdict.wrong_fingers) == min((mask ^ accepted).bit_count() for accepted in own)
        if (mask ^ own[0]).bit_count() == len(verdict.wrong_fingers):
            assert mended == own[0]


# Common practice, and by the topmost open hole: graces are light lifts of one finger, not full fingerings.
GRACES = [
    ("high G", "low A", "1011 1110"),
    ("high G", "E", "1010 1110"),
    ("high G", "D", "1011 0001"),
    ("D", "low G", "1111 0111"),
    ("D", "low A", "1111 0110"),
    ("D", "B", "1111 0100"),
    ("E", "D", "1110 0001"),
    ("high A", "low A", "0111 1110"),
]


@pytest.mark.parametrize(("grace", "on", "holes"), GRACES)
def test_a_lifted_grace_finger_is_a_grace_note(grace, on, holes):
    verdict = PLAIN.verdict(code(holes), (PLAIN.standard[NOTES.index(on)],))
    assert (verdict.fingering, NOTES[verdict.note], verdict.wrong_fingers) == ("grace", grace, ())
    assert PLAIN.verdict(code(holes)).fingering == "grace"


@pytest.mark.parametrize(("on", "note", "holes"), [(C, D, "1111 0001"), (LOW_A, E, "1110 1110"), (E, F, "1100 1110")])
def test_a_grace_note_that_is_a_full_fingering_is_standard(on, note, holes):
    assert code(holes) in grace_masks(PLAIN.standard[on])
    verdict = PLAIN.verdict(code(holes), (PLAIN.standard[on],))
    assert (verdict.fingering, verdict.note) == ("standard", note)


def test_a_grace_note_belongs_to_the_notes_around_it():
    on_low_a = code("1011 1110")
    assert PLAIN.verdict(on_low_a, (PLAIN.standard[LOW_A],)).fingering == "grace"
    assert PLAIN.verdict(on_low_a, (PLAIN.standard[D], PLAIN.standard[HIGH_A])).fingering == "false"


@given(st.integers(0, 255))
def test_graces_are_higher_than_their_note_and_one_finger_away(mask):
    for grace, finger in grace_masks(mask).items():
        assert grace ^ mask == 1 << finger
        assert SOUNDING[grace] > SOUNDING[mask]


def test_all_open_is_never_a_grace_note_or_right():
    assert PLAIN.verdict(0, (1,)).fingering == "false"
    assert PLAIN.verdict(0).note == HIGH_A
    with pytest.raises(ValueError, match="0 to 255"):
        PLAIN.verdict(256)


def test_the_argued_c_is_false_until_alternates_are_switched_on():
    # Editorial, pipesdrums.com, 31 Aug 1999: judges split on C with the little finger open.
    open_c = code("1111 1000")
    assert [FINGERS[f] for f in PLAIN.verdict(open_c).wrong_fingers] == ["bottom little"]
    assert (BOTH.verdict(open_c).fingering, BOTH.verdict(open_c).name) == ("alternate", "open C")


# --- a user's own file ---

NINE = "\n".join(
    f'[[row]]\nnote = "{NOTES[note]}"\nholes = "{to_text(mask)}"\nkind = "standard"\nsource = "mine"\n'
    for note, mask in enumerate(PLAIN.standard)
)
ODD = '[[row]]\nnote = "high G"\nholes = "xooxxxxo"\nkind = "alternate"\nname = "my high G"\nsource = "my teacher"\n'
LINES = NINE.count("\n") + 1  # where a row put after the nine begins, less one


def load(tmp_path, text) -> Table:
    path = tmp_path / "mine.toml"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return load_table(path)


def test_a_users_table_is_read(tmp_path):
    table = load(tmp_path, NINE + "\n" + ODD)
    assert table.name == "mine"
    assert table.standard == PLAIN.standard
    verdict = table.verdict(from_text("xooxxxxo"))
    assert (verdict.fingering, verdict.name, verdict.note) == ("alternate", "my high G", HIGH_G)
    assert [row.line for row in table.rows] == [1, 7, 13, 19, 25, 31, 37, 43, 49, 55]


@pytest.mark.parametrize("form", ["\r\n", "bom"])
def test_a_table_from_another_system_is_read(tmp_path, form):
    text = "\ufeff" + NINE if form == "bom" else NINE.replace("\n", "\r\n")
    assert load(tmp_path, text).standard == PLAIN.standard


def row(**changes):
    keys = {"note": "F", "holes": "xxoxxxxo", "kind": "alternate", "source": "mine", **changes}
    return "[[row]]\n" + "".join(f'{key} = "{value}"\n' for key, value in keys.items() if value is not None)


REFUSED = [
    (row(note="H"), 2, "expected one of low G"),
    (row(holes="xxoxxxx"), 3, "expected eight letters"),
    (row(holes="xxxoxxxo"), 3, "sounds E"),
    (row(note="high A", holes="oooooooo"), 3, "hands off"),
    (row(kind="nice"), 4, "standard"),
    (row(source=None), 1, "source is missing"),
    (row(source=""), 5, "expected source to be text"),
    (row(source="a" * 501), 5, "at most 500"),
    (row(name="\\u001b[2Jgone"), 6, "expected name to be text"),
    (row(colour="red"), 6, "expected only the keys"),
    (row().replace('"F"', "7"), 2, "got 7"),
    (row(holes="xxooxxxo"), 3, "the same holes"),
    (row(kind="standard"), 3, "one standard fingering of F; the row on line 37"),
    ("[[row]]\nnote = \n", 2, "expected TOML"),
    ("[[row]]\nnote = 1979-13-40\n", 2, "expected TOML"),
    ("[[lines]]\nnote = 1\n", 1, "expected only a name"),
]


@pytest.mark.parametrize(("more", "line", "reason"), REFUSED)
def test_a_bad_row_is_refused_with_file_line_and_reason(tmp_path, more, line, reason):
    with pytest.raises(TableError) as refused:
        load(tmp_path, NINE + "\n" + more)
    error = refused.value
    assert error.line == LINES + line
    assert reason in error.reason
    assert str(error) == f"{tmp_path / 'mine.toml'}, line {LINES + line}: {error.reason}"
    assert "\n" not in str(error)
    assert "\x1b" not in str(error)


@pytest.mark.parametrize(
    ("content", "reason"),
    [
        (b"", "none for low G"),
        (NINE.split("[[row]]\n", 1)[1].split("\n\n", 1)[1], "none for low G"),
        (b"\xff\xfe" + NINE.encode("utf-16-le"), "UTF-8"),
        (NINE.encode() + b"# caf\xe9\n", "UTF-8"),
        (b"x = " + b"[" * 40_000, "nested too deeply"),
        (b"row = " + b"9" * 5_000, "expected TOML"),
        (b"row = 3", "begin with a line"),
        (b"row = [1, 2]", "begin with a line"),
        (b"name = 3\n" + NINE.encode(), "expected name to be text"),
        (b"#" * (SIZE_LIMIT + 1), "at most"),
        (b"\0" * 100, "expected TOML"),
        (b'[[row]]\nnote = "low G', "expected TOML"),
    ],
)
def test_a_file_that_is_no_table_is_refused(tmp_path, content, reason):
    with pytest.raises(TableError) as refused:
        load(tmp_path, content)
    assert reason in str(refused.value)
    assert len(str(refused.value)) < 500


def test_rows_on_one_line_are_counted_where_lines_cannot_be_told(tmp_path):
    with pytest.raises(TableError) as refused:
        load(tmp_path, 'row = [{note = "F", holes = "xxxxxxxx", kind = "alternate", source = "mine"}]')
    assert refused.value.line is None
    assert "row 1: expected holes that sound F; xxxxxxxx sounds low G" in str(refused.value)


def test_a_header_inside_a_text_does_not_mislead_the_line_number(tmp_path):
    with pytest.raises(TableError) as refused:
        load(tmp_path, '[[row]]\nnote = "F"\nholes = "xxooxxxo"\nkind = "standard"\nsource = """\n[[row]]\n"""\n')
    assert refused.value.line is None
    assert "row 1: expected source to be text on one line" in str(refused.value)


def test_what_is_not_there_or_not_a_file_is_refused(tmp_path):
    for path in (tmp_path / "none.toml", tmp_path, "a\0b"):
        with pytest.raises(TableError, match=r"cannot be read|this is a folder"):
            load_table(path)
    if hasattr(os, "mkfifo"):
        os.mkfifo(tmp_path / "pipe")
        with pytest.raises(TableError, match="folder or a device"):
            load_table(tmp_path / "pipe")


@settings(max_examples=200)
@given(st.binary(max_size=200) | st.text(max_size=200).map(str.encode), st.integers(0, len(NINE)))
def test_damage_anywhere_gives_a_table_or_a_sentence(junk, at):
    data = NINE.encode()
    damaged = data[:at] + junk + data[at + len(junk) :]
    refused, rows = None, ()
    try:
        _, rows = read_rows(damaged, "mine.toml")
    except TableError as error:
        refused = error
    assert all(SOUNDING[r.covered_mask] == r.note for r in rows)
    if refused is not None:
        assert re.fullmatch(r"mine\.toml(, line \d+)?: .+", str(refused), re.DOTALL)
        assert refused.line is None or 1 <= refused.line <= damaged.count(b"\n") + 1
