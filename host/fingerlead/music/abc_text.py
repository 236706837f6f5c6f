"""The text of ABC: its grammar, errors and warnings, and the values of its fields.

The standard (abcnotation.com, "The abc music standard 2.1", December 2011) is a language of lines: which line is a
field and which is music is told by its first two characters, before the grammar is asked. The grammar has one entrance
for a line of music and one for each field whose value has a form of its own. Lines and columns count from 1.
"""

import re
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import lru_cache
from typing import Any, Literal, Self


class AbcError(ValueError):
    """ABC that cannot be read: where, what was expected there, and what stood there instead."""

    def __init__(self, line: int, column: int, expected: str, got: str, source_name: str = "") -> None:
        self.line, self.column, self.expected, self.got, self.source_name = line, column, expected, got, source_name
        place = f"{source_name}, line" if source_name else "line"
        super().__init__(f"{place} {line}, column {column}: expected {expected}; got {got}")


@dataclass(frozen=True, slots=True)
class AbcWarning:
    """A part of the standard that was passed over, in a sentence."""

    line: int
    column: int
    sentence: str

    def __str__(self) -> str:
        return f"line {self.line}, column {self.column}: {self.sentence}"


class Warnings:
    """The warnings of one text, up to a number that a person may still want to read."""

    LIMIT = 200

    def __init__(self) -> None:
        self.found: list[AbcWarning] = []

    def add(self, line: int, column: int, sentence: str) -> None:
        """Keep a warning; past the limit say once that there are more."""
        if len(self.found) < self.LIMIT:
            self.found.append(AbcWarning(line, column, sentence))
        elif len(self.found) == self.LIMIT:
            self.found.append(AbcWarning(line, column, "more was passed over from here on; no more is listed"))


def shown(text: str, most: int = 20) -> str:
    """Text from a file as it can stand in a sentence: quoted, cut, control characters written out."""
    return repr(text if len(text) <= most else text[:most] + "…")


_GRAMMAR = r"""
music: (note | rest | grace | chord | BAR | ENDING | TUPLET | BROKEN | TIE | SPACE | JOIN | SKIPPED | OVERLAY
       | INLINE_FIELD | LINE_BREAK)*

note: ACCIDENTAL? PITCH OCTAVE? LENGTH?
rest: REST LENGTH?
grace: LBRACE SLASH? (note | SPACE)* "}"
chord: LBRACKET (note | SKIPPED)+ "]" LENGTH?

meter: NONE | COMMON | CUT | "("? INT ("+" INT)* ")"? "/" INT
unit: INT ["/" INT]
tempo: QUOTED | (QUOTED SPACE?)? _speed (SPACE? QUOTED)?
_speed: beat (SPACE? beat)* SPACE? "=" SPACE? INT | INT
beat: INT "/" INT

LBRACE: "{"
LBRACKET: "["
PITCH: /[A-Ga-g]/
ACCIDENTAL: /\^{1,2}|_{1,2}|=/
OCTAVE: /[,']+/
LENGTH: /[0-9]+(\/[0-9]+|\/*)|\/[0-9]+|\/+/
REST: /[zx]/
SLASH: "/"
BAR: /(:*\[?\|+\]?:*|:{2,})([1-9][0-9,\-]*)?/
ENDING: /\[[1-9][0-9,\-]*/
TUPLET: /\([0-9](:[0-9]*){0,2}/
BROKEN: />+|<+/
TIE: "-"
JOIN: "`"
SPACE: /[ \t]+/
SKIPPED.-1: /"[^"]*"|![^!]*!|\+[^+\s]+\+|[.~H-Wh-w]|[ZX][0-9]*|y[0-9]*(\/[0-9]*)?|[()*;?@#]/
OVERLAY: /&[^|]*/
INLINE_FIELD.2: /\[[A-Za-z]:[^\]]*\]/
LINE_BREAK: "$"

INT: /[0-9]{1,6}/
NONE: "none"
COMMON: "C"
CUT: "C|"
QUOTED: /"[^"]*"/
"""

