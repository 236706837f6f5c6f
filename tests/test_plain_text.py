"""Text from outside: nothing in it that a terminal obeys, and JSON still says the same."""

from __future__ import annotations

import json
import unicodedata

from hypothesis import given
from hypothesis import strategies as st

from fingerlead.plain_text import plain, plain_line

JOINERS = "\u200c\u200d"
# Of the same category, but seen: they stand before numbers, or above them.
NUMBER_SIGNS = {chr(code) for code in (*range(0x600, 0x606), 0x6DD, 0x70F, 0x890, 0x891, 0x8E2, 0x110BD, 0x110CD)}


@given(st.text(st.characters(exclude_categories=())))
def test_a_line_has_nothing_that_a_terminal_obeys(text):
    line = plain_line(text)
    obeyed = [sign for sign in line if unicodedata.category(sign) in ("Cc", "Cf", "Cs", "Zl", "Zp")]
    assert not set(obeyed) - set(JOINERS) - NUMBER_SIGNS
    assert plain_line(line) == line


@given(st.text(st.characters(exclude_categories=())))
def test_text_keeps_its_lines_and_tabs_and_loses_nothing_else(text):
    assert plain(text).count("\n") == text.count("\n")
    assert plain(text).count("\t") == text.count("\t")
    assert plain(text).replace("\n", "\\n").replace("\t", "\\t") == plain_line(text)


@given(st.recursive(st.text(st.characters(exclude_categories=("Cs",))), st.lists, max_leaves=5))
def test_json_says_the_same_however_it_is_written(value):
    for ascii_only in (True, False):
        assert json.loads(plain(json.dumps(value, ensure_ascii=ascii_only))) == value


def test_every_control_character_and_turn_of_direction_is_written_out():
    controls = [*map(chr, range(0x20)), *map(chr, range(0x7F, 0xA0))]
    turns = [*map(chr, range(0x202A, 0x202F)), *map(chr, range(0x2066, 0x206A)), "\u200e", "\u200f", "\u061c"]
    for sign in (*controls, *turns, "\u2028", "\u2029", "\ufeff", "\udc9b"):
        assert plain_line(sign) == json.dumps(sign)[1:-1].replace("\x7f", "\\u007f")
        assert plain_line(sign).isascii()
        assert plain_line(sign).isprintable()


def test_the_names_of_people_stay_as_they_are():
    for name in ("Màiri NicDhòmhnaill", "Łukasz", "میخواهم\u200cنام", "山田", "👩\u200d🏫", "O'Brien \\ x"):
        assert plain_line(name) == name
