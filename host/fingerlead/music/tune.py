"""What was meant: a tune as written, and the notes that it asks for in the order they are played.

Notes are indices 0 to 8 into `fingering.notes.NOTES`; lengths are exact fractions of a whole note. A tune is a value:
two tunes are equal when the same music is written, wherever in a file it stands. No input or output here.

An `Expectation` is what a tune or an exercise asks a chanter to hold, in order. A chanter cannot part two equal notes
without a grace note or a rest between them: such a pair is one held note.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from typing import Literal

from fingering.notes import NOTES

Barline = Literal["", "|", "||", "|]", "[|"]

# A repeat sign can ask for more than twice (ABC 2.1, section 4.8); no player repeats a part more often than this.
MOST_TIMES = 9


@dataclass(frozen=True, slots=True)
class Tuplet:
    """Where a note stands in a group of `r` notes played `p` in the time of `q`; `place` counts from 0."""

    p: int
    q: int
    r: int
    place: int


@dataclass(frozen=True, slots=True)
class Note:
    """One written note, or a rest where `note` is None.

    `length` is as it sounds, a tuplet's members shortened already; `written` is the length on the staff. `graces` sound
    before it; `grace_lengths` are in the units of the grace group and empty where all are one; `slashed` graces are
    drawn with a stroke. `tie` joins it to the next note, `beam` draws it under one beam with the next. `word` is the
    syllable below: a hyphen at its end leads on to the next, "_" is a held syllable. `line` and `column` count from 1.
    """

    note: int | None
    length: Fraction
    graces: tuple[int, ...] = ()
    grace_lengths: tuple[Fraction, ...] = ()
    slashed: bool = False
    tie: bool = False
    beam: bool = False
    tuplet: Tuplet | None = None
    word: str | None = None
    line: int = field(default=0, compare=False)
    column: int = field(default=0, compare=False)

    @property
    def written(self) -> Fraction:
        """The length on the staff: a triplet's eighth is an eighth."""
        return self.length if self.tuplet is None else self.length * self.tuplet.p / self.tuplet.q


@dataclass(frozen=True, slots=True)
class Bar:
    """The notes up to a bar line.

    `opens` begins a repeat. `ending` holds the numbers of the ending that begins here. `times` is 1, or how often in
    all a repeat that closes here is played. `barline` stands after it ("" where the tune stops without one). `meter` is
    the new one where it changes here. `ends_line`: the next bar begins a new line of music.
    """

    notes: tuple[Note, ...]
    barline: Barline = "|"
    opens: bool = False
    ending: tuple[int, ...] = ()
    times: int = 1
    meter: tuple[int, int] | None = None
    ends_line: bool = False

    @property
    def length(self) -> Fraction:
        """The length of its notes together."""
        return sum((note.length for note in self.notes), Fraction(0))


@dataclass(frozen=True, slots=True)
class Expected:
    """One note as it is to be played: repeats unfolded, ties joined.

    `bar` and `place` say where it is written: `tune.bars[bar].notes[place]`. `starts_at` counts from the tune's start.
    """

    note: int
    length: Fraction
    graces: tuple[int, ...]
    bar: int
    place: int
    starts_at: Fraction


@dataclass(frozen=True, slots=True)
class Tune:
    """A tune as written. `meter` None is free time; `tempo` is in quarter notes a minute, None where none is given.

    `key` HP prints no signature, Hp prints two sharps; both sound the chanter's scale (ABC 2.1, section 4.6).
    """

    number: int
    title: str
    bars: tuple[Bar, ...]
    composer: str = ""
    rhythm: str = ""
    meter: tuple[int, int] | None = None
    unit: Fraction = Fraction(1, 8)
    tempo: Fraction | None = None
    key: Literal["HP", "Hp"] = "HP"
    source_name: str = field(default="", compare=False)

    @property
    def first_bar_number(self) -> int:
        """1, or 0 where the tune begins with an upbeat: a first bar shorter than the meter asks for."""
        return first_bar_number(self.meter, self.bars)

    def bar_order(self) -> list[int]:
        """The bars in the order they are played, repeats and endings unfolded; indices into `bars`."""
        order: list[int] = []
        for part in _parts(self.bars):
            endings = _endings(self.bars, part)
            times = max([self.bars[index].times for index in part] + [n for e in endings if e for n in e])
            for time in range(1, min(times, MOST_TIMES) + 1):
                order += [
                    index for index, ending in zip(part, endings, strict=True) if ending is None or time in ending
                ]
        return order

    def played(self) -> list[Expected]:
        """The notes to be played, in order. Rests are left out, but count in `starts_at`."""
        played: list[Expected] = []
        now, tied = Fraction(0), False
        for bar in self.bar_order():
            for place, note in enumerate(self.bars[bar].notes):
                if note.note is None:
                    tied = False
                elif tied and played and played[-1].note == note.note and not note.graces:
                    played[-1] = replace(played[-1], length=played[-1].length + note.length)
                    tied = note.tie
                else:
                    played.append(Expected(note.note, note.length, note.graces, bar, place, now))
                    tied = note.tie
                now += note.length
        return played