_EXPECTED = {
    "music": "a note (G A B c d e f g a), a rest (z), a grace group in braces or a bar line",
    "meter": "a meter such as 2/4, 6/8, C or none",
    "unit": "a note length such as 1/8",
    "tempo": "a tempo such as 1/4=80",
}
_CLOSERS = (
    ("RBRACE", "a grace note, or a } that ends the grace group"),
    ("RSQB", "a note, or a ] that ends the chord"),
)


@lru_cache(maxsize=1)
def _parser() -> Any:
    """The parser; lark is imported when the first tune is read."""
    from lark import Lark

    return Lark(_GRAMMAR, parser="lalr", start=list(_EXPECTED), maybe_placeholders=False)


def parse(text: str, start: str, line: int, column: int, source_name: str) -> Any:
    """Parse one line of music or one field's value, whose first character stands at `line` and `column`."""
    from lark.exceptions import UnexpectedInput

    try:
        return _parser().parse(text, start=start)
    except UnexpectedInput as error:
        # What could have come has one name for a sign and another for a token; the end is told as a token, too.
        token: Any = getattr(error, "token", None)
        allowed: Any = getattr(error, "allowed", None) or getattr(error, "expected", ())
        ended = error.pos_in_stream is None or (token is not None and token.type == "$END")
        at = len(text) if ended else error.pos_in_stream or 0
    expected = next((words for closer, words in _CLOSERS if closer in allowed), _EXPECTED[start])
    if start == "music" and "PITCH" in allowed and "BAR" not in allowed and "RBRACE" not in allowed:
        expected = "a note (G A B c d e f g a)"
    got = shown(text[at : at + 12]) if at < len(text) else "the end of the line"
    raise AbcError(line, column + at, expected, got, source_name)


Meter = tuple[int, int] | None
_UNIT_MOST = 512
_NAMED_METERS: dict[str, Meter] = {"NONE": None, "COMMON": (4, 4), "CUT": (2, 2)}


@dataclass(frozen=True, slots=True)
class FieldText:
    """A field's value and where it begins."""

    text: str
    line: int
    column: int
    source_name: str

    def refuse(self, expected: str) -> AbcError:
        """An error at this field."""
        got = shown(self.text) if self.text else "nothing"
        return AbcError(self.line, self.column, expected, got, self.source_name)

    def longer(self, more: Self) -> Self:
        """This field with another's text after its own."""
        return replace(self, text=f"{self.text} {more.text}".strip())


def read_meter(field: FieldText) -> Meter:
    """`M:` 6/8, C, C|, none, 2+3/8; None is free time."""
    tree = parse(field.text, "meter", field.line, field.column, field.source_name)
    kind = tree.children[0].type
    if kind in _NAMED_METERS:
        return _NAMED_METERS[kind]
    *beats, value = (int(token) for token in tree.children)
    if not 1 <= sum(beats) <= 99 or not _is_power_of_two(value):
        raise field.refuse("a meter of 1 to 99 beats of a half, a quarter, an eighth, …")
    return (sum(beats), value)


def read_unit(field: FieldText) -> Fraction:
    """`L:` the length of a note without a number."""
    tree = parse(field.text, "unit", field.line, field.column, field.source_name)
    above, *below = (int(token) for token in tree.children)
    if above != 1 or not all(map(_is_power_of_two, below)):
        raise field.refuse(f"a note length such as 1/8, down to 1/{_UNIT_MOST}")
    return Fraction(1, *below)


def default_unit(meter: Meter) -> Fraction:
    """The unit length where no `L:` stands: a sixteenth under 3/4, else an eighth (ABC 2.1, section 3.1.7)."""
    return Fraction(1, 16) if meter is not None and Fraction(*meter) < Fraction(3, 4) else Fraction(1, 8)


