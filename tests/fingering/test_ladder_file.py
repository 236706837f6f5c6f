"""A teacher's own rungs: what is derived, what is theirs, and what is refused, where."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fingering.ladder import KEYS, LadderError, ladder, load_ladder, read_ladder
from fingerlead.music.abc import parse_abc

GOOD = """\
# The first month.
[[rung]]
notes = ["low A", "B"]

[[rung]]
notes = ["low A", "B", "C"]
key = "first-run"
name = "The first run"
trains = "Three notes of the bottom hand."
mix = ["low-a-b"]

[[rung]]
notes = ["C", "d"]
abc = '''
X:1
T:My own
M:4/4
L:1/4
K:HP
c d c d | c4 |]
'''
"""


def read(text):
    return read_ladder(text.encode(), "mine.toml")


def test_a_teachers_rungs_stand_in_their_order():
    first, run, own = read(GOOD)
    assert first.key == "low-a-b"
    assert first.notes == (1, 2)
    assert first.mixes == ()
    assert (run.key, run.name, run.trains) == ("first-run", "The first run", "Three notes of the bottom hand.")
    assert (run.out, run.back) == (((1, 2), (2, 3)), ((3, 2), (2, 1)))
    assert (run.mixes, run.group) == (("low-a-b",), "crossing")
    assert own.own
    assert parse_abc(own.abc)[0][0].title == "My own"
    assert not first.own
    assert not run.own


def test_a_rung_of_the_program_and_the_same_in_a_file_are_one():
    text = "".join(f"[[rung]]\nnotes = {list(names(rung))}\n".replace("'", '"') for rung in ladder())
    assert read(text) == ladder()


def names(rung):
    from fingering.notes import NOTES

    return [NOTES[note] for note in rung.notes]


@pytest.mark.parametrize(
    ("bad", "line", "says"),
    [
        ('[[rung]]\nnotes = ["E", "F"]\nnots = 3\n', 3, "expected only the keys notes, key, "),
        ('[[rung]]\nnotes = ["E", "H"]\n', 2, "expected one of low G, low A"),
        ('[[rung]]\nnotes = ["E", "E"]\n', 2, "E twice in a row"),
        ("[[rung]]\nnotes = []\n", 2, "expected 1 to 32 notes; got 0"),
        ('[[rung]]\nnotes = "E"\n', 2, "list of texts"),
        ("[[rung]]\nnotes = [4, 5]\n", 2, "list of texts"),
        ('\n[[rung]]\nname = "x"\n', 2, "notes is missing"),
        ('[[rung]]\nnotes = ["E", "F"]\n[[rung]]\nnotes = ["E", "F"]\n', 3, "each rung's key once"),
        ('[[rung]]\nnotes = ["E", "F"]\nmix = ["e-f"]\n', 3, "stand above this one"),
        ('[[rung]]\nnotes = ["E", "F"]\ndays = [3, 9]\n', 3, "days"),
        ('[[rung]]\nnotes = ["E", "F"]\nmix = 0x' + "f" * 9_000 + "\n", 3, "got a number without end"),
        ('[[rung]]\nnotes = ["E", "F"]\nkey = "E F"\n', 3, "small letters, digits and hyphens"),
        ('[[rung]]\nnotes = ["E", "F"]\nname = "a\\u001b[2Jb"\n', 3, "text on one line"),
        ('[[rung]]\nnotes = ["E", "F"]\nabc = "X:1\\u001b"\n', 3, "cannot be printed"),
        ('[[rung]]\nnotes = ["E", "F"]\nabc = ""\n', 3, "music as text"),
        ('title = "mine"\n[[rung]]\nnotes = ["E", "F"]\n', 1, "only [[rung]] tables; got 'title'"),
        ('[rung]\nnotes = ["E", "F"]\n', 1, "begin with a line [[rung]]"),
        ("[[rung]\n", 1, "expected TOML"),
        ("", None, "at least one rung"),
        ("a = " + "[" * 5_000, None, "nested too deeply"),
        ("#" * 300_000, None, "at most 200000 bytes"),
    ],
)
def test_what_is_wrong_is_told_with_file_line_and_what_was_expected(bad, line, says):
    with pytest.raises(LadderError) as told:
        read(bad)
    assert told.value.line == line
    assert says in told.value.reason
    assert str(told.value).startswith("mine.toml" if line is None else f"mine.toml, line {line}: ")
    assert "\n" not in str(told.value)
    assert "\x1b" not in str(told.value)


def test_files_that_cannot_be_read(tmp_path):
    (tmp_path / "latin.toml").write_bytes('# Übung\n[[rung]]\nname = "Übung"'.encode("latin-1"))
    for name, says in (("none.toml", "cannot be read"), ("", "folder or a device"), ("latin.toml", "UTF-8")):
        with pytest.raises(LadderError, match=says):
            load_ladder(tmp_path / name)
    with pytest.raises(LadderError, match="cannot be read"):
        load_ladder("a\0b")


KEY_LINES = st.builds("{} = {}\n".format, st.sampled_from(KEYS), st.sampled_from(["1", "{}", "[[]]", "''", '["E"]']))


@given(st.text() | st.lists(KEY_LINES).map(lambda lines: "[[rung]]\n" + "".join(lines)))
def test_any_text_makes_rungs_or_one_sentence(text):
    try:
        rungs, told = read(text), ""
    except LadderError as error:
        rungs, told = (), str(error)
    assert rungs or told.startswith("mine.toml")
    assert len(told) < 400
