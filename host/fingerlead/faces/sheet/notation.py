"""A tune as LilyPond music: notes, beams, grace notes, bar lines, repeats and endings, just as they are written.

Stems of melody notes go down and those of grace notes up, beamed 32nds without a slope (common practice in pipe music;
ABC 2.1, section 4.6, for K:HP). HP prints no signature, Hp prints F sharp and C sharp (same section).
Bars have the length that they have in the tune, so a bar line comes where the tune has one.

Texts of strangers go through `quoted`, so that they can only print: a LilyPond string in double quotes, in which a
backslash and a quote are escaped and nothing else has a meaning (LilyPond Notation Reference, "Entering special
characters": no command, Scheme or comment is read inside quotes). What cannot be printed is taken out before: control
characters, surrogates and noncharacters, which XML and PDF refuse, and marks that turn the direction of what follows.

LilyPond 2.24 writes text into its SVG as it is, so `<` and `&` in a title would be markup of the page that shows it.
Therefore these signs travel as stand-ins from the private-use area, which no text may hold itself: before engraving
on paper they become themselves again (`for_paper`), and after engraving an SVG they become entities (`as_entities`).
"""

import unicodedata
from collections.abc import Iterator
from fractions import Fraction

from fingerlead.faces.sheet.piece import SheetError, note_id
from fingerlead.music.tune import Bar, Note, Tune

LONGEST_TEXT = 400
# A word longer than this is broken, so that it does not run off the paper.
LONGEST_WORD = 36
_STAND_INS = str.maketrans("<>&", "\ue0f0\ue0f1\ue0f2")
_SIGNS = str.maketrans("\ue0f0\ue0f1\ue0f2", "<>&")
_ENTITIES = str.maketrans({"\ue0f0": "&lt;", "\ue0f1": "&gt;", "\ue0f2": "&amp;"})
_TURNING = {*range(0x202A, 0x202F), *range(0x2066, 0x206A), 0x200E, 0x200F}
# Usual places on the staff: low G on the second line.
PITCHES = ("g'", "a'", "b'", "c''", "d''", "e''", "f''", "g''", "a''")
_SHARPENED = ("g'", "a'", "b'", "cis''", "d''", "e''", "fis''", "g''", "a''")
_BARLINES = {"": "", "|": "|", "||": "||", "|]": "|.", "[|": ".|"}
_REPEATS = {(True, True): ":|.|:", (True, False): ":|.", (False, True): ".|:"}

GRACE_LENGTH = Fraction(1, 32)
LONGEST_NOTE = 16  # whole notes
SHORTEST_LOG = 7  # a 128th


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


def music(tune: Tune, piece: int = 0) -> str:
    """The tune's music, without braces around it; raises SheetError for what no sheet can show."""
    if not any(note.note is not None for bar in tune.bars for note in bar.notes):
        raise SheetError(f"expected notes to print; {_name(tune)} has none")
    for number, bar in enumerate(tune.bars, tune.first_bar_number):
        if any(note.written > LONGEST_NOTE for note in bar.notes):
            raise SheetError(
                f"expected notes of at most {LONGEST_NOTE} whole notes; {_name(tune)} has a longer one in bar {number}"
            )
    lines = ["\\key d \\major" if tune.key == "Hp" else "\\omit Staff.KeySignature"]
    if tune.meter is None:
        lines.append("\\omit Staff.TimeSignature")
    if tune.tempo is not None:
        lines.append(f"\\tempo 4 = {max(1, min(999, round(tune.tempo)))}")
    lines.append(f"\\set Score.currentBarNumber = #{tune.first_bar_number}")
    if tune.meter is not None:
        lines.append(_time(tune.meter))
    brackets = _Brackets(tune.bars)
    for index in range(len(tune.bars)):
        lines += _bar(tune, index, piece, brackets)
    return "\n".join(lines)


def duration(length: Fraction) -> list[str]:
    """A length on the staff as LilyPond durations to be tied together.

    A length that no dotted note has (a fifth of a whole note, shorter than a 128th) is drawn as the next shorter one.
    """
    if length.denominator & (length.denominator - 1) or length.denominator > 2 ** (SHORTEST_LOG + 2):
        base = next((2**log for log in range(SHORTEST_LOG) if Fraction(1, 2**log) <= length), 2**SHORTEST_LOG)
        return [f"{base}*{length * base}"]
    parts = []
    while length:
        part, text = _largest(length)
        parts.append(text)
        length -= part
    return parts


def scaled(length: Fraction) -> str:
    """A duration that is only time, for the rows under the staff."""
    return f"1*{length.numerator}/{length.denominator}"


def beams(bar: Bar) -> list[str]:
    """For each note of a bar what begins or ends at it: `[`, `]` or nothing.

    Only notes that have flags are beamed, and no beam begins or ends at a rest.
    """
    signs = [""] * len(bar.notes)
    place = 0
    while place < len(bar.notes):
        last = place
        while last + 1 < len(bar.notes) and bar.notes[last].beam and _flagged(bar.notes[last + 1]):
            last += 1
        if last > place and _flagged(bar.notes[place]):
            signs[place], signs[last] = "[", "]"
        else:
            last = place
        place = last + 1
    return signs


