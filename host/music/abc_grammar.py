"""The grammar of the part of ABC 2.1 that pipe music uses, and plain words for what it expected.

The standard (abcnotation.com, "The abc music standard 2.1", December 2011) is a language of lines: which line is a
field and which is music is told by its first two characters, before this grammar is asked. It has one entrance for a
line of music and one for each field whose value has a form of its own.
"""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING, Any, NoReturn

from host.music.abc_errors import AbcError, shown

if TYPE_CHECKING:
    from lark import Lark

GRAMMAR = r"""
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
def parser() -> Lark:
    """The parser; lark is imported when the first tune is read."""
    from lark import Lark

    return Lark(GRAMMAR, parser="lalr", start=list(_EXPECTED), maybe_placeholders=False, propagate_positions=True)


def parse(text: str, start: str, line: int, column: int, source_name: str) -> Any:
    """Parse one line of music or one field's value, whose first character stands at `line` and `column`."""
    from lark.exceptions import UnexpectedCharacters, UnexpectedInput

    try:
        return parser().parse(text, start=start)
    except UnexpectedCharacters as error:
        _refuse(error.allowed or (), error.pos_in_stream, text, start, line, column, source_name)
    except UnexpectedInput as error:
        token: Any = getattr(error, "token", None)
        ended = token is None or token.type == "$END"
        at = len(text) if ended else token.start_pos
        _refuse(getattr(error, "expected", ()), at, text, start, line, column, source_name)


def _refuse(allowed: Any, at: int | None, text: str, start: str, line: int, column: int, source_name: str) -> NoReturn:
    at = len(text) if at is None else at
    expected = next((words for closer, words in _CLOSERS if closer in allowed), _EXPECTED[start])
    if start == "music" and "PITCH" in allowed and "BAR" not in allowed and "RBRACE" not in allowed:
        expected = "a note (G A B c d e f g a)"
    got = shown(text[at : at + 12]) if at < len(text) else "the end of the line"
    raise AbcError(line, column + at, expected, got, source_name)
