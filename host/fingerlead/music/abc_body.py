"""Lines of ABC music to bars of notes: one tune's body, token by token.

Graces wait for their note and do not disturb broken rhythm (ABC 2.1, section 4.12); a broken rhythm and a tuplet end
with their notes, within the bar; an accidental holds to the end of the bar.
"""

import re
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from fractions import Fraction
from typing import Any, cast

from fingering.notes import ABC_LETTERS
from fingerlead.music.abc_text import PIPE_SCALE, AbcError, Meter, Warnings, parse, shown
from fingerlead.music.tune import MOST_TIMES, Bar, Note, Tuplet, first_bar_number

_NINE = "one of the chanter's nine notes, G A B c d e f g a with c and f sharp"
_SCALE = "CDEFGAB"
_LOWEST = 4  # G, counted in letters from C
_ACCIDENTALS = {"^": 1, "^^": 2, "_": -1, "__": -2, "=": 0}
_ACCIDENTAL_WORDS = {-2: "double flat", -1: "flat", 0: "natural", 1: "sharp", 2: "double sharp"}
_MOST_UNITS = 256
MOST_NOTES = 10_000  # in a tune, rests too, before any repeat: many times what the longest has
_BAR = re.compile(r"(:*)(\[?\|+\]?|)(:*)(.*)")
_SKIPPED_WORDS = {
    '"': "a chord symbol or annotation",
    "!": "a decoration",
    "+": "a decoration",
    "(": "a slur",
    ")": "a slur",
    "Z": "a rest of whole bars",
    "X": "a rest of whole bars",
    "y": "extra space",
    "&": "a second voice in the bar",
}


@dataclass(slots=True, eq=False)
class Draft:
    """A note still being read, and the number of its bar: broken rhythm, ties and words still change it."""

    note: Note
    bar: int

    def amend(self, **changes: Any) -> None:
        """Change what the note is."""
        self.note = replace(self.note, **changes)


@dataclass(slots=True)
class DraftBar:
    """A bar still being read."""

    notes: list[Draft] = field(default_factory=list)
    bar: Bar = field(default_factory=lambda: Bar(()))

    def amend(self, **changes: Any) -> None:
        """Change what the bar is; its notes come last."""
        self.bar = replace(self.bar, **changes)

    def done(self) -> Bar:
        """The bar as it stays."""
        return replace(self.bar, notes=tuple(draft.note for draft in self.notes))