class _Brackets:
    """The brackets over endings. One ends where its repeat closes, at a double bar line or where another begins."""

    def __init__(self, bars: tuple[Bar, ...]) -> None:
        self._commands: dict[int, list[str]] = {}
        is_open = False
        for index, bar in enumerate(bars):
            if bar.ending:
                numbers = ", ".join(map(str, bar.ending))
                self._commands.setdefault(index, []).append(f'(volta "{numbers}.")')
                is_open = True
            last = index + 1 == len(bars) or bool(bars[index + 1].ending)
            if is_open and (last or bar.times > 1 or bar.barline in ("||", "|]", "[|")):
                self._commands.setdefault(index + 1, []).append("(volta #f)")
                is_open = False

    def at(self, index: int) -> list[str]:
        """What LilyPond is told where a bar begins (or the tune ends)."""
        commands = self._commands.get(index)
        return [f"\\set Score.repeatCommands = #'({' '.join(commands)})"] if commands else []


def _bar(tune: Tune, index: int, piece: int, brackets: _Brackets) -> Iterator[str]:
    bar = tune.bars[index]
    after = tune.bars[index + 1] if index + 1 < len(tune.bars) else None
    if bar.meter is not None and index:
        yield _time(bar.meter)
    yield f"\\set Timing.measureLength = #(ly:make-moment {bar.length})"
    if bar.opens and index == 0:
        yield '\\bar ".|:"'
    yield from brackets.at(index)
    identities = [note_id(index, place, piece) for place in range(len(bar.notes))]
    yield " ".join(_notes(bar, identities, _SHARPENED if tune.key == "Hp" else PITCHES))
    if after is None:
        yield from brackets.at(index + 1)
    if bar.times > 2:
        yield f'\\textEndMark "{bar.times} times"'
    closes, opens = bar.times > 1, after is not None and after.opens
    line = _BARLINES[bar.barline] if not (closes or opens) else _REPEATS[closes, opens]
    if line != "|":
        yield f'\\bar "{line}"'
    if bar.ends_line and after is not None:
        yield "\\break"


def _notes(bar: Bar, ids: list[str], pitches: tuple[str, ...]) -> Iterator[str]:
    in_tuplet = False
    for note, beam, identity in zip(bar.notes, beams(bar), ids, strict=True):
        if in_tuplet and (note.tuplet is None or note.tuplet.place == 0):
            yield "}"
            in_tuplet = False
        graces = _graces(note, pitches)
        if note.tuplet is not None and not in_tuplet:
            # Grace notes come before the group: within it they would be shortened too.
            yield f"{graces} \\tuplet {note.tuplet.p}/{note.tuplet.q} {{"
            in_tuplet, graces = True, ""
        yield f"{graces} {_note(note, beam, identity, pitches)}"
    if in_tuplet:
        yield "}"


def _note(note: Note, beam: str, identity: str, pitches: tuple[str, ...]) -> str:
    lengths = duration(note.written)
    if note.note is None:
        return " ".join(f"r{length}" for length in lengths)
    pitch = pitches[note.note]
    tied = [f"{pitch}{length}" for length in lengths]
    # A beam is at the end of it that the group's other notes are at.
    if beam == "]":
        tied[0] += beam
    else:
        tied[-1] += beam
    return tagged(identity) + " " + " ~ ".join(tied) + (" ~" if note.tie else "")


def _graces(note: Note, pitches: tuple[str, ...]) -> str:
    if not note.graces:
        return ""
    lengths = [GRACE_LENGTH * units for units in note.grace_lengths or (Fraction(1),) * len(note.graces)]
    texts = [pitches[grace] + duration(length)[0] for grace, length in zip(note.graces, lengths, strict=True)]
    if len(texts) > 1 and max(lengths) < Fraction(1, 4):
        texts[0] += "["
        texts[-1] += "]"
    command = "\\slashedGrace" if note.slashed and len(texts) == 1 else "\\grace"
    return f"{command} {{ {' '.join(texts)} }}"


def _largest(length: Fraction) -> tuple[Fraction, str]:
    """The largest dotted note (up to two dots) that fits into a length, and its name."""
    for log in range(-1, SHORTEST_LOG + 3):
        base = Fraction(2) if log < 0 else Fraction(1, 2**log)
        name = "\\breve" if log < 0 else str(2**log)
        for dots in (2, 1, 0):
            part = base * (2 - Fraction(1, 2**dots))
            if part <= length and (dots == 0 or part == length):
                return part, name + "." * dots
    raise ValueError(f"no note is as short as {length}")


def _flagged(note: Note) -> bool:
    return note.note is not None and note.written < Fraction(1, 4)


def _time(meter: tuple[int, int]) -> str:
    return f"\\time {meter[0]}/{meter[1]}"


def _name(tune: Tune) -> str:
    return f"tune {tune.number}" + (f" ({printable(tune.title, 60)})" if tune.title else "")


def tagged(identity: str) -> str:
    """What gives the next note its id in the SVG."""
    return f'\\tweak output-attributes #\'((id . "{identity}"))'
