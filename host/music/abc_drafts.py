"""Notes and bars of ABC while they are being read: broken rhythm, ties and words still change them."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from host.music.tune import Bar, Barline, Note, Tuplet


@dataclass(slots=True, eq=False)
class Draft:
    """A note still being read."""

    note: int | None
    length: Fraction
    line: int
    column: int
    bar: int
    graces: tuple[int, ...] = ()
    grace_lengths: tuple[Fraction, ...] = ()
    slashed: bool = False
    tie: bool = False
    beam: bool = False
    tuplet: Tuplet | None = None
    word: str | None = None

    def done(self) -> Note:
        """The note as it stays."""
        return Note(
            self.note, self.length, self.graces, self.grace_lengths, self.slashed, self.tie, self.beam, self.tuplet,
            self.word, self.line, self.column,
        )  # fmt: skip


@dataclass(slots=True)
class DraftBar:
    """A bar still being read."""

    notes: list[Draft]
    barline: Barline = "|"
    opens: bool = False
    ending: tuple[int, ...] = ()
    times: int = 1
    meter: tuple[int, int] | None = None
    ends_line: bool = False

    def done(self) -> Bar:
        """The bar as it stays."""
        notes = tuple(note.done() for note in self.notes)
        return Bar(notes, self.barline, self.opens, self.ending, self.times, self.meter, self.ends_line)