def first_bar_number(meter: tuple[int, int] | None, bars: tuple[Bar, ...] | list[Bar]) -> int:
    """1, or 0 where the first of two or more bars is shorter than the meter asks for."""
    if meter is None or len(bars) < 2:
        return 1
    return 0 if bars[0].length < Fraction(*(bars[0].meter or meter)) else 1


def _parts(bars: tuple[Bar, ...]) -> Iterator[range]:
    """Stretches that are played as one: repeated as a whole with all their endings, or played once.

    A repeat with no sign where it opens goes back to the last double bar line or closed repeat (ABC 2.1, section 4.8).
    """
    begin, is_open, is_closed, in_ending = 0, False, False, False
    for index, bar in enumerate(bars):
        after = bars[index + 1] if index + 1 < len(bars) else None
        is_open, in_ending = is_open or bar.opens, in_ending or bool(bar.ending)
        # What follows a closed repeat as a later ending still belongs to it.
        goes_on = after is not None and bool(after.ending) and 1 not in after.ending
        double = bar.barline not in ("", "|") and (is_closed or not (is_open or in_ending))
        if after is None or after.opens or ((bar.times > 1 or double) and not goes_on):
            yield range(begin, index + 1)
            begin, is_open, is_closed, in_ending = index + 1, False, False, False
        else:
            is_closed = is_closed or bar.times > 1


def _endings(bars: tuple[Bar, ...], part: range) -> list[tuple[int, ...] | None]:
    """For each bar of a part the ending it belongs to, None where it is played every time."""
    endings: list[tuple[int, ...] | None] = [None]
    for index in part:
        endings.append(bars[index].ending or endings[-1])
    return endings[1:]


class ExpectationError(ValueError):
    """Nothing, or nothing playable, to compare with."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """One note to be held, 0 to 8, and the grace notes before it.

    `bar` is its number as players count, None without bars; `begins_bar` where it is the first of its bar; `place` is
    (index of the bar, index of the note in it) in the tune.
    """

    note: int
    graces: tuple[int, ...] = ()
    bar: int | None = None
    begins_bar: bool = False
    place: tuple[int, int] | None = None


@dataclass(frozen=True, slots=True)
class Expectation:
    """What is to be held, under the name of the tune."""

    name: str
    notes: tuple[Wanted, ...]


def expect(what: Tune | Sequence[int] | Expectation, name: str = "") -> Expectation:
    """What a tune, or a plain row of notes 0 to 8, asks for; raises ExpectationError where that is no note at all."""
    if isinstance(what, Expectation):
        expectation = what
    elif isinstance(what, Tune):
        expectation = Expectation(name or what.title or f"tune {what.number}", _of_tune(what))
    else:
        expectation = Expectation(name, _of_notes(what))
    if not expectation.notes:
        title = f" {expectation.name!r}" if expectation.name else ""
        raise ExpectationError(f"expected an exercise with notes to play; the exercise{title} has none")
    return expectation


def _of_notes(notes: Sequence[int]) -> tuple[Wanted, ...]:
    wanted: list[Wanted] = []
    for note in notes:
        if note not in range(len(NOTES)):
            raise ExpectationError(f"expected notes from 0 to {len(NOTES) - 1}, low G to high A; got {note!r}")
        if not wanted or wanted[-1].note != note:
            wanted.append(Wanted(note))
    return tuple(wanted)


def _of_tune(tune: Tune) -> tuple[Wanted, ...]:
    wanted: list[Wanted] = []
    first, ends_at, bar_before = tune.first_bar_number, None, (-1, -1)
    for note in tune.played():
        joined = wanted and wanted[-1].note == note.note and not note.graces and note.starts_at == ends_at
        ends_at = note.starts_at + note.length
        if not joined:
            # A bar that is played again begins anew: its places start over.
            begins_bar = note.bar != bar_before[0] or note.place <= bar_before[1]
            wanted.append(Wanted(note.note, note.graces, note.bar + first, begins_bar, (note.bar, note.place)))
        bar_before = (note.bar, note.place)
    return tuple(wanted)