class MusicReader:
    """Reads a tune's lines of music; `unit` and `new_meter` are set from the fields among them.

    `on_field` is given the fields in brackets that stand within a line.
    """

    def __init__(
        self,
        unit: Fraction,
        scale: dict[str, int],
        meter: Meter,
        warnings: Warnings,
        source_name: str,
        on_field: Callable[[Any, int, int], None],
    ) -> None:
        self.unit, self.scale, self.meter = unit, scale, meter
        self.new_meter: tuple[int, int] | None = None
        self.line_notes: list[Draft] = []  # of the last line of music, for the words below it
        self._warnings, self._source_name = warnings, source_name
        self._bars: list[DraftBar] = []
        self._bar = DraftBar()
        self._notes_left = MOST_NOTES
        self._accidentals: dict[int, int] = {}
        self._graces: list[tuple[int, Fraction]] = []
        self._slashed = False
        self._grace_at = (0, 0)
        self._last: Draft | None = None  # the note before, within the bar
        self._near = False  # nothing between it and here
        self._tied: Draft | None = None
        self._broken: tuple[Fraction, int, int] | None = None  # factor of the next note, and where the sign stood
        self._tuplet: tuple[Tuplet, int, int] | None = None  # the next member's place
        self._handlers: dict[str, Callable[[Any, int, int], None]] = {
            "note": self._note,
            "rest": self._rest,
            "grace": self._grace,
            "chord": self._chord,
            "SPACE": self._space,
            "JOIN": lambda item, line, column: None,
            "TIE": self._tie,
            "BROKEN": self._broken_rhythm,
            "TUPLET": self._tuplet_sign,
            "BAR": self._bar_sign,
            "ENDING": self._ending,
            "SKIPPED": self._skipped,
            "OVERLAY": self._skipped,
            "LINE_BREAK": lambda item, line, column: self.end_of_line(),
            "INLINE_FIELD": on_field,
        }

    @property
    def bar_number(self) -> int:
        """The bar being read, as players count: an upbeat is bar 0."""
        first = first_bar_number(self.meter, [bar.done() for bar in self._bars[:1]] * 2) if self._bars else 1
        return len(self._bars) + first

    @property
    def within_bar(self) -> bool:
        """Whether notes stand since the last bar line."""
        return bool(self._bar.notes)

    def music(self, text: str, line: int, column: int) -> None:
        """Read a stretch of music whose first character stands at `line` and `column`."""
        for item in parse(text, "music", line, column, self._source_name).children:
            kind = item.data if hasattr(item, "data") else item.type
            self._handlers[kind](item, line, column + _start_of(item))

    def change_meter(self, meter: Meter) -> None:
        """A new meter from the bar on that begins here; free time within a tune is not kept."""
        if not self._bars:
            self.meter = meter
        self.new_meter = meter

    def end_of_line(self) -> None:
        """A line of music ends, and no continuation was asked for."""
        self._near = False
        if not self._bar.notes and self._bars:
            self._bars[-1].amend(ends_line=True)

    def finish(self, line: int, column: int) -> tuple[Bar, ...]:
        """The tune ends."""
        if self._bar.notes:
            self._close_bar("")
        if self._graces:
            self._warnings.add(*self._grace_at, "grace notes with no note after them are passed over")
        self._end_tie()
        if self._bars:
            self._bars[-1].amend(ends_line=False)
        return tuple(bar.done() for bar in self._bars)

    def _refuse(self, line: int, column: int, expected: str, got: str) -> AbcError:
        return AbcError(line, column, expected, f"{got} in bar {self.bar_number}", self._source_name)

    # --- notes ---

    def _note(self, item: Any, line: int, column: int, times: Fraction = Fraction(1)) -> None:
        note, units = self._pitch(item.children, line, column)
        graces, lengths = tuple(grace for grace, _ in self._graces), tuple(length for _, length in self._graces)
        if all(length == 1 for length in lengths):
            lengths = ()
        written = Note(note, units * times * self.unit, graces, lengths, self._slashed, line=line, column=column)
        self._graces, self._slashed = [], False
        if self._tied is not None and self._tied.note.note != note:
            self._end_tie()
        self._tied = None
        if self._near and self._last is not None and self._last.note.note is not None:
            self._last.amend(beam=True)
        self.line_notes.append(self._place(written))

    def _rest(self, item: Any, line: int, column: int) -> None:
        units = self._units(item.children[1:], line, column)
        self._end_tie()
        self._place(Note(None, units * self.unit, line=line, column=column))

    def _place(self, note: Note) -> Draft:
        if self._tuplet is not None:
            place, line, column = self._tuplet
            note = replace(note, tuplet=place, length=note.length * place.q / place.p)
            after = replace(place, place=place.place + 1)
            self._tuplet = (after, line, column) if after.place < after.r else None
        if self._broken is not None:
            note = replace(note, length=note.length * self._broken[0])
            self._broken = None
        self._notes_left -= 1
        if self._notes_left < 0:
            raise self._refuse(note.line, note.column, f"at most {MOST_NOTES} notes in a tune", "another note")
        self._last, self._near = Draft(note, len(self._bars)), True
        self._bar.notes.append(self._last)
        return self._last

    def _grace(self, item: Any, line: int, column: int) -> None:
        if not self._graces:
            self._grace_at = (line, column)
        for child in item.children:
            if hasattr(child, "data"):
                at = column + _start_of(child) - _start_of(item)
                self._graces.append(self._pitch(child.children, line, at))
            elif child.type == "SLASH":
                self._slashed = True

    def _chord(self, item: Any, line: int, column: int) -> None:
        notes = [child for child in item.children if hasattr(child, "data")]
        if len(notes) > 1:
            self._warnings.add(line, column, "a chanter plays one note at a time: only the chord's first note is read")
        lengths = [child for child in item.children if getattr(child, "type", "") == "LENGTH"]
        self._note(notes[0], line, column, self._units(lengths, line, column))

    def _pitch(self, tokens: list[Any], line: int, column: int) -> tuple[int, Fraction]:
        """A note token's index and its length in units."""
        by_type = {token.type: str(token) for token in tokens}
        letter = by_type["PITCH"]
        octave = by_type.get("OCTAVE", "")
        step = _SCALE.index(letter.upper()) + 7 * (letter.islower() + octave.count("'") - octave.count(","))
        if "ACCIDENTAL" in by_type:
            self._accidentals[step] = _ACCIDENTALS[by_type["ACCIDENTAL"]]
        bent = self._accidentals.get(step, self.scale.get(letter.upper(), 0))
        wanted = PIPE_SCALE.get(letter.upper(), 0)
        if not 0 <= step - _LOWEST < len(ABC_LETTERS) or bent != wanted:
            name = letter + (octave if len(octave) < 4 else octave[:4] + "…")
            bent_words = f" {_ACCIDENTAL_WORDS[bent]}" if bent or wanted else ""
            raise self._refuse(line, column, _NINE, f"{name}{bent_words}")
        return step - _LOWEST, self._units([t for t in tokens if t.type == "LENGTH"], line, column)

    def _units(self, tokens: list[Any], line: int, column: int) -> Fraction:
        if not tokens:
            return Fraction(1)
        text = str(tokens[0])
        above, slash, below = text.partition("/")
        if len(text) <= 8:
            numerator = int(above or 1)
            divisor = int(below) if below.isdigit() else 2 ** len(slash + below) if slash else 1
            if 1 <= numerator <= _MOST_UNITS and 1 <= divisor <= _MOST_UNITS and divisor & (divisor - 1) == 0:
                return Fraction(numerator, divisor)
        raise self._refuse(line, column, f"a length from 1 to {_MOST_UNITS}, divided by 2, 4, 8, …", shown(text))

    # --- what stands between notes ---

    def _space(self, item: Any, line: int, column: int) -> None:
        self._near = False

    def _tie(self, item: Any, line: int, column: int) -> None:
        if self._last is None or self._last.note.note is None or self._graces:
            raise self._refuse(line, column, "a note before the tie", "'-'")
        self._last.amend(tie=True)
        self._tied = self._last

    def _end_tie(self) -> None:
        if self._tied is not None:
            self._tied.amend(tie=False)
            self._warnings.add(self._tied.note.line, self._tied.note.column, "a tie to another note is passed over")
        self._tied = None

    def _broken_rhythm(self, item: Any, line: int, column: int) -> None:
        if self._last is None or self._broken is not None:
            raise self._refuse(line, column, f"a note before {str(item)[:4]}", shown(str(item)))
        if len(item) > 3:
            raise self._refuse(line, column, "at most three signs of broken rhythm together", shown(str(item)))
        short = Fraction(1, 2 ** len(item))
        before, after = (2 - short, short) if item.startswith(">") else (short, 2 - short)
        self._last.amend(length=self._last.note.length * before)
        self._broken = (after, line, column)

    def _tuplet_sign(self, item: Any, line: int, column: int) -> None:
        if self._tuplet is not None:
            raise self._refuse(line, column, "the notes of the group before", shown(str(item)))
        parts = [int(part) if 0 < len(part) < 3 else 0 for part in item[1:].split(":")]
        p, q, r = (*parts, 0, 0)[:3]
        compound = self.meter is not None and self.meter[0] % 3 == 0 and self.meter[0] > 3
        usual = {2: 3, 3: 2, 4: 3, 6: 2, 8: 3}.get(p, 3 if compound else 2)
        if not 2 <= p <= 9 or len(item) > 9:
            raise self._refuse(line, column, "a group of 2 to 9 notes such as (3", shown(str(item)))
        self._tuplet = (Tuplet(p, q or usual, r or p, 0), line, column)

    def _skipped(self, item: Any, line: int, column: int) -> None:
        words = _SKIPPED_WORDS.get(item[0], "a sign that is not part of pipe music")
        self._warnings.add(line, column, f"{words} is passed over: {shown(str(item))}")

    def _ending(self, item: Any, line: int, column: int) -> None:
        if self._bar.notes:
            raise self._refuse(line, column, "a bar line before an ending", shown(str(item)))
        self._bar.amend(ending=self._numbers(item[1:], line, column))

    def _bar_sign(self, item: Any, line: int, column: int) -> None:
        before, core, after, ending = cast("re.Match[str]", _BAR.fullmatch(item)).groups()
        if not core:  # only colons: one repeat ends, one begins
            before, after = item[: len(before) // 2], item[len(before) // 2 : len(before)]
        barline = "|]" if core.endswith("]") else "[|" if core.startswith("[") else "||" if core.count("|") > 1 else "|"
        if len(before) >= MOST_TIMES:
            raise self._refuse(line, column, f"a part played at most {MOST_TIMES} times", shown(str(item)))
        if self._bar.notes:
            self._close_bar(barline)
        elif self._bars and barline != "|" and not after:
            self._bars[-1].amend(barline=barline)
        if before and not self._bars:
            raise self._refuse(line, column, "notes before the end of a repeat", shown(str(item)))
        if before:
            self._bars[-1].amend(times=max(self._bars[-1].bar.times, 1 + len(before)))
        if after:
            self._bar.amend(opens=True)
        if ending:
            self._bar.amend(ending=self._numbers(ending, line, column))
        self._near, self._last = False, None

    def _close_bar(self, barline: str) -> None:
        if self._broken is not None:
            raise self._refuse(*self._broken[1:], "a note after the broken rhythm, in the same bar", "none")
        if self._tuplet is not None:
            place, at_line, at_column = self._tuplet
            raise self._refuse(at_line, at_column, f"{place.r} notes in the group, in the same bar", f"{place.place}")
        self._bar.amend(barline=barline, meter=self.new_meter)
        self._bars.append(self._bar)
        self._bar, self.new_meter = DraftBar(), None
        self._accidentals.clear()
        self._last = None

    def _numbers(self, text: str, line: int, column: int) -> tuple[int, ...]:
        numbers: set[int] = set()
        for part in text.split(","):
            first, dash, last = part.partition("-")
            if not (len(first) == 1 and (not dash or len(last) == 1)):
                raise self._refuse(line, column, f"an ending's numbers from 1 to {MOST_TIMES}", shown(text))
            numbers.update(range(int(first), int(last or first) + 1))
        numbers.discard(0)
        return tuple(sorted(numbers))


def _start_of(item: Any) -> int:
    """Where a token, or the first token of a tree, stands in its line."""
    return cast("int", (item.children[0] if hasattr(item, "data") else item).start_pos)
