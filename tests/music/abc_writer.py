"""Tunes written as ABC, every length in full: what `parse_abc` has to read back as the same tune."""

from __future__ import annotations

import re
from fractions import Fraction

from fingering.notes import ABC_LETTERS
from fingerlead.music.abc_text import default_unit
from fingerlead.music.tune import Bar, Note, Tune


def to_abc(tune: Tune) -> str:
    """The tune as ABC text, every length written out; ends with a line end. Put an empty line between tunes."""
    lines = [f"X:{tune.number}"]
    texts = {"T": tune.title, "C": tune.composer, "R": tune.rhythm}
    lines += [f"{letter}:{_text(text)}" for letter, text in texts.items() if text]
    lines.append("M:none" if tune.meter is None else f"M:{tune.meter[0]}/{tune.meter[1]}")
    if tune.unit != default_unit(tune.meter):
        lines.append(f"L:1/{tune.unit.denominator}")
    if tune.tempo is not None:
        lines.append(f"Q:1/{4 * tune.tempo.denominator}={tune.tempo.numerator}")
    lines.append(f"K:{tune.key}")
    line: list[Bar] = []
    for bar in tune.bars:
        line.append(bar)
        if bar.ends_line or bar is tune.bars[-1]:
            lines += _music_lines(line, tune.unit)
            line = []
    return "\n".join(lines) + "\n"


def _text(text: str) -> str:
    """A text field on one line, its percent signs kept from beginning a comment."""
    return re.sub(r"[\r\n]+", " ", text).replace("%", "\\%")


def _music_lines(bars: list[Bar], unit: Fraction) -> list[str]:
    lines = [" ".join(_bar(bar, unit) for bar in bars)]
    words = write_words([note.word for bar in bars for note in bar.notes if note.note is not None])
    return [*lines, f"w:{words}".replace("%", "\\%")] if words else lines


def _bar(bar: Bar, unit: Fraction) -> str:
    opening = "|:" if bar.opens else ""
    ending = "[" + ",".join(map(str, bar.ending)) + " " if bar.ending else ""
    meter = f"[M:{bar.meter[0]}/{bar.meter[1]}]" if bar.meter else ""
    notes = "".join(_note(note, unit) + ("" if note.beam else " ") for note in bar.notes)
    return f"{opening}{ending}{meter}{notes}{':' * (bar.times - 1)}{bar.barline}".rstrip()


def _note(note: Note, unit: Fraction) -> str:
    letter = "z" if note.note is None else ABC_LETTERS[note.note]
    group = ""
    if note.tuplet is not None and note.tuplet.place == 0:
        group = f"({note.tuplet.p}:{note.tuplet.q}:{note.tuplet.r}"
    graces = ""
    if note.graces:
        lengths = note.grace_lengths or (Fraction(1),) * len(note.graces)
        letters = (ABC_LETTERS[grace] + _length(length) for grace, length in zip(note.graces, lengths, strict=True))
        graces = "{" + "/" * note.slashed + "".join(letters) + "}"
    return f"{group}{graces}{letter}{_length(note.written / unit)}{'-' * note.tie}"


def _length(units: Fraction) -> str:
    above = "" if units.numerator == 1 else str(units.numerator)
    return above if units.denominator == 1 else f"{above}/{units.denominator}"


def write_words(words: list[str | None]) -> str:
    """The inverse of `read_words`, with no NEXT_BAR."""
    written = []
    for word in words:
        if word is None:
            written.append("*")
        elif word in ("_", "-"):
            written.append(word)
        else:
            body, end = (word[:-1], "-") if word.endswith("-") else (word, "")
            written.append(body.replace("-", "\\-").replace(" ", "~") + end)
    while written and written[-1] == "*":
        written.pop()
    return " ".join(written)
