r"""Strangers' text into LilyPond's source, where it can only print.

Every text goes through `quoted`: a LilyPond string in double quotes, in which a backslash and a quote are escaped and
nothing else has a meaning (LilyPond Notation Reference, "Entering special characters": `\"` and `\\`; no command,
Scheme or comment is read inside quotes). What cannot be printed is taken out before: control characters, surrogates
and noncharacters, which XML and PDF refuse, and marks that turn the direction of what follows.

LilyPond 2.24 writes text into its SVG as it is, so `<` and `&` in a title would be markup of the page that shows it.
Therefore these signs travel as stand-ins from the private-use area, which no text may hold itself: before engraving on
paper they become themselves again (`for_paper`), and after engraving an SVG they become entities (`as_entities`).
"""

from __future__ import annotations

import unicodedata

LONGEST_TEXT = 400
# A word longer than this is broken, so that it does not run off the paper.
LONGEST_WORD = 36
_STAND_INS = str.maketrans("<>&", "\ue0f0\ue0f1\ue0f2")
_SIGNS = str.maketrans("\ue0f0\ue0f1\ue0f2", "<>&")
_ENTITIES = str.maketrans({"\ue0f0": "&lt;", "\ue0f1": "&gt;", "\ue0f2": "&amp;"})
_TURNING = {*range(0x202A, 0x202F), *range(0x2066, 0x206A), 0x200E, 0x200F}


def quoted(text: str, longest: int = LONGEST_TEXT) -> str:
    """A text as a LilyPond string, with stand-ins."""
    escaped = printable(text, longest).replace("\\", "\\\\").replace('"', '\\"')
    return f'"{escaped.translate(_STAND_INS)}"'


def for_paper(source: str) -> str:
    """A source without stand-ins."""
    return source.translate(_SIGNS)


def as_entities(svg: str) -> str:
    """An SVG whose stand-ins are the signs that they stand for, as XML writes them."""
    return svg.translate(_ENTITIES)


def printable(text: str, longest: int = LONGEST_TEXT) -> str:
    """A text in one line, without what cannot be printed, cut where it is too long."""
    kept = "".join(" " if unicodedata.category(sign) in ("Cc", "Zl", "Zp") else sign for sign in text[: 4 * longest])
    words = "".join(sign for sign in kept if _prints(sign)).split()
    line = " ".join(part for word in words for part in _broken(word))
    return line if len(line) <= longest else line[: longest - 1].rstrip() + "…"


def _prints(sign: str) -> bool:
    code = ord(sign)
    nowhere = code & 0xFFFE == 0xFFFE or 0xFDD0 <= code <= 0xFDEF
    return unicodedata.category(sign) not in ("Cs", "Co") and not nowhere and code not in _TURNING


def _broken(word: str) -> list[str]:
    return [word[at : at + LONGEST_WORD] for at in range(0, len(word), LONGEST_WORD)]
