"""Tunes for the tests, drawn at random: only what ABC can say."""

from __future__ import annotations

import re
from fractions import Fraction

from hypothesis import strategies as st

from fingerlead.music.tune import Bar, Note, Tune, Tuplet

UNITS = [Fraction(1, 2**power) for power in range(2, 6)]
LENGTHS = [Fraction(n, d) for n, d in ((1, 16), (1, 8), (3, 16), (1, 4), (3, 8), (1, 2), (1, 32), (7, 8), (1, 1))]
NOTES = st.integers(0, 8)
# Text as a field keeps it: on one line, no spaces around it.
TEXT = st.text(st.characters(exclude_categories=("Cs", "Cc", "Zl", "Zp")), max_size=20).map(str.strip)
WORD = st.one_of(
    st.just("_"),
    st.text("abcäÖ'%~-é ", min_size=1, max_size=6).map(lambda text: text.replace("~", "")).filter(str.strip),
)


@st.composite
def notes(draw):
    note = draw(st.one_of(st.none(), NOTES))
    if note is None:
        return [Note(None, draw(st.sampled_from(LENGTHS)))]
    graces = tuple(draw(st.lists(NOTES, max_size=7)))
    grace_lengths = tuple(draw(st.sampled_from([Fraction(1), Fraction(4), Fraction(1, 2)])) for _ in graces)
    if all(length == 1 for length in grace_lengths):
        grace_lengths = ()
    slashed = bool(graces) and draw(st.booleans())
    return [
        Note(
            note,
            draw(st.sampled_from(LENGTHS)),
            graces,
            grace_lengths,
            slashed,
            beam=draw(st.booleans()),
            word=draw(st.one_of(st.none(), WORD)),
        )
    ]


@st.composite
def tuplets(draw):
    p, q, r = draw(st.sampled_from([(3, 2, 3), (2, 3, 2), (3, 2, 2), (5, 4, 5)]))
    return [
        Note(draw(NOTES), draw(st.sampled_from(LENGTHS)) * q / p, tuplet=Tuplet(p, q, r, place)) for place in range(r)
    ]


@st.composite
def bars(draw):
    groups = draw(st.lists(st.one_of(notes(), tuplets()), min_size=1, max_size=4))
    return Bar(
        tuple(note for group in groups for note in group),
        draw(st.sampled_from(["|", "||", "|]"])),
        draw(st.booleans()),
        draw(st.sampled_from([(), (), (1,), (2,), (1, 3)])),
        draw(st.sampled_from([1, 1, 2, 3])),
        draw(st.sampled_from([None, None, (2, 4), (6, 8)])),
        draw(st.booleans()),
    )


def tidy(all_bars):
    """What reading settles: a beam or a tie joins two notes, and the last bar ends no line."""
    every = [note for bar in all_bars for note in bar.notes]
    tidied = []
    for bar in all_bars:
        written = []
        for place, note in enumerate(bar.notes):
            after = bar.notes[place + 1] if place + 1 < len(bar.notes) else None
            at = next(index for index, other in enumerate(every) if other is note)
            tied_to = every[at + 1].note if at + 1 < len(every) else None
            written.append(
                Note(
                    note.note, note.length, note.graces, note.grace_lengths, note.slashed,
                    note.note is not None and note.note == tied_to,
                    note.beam and note.note is not None and after is not None and after.note is not None,
                    note.tuplet, note.word,
                )
            )  # fmt: skip
        ends_line = bar.ends_line and bar is not all_bars[-1]
        tidied.append(Bar(tuple(written), bar.barline, bar.opens, bar.ending, bar.times, bar.meter, ends_line))
    return tuple(tidied)


@st.composite
def tunes(draw):
    return Tune(
        draw(st.integers(0, 999)),
        draw(TEXT),
        tidy(draw(st.lists(bars(), max_size=5))),
        draw(TEXT),
        draw(TEXT),
        draw(st.sampled_from([None, (2, 4), (6, 8), (4, 4), (3, 2)])),
        draw(st.sampled_from(UNITS)),
        draw(st.one_of(st.none(), st.integers(128, 128_000).map(lambda units: Fraction(units, 128)))),
        draw(st.sampled_from(["HP", "Hp"])),
    )


# Scraps of ABC to build nonsense from.
SCRAPS = st.lists(
    st.one_of(
        st.sampled_from(
            [
                *"ABcdefgaGz|:[](){}<>-/&\\\"!+%23 \n\r\t^_=,'`$*",
                *("X:1\n", "K:HP\n", "K:Hp\n", "M:6/8\n", "L:1/8\n", "Q:1/4=80\n", "w:a b-c\n", "{gde}", "|:", ":|"),
                *("(3", "[M:2/4]", "V:1\n", "\n\n", "::", "Z4", "A>", "T:", "K:D\n", "+:x\n", "[1 ", "\\\n", "[L:1/4]"),
            ]
        ),
        st.text(max_size=3),
    ),
    max_size=40,
).map("".join)


def lines_of(text):
    return re.split(r"\r\n|\r|\n", text)
