from __future__ import annotations

import re

from hypothesis import given
from hypothesis import strategies as st

from fingerlead.faces.sheet.notation import as_entities, for_paper, printable, quoted

anything = st.text(st.characters(), max_size=60) | st.text('\\"#%{}<>&;$~\n\0a', max_size=40)


def lilypond_reads(text: str) -> str:
    """A string as LilyPond's lexer reads it: ends at the first bare quote, a backslash escapes what follows it."""
    assert text[0] == '"'
    read, at = "", 1
    while text[at] != '"':
        at += text[at] == "\\"
        read += text[at]
        at += 1
    assert at == len(text) - 1, "something stands outside the string"
    return read


@given(anything)
def test_a_text_stays_inside_its_string_and_prints_as_it_stands(text):
    assert lilypond_reads(for_paper(quoted(text))) == printable(text)


@given(anything)
def test_no_markup_and_nothing_unprintable_is_left(text):
    safe = as_entities(quoted(text))
    assert not re.search(r"[<>]|&(?!(lt|gt|amp);)", safe)
    assert all(sign.isprintable() or sign == "\u00ad" or ord(sign) > 127 for sign in printable(text))
    printable(text).encode("utf-8")


@given(st.text("abc d-é", max_size=300))
def test_plain_words_are_kept(text):
    assert printable(text).replace(" ", "")[:100] == "".join(text.split())[:100]


def test_long_texts_and_words_are_cut():
    assert len(printable("x" * 5_000)) <= 400
    assert printable("word " * 500).endswith("…")
    assert max(map(len, printable("y" * 100).split())) == 36