def read_tempo(field: FieldText, unit: Fraction) -> Fraction | None:
    """`Q:` in quarter notes a minute; None where only words stand. A bare number counts unit lengths."""
    tree = parse(field.text, "tempo", field.line, field.column, field.source_name)
    numbers = [token for token in tree.children if getattr(token, "type", None) == "INT"]
    if not numbers:
        return None
    beats = [[int(number) for number in beat.children] for beat in tree.find_data("beat")]
    if not all(beat[0] and _is_power_of_two(beat[1]) for beat in beats):
        raise field.refuse("a tempo such as 1/4=80")
    beat = sum((Fraction(*pair) for pair in beats), Fraction(0)) or unit
    tempo = int(numbers[0]) * beat * 4
    if not Fraction(1) <= tempo <= 1000:
        raise field.refuse("a tempo of 1 to 1000 quarter notes a minute")
    return tempo


def _is_power_of_two(number: int) -> bool:
    return 1 <= number <= _UNIT_MOST and number & (number - 1) == 0


_SHARPS_OF = dict(zip("FCGDAEB", range(-1, 6), strict=True))
_MODES = {"lyd": 1, "": 0, "maj": 0, "ion": 0, "mix": -1, "dor": -2, "m": -3, "min": -3, "aeo": -3, "phr": -4}
_KEY = re.compile(r"([A-G])([#b]?)\s*([A-Za-z]*)(?=\s|$)")
# The chanter's scale: C and F sharp (ABC 2.1, section 4.6, says so for HP and Hp).
PIPE_SCALE = {"C": 1, "F": 1}


def read_key(field: FieldText, warnings: Warnings) -> tuple[Literal["HP", "Hp"], dict[str, int]]:
    """`K:` the way the key is printed, and what it does to each letter, in semitones.

    Another key than HP or Hp is read for its sharps and flats; whether a note is one of the nine is asked note by note.
    """
    name = field.text.split(None, 1)[0] if field.text else ""
    if name in ("HP", "Hp"):
        _rest_of_key(field, len(name), warnings)
        return ("HP" if name == "HP" else "Hp"), PIPE_SCALE
    if name in ("", "none"):
        sharps, ends = 0, len(name)
    else:
        found = _KEY.match(field.text)
        mode = found[3].lower()[:3] if found else "?"
        if found is not None and mode not in _MODES:  # a word that is no mode belongs to what follows the key
            found, mode = re.match(r"([A-G])([#b]?)(?=\s)", field.text), ""
        if found is None:
            raise field.refuse("a key: HP or Hp for pipes, or one such as D or Amix")
        sharps, ends = _SHARPS_OF[found[1]] + {"": 0, "#": 7, "b": -7}[found[2]] + _MODES[mode], found.end()
    _rest_of_key(field, ends, warnings)
    if not -7 <= sharps <= 7:
        raise field.refuse("a key with at most seven sharps or flats")
    warnings.add(field.line, field.column, f"the key {shown(field.text)} is read as the chanter's scale, Hp")
    letters = "FCGDAEB"[:sharps] if sharps >= 0 else "BEADGCF"[:-sharps]
    return "Hp", dict.fromkeys(letters, 1 if sharps > 0 else -1)


def _rest_of_key(field: FieldText, ends: int, warnings: Warnings) -> None:
    rest = field.text[ends:].strip()
    if rest:
        warnings.add(field.line, field.column + ends, f"{shown(rest)} after the key is passed over")


# A syllable runs to a space or takes the hyphen after it along; \- is a hyphen within it (ABC 2.1, section 5.1).
_SYLLABLE = re.compile(r"[|*_]|(?:\\-|[^\s\-_*|])+-?|-")
NEXT_BAR = "|"


def read_words(text: str) -> list[str | None]:
    """`w:` one entry a note: a syllable, None where it has none, or NEXT_BAR."""
    words: list[str | None] = []
    for found in _SYLLABLE.findall(text):
        if found in (NEXT_BAR, "_"):
            words.append(found)
        else:
            syllable = found.replace("\\-", "-").replace("\\", "").replace("~", " ")
            words.append(None if found == "*" or not syllable.strip() else syllable)
    return words
